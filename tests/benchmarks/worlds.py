"""Made worlds of players, takes and listeners with known truth, for ``tests.benchmarks.coverage``.

Unless said otherwise players' rates are log-normal with a coefficient of variation of .6, recording sessions of one
player differ by .3, exposures are log-normal (standard deviation of the logarithm .8) and a player has some 40 slides
in four sessions.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special, stats

from pipeline.stats.detection import Judgements
from pipeline.stats.latent_class import Answers
from pipeline.stats.recovery import Plantings, classes
from pipeline.stats.repertoire import Cells
from pipeline.stats.resemblance import Links
from pipeline.stats.uncertain_dates import Takes
from pipeline.steps.summarise.finds import Finds
from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
RNG = np.random.Generator


@dataclass(frozen=True)
class Players:
    """Sessions of players, each player's true rate, and the population's mean, geometric mean, median and spread."""

    counts: Floats
    exposures: Floats
    of: Ints
    rates: Floats
    mean: float
    typical: float
    median: float
    spread: float


def log_sd(cv: float) -> float:
    """Standard deviation of the logarithm of a log-normal quantity with this coefficient of variation."""
    return float(np.sqrt(np.log1p(cv**2)))


def gamma(rng: RNG, cv: float, size: int | tuple[int, ...]) -> Floats:
    """Gamma variates of mean 1; all 1 without variation."""
    return rng.gamma(1 / cv**2, cv**2, size) if cv else np.ones(size)


def players(
    rng: RNG,
    number: int,
    *,
    cv: float = 0.6,
    kind: str = "log-normal",
    correlation: float = 0.0,
    slides: float = 40.0,
    sessions: int = 4,
    kappa: float = 0.3,
    mean: float = 3.0,
) -> Players:
    """Players with recording sessions; ``correlation`` is that of log rate and log exposure."""
    z = rng.normal(size=number)
    spread = log_sd(cv)
    if kind == "log-normal":
        rates, typical = mean * np.exp(spread * z - spread**2 / 2), mean * np.exp(-(spread**2) / 2)
        median = typical
    else:
        law = stats.gamma(1 / cv**2, scale=mean * cv**2)
        rates, median = law.ppf(stats.norm.cdf(z)), float(law.median())
        typical = mean * cv**2 * float(np.exp(special.digamma(1 / cv**2)))
        spread = float(np.sqrt(np.var(np.log(law.ppf((np.arange(2000) + 0.5) / 2000)))))
    other = correlation * z + np.sqrt(1 - correlation**2) * rng.normal(size=number)
    total = slides / mean * np.exp(0.8 * other - 0.32)
    of = np.repeat(np.arange(number), sessions)
    exposures = total[of] / sessions * np.exp(0.3 * rng.normal(size=of.size))
    counts = rng.poisson(rates[of] * exposures * gamma(rng, kappa, of.size)).astype(float)
    return Players(counts, exposures, of, rates, mean, float(typical), float(median), spread)


def dated_takes(
    rng: RNG, *, truth: float, uncertain: float, early: float = 0.5, own_ratio: float = 0.0, between: float = 0.3
) -> Takes:
    """24 players with five takes in each of two periods; a share of the takes may lie in either.

    ``early`` is the share of truly early ones among the uncertain, ``own_ratio`` the spread of players' log ratios,
    whose mean, that of the music, is ``truth``.
    """
    number, takes = 24, 5
    level = 3 * np.exp(log_sd(0.6) * rng.normal(size=number))
    change = np.exp(own_ratio * rng.normal(size=number) - own_ratio**2 / 2)
    parts = []
    for period in (0, 1):
        exposures = 4 * np.exp(0.6 * rng.normal(size=(number, takes)))
        rate = level * (truth * change if period == 0 else 1.0)
        counts = rng.poisson(rate[:, None] * exposures * gamma(rng, between, (number, takes)))
        chance = 2 * uncertain * (early if period == 0 else 1 - early)
        shares = np.zeros((number, takes, 2))
        shares[..., period] = 1.0
        shares[rng.random((number, takes)) < chance] = 0.5
        parts.append((counts.ravel(), exposures.ravel(), np.repeat(np.arange(number), takes), shares.reshape(-1, 2)))
    counts, exposures, of, shares = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Takes(counts.astype(float), exposures, of, shares)


def two_groups(
    rng: RNG, *, both: int, alone: int, change: float, replaced: float = 1.0, slides: float = 40.0
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Counts and exposures in two groups of players who stand in both, and ``alone`` of each in one only.

    ``change`` is the ratio within players, ``change * replaced`` that between players of one group only.
    """
    number = both + 2 * alone
    level = 3 * np.exp(log_sd(0.6) * rng.normal(size=number))
    own = np.exp(0.2 * rng.normal(size=number))
    first, second = level * change * own, level.copy()
    first[both : both + alone] *= replaced
    groups = []
    for place, rate in enumerate((first, second)):
        exposures = slides / 3 * np.exp(0.8 * rng.normal(size=number) - 0.32)
        exposures[both + (1 - place) * alone : both + (2 - place) * alone] = 0.0
        groups.append((rng.poisson(rate * exposures * gamma(rng, 0.21, number)).astype(float), exposures))
    return groups[0], groups[1]


