"""How often stated limits hold the truth, how far estimates are off, and what tests find, by simulation.

Run with: python -m tests.benchmarks.coverage [--repeats 400] [--first 0] [--only WORD] [--workers CORES]
Each line is a world and a method of the product: the share of repeats whose 95 % interval holds the truth ("cover"),
by how much the middle one of the estimates is off ("bias": from the median, which is the same of a rate and of its
logarithm, with its standard error of Monte Carlo), the median of upper over lower limit ("wide"), and the share of
repeats with p below .05 ("found": false alarms where the truth is 1, power elsewhere).
A share of 400 has a standard error of .011 at .95. An answer that is refused finds nothing.
"""

import argparse
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import get_context
from typing import Any
from zlib import crc32

import numpy as np
import numpy.typing as npt
import polars as pl
from threadpoolctl import threadpool_limits

from pipeline.stats.change import changed_or_replaced
from pipeline.stats.detection import Judgements, corrected, true_slides_per_find, with_drawn_truths
from pipeline.stats.estimates import COUNTED, MEASURES, estimates
from pipeline.stats.intervals import Interval
from pipeline.stats.latent_class import Answers, latent_class
from pipeline.stats.planning import Design, holm, power
from pipeline.stats.player_grid import player_grid
from pipeline.stats.rates import pooled_spread, rate_interval
from pipeline.stats.recovery import curves, recovered_by
from pipeline.stats.regression import dated_regression, negative_binomial, regression
from pipeline.stats.repertoire import expected_slides, standardised_rates
from pipeline.stats.resemblance import resemblance, residuals
from pipeline.stats.uncertain_dates import Takes, drawn_rates, ratio_bounds
from pipeline.stats.whose_rate import PlayersRates, Ratio, compare_players, players_rates, tells_spread
from pipeline.steps.summarise.comparisons import Pair
from pipeline.steps.summarise.correction import combined
from pipeline.steps.summarise.listening import Listened
from tests.benchmarks import worlds

RNG = np.random.Generator
CHAINS = 499
COUNTS = {counts for counts, _, _ in MEASURES.values()}


@dataclass(frozen=True)
class Outcome:
    """What one method said in one repeat."""

    method: str
    interval: Interval | None
    truth: float
    p: float | None = None
    share: float | None = None  # of several true values held


@dataclass
class Tally:
    """All repeats of one world and method."""

    held: list[float] = field(default_factory=list)
    off: list[float] = field(default_factory=list)
    wide: list[float] = field(default_factory=list)
    found: list[bool] = field(default_factory=list)

    def add(self, outcome: Outcome) -> None:
        made = outcome.interval
        if made is not None and made.estimate > 0:
            self.off.append(float(np.log(made.estimate / outcome.truth)))
        if made is not None and np.isfinite(made.low):
            held = made.low <= outcome.truth <= made.high if outcome.share is None else outcome.share
            self.held.append(float(held))
            if made.low > 0:
                self.wide.append(made.high / made.low)
        if outcome.p is not None:
            self.found.append(outcome.p < 0.05)

    def line(self) -> str:
        cover = f"{np.mean(self.held):.3f}" if self.held else "-"
        bias, error = "-", "-"
        if self.off:
            bias = f"{100 * np.expm1(np.median(self.off)):+.1f} %"
            # Of a median of as many normal variates.
            error = f"{100 * np.sqrt(np.pi / 2 / len(self.off)) * np.std(self.off):.1f}"
        wide = f"x{np.median(self.wide):.2f}" if self.wide else "-"
        found = f"{np.mean(self.found):.3f}" if self.found else "-"
        return f"{cover:>7} {bias:>9} {error:>5} {wide:>8} {found:>7} {max(len(self.off), len(self.found)):>5}"


World = Callable[[RNG], Iterator[Outcome]]


def of_ratio(method: str, ratio: Ratio | None, truth: float) -> Iterator[Outcome]:
    if ratio is not None:
        yield Outcome(method, ratio.ratio, truth, ratio.p)


def dates(**world: float) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        takes = worlds.dated_takes(rng, **world)
        truth, seed = world["truth"], (int(rng.integers(1 << 30)),)
        drawn = drawn_rates(takes, seed=seed)
        sure = takes.certain
        certain = drawn_rates(
            Takes(takes.counts[sure], takes.exposures[sure], takes.players[sure], takes.shares[sure]), seed=seed
        )
        bounds = ratio_bounds(takes, 0, 1)
        if drawn and certain:
            yield Outcome("certain takes only", certain.ratio(0, 1), truth)
            yield Outcome("drawn given the count", drawn.ratio(0, 1), truth)
            yield Outcome("bounds", Interval(np.sqrt(bounds.least * bounds.most), bounds.least, bounds.most), truth)

    return run


