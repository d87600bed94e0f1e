"""Chords in rendered sound: which notes, where they lie, and in which order their strings begin.

Pitches, times and levels are those planned. Claims that a string sounds later are checked on real notes by
``tests.benchmarks.chords``.
"""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.signal.chords.find import Chord, chords_of, find_chords
from pipeline.signal.chords.grid import HOP_S, RATE_HZ, bins_of_midi
from pipeline.signal.chords.judge import KEPT, Sounding
from pipeline.signal.chords.onsets import Edge
from pipeline.signal.chords.order import Timed, order_of
from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.signal.synth.voice import random_voice
from pipeline.training.chord_scenes import MixedNote, render_notes
from tests.helpers.bowed_notes import bowed

LENGTH_S = 3.0
TUNING = 0.23
PLAIN = bowed(69.0, string=2, start_s=0.8, end_s=2.2)


def found(*notes: MixedNote, seed: int, instrument: str = "violin") -> list[Chord]:
    """Chords found where these notes sound over a little noise, all of it sharp by ``TUNING``."""
    rng = np.random.default_rng(seed)
    voice = random_voice(rng, instrument=instrument)
    raised = tuple(replace(note, midi=note.midi + TUNING) for note in notes)
    sound, _ = render_notes(rng, raised, voice=voice, length_s=LENGTH_S)
    sound += rng.normal(0.0, 0.003, sound.size).astype(np.float32)
    return find_chords(
        sound,
        sample_rate_hz=RATE_HZ,
        board=fingerboard(instrument),
        correction=lambda at: np.full(np.shape(at), -TUNING),
    )


@pytest.mark.parametrize(
    ("instrument", "pitches"),
    [("violin", (66, 74)), ("violin", (55, 62, 71, 76)), ("viola", (52, 60)), ("cello", (43, 52))],
)
def test_the_notes_of_a_chord_are_found_at_their_pitches(instrument: str, pitches: tuple[int, ...]) -> None:
    (chord,) = found(
        *(replace(PLAIN, midi=float(m), string=i) for i, m in enumerate(pitches)), seed=3, instrument=instrument
    )
    assert [note.measures.midi for note in chord.notes] == pytest.approx(pitches, abs=0.05)
    assert chord.start_s == pytest.approx(PLAIN.start_s, abs=0.08)
    assert chord.end_s == pytest.approx(PLAIN.end_s, abs=0.12)
    assert chord.probability > 0.8


def test_a_string_planted_late_sounds_later_and_the_others_do_not() -> None:
    told = 0
    for late in range(3):
        notes = [replace(PLAIN, midi=float(m), string=i) for i, m in enumerate((55, 66, 75))]
        notes[late] = replace(notes[late], start_s=PLAIN.start_s + 0.12)
        (chord,) = found(*notes, seed=late)
        claimed = [i for i, said in enumerate(chord.order.sounds_later) if said == "yes"]
        assert claimed in ([], [late])
        if claimed:
            assert 1000.0 * chord.order.spread_s == pytest.approx(120.0, abs=15.0)
        told += len(claimed)
    assert told >= 2


def test_a_late_string_of_a_cello_is_said_to_be() -> None:
    late = replace(PLAIN, midi=50.0, string=2, start_s=PLAIN.start_s + 0.15)
    said = []
    for seed in (2, 3, 8):
        (chord,) = found(replace(PLAIN, midi=41.0, string=1), late, seed=seed, instrument="cello")
        said.append(chord.order.sounds_later)
    assert set(said) <= {("no", "yes"), ("cannot_tell", "cannot_tell")}
    assert said.count(("no", "yes")) >= 2


def test_a_string_that_swells_slowly_is_not_called_late() -> None:
    slow = replace(PLAIN, midi=66.0, string=1, attack_s=0.3)
    for seed in range(3):
        (chord,) = found(replace(PLAIN, midi=55.0, string=0), slow, seed=seed)
        assert "yes" not in chord.order.sounds_later


def test_strings_that_begin_together_are_not_called_apart() -> None:
    for seed in range(4):
        (chord,) = found(*(replace(PLAIN, midi=float(m), string=i) for i, m in enumerate((57, 66, 74))), seed=seed)
        assert "yes" not in chord.order.sounds_later
        assert chord.order.breaking in ("together", "cannot_tell")


def test_a_chord_broken_from_below_is_said_to_be() -> None:
    notes = (replace(PLAIN, midi=float(m), string=i, start_s=0.8 + 0.08 * i) for i, m in enumerate((55, 66, 75)))
    (chord,) = found(*notes, seed=2)
    assert chord.order.breaking == "from_below"
    assert chord.order.bow_rule == "kept"


def test_the_curve_of_a_note_that_begins_low_says_so() -> None:
    low = replace(PLAIN, midi=66.0, string=1, glide_from=-0.4, glide_s=0.25)
    (chord,) = found(low, replace(PLAIN, midi=74.0, string=2), seed=5)
    starts = [note.measures.start_cents for note in chord.notes]
    assert starts[0] < -10.0
    assert abs(starts[1]) < 5.0


def test_notes_one_after_another_are_no_chord_though_the_old_string_rings() -> None:
    # The old string is 12 dB down at once and falls by 40 dB a second: the medians of two players (see the scenes).
    old = replace(PLAIN, midi=62.0, string=1, end_s=1.5, rings_s=2.0, drop_db=12.0, fall_db_s=40.0)
    new = replace(PLAIN, midi=69.0, string=2, start_s=1.5)
    assert found(old, new, seed=1) == []


def test_a_single_note_is_no_chord() -> None:
    assert found(PLAIN, seed=0) == []


@pytest.mark.parametrize("length_s", [0.0, 0.01, 0.3])
def test_silence_and_scraps_hold_no_chord(length_s: float) -> None:
    scrap = np.zeros(int(length_s * RATE_HZ), dtype=np.float32)
    board = fingerboard("violin")
    assert find_chords(scrap, sample_rate_hz=RATE_HZ, board=board, correction=lambda at: np.zeros(np.shape(at))) == []


@pytest.mark.parametrize(("bowed_as", "claimed"), [(0.95, 1), (0.8, 0)])
def test_where_somebody_may_play_beside_only_a_sure_chord_is_claimed(bowed_as: float, claimed: int) -> None:
    bins, said = np.full((80, KEPT), -1, dtype=np.int32), np.zeros((80, KEPT), dtype=np.float32)
    bins[10:60, :2], said[10:60, :2] = np.rint(bins_of_midi(np.array([62.0, 71.0]))), bowed_as
    heard = Sounding(bins, said, np.zeros_like(said))
    sound = np.random.default_rng(0).normal(0.0, 0.1, int(80 * HOP_S * RATE_HZ)).astype(np.float32)
    counts = [
        len(chords_of(sound, heard, board=fingerboard("violin"), correction=lambda at: 0.0 * at, alone=alone))
        for alone in (True, False)
    ]
    assert counts == [1, claimed]


@pytest.mark.parametrize(("sure", "said"), [(True, "yes"), (False, "cannot_tell")])
def test_a_string_is_said_to_sound_later_only_where_the_notes_are_surely_the_players(sure: bool, said: str) -> None:
    first, late = (
        Timed(Edge(at_s, 0.01, True), Edge(2.0, 0.01, True), True, 5, at_s, 0.95, 1.0) for at_s in (1.0, 1.12)
    )
    assert order_of([first, late], instrument="violin", sure=sure).sounds_later == ("no", said)
