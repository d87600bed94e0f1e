"""Chances of finding a slide from slides planted: simulated detectors of known curve, and what rates become by them."""

import numpy as np
import pytest
from scipy import sparse

from pipeline.stats import recovery
from pipeline.stats.recovery import (
    CLASS_MS,
    CLASS_SEMITONES,
    Plantings,
    class_weights,
    classes,
    curves,
    drawn_cells,
    recovered_by,
)

SEED = (5,)


def true_chance(ms, *, half_ms, most=0.97, steep=4.5):
    """The curve by hand, for a slide of three semitones without a step."""
    return most / (1.0 + (half_ms / ms) ** steep)


def slides(rng, *, side, n, median_ms, spread=0.45):
    """Unbroken slides of three semitones with lognormal lengths."""
    ms = median_ms * np.exp(spread * rng.standard_normal(n))
    return Plantings(np.full(n, side, dtype=np.intp), ms, np.full(n, 3.0), np.zeros(n, dtype=bool))


def joined(parts):
    """Several sets of slides as one."""
    return Plantings(
        *(np.concatenate([getattr(p, f) for p in parts]) for f in ("side", "duration_ms", "semitones", "broken"))
    )


def planted(rng, *, halves, each):
    """Plantings of log-uniform length on sides whose curves have these half points, and whether each was found."""
    ms = np.exp(rng.uniform(np.log(25), np.log(400), len(halves) * each))
    side = np.repeat(np.arange(len(halves)), each)
    made = Plantings(side, ms, np.full(ms.size, 3.0), np.zeros(ms.size, dtype=bool))
    return made, rng.random(ms.size) < true_chance(ms, half_ms=np.array(halves)[side])


def there_were(known, finds):
    """Draws of how many slides there were for these finds."""
    one_each = sparse.csr_array((np.ones(finds.side.size), (np.arange(finds.side.size), classes(finds))))
    one_each.resize((finds.side.size, CLASS_MS.size * CLASS_SEMITONES.size * 2))
    return recovered_by(known, seed=SEED).there(one_each, finds.side).sum(axis=0)


def test_many_plantings_give_back_the_curve() -> None:
    rng = np.random.default_rng(1)
    made, found = planted(rng, halves=[50.0], each=3000)
    known = curves(made, found, sides=1)
    at = np.array([30.0, 50.0, 80.0, 200.0])
    asked = Plantings(np.zeros(4, dtype=np.intp), at, np.full(4, 3.0), np.zeros(4, dtype=bool))
    assert known.chance(asked) == pytest.approx(true_chance(at, half_ms=50.0), abs=0.04)
    low, high = known.limits(asked)
    assert (low <= known.chance(asked)).all()
    assert (high >= known.chance(asked)).all()


def test_a_side_without_plantings_has_the_curve_of_the_others() -> None:
    rng = np.random.default_rng(2)
    made, found = planted(rng, halves=[60.0] * 20, each=20)
    known = curves(made, found, sides=21)
    asked = Plantings(np.array([20]), np.array([60.0]), np.array([3.0]), np.array([False]))
    assert known.chance(asked)[0] == pytest.approx(0.97 / 2, abs=0.1)


def test_large_slides_found_sooner_are_seen_to_be() -> None:
    rng = np.random.default_rng(3)
    n = 4000
    ms, size = np.exp(rng.uniform(np.log(25), np.log(400), n)), rng.choice([1.5, 6.0], n)
    # By hand: half of them at 60 ms for three semitones; 1.2 times as long for half the size, and the other way about.
    half = 60.0 * 1.2 ** -np.log2(size / 3.0)
    found = rng.random(n) < true_chance(ms, half_ms=half)
    known = curves(Plantings(np.zeros(n, dtype=np.intp), ms, size, np.zeros(n, dtype=bool)), found, sides=1)
    assert known.effects[0] == pytest.approx(-np.log(1.2), abs=0.05)
    assert known.effects[1] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("each", [10, 30])
def test_two_groups_that_differ_in_sound_alone_come_out_alike(each: int) -> None:
    """statistics of the sheet: found alone .81-.86; weighted 1.00-1.04, limits cover 93 to 97 %."""
    ratios, covered, uncorrected = [], [], []
    for seed in range(40):
        rng = np.random.default_rng([7, seed])
        halves = [*(48.0 * np.exp(0.15 * rng.standard_normal(15))), *(85.0 * np.exp(0.15 * rng.standard_normal(15)))]
        made, found = planted(rng, halves=halves, each=each)
        known = curves(made, found, sides=30, groups=(np.arange(30) >= 15).astype(int))
        there = joined([slides(rng, side=side, n=40, median_ms=150.0) for side in range(30)])
        heard = rng.random(there.side.size) < true_chance(there.duration_ms, half_ms=np.array(halves)[there.side])
        finds = there.of(heard)
        clear, dull = finds.of(finds.side < 15), finds.of(finds.side >= 15)
        draws = there_were(known, dull) / there_were(known, clear)
        # The number found is itself a draw of the number there.
        noise = np.sqrt(1.0 / clear.side.size + 1.0 / dull.side.size)
        draws = draws * np.exp(noise * np.random.default_rng(seed).standard_normal(draws.size))
        low, high = np.quantile(draws, (0.025, 0.975))
        ratios.append(float(np.median(draws)))
        covered.append(low <= 1.0 <= high)
        uncorrected.append(dull.side.size / clear.side.size)
    assert np.median(uncorrected) < 0.9
    assert np.median(ratios) == pytest.approx(1.0, abs=0.05)
    assert np.mean(covered) >= 0.9


