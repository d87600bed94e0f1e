"""Onsets of notes against a list of written ones, as the list has them and as it is laid on the sound anew.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.written_onsets --folder FOLDER

Lists of real recordings are estimates: where one is off by more than the tolerance, no transcription can be right. So
each is laid on its sound once more, by dynamic time warping of a constant-Q transform and its rises (librosa; features
after Ewert, Müller and Grosche, ICASSP 2009), which know nothing of this program's notes. What that is worth, the
command above prints: notes and mixes of ``cello_notes`` whose lists are moved by 0.1 s (standard deviation, in swings
of 1.5 s) and laid anew. On its settings were chosen; on no recording, and on nothing that this program hears.
"""

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path

import librosa
import mir_eval
import numpy as np

from pipeline.signal.chords.find import Chord
from pipeline.signal.chords.grid import HOP_S, RATE_HZ, midi_of_bins
from pipeline.signal.chords.spans import Note, spans_of
from tests.benchmarks import real_sound
from tests.benchmarks.chord_mixes import Floats, Samples, at_analysis_rate, real_mix, recorded, source_pitches

ONSET_S = 0.08
LAID_RATE, LAID_HOP = 22_050, 256
PARTIALS, DECAY = 4, 0.7
"""Partials expected of a written note, and the weight of each beside the one below."""
FADE, RISE, RISES_WEIGH = 5, 3, 0.5
"""Frames over which an onset fades and a rise is seen; weight of rises beside levels."""
FARTHEST_S = 0.5
MIXES, MOVED_S, SWING_S = 3, 0.1, 1.5


def laid_anew(samples: Samples, rate_hz: float, listed: Floats, tuning: float) -> Floats:
    """The list (n, 3: start s, end s, MIDI) laid on a sound that is ``tuning`` semitones sharp."""
    sound = librosa.resample(np.asarray(samples, dtype=np.float32), orig_sr=rate_hz, target_sr=LAID_RATE)
    lowest = int(listed[:, 2].min()) - 1
    bins = min(72, int(12 * np.log2(9000.0 / librosa.midi_to_hz(lowest))))
    low_hz = librosa.midi_to_hz(lowest + tuning)
    heard = np.abs(librosa.cqt(sound, sr=LAID_RATE, hop_length=LAID_HOP, fmin=low_hz, n_bins=bins, tuning=0.0))
    heard = np.log1p(50.0 * heard / np.quantile(heard.max(axis=0), 0.95))
    rises = np.maximum(heard - np.pad(heard, ((0, 0), (RISE, 0)), mode="edge")[:, :-RISE], 0.0)
    frame_s, count = LAID_HOP / LAID_RATE, heard.shape[1]
    levels, onsets = _expected(listed, lowest, heard.shape, frame_s)
    cost = 1.0 - _of_one_length(levels).T @ _of_one_length(heard)
    rises, onsets = (part / np.quantile(np.linalg.norm(part, axis=0), 0.95) for part in (rises, onsets))
    apart = (onsets**2).sum(axis=0)[:, None] + (rises**2).sum(axis=0) - 2.0 * onsets.T @ rises
    cost += RISES_WEIGH * np.sqrt(np.maximum(apart, 0.0))
    frames = np.arange(count)
    cost[np.abs(frames[:, None] - frames) > FARTHEST_S / frame_s] = 1e6
    steps, weights = np.array([[1, 1], [0, 1], [1, 0]]), np.array([1.5, 1.0, 1.0])
    _, path = librosa.sequence.dtw(C=cost, step_sizes_sigma=steps, weights_mul=weights)
    own = np.unique(path[:, 0])
    its = np.array([path[path[:, 0] == frame, 1].mean() for frame in own])
    start, end = (np.interp(listed[:, k] / frame_s, own, its) * frame_s for k in (0, 1))
    return np.column_stack([start, np.maximum(end, start + 0.03), listed[:, 2]])


def _expected(listed: Floats, lowest: int, shape: tuple[int, ...], frame_s: float) -> tuple[Floats, Floats]:
    """Levels and onsets (bins, frames) that the written notes would have."""
    levels, onsets = np.zeros(shape), np.zeros(shape)
    fading = np.sqrt(1.0 - np.arange(FADE) / FADE)
    for start, end, midi in listed:
        first = min(int(start / frame_s), shape[1] - 1)
        for partial in range(1, PARTIALS + 1):
            row = round(midi + 12 * np.log2(partial) - lowest)
            if row >= shape[0]:
                break
            for out, shown in ((levels, np.ones(max(int(end / frame_s) - first, 1))), (onsets, fading)):
                there = out[row, first : first + shown.size]
                np.maximum(there, DECAY ** (partial - 1) * shown[: there.size], out=there)
    return levels, onsets


def _of_one_length(columns: Floats) -> Floats:
    length = np.linalg.norm(columns, axis=0)
    return np.asarray(columns / np.maximum(length, 0.1 * np.quantile(length, 0.9)))


