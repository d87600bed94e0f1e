"""Which semitone: keys, open strings, usual speeds and sessions, on notes written down by hand."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.speed.evidence import KeyFit
from pipeline.signal.speed.key import Key, PrintedKey, key_log_likelihoods, parse_key, pitch_class_notes
from pipeline.signal.speed.prior import LabelSpeed, cents_of_rpm, offset_density, playing_density
from pipeline.signal.speed.readings import Change, Notes, SideEvidence
from pipeline.signal.speed.reference_pitch import ReferencePitch, assumed
from pipeline.signal.speed.session import Reading, settle_together

VIOLIN = INSTRUMENTS["violin"].open_midi
MAJOR = (0, 2, 4, 5, 7, 9, 11)
STATED = (ReferencePitch(440.0, 2.0, 1.0, "as the take's reference pitch", stated=True),)
UNSURE = (
    ReferencePitch(440.0, 2.0, 0.5, "if modern", stated=True),
    ReferencePitch(452.0, 2.0, 0.5, "for a nominal 452 Hz", stated=True),
)


def tune(tonic: int, *, seed: int, count: int = 150) -> list[int]:
    """A melody in a major key, the steps of its triad more often, between E4 and E6."""
    rng = np.random.default_rng(seed)
    scale = [m for m in range(64, 89) if (m - tonic) % 12 in MAJOR]
    weight = np.array([2.0 if (m - tonic) % 12 in (0, 4, 7) else 1.0 for m in scale])
    return [int(m) for m in rng.choice(scale, count, p=weight / weight.sum())]


def side(
    midi: list[int],
    *,
    name: str = "side",
    sharp: float = 0.0,
    still: Any = None,
    key: Key | None = None,
    not_transposed: float = 1.0,
    **known: Any,
) -> SideEvidence:
    """A side that sounds these notes, ``sharp`` cents above equal temperament; ``still`` says which lack vibrato."""
    number = np.array(midi)
    wobble = np.full(number.size, 20.0)
    if still is not None:
        wobble[[bool(still(m)) for m in midi]] = 2.0
    lengths = np.full(number.size, 0.5)
    starts = 0.5 * np.arange(number.size)
    evidence = SideEvidence(
        name=name,
        recording=name,
        sharp_cents=sharp,
        sharp_se=0.8,
        length_s=0.5 * number.size,
        notes=Notes(starts, number, np.zeros(number.size), lengths, wobble),
        accompaniment=np.zeros((5, 12)),
        changes=(),
        key=PrintedKey.trusted(key, trust=0.92, not_transposed=not_transposed) if key is not None else None,
        open_midi=VIOLIN,
        references=STATED,
        turntable_rpm=78.26,
        already_corrected="no",
        process=None,
        labels=(),
        hum_hz=(),
    )
    return replace(evidence, **known)


def first(evidence: SideEvidence) -> Reading:
    return settle_together([evidence])[evidence.name].readings[0]


def near(reading: Reading, cents: float) -> bool:
    """Whether a reading lies by a correction; these notes are in equal temperament exactly, which it cannot know."""
    return abs(reading.offset_cents - cents) < 0.5 * reading.offset_se


def odds(readings: tuple[Reading, ...]) -> float:
    return readings[0].probability / readings[1].probability


@pytest.mark.parametrize(
    ("text", "tonic", "minor"),
    [
        ("D major", 2, False), ("Db major", 1, False), ("E flat minor", 3, True), ("C# minor", 1, True),
        ("Cb major", 11, False),
    ],
)  # fmt: skip
def test_keys_are_read(text: str, tonic: int, minor: bool) -> None:
    assert parse_key(text) == Key(tonic, minor)


def test_a_key_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="D dur"):
        parse_key("D dur")


@pytest.mark.parametrize("tonic", range(12))
def test_the_key_of_a_melody_is_recognised(tonic: int) -> None:
    midi = np.array(tune(tonic, seed=tonic))
    counted = pitch_class_notes(midi, np.arange(150.0), np.full(150, 0.4), sections=10, length_s=150.0)
    assert Key.of_number(int(np.argmax(key_log_likelihoods(counted)))) == Key(tonic, False)


@pytest.mark.parametrize("shift", [-2, -1, 0, 1, 2])
def test_a_known_key_settles_the_semitone(shift: int) -> None:
    # sounds shifted by whole semitones because the transfer runs at the wrong speed
    midi = [m - shift for m in tune(2, seed=40)]
    reading = first(side(midi, sharp=12.0, key=Key(2, False)))
    assert near(reading, 100.0 * shift - 12.0)
    assert reading.key == "D major"
    assert reading.evidence.key == KeyFit(Key(2, False), Key(2, False), fits=True)


def test_several_rivals_together_make_a_side_ambiguous() -> None:
    """Seven in ten against three rivals of one in ten each: less than three times as likely as these."""
    found = settle_together([side(tune(7, seed=41))])["side"]
    chances = [0.7, 0.1, 0.1, 0.1]
    readings = [replace(found.readings[0], shift=i, probability=chance) for i, chance in enumerate(chances)]
    shared = replace(found, readings=tuple(readings))
    assert shared.ambiguous(3.0)
    assert not shared.ambiguous(2.0)


def test_neighbours_are_always_there() -> None:
    settled = settle_together([side(tune(7, seed=41), key=Key(7, False))])["side"]
    shifts = {reading.shift for reading in settled.readings}
    assert {settled.readings[0].shift + step for step in (-2, -1, 1, 2)} <= shifts
    assert sum(reading.probability for reading in settled.readings) == pytest.approx(1.0)


def test_one_key_at_one_speed_and_a_semitone_lower_at_another_are_alike() -> None:
    """D flat at 80.6 rpm or D at 76.0: half way between two semitones nothing in the notes can tell."""
    settled = settle_together([side(tune(2, seed=42), sharp=50.0)])["side"]
    best, second = settled.readings[:2]
    assert {best.key, second.key} == {"D major", "E flat major"}
    assert abs(best.offset_cents - second.offset_cents) == pytest.approx(100.0, abs=best.offset_se)
    assert odds(settled.readings) < 3.0


def test_high_pitch_at_78_and_low_pitch_at_another_speed_are_alike() -> None:
    settled = settle_together([side(tune(2, seed=43), sharp=46.6, references=UNSURE)])["side"]
    best, second = settled.readings[:2]
    assert {best.reference_pitch_hz, second.reference_pitch_hz} == {440.0, 452.0}
    assert settled.readings[0].probability < 0.9


def test_a_session_mate_settles_what_is_alike() -> None:
    doubtful = side(tune(2, seed=44), name="doubtful", sharp=50.0)
    # its mate has a known key and plays at 76.03 rpm
    mate = side(tune(7, seed=45), name="mate", sharp=50.0, key=Key(7, False))
    mate_fast = replace(side([m - 1 for m in tune(7, seed=45)], name="mate", sharp=50.0, key=Key(7, False)))
    slow = settle_together([doubtful, mate])["doubtful"].readings
    fast = settle_together([doubtful, mate_fast])["doubtful"].readings
    assert near(slow[0], -50.0)
    assert near(fast[0], 50.0)
    assert min(odds(slow), odds(fast)) > 3.0
    # its session is drawn a little towards usual speeds
    assert 76.0 < slow[0].evidence.session.rpm < 77.0
    assert 79.5 < fast[0].evidence.session.rpm < 80.6


def test_the_lowest_open_string_settles_what_is_alike() -> None:
    # G3, the lowest string, cannot be stopped: it never has vibrato, and nothing lies below it
    midi = tune(2, seed=46) + [55] * 12
    settled = settle_together([side(midi, sharp=50.0, still=lambda m: m == 55)])["side"]
    assert near(settled.readings[0], -50.0)
    assert odds(settled.readings) > 3.0
    assert settled.readings[0].evidence.strings.still >= 12
    lower = next(r for r in settled.readings if r.shift == settled.readings[0].shift - 1)
    assert lower.evidence.strings.below > 6


def test_a_wrong_key_in_the_catalogue_is_found_out() -> None:
    """The work is entered in E flat, a semitone too high; the open strings and usual speeds speak for D."""
    midi = tune(2, seed=47) + [55] * 10 + [62] * 6 + [69] * 6
    reading = first(side(midi, sharp=4.0, still=lambda m: m in VIOLIN, key=Key(3, False)))
    assert near(reading, -4.0)
    assert reading.key == "D major"
    assert reading.evidence.key == KeyFit(Key(2, False), Key(3, False), fits=False)


@pytest.mark.parametrize(("not_transposed", "sounded"), [(1.0, 3), (0.5, 2), (0.0, 2)])
def test_a_transposed_performance_is_weighed_against_a_wrong_speed(not_transposed: float, sounded: int) -> None:
    """Printed in E flat, sounding in D at the usual speed: unless somebody says otherwise, a disc that runs slow."""
    found = first(side(tune(2, seed=47), key=Key(3, False), not_transposed=not_transposed))
    assert found.key == Key(sounded, False).name
    assert near(found, 100.0 * (sounded - 2))


def test_another_key_than_the_printed_one_is_likeliest_a_step_away_in_the_same_mode() -> None:
    printed = PrintedKey.trusted(Key(2, True), trust=0.92, not_transposed=0.5)
    own, others = printed.chances()
    assert own.sum() + others.sum() == pytest.approx(1.0)
    at = [others[Key(2, True).shifted(steps).number] for steps in (0, 1, 2, 5)]
    assert at[1] > at[2] > at[3] > at[0]
    assert others[Key(1, True).number] == pytest.approx(at[1])
    assert others[Key(3, False).number] == pytest.approx(at[0])


def test_usual_speeds_of_a_label_are_weak_evidence() -> None:
    plain = settle_together([side(tune(2, seed=48), sharp=50.0)])["side"].readings
    label = (LabelSpeed(80.0, 81.5, "source-1"),)
    told = settle_together([side(tune(2, seed=48), sharp=50.0, labels=label)])["side"].readings
    assert near(told[0], 50.0)
    assert told[0].evidence.labels == ("source-1",)
    # weak: a key that speaks against it wins
    against = first(side(tune(2, seed=48), sharp=50.0, labels=label, key=Key(2, False)))
    assert near(against, -50.0)
    assert odds(plain) < odds(told)


def test_hum_of_the_recording_counts() -> None:
    # 50 Hz hum that sounds at 51.47 Hz: the transfer is 50 cents sharp
    settled = first(side(tune(2, seed=49), sharp=50.0, process="electrical", hum_hz=(50.0 * 2 ** (50 / 1200),)))
    assert near(settled, -50.0)
    assert settled.probability > 0.9
    assert settled.evidence.hum == (pytest.approx(51.47, abs=0.01), 50)


def test_speeds_of_already_corrected_transfers_are_residuals() -> None:
    reading = first(side(tune(2, seed=50), sharp=30.0, already_corrected="yes"))
    assert near(reading, -30.0)
    assert reading.playing_rpm is None
    # turntable and labels no longer matter
    other = replace(
        side(tune(2, seed=50), sharp=30.0, already_corrected="yes"),
        turntable_rpm=33.33,
        labels=(LabelSpeed(80.0, 82.0, "source-1"),),
    )
    assert first(other).probability == pytest.approx(reading.probability)


def test_half_speed_transfers_are_read_at_disc_speed() -> None:
    # a 78 transferred at 39.13 rpm sounds an octave low
    midi = [m - 12 for m in tune(2, seed=51)]
    reading = first(side(midi, turntable_rpm=39.13, key=Key(2, False)))
    assert reading.playing_rpm == pytest.approx(78.26, abs=0.01)


def changed(midi: list[int], *, after: int, size: float, seen: float) -> dict[str, Any]:
    """A sudden change of ``size`` cents before note ``after``, measured as ``seen``: numbers as a curve counts them."""
    numbers = np.array(midi)
    numbers[after:] += round((size - seen) / 100.0)
    share = 1.0 - after / len(midi)
    return {
        "notes": Notes(
            0.5 * np.arange(numbers.size), numbers, np.zeros(numbers.size), np.full(numbers.size, 0.5),
            np.full(numbers.size, 20.0),
        ),
        "changes": (Change(0.5 * after, seen, share),),
        "sharp_cents": seen * share,
    }  # fmt: skip


@pytest.mark.parametrize(("size", "seen"), [(55.0, -45.0), (-55.0, 45.0), (45.0, 45.0)])
@pytest.mark.parametrize("key", [Key(2, minor=False), None])
def test_the_key_of_both_halves_says_how_large_a_sudden_change_is(size: float, seen: float, key: Key | None) -> None:
    """A rise of 55 cents looks like a fall of 45: then the second half would stand in D flat."""
    midi = tune(2, seed=80)
    found = settle_together([replace(side(midi, key=key), **changed(midi, after=75, size=size, seen=seen))])["side"]
    best = found.readings[0]
    assert best.turns == (round((size - seen) / 100.0),)
    assert near(best, -0.5 * size)
    assert best.evidence.key.fits


def test_a_sudden_change_that_nothing_tells_is_listed_both_ways() -> None:
    # five notes after the change: too few for a key
    midi = tune(2, seed=81, count=60)
    found = settle_together([replace(side(midi), **changed(midi, after=57, size=52.0, seen=-48.0))])["side"]
    likely = {reading.turns for reading in found.readings if reading.probability > 0.05}
    assert likely >= {(0,), (1,)}


def test_certain_notes_below_the_lowest_string_speak_against_a_reading() -> None:
    midi = [*tune(2, seed=82), 54, 54, 54]
    assert near(first(side(midi, sharp=50.0, still=lambda m: m == 54)), 50.0)
    # 45 cents under the open string is under it too, though it rounds to the open string
    numbers = np.array([*tune(2, seed=82), 55, 55, 55])
    cents = np.zeros(numbers.size)
    cents[-3:] = -45.0
    plainly = side(numbers.tolist(), sharp=50.0, still=lambda m: m == 55)
    flat = settle_together([replace(plainly, notes=replace(plainly.notes, above_cents=cents))])["side"]
    plain = settle_together([plainly])["side"]
    assert near(plain.readings[0], -50.0)
    assert sum(r.probability for r in flat.readings if r.offset_cents > 0) > 0.9


def test_a_lowered_string_that_is_told_is_no_evidence() -> None:
    midi = [*tune(2, seed=83), *[53] * 8]
    told = side(midi, sharp=0.0, still=lambda m: m == 53, key=Key(2, False), open_midi=(53.0, 62.0, 69.0, 76.0))
    assert near(first(told), 0.0)
    assert first(told).evidence.strings.below < 0.5


def test_a4_is_estimated_where_none_is_stated_and_kept_where_one_is() -> None:
    """A disc of A4 = 444 Hz cut and played at 78.26 rpm sounds 15.7 cents above 440 Hz."""
    sounding = side(tune(2, seed=84), sharp=15.7, key=Key(2, False), process="electrical")
    free = settle_together([replace(sounding, references=assumed(None, 1932))])["side"]
    assert free.low_cents < 0.0 < free.high_cents
    assert free.low_hz < 444.0 < free.high_hz
    kept = settle_together([sounding])["side"]
    assert kept.readings[0].reference_pitch_hz == 440.0
    # a stated pitch leaves little over what the reading itself leaves
    assert kept.high_cents - kept.low_cents < 0.4 * (free.high_cents - free.low_cents)


def test_a_session_shares_its_reference_pitch() -> None:
    """Four sides whose A4 nobody states: the one of them that states it tells it to the other, at one speed."""
    free = [
        replace(side(tune(2, seed=85 + i), name=f"s{i}", sharp=20.0, key=Key(2, False)), references=assumed(None, 1910))
        for i in range(3)
    ]
    alone = settle_together(free)["s0"]
    helped = settle_together([*free, side(tune(2, seed=89), name="told", sharp=20.0, key=Key(2, False))])["s0"]
    assert helped.high_cents - helped.low_cents < 0.6 * (alone.high_cents - alone.low_cents)


def test_two_transfers_of_one_side_say_no_more_than_one() -> None:
    """Two notes at an open string, both still: that speaks for a reading once, however often the side is played."""
    one = side([*tune(2, seed=86, count=20), *[62] * 2], name="t1", sharp=48.0, still=lambda m: m == 62)
    other = replace(one, name="t2", recording="t2")
    alone = settle_together([one])["t1"]
    twice = settle_together([one, replace(other, recording=one.recording)])["t1"]
    apart = settle_together([one, other])["t1"]
    chances = [found.chance(found.readings[0]) for found in (alone, twice, apart)]
    assert chances[1] == pytest.approx(chances[0], abs=0.02)
    assert chances[2] > chances[0] + 0.04
    assert twice.session is not None
    assert (twice.session.sides, twice.session.same_side) == (1, 1)


def test_two_transfers_of_one_side_share_a4_where_neither_says_how_fast_its_turntable_went() -> None:
    midi = tune(2, seed=87)
    free = (ReferencePitch(440.0, 15.0, 1.0, "as guessed", stated=False),)
    one = side(midi, name="t1", sharp=5.0, key=Key(2, False), references=free, turntable_rpm=None)
    other = replace(one, name="t2", recording="t1", sharp_cents=45.0)
    alone = {name: settle_together([each])[name].readings[0] for name, each in (("t1", one), ("t2", other))}
    assert abs(alone["t1"].reference_pitch_hz - alone["t2"].reference_pitch_hz) > 1.0
    both = settle_together([one, other])
    first, second = both["t1"].readings[0], both["t2"].readings[0]
    assert first.reference_pitch_hz == pytest.approx(second.reference_pitch_hz, abs=0.1)  # 0.4 cents
    assert first.offset_cents - second.offset_cents == pytest.approx(40.0, abs=0.3)
    # what the notes say of the semitone is each one's own
    assert first.probability > 0.9 * alone["t1"].probability


def test_sessions_do_not_depend_on_order_and_point_out_outliers() -> None:
    sides = [side(tune(2, seed=60 + i), name=f"s{i}", sharp=40.0 + i, key=Key(2, False)) for i in range(4)]
    stray = side(tune(2, seed=66), name="stray", sharp=-35.0, key=Key(2, False))
    forth = settle_together([*sides, stray])
    back = settle_together([stray, *reversed(sides)])
    assert forth == back
    outlying = forth["stray"].outlier_probability
    assert outlying is not None
    assert outlying > 0.5
    usual = [settled.outlier_probability for name, settled in forth.items() if name != "stray"]
    assert all(share is not None and share < 0.2 for share in usual)


def test_sides_without_a_turntable_speed_stay_by_themselves() -> None:
    alone = side(tune(2, seed=70), name="a", sharp=20.0, turntable_rpm=None)
    mate = side(tune(2, seed=71), name="b", sharp=20.0, key=Key(2, False))
    assert settle_together([alone, mate])["a"] == settle_together([alone])["a"]


def test_prior_densities_are_densities() -> None:
    grid = np.arange(-6000.0, 6000.0, 0.5)
    labels = [LabelSpeed(76.0, 84.0, "s")]
    for density in (
        playing_density(grid, process="electrical", labels=[]),
        playing_density(grid, process=None, labels=labels),
        offset_density(grid, turntable_rpm=80.0, already_corrected="unknown", process=None, labels=labels),
        offset_density(grid, turntable_rpm=None, already_corrected="yes", process=None, labels=[]),
    ):
        assert density.min() > 0
        assert density.sum() * 0.5 == pytest.approx(1.0, abs=2e-3)
    assert float(cents_of_rpm(78.26)) == pytest.approx(0.0, abs=0.05)