@dataclass(frozen=True)
class Regressed:
    """Takes with birth and recording date in decades, process, and half of each span of dates."""

    counts: Floats
    exposures: Floats
    terms: Floats
    half_spans: Floats
    players: list[str]


def regressed(rng: RNG, *, number: int, cv: float, uncertain: float = 0.0, half_span: float = 1.0) -> Regressed:
    """True slopes: born -.1 and recorded -.3 a decade, electrical +.2, on the logarithm."""
    takes = rng.integers(4, 16, number)
    of = np.repeat(np.arange(number), takes)
    born = rng.uniform(-2, 2, number)[of]
    recorded = born + rng.uniform(2, 6, of.size)
    electrical = (recorded + rng.normal(0, 0.5, of.size) > 4).astype(float)
    exposures = 3 * np.exp(0.6 * rng.normal(size=of.size))
    level = np.exp(log_sd(cv) * rng.normal(size=number))[of]
    mean = 3 * level * np.exp(-0.1 * born - 0.3 * (recorded - 4) + 0.2 * electrical)
    counts = rng.poisson(mean * exposures * gamma(rng, 0.3, of.size)).astype(float)
    half = np.where(rng.random(of.size) < uncertain, half_span, 0.0)
    start = np.floor(recorded / (2 * half_span)) * 2 * half_span
    middle = np.where(half > 0, start + half_span, recorded)
    return Regressed(counts, exposures, np.column_stack([born, middle, electrical]), half, [f"p{p:03d}" for p in of])