def test_shorter_slides_are_not_rarer_ones() -> None:
    rng = np.random.default_rng(9)
    halves = [60.0] * 30
    made, found = planted(rng, halves=halves, each=30)
    known = curves(made, found, sides=30)
    there = joined([slides(rng, side=s, n=100, median_ms=150.0 if s < 15 else 90.0) for s in range(30)])
    finds = there.of(rng.random(there.side.size) < true_chance(there.duration_ms, half_ms=60.0))
    early, late = finds.of(finds.side < 15), finds.of(finds.side >= 15)
    assert late.side.size / early.side.size < 0.9
    assert np.median(there_were(known, late) / there_were(known, early)) == pytest.approx(1.0, abs=0.06)


def test_what_is_hardly_ever_found_stands_for_no_more_than_the_greatest_weight() -> None:
    rng = np.random.default_rng(11)
    made, found = planted(rng, halves=[150.0], each=400)
    known = curves(made, found, sides=1)
    short = Plantings(
        np.zeros(4, dtype=np.intp), np.array([30.0, 40.0, 300.0, 350.0]), np.full(4, 3.0), np.zeros(4, bool)
    )
    assert class_weights(known)[classes(short)].max() <= recovery.GREATEST_WEIGHT
    assert there_were(known, short).mean() == pytest.approx(2 * recovery.GREATEST_WEIGHT + 2, rel=0.05)


def test_a_belief_does_not_outweigh_what_many_sides_say_of_a_sound_without_plantings() -> None:
    rng = np.random.default_rng(8)
    made, found = planted(rng, halves=[55.0] * 12, each=20)
    known = curves(made, found, sides=13, groups=np.array([0] * 12 + [1]))
    asked = Plantings(np.array([12]), np.array([150.0]), np.array([3.0]), np.array([False]))
    assert known.chance(asked)[0] == pytest.approx(true_chance(150.0, half_ms=55.0), abs=0.05)


def test_finds_on_sides_of_which_nothing_is_known_stand_for_as_many_as_there_were() -> None:
    """Sides differ much and every other one has plantings; the mean of 1 / p would give a fifth too many."""
    rng = np.random.default_rng(9)
    ratios, naive = [], []
    for _ in range(20):
        halves = 70.0 * np.exp(0.5 * rng.standard_normal(60))
        made, found = planted(rng, halves=list(halves[:30]), each=20)
        known = curves(made, found, sides=60)
        there = joined([slides(rng, side=side, n=40, median_ms=90.0) for side in range(30, 60)])
        finds = there.of(rng.random(there.side.size) < true_chance(there.duration_ms, half_ms=halves[there.side]))
        drawn = class_weights(known)[classes(finds)[:, None], drawn_cells(known, seed=SEED)[:, finds.side].T]
        ratios.append(there_were(known, finds).mean() / there.side.size)
        naive.append(drawn.sum(axis=0).mean() / there.side.size)
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.08)
    assert np.mean(naive) > 1.15


def test_lengths_measured_with_an_error_make_no_slides() -> None:
    """Most slides are about as long as one is found half of the time, and measured a fifth too long or too short."""
    rng = np.random.default_rng(12)
    halves = 60.0 * np.exp(0.15 * rng.standard_normal(60))
    made, found = planted(rng, halves=list(halves), each=50)
    there = joined([slides(rng, side=side, n=100, median_ms=75.0, spread=0.25) for side in range(60)])
    finds = there.of(rng.random(there.side.size) < true_chance(there.duration_ms, half_ms=halves[there.side]))

    def measured(ms):
        return ms * np.exp(0.2 * rng.standard_normal(ms.size))

    lengths = np.where(found, measured(made.duration_ms), np.nan)
    seen = Plantings(finds.side, measured(finds.duration_ms), finds.semitones, finds.broken)
    mended = curves(made, found, measured_ms=lengths, sides=60)
    as_true = curves(made, found, sides=60)
    assert there_were(mended, seen).mean() / there.side.size == pytest.approx(1.0, abs=0.05)
    assert there_were(as_true, seen).mean() / there.side.size > 1.1
    assert there_were(as_true, finds).mean() / there.side.size == pytest.approx(1.0, abs=0.05)


def test_however_many_are_planted_they_are_not_those_that_were_there() -> None:
    """The curve is all but known, so that what is left of the draws' spread is how unlike plantings may be."""
    rng = np.random.default_rng(13)
    half_ms = recovery.HALF_MS[10]  # a curve of the grid
    made, found = planted(rng, halves=[half_ms], each=20_000)
    there = slides(rng, side=0, n=8000, median_ms=90.0)
    finds = there.of(rng.random(there.side.size) < true_chance(there.duration_ms, half_ms=half_ms))
    above = there_were(curves(made, found, sides=1), finds) - finds.side.size
    assert np.log(above).std() == pytest.approx(0.25, rel=0.2)
    assert above.mean() == pytest.approx(there.side.size - finds.side.size, rel=0.15)