def change(truth_between: float | None = None, **world: float) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        made = changed_or_replaced(*worlds.two_groups(rng, **world))
        truth = world["change"]
        for name, evidence in (
            ("within players", made.within),
            ("between players", made.between),
            ("joined", made.joined),
        ):
            if evidence and (name != "joined" or made.between):
                right = truth * world.get("replaced", 1.0) if name == "between players" else truth
                yield from of_ratio(name, evidence.compared, right)
        if made.differ_p is not None:
            if made.joined is None:  # what is not said finds nothing
                yield Outcome("joined", None, truth, 1.0)
            yield Outcome("within and between differ", None, 1.0, made.differ_p)

    return run


def one_group(number: int, **world: float | str) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        p = worlds.players(rng, number, **world)
        made = players_rates(p.counts, p.exposures, p.of)
        yield from of_players(made, p)

    return run


def of_players(made: PlayersRates | None, of: worlds.Players) -> Iterator[Outcome]:
    if made:
        yield Outcome("typical player", made.typical, of.typical)
        yield Outcome("average player", made.average, of.mean)
        if of.median != of.typical:
            yield Outcome("median player (for contrast)", made.typical, of.median)


def groups(first: int, second: int, ratio: float = 1.0, **world: float) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        a = worlds.players(rng, first, mean=3 * ratio, **world)
        b = worlds.players(rng, second, **world)
        made = compare_players(players_rates(a.counts, a.exposures, a.of), players_rates(b.counts, b.exposures, b.of))
        yield from of_ratio("ratio of typical players", made, ratio)

    return run


def sample(number: int, **world: float | str) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        p = worlds.players(rng, number, **world)
        made = player_grid(p.counts, p.exposures, p.of)
        if made:
            own = float(((made.low <= p.rates) & (p.rates <= made.high)).mean())
            yield Outcome("own rates", Interval(made.rates[0], made.low[0], made.high[0]), p.rates[0], share=own)
            if tells_spread(np.bincount(p.of, p.counts)):
                yield Outcome("spread between players", made.spread, p.spread)
            yield from of_players(players_rates(p.counts, p.exposures, p.of, posterior=made), p)

    return run


def effects(number: int, cv: float, uncertain: float = 0.0, half_span: float = 1.0) -> World:
    names = ("born", "recorded", "electrical")

    def run(rng: RNG) -> Iterator[Outcome]:
        w = worlds.regressed(rng, number=number, cv=cv, uncertain=uncertain, half_span=half_span)
        fits = {
            how: fit(w.counts, w.exposures, w.terms, names=names, players=w.players)
            for how, fit in (("", regression), (" by negative binomial", negative_binomial))
        }
        if uncertain:
            drawn = dated_regression(
                w.counts,
                w.exposures,
                w.terms,
                names=names,
                players=w.players,
                dated=1,
                half_spans=w.half_spans,
                seed=(int(rng.integers(1 << 30)),),
            )
            fits = {" by middles (for contrast)": fits[""], " with drawn dates": drawn}
        for how, fit in fits.items():
            for effect, slope in zip(fit or (), (-0.1, -0.3, 0.2), strict=bool(fit)):
                yield Outcome(effect.term + how, effect.ratio, float(np.exp(slope)))

    return run


def lineage(pairs: int, influence: float, recorded: float = 1.0) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        links, logs = worlds.taught(rng, pairs=pairs, influence=influence, recorded=recorded)
        made = resemblance(links, residuals(logs, links.born), seed=(int(rng.integers(1 << 30)),), chains=CHAINS)
        yield Outcome("teachers permuted within age", None, 1.0, made.p)

    return run


def repertoire(each: int, ratio: float, correlation: float = 0.0) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        cells, group, truth = worlds.changes_of_note(rng, each=each, ratio=ratio, correlation=correlation)
        rows = group[cells.players]
        rates = [cells.slides[rows == g].sum() / cells.chances[rows == g].sum() for g in (0, 1)]
        yield Outcome("crude (for contrast)", Interval(rates[0] / rates[1], np.nan, np.nan), truth)
        for name, one_vote in (("standardised", False), ("standardised, one vote", True)):
            made = standardised_rates(cells, rows, one_vote=one_vote)
            if made:
                found, p = made.ratio(0, 1)
                yield Outcome(name, found, truth, p)
        expected = expected_slides(cells)
        parts = [players_rates(cells.slides[rows == g], expected[rows == g], cells.players[rows == g]) for g in (0, 1)]
        yield from of_ratio("observed over expected", compare_players(*parts), truth)

    return run


