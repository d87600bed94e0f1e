"""Two bowed lines: each player's found, rests told from the other's line, and where one cannot tell it is said."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from pipeline.signal.passages.part import Part
from pipeline.signal.synth.degrade import random_chain
from pipeline.signal.synth.plan import Truth
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice
from pipeline.signal.voices.taken_out import PARTIALS, taken_out
from pipeline.signal.voices.two_lines import TwoLines, two_lines
from pipeline.units import gain_of_db, semitones_of_ratio

RATE = 11025
LENGTH_S = 14.0
EQUAL_DB = -2.0
"""Below the solo: as loud as this the other's partials, which are compared, are as strong as the solo's."""


@dataclass(frozen=True)
class Duet:
    """Two parts of equal level by themselves, and their truth."""

    solo: np.ndarray
    other: np.ndarray
    truth: Truth
    other_truth: Truth

    def heard(self, below_db: float, **known: Any) -> TwoLines:
        sound = (self.solo + self.other * gain_of_db(-below_db)).astype(np.float32)
        return two_lines(sound, sample_rate_hz=RATE, instrument="violin", other_instrument="violin", **known)


@pytest.fixture(scope="module")
def duet() -> Duet:
    """The solo rests for the first two seconds; both lie in the same register."""
    rng = np.random.default_rng(5)
    plan = random_plan(rng, instrument="violin", length_s=LENGTH_S, reference_pitch_hz=440.0, introduction_s=2.0)
    beside = random_plan(rng, instrument="violin", length_s=LENGTH_S, reference_pitch_hz=440.0, key=plan.key)
    chain = random_chain(rng, band="electrical")
    sounds, truths = [], []
    for part in (plan, beside):
        voice = random_voice(rng, instrument="violin")
        sound, truth = render_side(
            part,
            rng=rng,
            sample_rate_hz=RATE,
            voice=voice,
            snr_db=40.0,
            piano_below_db=None,
            band="electrical",
            speed=SpeedPlan(),
            chain=chain,
        )
        sounds.append(sound / np.sqrt(np.mean(sound[np.abs(sound) > 0.01] ** 2)) * 0.1)
        truths.append(truth)
    n = min(sound.size for sound in sounds)
    return Duet(sounds[0][:n], sounds[1][:n], *truths)


def on(time_s: np.ndarray, truth: Truth) -> np.ndarray:
    """The true pitch at some times; NaN where silent."""
    return np.asarray(truth.f0_hz[np.clip(np.rint(1000.0 * time_s).astype(int), 0, truth.f0_hz.size - 1)])


def near(hz: np.ndarray, true_hz: np.ndarray) -> np.ndarray:
    """Where both are there and within half a semitone."""
    return np.asarray(np.abs(semitones_of_ratio(hz / true_hz)) < 0.5)


def test_a_line_taken_out_leaves_the_other_and_has_its_levels() -> None:
    time_s = np.arange(RATE) / RATE
    number = np.arange(1, 6)[:, np.newaxis]
    tones = [np.sum(np.sin(2 * np.pi * hz * number * time_s) / number, axis=0) for hz in (440.0, 620.0)]

    @dataclass(frozen=True)
    class Known:
        time_s: np.ndarray
        f0_hz: np.ndarray
        confidence: np.ndarray

    grid = np.arange(0.0, 1.0, 64 / RATE)
    line = Known(grid, np.full(grid.size, 440.0), np.ones(grid.size))
    found = taken_out((tones[0] + tones[1]).astype(np.float32), line, sample_rate_hz=RATE)
    inner = slice(RATE // 10, -RATE // 10)
    error = found.left[inner] - tones[1][inner]
    assert np.mean(error**2) < 0.02 * np.mean(tones[1] ** 2)
    assert found.levels_db.shape == (grid.size, PARTIALS)
    assert found.levels_db[20:-20, :5].mean(axis=0) == pytest.approx(-20.0 * np.log10(range(1, 6)), abs=0.5)


def test_each_player_has_a_line_six_decibels_apart(duet: Duet) -> None:
    found = duet.heard(6.0)
    solo, other = on(found.solo.time_s, duet.truth), on(found.solo.time_s, duet.other_truth)
    both = np.isfinite(solo) & np.isfinite(other) & ~near(solo, other)
    mine, its = near(found.solo.f0_hz, solo), near(found.other.f0_hz, other)
    assert np.mean(mine[both]) > 0.85
    assert np.mean(its[both]) > 0.8
    sure = both & (found.sure > 0.9)
    assert np.mean(near(found.solo.f0_hz, other)[sure]) < 0.05
    assert sure.sum() > 0.7 * both.sum()


def test_the_soloists_rest_is_silence_and_not_the_others_line(duet: Duet) -> None:
    found = duet.heard(9.0)
    time_s = found.solo.time_s
    resting = (time_s < 1.9) & np.isfinite(on(time_s, duet.other_truth))
    assert np.mean(found.solo.confidence[resting] > 0.3) < 0.15
    assert np.mean(near(found.other.f0_hz, on(time_s, duet.other_truth))[resting]) > 0.8


def test_at_equal_level_in_one_register_what_is_sure_is_right_also_when_a_person_says_where_the_solo_is(
    duet: Duet,
) -> None:
    found = duet.heard(0.0)
    other = on(found.solo.time_s, duet.other_truth)
    claimed = np.isfinite(other) & (found.sure > 0.9)
    assert np.sum(near(found.solo.f0_hz, other)[claimed]) <= 0.05 * claimed.sum()
    rests = ~np.isfinite(duet.other_truth.f0_hz)
    solo = np.isfinite(duet.truth.f0_hz)
    alone = duet.truth.transfer_time_s[: min(rests.size, solo.size)][(rests[: solo.size] & solo[: rests.size])]
    said = [(float(t), float(t) + 0.001) for t in alone]
    told = duet.heard(0.0, said=said)
    both = np.isfinite(on(told.solo.time_s, duet.truth)) & np.isfinite(on(told.solo.time_s, duet.other_truth))
    assert np.mean(near(told.solo.f0_hz, on(told.solo.time_s, duet.truth))[both & (told.sure > 0.9)]) > 0.8
    assert np.mean(told.sure[both] > 0.9) > 0.5


def test_that_the_solo_is_heard_somewhere_beside_the_other_tells_nothing_of_equals(duet: Duet) -> None:
    found = duet.heard(EQUAL_DB, said=[(2.0, LENGTH_S)])
    other = on(found.solo.time_s, duet.other_truth)
    claimed = np.isfinite(other) & (found.sure > 0.9)
    assert np.sum(near(found.solo.f0_hz, other)[claimed]) <= 0.05 * claimed.sum()


def tone(hz: float, seconds: float, gain: float) -> np.ndarray:
    at = hz * np.arange(round(seconds * RATE)) / RATE
    return np.asarray(gain * np.sum([np.sin(2 * np.pi * h * at) / h for h in range(1, 6)], axis=0))


def test_of_equals_the_one_who_lies_a_sixth_above_is_the_soloist_and_of_neighbours_neither() -> None:
    upper = tone(622.3, 3.0, 0.1)  # an E flat, and the F sharp a sixth or the C sharp a tone below it
    for lower_hz, sure in ((370.0, True), (554.4, False)):
        sound = (upper + tone(lower_hz, 3.0, 0.1)).astype(np.float32)
        found = two_lines(sound, sample_rate_hz=RATE, instrument="violin", other_instrument=None)
        inner = (found.solo.time_s > 0.5) & (found.solo.time_s < 2.5)
        assert (np.median(found.sure[inner]) > 0.9) == sure
        if sure:
            assert np.nanmedian(found.solo.f0_hz[inner]) == pytest.approx(622.3, rel=1e-3)


def test_among_three_what_is_soft_for_the_soloist_may_be_a_thirds() -> None:
    solo, third, lowest = tone(880.0, 3.0, 0.2), tone(700.0, 2.0, 0.08), tone(330.0, 5.0, 0.05)
    sound = (np.concatenate([solo, third]) + lowest).astype(np.float32)
    for others, sure in ((1, True), (2, False)):
        found = two_lines(sound, sample_rate_hz=RATE, instrument="violin", other_instrument=None, others=others)
        at_700 = (found.solo.time_s > 3.5) & (found.solo.time_s < 4.5)
        assert np.nanmedian(found.solo.f0_hz[at_700]) == pytest.approx(700.0, rel=1e-3)
        assert (np.median(found.sure[at_700]) > 0.9) == sure
        assert np.median(found.sure[(found.solo.time_s > 0.5) & (found.solo.time_s < 2.5)]) > 0.9


def written(truth: Truth) -> Part:
    """A part of what was planned, two beats a second."""
    notes = truth.plan.notes
    beats = 2.0 * np.array([note.start_s for note in notes])
    pitches = tuple((float(round(note.midi)),) for note in notes)
    return Part(pitches, beats, float(beats[-1]) + 1.0, np.zeros(beats.size, dtype=bool))


def test_at_equal_level_in_one_register_who_plays_from_the_part_is_the_soloist(duet: Duet) -> None:
    for part, truth, beside in (
        (written(duet.truth), duet.truth, duet.other_truth),
        (written(duet.other_truth), duet.other_truth, duet.truth),
    ):
        found = duet.heard(EQUAL_DB, part=part)
        solo, other = on(found.solo.time_s, truth), on(found.solo.time_s, beside)
        sure = np.isfinite(solo) & np.isfinite(other) & ~near(solo, other) & (found.sure > 0.9)
        assert sure.mean() > 0.3
        assert np.mean(near(found.solo.f0_hz, solo)[sure]) > 0.8


def test_a_part_of_other_music_makes_nothing_sure(duet: Duet) -> None:
    scale = Part(tuple((float(60 + i % 12),) for i in range(40)), np.arange(40.0), 40.0, np.zeros(40, dtype=bool))
    assert np.mean(duet.heard(EQUAL_DB, part=scale).sure > 0.9) < 0.1


def test_silence_has_no_players() -> None:
    quiet = two_lines(np.zeros(2 * RATE, np.float32), sample_rate_hz=RATE, instrument="violin", other_instrument=None)
    assert not np.isfinite(quiet.solo.f0_hz).any()
    assert not np.isfinite(quiet.other.f0_hz).any()
    assert np.isfinite(quiet.sure).all()