def onsets_of(notes: list[Note], chords: Sequence[Chord]) -> tuple[Floats, Floats]:
    """Start and end in s (n, 2) of notes as heard, and with those of a broken chord where it begins, as is written."""
    heard = np.array([[note.first * HOP_S, note.last * HOP_S] for note in notes])
    fresh = []
    for span, chord in zip(spans_of(notes), chords, strict=True):
        numbers = [notes.index(note) for note in span.notes]
        for k, note in zip(numbers, chord.notes, strict=True):
            heard[k, 0] = note.start.time_s if note.start.clear else heard[k, 0]
        fresh.append([k for k, note in zip(numbers, chord.notes, strict=True) if note.fresh])
    written = heard.copy()
    for numbers in fresh:
        written[numbers, 0] = heard[numbers, 0].min()
    return heard, written


def score_onsets(
    sound: real_sound.RealSound, notes: list[Note], chords: list[Chord], shift: float, tuning: float
) -> None:
    """Print note F1 against the list as it is, moved by ``shift``, and laid anew, beside a general transcriber's.

    The two lists against each other show what notes that are right score against the list as it is.
    """
    assert sound.notes is not None
    lists = {"as listed": sound.notes + np.array([shift, shift, 0.0])}
    lists["laid anew"] = laid_anew(sound.samples, real_sound.RATE, sound.notes, tuning)
    pitches = np.array([float(midi_of_bins(note.pitch_bin)) for note in notes]) - tuning
    said = {
        name: (spans, pitches) for name, spans in zip(("as heard", "as written"), onsets_of(notes, chords), strict=True)
    }
    try:
        from tests.benchmarks.basic_pitch import notes_of as general
    except ImportError:
        pass
    else:
        bounds, heard = general(sound.samples, real_sound.RATE)
        said["basic-pitch"] = bounds, heard - tuning
    for name, listed in lists.items():
        scores = ", ".join(f"{kind} {_f1(listed, *found):.3f}" for kind, found in said.items())
        print(f"    onsets, notes {name}, F1: {scores}")
    listed, laid = lists.values()
    print(f"    the list laid anew against the list as it is, F1: {_f1(listed, laid[:, :2], laid[:, 2]):.3f}")


def _f1(listed: Floats, spans: Floats, midi: Floats) -> float:
    if not len(spans):
        return 0.0
    hz, found_hz = (librosa.midi_to_hz(pitches) for pitches in (listed[:, 2], midi))
    score = mir_eval.transcription.precision_recall_f1_overlap(
        listed[:, :2], hz, spans, found_hz, onset_tolerance=ONSET_S, offset_ratio=None
    )
    return float(score[2])


def _known(folder: Path) -> Iterator[tuple[str, Samples, float, Floats]]:
    """Sounds whose onsets are known; notes of a chord begin with its first, as in lists."""
    notes = real_sound.single_notes(folder / "cello_notes")
    own = at_analysis_rate(notes)
    tuned = source_pitches(own)
    for seed in range(100, 100 + MIXES):
        mix = real_mix(own, tuned, instrument="cello", seed=seed, length_s=30.0)
        mix = recorded(mix, band="acoustic" if seed % 2 else "full", snr_db=20.0, seed=seed)
        first = {n.chord: min(m.onset_s for m in mix.notes if m.chord == n.chord) for n in mix.notes}
        listed = [[first[n.chord], n.end_s, round(n.midi)] for n in mix.notes]
        yield "chords, some strings late", mix.samples, RATE_HZ, np.array(listed, dtype=np.float64)
    for style in ("legato", "runs"):
        sound = real_sound.bowed(notes, style=style, seed=5, length_s=30.0, name="cello", instrument="cello")
        assert sound.notes is not None
        yield style, sound.samples, real_sound.RATE, sound.notes


def _moved(listed: Floats, rng: np.random.Generator) -> Floats:
    """The list with its times moved to and fro, in order still."""
    at = np.arange(0.0, listed[:, 1].max() + 2 * SWING_S, SWING_S)
    moves = rng.normal(0.0, MOVED_S, at.size)
    onsets = np.unique(listed[:, 0])
    moved = onsets + np.interp(onsets, at, moves)
    for k in range(1, moved.size):
        moved[k] = max(moved[k], moved[k - 1] + 0.03)
    start = np.interp(listed[:, 0], onsets, moved)
    end = np.maximum(listed[:, 1] + np.interp(listed[:, 1], at, moves), start + 0.03)
    return np.column_stack([start, end, listed[:, 2]])


def main() -> None:
    """Print how near lists that were moved come to where the notes are."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.written_onsets")
    parser.add_argument("--folder", type=Path, required=True)
    for name, samples, rate_hz, listed in _known(parser.parse_args().folder):
        moved = _moved(listed, np.random.default_rng(3))
        for what, times in (("moved", moved), ("laid anew", laid_anew(samples, rate_hz, moved, 0.0))):
            off = times[:, 0] - listed[:, 0]
            far = np.abs(off - np.median(off))
            said = f"{np.median(off):+.3f} s off; apart from that {np.median(far):.3f}, p90 {np.quantile(far, 0.9):.3f}"
            print(f"{name}, {what}: {len(listed)} onsets {said}, within {ONSET_S} s {np.mean(far <= ONSET_S):.2f}")


if __name__ == "__main__":
    main()
