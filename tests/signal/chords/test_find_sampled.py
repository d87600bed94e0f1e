"""Chords of a sampled instrument, in which our own voices have no part, scored by ``mir_eval`` (precision of pitches
frame by frame, Bay, Ehmann and Downie 2009).

The samples are loops that stand still, as no bow does: much of a held chord is taken for ringing. What is
named is right.
"""

import mir_eval
import numpy as np
import pytest

from pipeline.signal.chords.find import find_chords
from pipeline.signal.chords.grid import RATE_HZ
from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.units import hz_of_midi
from tests.benchmarks.soundfont import sampled_voice

BLOCK = 32
EVERY_S, HELD_S, EDGE_S = 1.2, 0.8, 0.1
CHORDS = {
    "violin": ((55, 62), (62, 71), (66, 74), (57, 64, 73), (55, 62, 71, 76)),
    "cello": ((36, 43), (43, 52), (41, 48, 57), (50, 59)),
}


def sounding(instrument: str) -> np.ndarray:
    """Each chord for ``HELD_S`` with a bow that comes and goes in 30 ms, over a little noise."""
    rng = np.random.default_rng(4)
    out = rng.normal(0.0, 0.003, int(RATE_HZ * EVERY_S * (len(CHORDS[instrument]) + 1))).astype(np.float32)
    at = np.arange(int(RATE_HZ * HELD_S) // BLOCK) * BLOCK / RATE_HZ
    n = (at.size - 1) * BLOCK
    for k, chord in enumerate(CHORDS[instrument]):
        for midi in chord:
            sound = sampled_voice(rng, instrument=instrument).play(
                np.full(at.size, hz_of_midi(float(midi), reference_pitch_hz=440.0)),
                true_hz=np.full(at.size, hz_of_midi(float(midi), reference_pitch_hz=440.0)),
                amplitude=0.2 * np.minimum(1.0, np.minimum(at, at[-1] - at) / 0.03),
                block=BLOCK,
                sample_rate_hz=float(RATE_HZ),
                n=n,
            )
            first = int(RATE_HZ * (k + 0.5) * EVERY_S)
            out[first : first + n] += sound.astype(np.float32)
    return out


@pytest.mark.parametrize("instrument", CHORDS)
def test_chords_of_a_sampled_instrument(instrument: str) -> None:
    found = find_chords(
        sounding(instrument),
        sample_rate_hz=RATE_HZ,
        board=fingerboard(instrument),
        correction=lambda at: np.zeros(np.shape(at)),
    )
    starts = (np.arange(len(CHORDS[instrument])) + 0.5) * EVERY_S
    inside_s = np.arange(EDGE_S, HELD_S - EDGE_S, 0.01)
    planted, heard = [], []
    for start_s, chord in zip(starts, CHORDS[instrument], strict=True):
        for time_s in start_s + inside_s:
            notes = [note for each in found for note in each.notes if note.time_s[0] <= time_s <= note.time_s[-1]]
            midi = np.unique([np.interp(time_s, note.time_s, note.midi).round(1) for note in notes])
            planted.append(hz_of_midi(np.array(chord, dtype=float), reference_pitch_hz=440.0))
            heard.append(hz_of_midi(midi, reference_pitch_hz=440.0))
    frames_s = 0.01 * np.arange(len(planted))
    precision, *_ = mir_eval.multipitch.metrics(frames_s, planted, frames_s, heard, window=0.25)
    assert sum(pitches.size for pitches in heard) > 100
    assert precision > 0.98
    named = {tuple(round(note.measures.midi) for note in each.notes) for each in found}
    assert named >= {chord for chord in CHORDS[instrument] if len(chord) == 2}
