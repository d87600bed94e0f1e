"""Two groups compared within places, by simulation: how often the limits hold, and what is found where nothing is.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.places [--corpora 400] [--players 24]

Six works of thirty places; places differ by 1.2 and players by .5 on the log-odds (standard deviations); players of two
schools play three works each, and one school prefers works with many slides. Planted: an odds ratio of
2.23 between schools, or 1. Beside the odds ratio within places stands that of all rows, with the same players drawn.
The truth is the planted ratio with players pooled at each place, by quadrature.
"""

import argparse

import numpy as np

from pipeline.stats.places import PlaceEffect, Told, place_effect

WORKS, PLACES_A_WORK, WORKS_PLAYED = 6, 30, 3
PLACE_SPREAD, PLAYER_SPREAD, LEVEL_LOGIT = 1.2, 0.5, -1.0
EFFECT = float(np.log(2.23))
REPEATS = 200


def corpus(rng: np.random.Generator, *, players: int, effect: float) -> tuple[Told, Told]:
    """What each school did at each place; players are rows, half of them in each school."""
    work = np.repeat(np.arange(WORKS), PLACES_A_WORK)
    sliding = np.sort(rng.normal(0.0, 1.0, WORKS))
    place = rng.normal(sliding[work], PLACE_SPREAD)
    school = np.arange(players) % 2
    own = rng.normal(0.0, PLAYER_SPREAD, players)
    slid, told = np.zeros((2, players, work.size))
    for k in range(players):
        # The second school prefers the works in which all slide.
        liking = np.exp((0.8 if school[k] == 0 else -0.8) * -np.arange(WORKS))
        played = rng.choice(WORKS, WORKS_PLAYED, replace=False, p=liking / liking.sum())
        at = np.isin(work, played) & (rng.random(work.size) < 0.85)
        logit = LEVEL_LOGIT + place + own[k] + effect * (school[k] == 0)
        told[k] = at
        slid[k] = at & (rng.random(work.size) < 1.0 / (1.0 + np.exp(-logit)))
    first, other = (school == s for s in (0, 1))
    return Told(slid * first[:, None], told * first[:, None]), Told(slid * other[:, None], told * other[:, None])


def pooled_truth(effect: float) -> float:
    """The odds ratio at a place with its players pooled: the median over places, by draws of 4,000 places."""
    rng = np.random.default_rng(1)
    at = LEVEL_LOGIT + rng.normal(0, np.hypot(1.0, PLACE_SPREAD), 4000)
    own, weight = np.polynomial.hermite_e.hermegauss(31)
    weight = weight / weight.sum()
    one, other = (
        (weight / (1.0 + np.exp(-(at[:, None] + e + PLAYER_SPREAD * own)))).sum(axis=1) for e in (effect, 0.0)
    )
    # As Mantel and Haenszel weigh places: by A D and B C.
    return float((one * (1 - other)).sum() / ((1 - one) * other).sum())


def unmatched(first: Told, other: Told, *, seed: int) -> PlaceEffect | None:
    """The same with all places taken for one."""
    one, two = (Told(g.slid.sum(axis=1, keepdims=True), g.told.sum(axis=1, keepdims=True)) for g in (first, other))
    return place_effect(one, two, seed=[seed], replicates=REPEATS)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--corpora", type=int, default=400)
    parser.add_argument("--players", type=int, nargs="*", default=[8, 12, 24, 40])
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    print(f"{'players':>7} {'planted':>7} {'':12} {'median':>6} {'5 %':>6} {'95 %':>6} {'holds':>6} {'found':>6}")
    for players in given.players:
        for effect in (EFFECT, 0.0):
            truth = pooled_truth(effect) if effect else 1.0
            made: dict[str, list[PlaceEffect]] = {"within places": [], "all rows": []}
            for number in range(given.corpora):
                rng = np.random.default_rng([given.seed, players, number])
                first, other = corpus(rng, players=players, effect=effect)
                within = place_effect(first, other, seed=[number], replicates=REPEATS)
                rows = unmatched(first, other, seed=number)
                if within is not None and rows is not None:
                    made["within places"].append(within)
                    made["all rows"].append(rows)
            for name, effects in made.items():
                ratios = np.array([e.ratio.estimate for e in effects])
                held = np.mean([e.ratio.low <= truth <= e.ratio.high for e in effects])
                found = np.mean([e.p < 0.05 for e in effects])
                low, high = np.quantile(ratios, [0.05, 0.95])
                print(
                    f"{players:>7} {truth:>7.2f} {name:12} {np.median(ratios):>6.2f} {low:>6.2f} {high:>6.2f} "
                    f"{held:>6.3f} {found:>6.3f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