def taught(rng: RNG, *, pairs: int, influence: float, recorded: float = 1.0) -> tuple[Links, Floats]:
    """Students of every third as many teachers and their log rates; a trend of -20 % a decade of birth."""
    teachers = max(pairs // 3, 2)
    born_teacher = rng.uniform(1840, 1890, teachers)
    of = rng.integers(0, teachers, pairs)
    born = np.r_[born_teacher, born_teacher[of] + rng.uniform(14, 40, pairs)]
    own = rng.normal(size=teachers)
    student = influence * own[of] + np.sqrt(1 - influence**2) * rng.normal(size=pairs)
    logs = 0.5 * np.r_[own, student] + 0.25 * rng.normal(size=born.size) + np.log(0.8) * (born - 1870) / 10
    logs[:teachers][rng.random(teachers) >= recorded] = np.nan
    size = born.size
    return Links(np.arange(teachers, size), of, np.ones(pairs), born, np.full(size, -1)), logs


_KINDS = np.array([(size, up, tied, long) for size in range(4) for up in (0, 1) for tied in (0, 1) for long in (0, 1)])
_FEATURES: Floats = np.column_stack([_KINDS[:, [0]] == [1, 2, 3], _KINDS[:, 1:]]).astype(np.float64)


def changes_of_note(rng: RNG, *, each: int, ratio: float, correlation: float = 0.0) -> tuple[Cells, Ints, float]:
    """Two groups of players, the first with a repertoire of more and wider leaps, and the true standardised ratio."""
    number = 2 * each
    group = np.repeat([0, 1], each)
    z = rng.normal(size=number)
    total = np.exp(7.0 + 0.6 * (correlation * z + np.sqrt(1 - correlation**2) * rng.normal(size=number)))
    logit = -2.9 + _FEATURES @ np.array([0.5, 1.0, 1.3, 0.2, 0.6, 0.3])
    lean = _FEATURES @ np.array([0.2, 0.5, 0.8, 0.0, 0.4, 0.0])
    effect = np.log(ratio) * 1.15 if ratio != 1 else 0.0  # on the logit, for about the ratio of chances wanted
    n, y = [], []
    for player in range(number):
        mix = np.exp(0.3 * rng.normal(size=len(_KINDS)) + lean * (group[player] == 0))
        n.append(rng.multinomial(int(total[player]), mix / mix.sum()).astype(float))
        chance = 1 / (1 + np.exp(-(logit + 0.5 * z[player] + effect * (group[player] == 0))))
        y.append(rng.binomial(n[-1].astype(int), chance).astype(float))
    of = np.repeat(np.arange(number), len(_KINDS))
    cells = Cells(_FEATURES, np.tile(np.arange(_FEATURES.shape[0]), number), np.concatenate(n), np.concatenate(y), of)
    # The truth: mean chances over players of either group, under this corpus's mix of changes.
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    mixed = np.bincount(np.tile(np.arange(len(_KINDS)), number), cells.chances)
    both = [
        float(np.average((1 / (1 + np.exp(-(logit[:, None] + 0.5 * nodes + shift)))) @ weights, weights=mixed))
        for shift in (effect, 0.0)
    ]
    return cells, group, both[0] / both[1]


def listened(rng: RNG, *, judged: int) -> tuple[Judgements, tuple[Players, Players], float]:
    """Two groups of 15 players who slide alike, found with recall .60 and .92, precision .90 and .97 (players' own
    error rates differ by .4 on the logit); ``judged`` items are heard in each stratum, 30 % of them finds.

    Returns the judgements, the finds of both groups, and the true ratio of the populations (1).
    """
    finds, hits, right, scores, strata, heard = [], [], [], [], [], []
    all_scores, all_strata, groups = [], [], []
    for stratum, (recall, precision) in enumerate(((0.60, 0.90), (0.92, 0.97))):
        made = players(rng, 15)
        own = [1 / (1 + np.exp(-(np.log(x / (1 - x)) + 0.4 * rng.normal(size=15)))) for x in (recall, precision)]
        true_found = rng.binomial(made.counts.astype(int), own[0][made.of])
        false = rng.poisson(true_found * (1 / own[1] - 1)[made.of])
        missed = made.counts.astype(int) - true_found
        # Scores of changes without a find: logits about which the missed slides lie higher.
        changes = int(12 * made.counts.sum())
        at = rng.normal(0, 1.5, changes)
        weight = np.exp(at)
        slides = np.zeros(changes, dtype=bool)
        slides[rng.choice(changes, min(int(missed.sum()), changes), replace=False, p=weight / weight.sum())] = True
        finds.append(float((true_found + false).sum()))
        number = min(round(0.3 * judged), int(finds[-1]))
        hits.append(float(rng.hypergeometric(int(true_found.sum()), int(false.sum()), number)))
        right.append(float(number))
        drawn = _by_score(rng, at, judged - number)
        scores.append(at[drawn])
        heard.append(slides[drawn].astype(float))
        strata.append(np.full(drawn.size, stratum))
        all_scores.append(at)
        all_strata.append(np.full(changes, stratum))
        groups.append(replace(made, counts=(true_found + false).astype(float)))
    judgements = Judgements(
        finds=np.array(finds),
        judged_finds=np.array(right),
        true_finds=np.array(hits),
        strata=np.concatenate(strata),
        scores=np.concatenate(scores),
        is_slide=np.concatenate(heard),
        all_strata=np.concatenate(all_strata),
        all_scores=np.concatenate(all_scores),
        changes=np.ones(sum(x.size for x in all_scores)),
    )
    return judgements, (groups[0], groups[1]), 1.0


def _by_score(rng: RNG, scores: Floats, number: int) -> Ints:
    """Drawn by class of score: 25 % from the lowest 80 %, 30 % from the next 15 %, 45 % from the top 5 %."""
    order = np.argsort(scores)
    cuts = [0, int(0.8 * scores.size), int(0.95 * scores.size), scores.size]
    parts = [
        rng.choice(order[a:b], min(round(share * number), b - a), replace=False)
        for a, b, share in zip(cuts[:-1], cuts[1:], (0.25, 0.30, 0.45), strict=True)
    ]
    return np.concatenate(parts)


def heard_twice(rng: RNG, *, recall: float, hears: float, imagines: float) -> tuple[Answers, float]:
    """Two listeners on 200 finds and 400 changes without one, and the true slides per find of a corpus with 1,000
    finds and 5,000 such changes (precision .95)."""
    missed = 0.95 * 1000 / recall * (1 - recall) / 5000
    truth = np.r_[rng.random(200) < 0.95, rng.random(400) < missed]
    heard = np.where(truth[:, None], rng.random((600, 2)) < hears, rng.random((600, 2)) < imagines).astype(float)
    groups = np.r_[np.zeros(200, dtype=np.intp), np.ones(400, dtype=np.intp)]
    return Answers(heard, groups), 0.95 + 5 * missed


def undated_sessions(rng: RNG, *, sessions: int) -> tuple[Floats, Floats, dict[str, Ints], float]:
    """Takes of one player, four to a session (variance between sessions .2): counts, exposures, the cluster of each
    take by what is known, and the player's true rate. Two sessions fall in one year."""
    of = np.repeat(np.arange(sessions), 4)
    exposures = 3.5 * np.exp(0.2 * rng.normal(size=of.size))
    counts = rng.poisson(3.0 * gamma(rng, float(np.sqrt(0.2)), sessions)[of] * exposures).astype(float)
    known = {"sessions known": of, "take is cluster": np.arange(of.size), "year and label": of // 2, "label": 0 * of}
    return counts, exposures, known, 3.0


@dataclass(frozen=True)
class TwoSounds:
    """Two groups of players who slide alike, recorded in unlike sound: what was found, heard and planted.

    ``measured_ms`` are the lengths of plantings as measured, NaN where not found. ``parts`` and ``finds`` are those of
    ``steps.summarise.correction.combined``; ``clusters`` the rows of players with
    their finds and exposure, in groups "noisy" and "clear". Each part is a side of its own.
    """

    parts: pl.DataFrame
    finds: Finds
    clusters: pl.DataFrame
    plantings: Plantings
    found: npt.NDArray[np.bool_]
    measured_ms: npt.NDArray[np.float64]
    judgements: Judgements


def two_sounds(
    rng: RNG,
    *,
    each: int = 15,
    planted: float = 0.25,
    judged: int = 200,
    precise: tuple[float, float] = (0.90, 0.97),
) -> TwoSounds:
    """``each`` players a group, four sides each; slides of 150 ms (sd of the log .45) are found as the renders' curve
    says, half of them at 85 ms in noise and at 48 ms without (sides differ by .15 on the log), with these precisions;
    lengths are measured with an error of .17 on the log, as in renders.

    ``planted`` is the share of sides in which twenty slides are planted, ``judged`` the excerpts heard in each sound,
    30 % of them finds.
    """
    takes, curves_of = 4, ((85.0, 0.93, precise[0]), (48.0, 0.98, precise[1]))
    parts, part_of, klass, clusters, side_half = [], [], [], [], []
    plant_side, plant_ms, plant_found = [], [], []
    hits, right, scores, strata, heard, all_scores, all_strata, number = [], [], [], [], [], [], [], []
    for sound, (half, most, precision) in enumerate(curves_of):
        made = players(rng, each, sessions=takes)
        misses, true_finds, false_finds = 0, 0, 0
        for place, (player, count, exposure) in enumerate(zip(made.of, made.counts, made.exposures, strict=True)):
            own = half * np.exp(0.15 * rng.normal())
            ms = 150.0 * np.exp(0.45 * rng.normal(size=int(count)))
            is_found = rng.random(ms.size) < most / (1 + (own / ms) ** 4.5)
            invented = rng.poisson(is_found.sum() * (1 / precision - 1))
            ms_found = np.r_[ms[is_found], 150.0 * np.exp(0.45 * rng.normal(size=invented))]
            name = f"x{sound}-{place}"
            part = {"take_id": name, "player_id": f"p{sound}-{player}", "part": len(parts), "sound": sound}
            parts.append(part)
            side_half.append((own, most))
            part_of.append(np.full(ms_found.size, part["part"]))
            klass.append(classes(_unbroken(part_of[-1], ms_found * np.exp(0.17 * rng.normal(size=ms_found.size)))))
            group = "clear" if sound else "noisy"
            clusters.append((group, part["player_id"], float(ms_found.size), exposure))
            misses += int((~is_found).sum())
            true_finds += int(is_found.sum())
            false_finds += int(invented)
            if rng.random() < planted:
                length = np.exp(rng.uniform(np.log(25), np.log(400), 20))
                plant_side += [part["part"]] * 20
                plant_ms.append(length)
                plant_found.append(rng.random(20) < most / (1 + (own / length) ** 4.5))
        changes = 12 * (misses + true_finds)
        at = rng.normal(0, 1.5, changes)
        slides = np.zeros(changes, dtype=bool)
        slides[rng.choice(changes, misses, replace=False, p=np.exp(at) / np.exp(at).sum())] = True
        some = min(round(0.3 * judged), true_finds + false_finds)
        hits.append(float(rng.hypergeometric(true_finds, false_finds, some)))
        right.append(float(some))
        drawn = _by_score(rng, at, judged - some) if judged else np.empty(0, dtype=np.intp)
        scores.append(at[drawn])
        heard.append(slides[drawn].astype(float))
        strata.append(np.full(drawn.size, sound))
        all_scores.append(at)
        all_strata.append(np.full(changes, sound))
        number.append(float(true_finds + false_finds))
    judgements = Judgements(
        np.array(number), np.array(right), np.array(hits), np.concatenate(strata), np.concatenate(scores),
        np.concatenate(heard), np.concatenate(all_strata), np.concatenate(all_scores),
        np.ones(sum(x.size for x in all_scores)),
    )  # fmt: skip
    plantings = _unbroken(np.array(plant_side, dtype=np.intp), np.concatenate([*plant_ms, np.empty(0)]))
    found = np.concatenate([*plant_found, np.empty(0, dtype=bool)])
    measured_ms = plantings.duration_ms * np.exp(0.17 * rng.normal(size=found.size))
    where = np.concatenate(part_of)
    frame = pl.DataFrame(clusters, schema=["group_key", "cluster", "slides", "exposure"], orient="row")
    return TwoSounds(
        pl.DataFrame(parts),
        Finds(where, where, np.concatenate(klass), *(np.zeros_like(where) for _ in range(3))),
        frame.group_by("group_key", "cluster", maintain_order=True).sum(),
        plantings,
        found,
        np.where(found, measured_ms, np.nan),
        judgements,
    )


def _unbroken(side: Ints, ms: Floats) -> Plantings:
    return Plantings(side, ms, np.full(ms.size, 3.0), np.zeros(ms.size, dtype=bool))