def errors(judged: int) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        judgements, pair, truth = worlds.listened(rng, judged=judged)
        made = compare_players(*(players_rates(p.counts, p.exposures, p.of) for p in pair))
        factors = true_slides_per_find(judgements, seed=(int(rng.integers(1 << 30)),))
        if made:
            yield Outcome("uncorrected (for contrast)", made.ratio, truth, made.p)
            mended = corrected(made.ratio, factors[:, 0], factors[:, 1])
            yield Outcome("corrected by stratum", mended, truth, 0.0 if mended.low > 1 or mended.high < 1 else 1.0)

    return run


def noise(*, listening: bool, recovery: bool, **world: Any) -> World:
    """Two groups that differ in sound alone, through what the step ``summarise`` makes of them."""

    def run(rng: RNG) -> Iterator[Outcome]:
        made = worlds.two_sounds(rng, **world)
        seed = int(rng.integers(1 << 30))
        sound = made.parts["sound"].to_numpy()
        judged = np.bincount(made.judgements.strata, minlength=2) + made.judgements.judged_finds.astype(np.intp)
        heard = (
            Listened(np.arange(2), true_slides_per_find(made.judgements, seed=(seed,)), judged) if listening else None
        )
        told = None
        if recovery:
            lengths = made.measured_ms
            known = curves(made.plantings, made.found, measured_ms=lengths, sides=sound.size, groups=sound)
            told = recovered_by(known, seed=(seed,))
        correction = combined(made.parts, made.finds, heard, told, np.ones(2, dtype=np.intp))
        if correction is None:
            return
        members = made.parts.select(
            pl.when(pl.col("sound") == 0).then(pl.lit("noisy")).otherwise(pl.lit("clear")).alias("group_key"),
            pl.col("player_id").alias("cluster"), "part", pl.lit(1.0).alias("weight"),
        ).sort("group_key", "cluster", "part")  # fmt: skip
        factors = correction.of_members(members)
        clusters = made.clusters.select(
            "group_key", "cluster", pl.lit(False).alias("is_assumed"),
            *(pl.col("slides" if name in COUNTS else "exposure").alias(name) for name in COUNTED),
        )  # fmt: skip
        frame = estimates(clusters, grouping="process", cluster_unit="player", seed=seed, factors=factors)
        rates = {row["group_key"]: row for row in frame.filter(measure="slides_per_minute").iter_rows(named=True)}
        sums = {
            key: {row["cluster"]: row for row in clusters.filter(group_key=key).iter_rows(named=True)} for key in rates
        }
        pair = Pair(
            "process", "noisy", "clear", "slides_per_minute", sums["noisy"], sums["clear"],
            (factors["noisy"], factors["clear"]),
        )  # fmt: skip
        rows = [pair.as_recorded(rates["noisy"], rates["clear"], None, seed=seed, replicates=400), *pair.of_players()]
        for row in rows:
            if row["ratio"] is None:  # evidence that there is none of
                continue
            for name, what in (("ratio", "as found (for contrast)"), ("ratio_corrected", "corrected")):
                low, high = row[f"{name}_low"], row[f"{name}_high"]
                p = 1.0 if low <= 1 <= high else 0.0
                yield Outcome(f"{row['evidence']}, {what}", Interval(row[name], low, high), 1.0, p)

    return run


def listeners(recall: float, hears: float, imagines: float) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        answers, truth = worlds.heard_twice(rng, recall=recall, hears=hears, imagines=imagines)
        one = answers.heard[:200, 0].mean() + 5 * answers.heard[200:, 0].mean()
        yield Outcome("one listener (for contrast)", Interval(one, np.nan, np.nan), truth)
        seed = (int(rng.integers(1 << 30)),)
        made = latent_class(answers, seed=seed)
        if made:
            yield Outcome("two listeners, latent class", _of_draws(made.shares @ np.array([1.0, 5.0])), truth)
            in_rates = with_drawn_truths(partial(_judged, answers), made.truths[::4], seed=seed)[:, 0]
            yield Outcome("two listeners, as rates have it", _of_draws(in_rates), truth)

    return run


def _judged(answers: Answers, truth: npt.NDArray[np.float64]) -> Judgements:
    """Of 1,000 finds and 5,000 changes without one; nothing is known of their scores."""
    find, none = answers.groups == 0, np.zeros(1, dtype=np.intp)
    judged, true = np.array([find.sum()], dtype=float), np.array([truth[find].sum()])
    at = np.zeros(int((~find).sum()), dtype=np.intp)
    return Judgements(
        np.array([1000.0]), judged, true, at, at.astype(float), truth[~find], none, np.zeros(1), np.array([5000.0])
    )


def _of_draws(draws: npt.NDArray[np.float64]) -> Interval:
    return Interval(*(float(x) for x in np.quantile(draws, [0.5, 0.025, 0.975])))


def clusters(sessions: int) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        counts, exposures, known, truth = worlds.undated_sessions(rng, sessions=sessions)
        # The spread between sessions is learnt from a corpus of 20 players whose clusters are made the same way.
        others = [worlds.undated_sessions(rng, sessions=4) for _ in range(20)]
        for name, of in known.items():
            corpus = [(np.bincount(k[name], c), np.bincount(k[name], e)) for c, e, k, _ in others]
            made = rate_interval(
                np.bincount(of, counts), np.bincount(of, exposures), seed=(1,), pooled=pooled_spread(corpus)
            )
            if made:
                yield Outcome(name, Interval(made.estimate, made.low, made.high), truth)

    return run


def families(number: int) -> World:
    def run(rng: RNG) -> Iterator[Outcome]:
        made = [players_rates(p.counts, p.exposures, p.of) for p in (worlds.players(rng, 6) for _ in range(number))]
        pairs = [compare_players(a, b) for i, a in enumerate(made) for b in made[i + 1 :]]
        p = np.array([pair.p for pair in pairs if pair])
        yield Outcome("any of the pairs, unadjusted", None, 1.0, float(p.min()))
        yield Outcome("any of the pairs, Holm", None, 1.0, float(holm(p).min()))

    return run


def planned(number: int, ratio: float) -> World:
    design = Design(worlds.log_sd(0.6), 0.3, 0.2, 4, 40)
    said = power(design, ratio=ratio, players=number, same_players=False)

    def run(rng: RNG) -> Iterator[Outcome]:
        for outcome in groups(number, number, ratio)(rng):
            yield Outcome(f"power, planned {said:.2f}", None, ratio, outcome.p)

    return run


WORLDS: dict[str, World] = {
    "dates: ratio 2, 25 % uncertain": dates(truth=2.0, uncertain=0.25),
    "dates: ratio 2, 50 % uncertain": dates(truth=2.0, uncertain=0.5),
    "dates: ratio 2, 75 % uncertain": dates(truth=2.0, uncertain=0.75),
    "dates: ratio 2, 50 %, 4 in 5 truly early": dates(truth=2.0, uncertain=0.5, early=0.8),
    "dates: ratio 2, 50 %, own ratios differ .3": dates(truth=2.0, uncertain=0.5, own_ratio=0.3),
    "dates: ratio 1, 50 % uncertain": dates(truth=1.0, uncertain=0.5),
    **{f"change: ratio 1.6, {n} in both": change(both=n, alone=0, change=1.6) for n in (4, 6, 9, 15)},
    "change: ratio 1, 6 in both": change(both=6, alone=0, change=1.0),
    "change: ratio 1.6, 6 in both, 5 slides each": change(both=6, alone=0, change=1.6, slides=5),
    "change: ratio 1.6, 6 in both, 8 + 8 in one": change(both=6, alone=8, change=1.6),
    "change: replacement 2 alone, 6 in both, 8 + 8": change(both=6, alone=8, change=1.0, replaced=2.0),
    **{f"one group: {n} players": one_group(n) for n in (3, 5, 8, 15, 40)},
    **{f"one group: {n} players, cv .9, correlated .5": one_group(n, cv=0.9, correlation=0.5) for n in (5, 15, 40)},
    **{f"one group: {n} players, gamma": one_group(n, kind="gamma") for n in (5, 15, 40)},
    **{f"one group: {n} players, 5 slides each": one_group(n, slides=5) for n in (5, 15, 40)},
    **{f"two groups: ratio 1, {n} v {n}": groups(n, n) for n in (4, 5, 8, 15, 40)},
    "two groups: ratio 1, 5 v 20 correlated .5": groups(5, 20, correlation=0.5),
    "two groups: ratio 1, 8 v 8, 5 slides each": groups(8, 8, slides=5),
    **{f"two groups: ratio 2, {n} v {n}": groups(n, n, 2.0) for n in (5, 8, 15)},
    **{f"sample: {n} players": sample(n) for n in (3, 5, 8, 15, 40)},
    **{f"sample: {n} players, gamma": sample(n, kind="gamma") for n in (5, 15)},
    **{f"sample: {n} players, cv .9, 5 slides each": sample(n, cv=0.9, slides=5) for n in (5, 15)},
    **{f"sample: {n} players, sessions differ .5": sample(n, kappa=0.5) for n in (5, 15)},
    **{f"regression: {n} players, cv {cv}": effects(n, cv) for n, cv in ((8, 0.6), (12, 0.6), (20, 0.6), (20, 1.0))},
    "regression: 20 players, half of dates to 20 years": effects(20, 0.6, uncertain=0.5),
    "regression: 20 players, 3 in 4 dates to 20 years": effects(20, 0.6, uncertain=0.75),
    **{f"lineage: {n} pairs, influence {h}": lineage(n, h) for n in (30, 100) for h in (0.0, 0.5, 0.7)},
    "lineage: 30 pairs, half of teachers recorded, 0": lineage(30, 0.0, 0.5),
    "lineage: 30 pairs, half of teachers recorded, .7": lineage(30, 0.7, 0.5),
    "repertoire: ratio 1, 5 + 5": repertoire(5, 1.0),
    "repertoire: ratio 1, 15 + 15": repertoire(15, 1.0),
    "repertoire: ratio 1.4, 8 + 8": repertoire(8, 1.44),
    "repertoire: ratio 1, 15 + 15, correlated .5": repertoire(15, 1.0, 0.5),
    **{f"detection: {n} judged in each stratum": errors(n) for n in (50, 100, 200, 400)},
    "noise: by ear, 200 in each sound": noise(listening=True, recovery=False),
    "noise: by slides planted": noise(listening=False, recovery=True, precise=(1.0, 1.0)),
    "noise: by both": noise(listening=True, recovery=True),
    "listeners: recall .92, hear .9, imagine .03": listeners(0.92, 0.9, 0.03),
    "listeners: recall .60, hear .9, imagine .03": listeners(0.60, 0.9, 0.03),
    "listeners: recall .92, hear .8, imagine .03": listeners(0.92, 0.8, 0.03),
    "listeners: recall .92, perfect": listeners(0.92, 1.0, 0.0),
    **{f"sessions: {n} of four takes": clusters(n) for n in (2, 4, 8)},
    "comparisons: six schools of six, no difference": families(6),
    **{f"plan: ratio {r}, {n} v {n}": planned(n, r) for n, r in ((5, 2.0), (12, 1.5), (20, 1.5))},
}


AT_ONCE = 20
"""Repeats that a worker takes at a time."""
SCATTERED, TIMES = "noise", 5
"""Worlds whose ratios scatter so much that 400 repeats leave 2 % open, and how many times as many they get."""


def outcomes(name: str, start: int, stop: int) -> list[Outcome]:
    """What the methods say in some repeats of a world, each repeat with its own stream of random numbers."""
    stream, world = crc32(name.encode()), WORLDS[name]
    return [outcome for repeat in range(start, stop) for outcome in world(np.random.default_rng([stream, repeat]))]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=400)
    parser.add_argument("--first", type=int, default=0, help="number of the first repeat: other numbers, other draws")
    parser.add_argument("--only", default="", help="worlds whose name contains this")
    parser.add_argument("--workers", type=int, default=1, help="processes that share the repeats")
    asked = parser.parse_args()
    print(f"{'':50}{'':30} {'cover':>7} {'bias':>9} {'+-':>5} {'wide':>8} {'found':>7} {'of':>5}")
    with ProcessPoolExecutor(asked.workers, get_context("spawn"), threadpool_limits, (1,)) as pool:
        given = {}
        for name in (name for name in WORLDS if asked.only in name):
            last = asked.first + asked.repeats * (TIMES if name.startswith(SCATTERED) else 1)
            starts = range(asked.first, last, AT_ONCE)
            given[name] = [pool.submit(outcomes, name, start, min(start + AT_ONCE, last)) for start in starts]
        for name, parts in given.items():
            made: dict[str, Tally] = {}
            for outcome in (each for part in parts for each in part.result()):
                made.setdefault(outcome.method, Tally()).add(outcome)
            for method, tally in made.items():
                print(f"{name:50}{method:30} {tally.line()}", flush=True)


if __name__ == "__main__":
    main()
