"""The whole road on real sound: one table from one run.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.real --folder FOLDER [--quick] [--out table.txt]

Clean, and with real record noise 12 and 5 dB below (three draws each; ``--quick``: the first minute of each
recording, one draw). Per sound: faults; share of its seconds counted as solo (from the first note to the last); note F1
by ``mir_eval`` (onset 80 ms, pitch 50 cents, offsets not judged, the player's tuning taken out) as run, as run against
the list laid anew on the clean sound (``written_onsets``, which knows nothing of what is found), and with the whole
file let through; slides claimed a minute; share of the list's single notes whose middle the line meets within 50 cents,
beside swift-f0; what the same file read 2 % fast measures, in cents above itself (34.3 is right); and with basic-pitch
in the environment (its ONNX model) its note F1. Speech and piano alone must not count as solo.

Lists lie on a grid of 32 ms and are estimates themselves: under ``list`` stands the F1 of the list laid anew against
the list as it is, which no transcription passes by much. Notes that begin together are one chance for a single line.
"""

import argparse
import functools
import itertools
import sys
import traceback
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import numpy.typing as npt

from pipeline.signal.line.follow import MelodyLine, follow
from pipeline.signal.line.solo_parts import where_solo
from pipeline.signal.slides.detect import find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.tuning.measure import MeasuredSide, measure_side
from tests.benchmarks import real_sound
from tests.benchmarks.real_sound import RATE, RealSound, Samples
from tests.benchmarks.written_onsets import laid_anew

Floats = npt.NDArray[np.float64]
ONSET_S, PITCH_CENTS = 0.08, 50.0
LAID_LATE_S = 0.018
"""By how much laying puts onsets late on real notes whose onsets are known (``written_onsets``: legato 21, runs 16)."""
FAST = 1.02
CONDITIONS: tuple[float | None, ...] = (None, 12.0, 5.0)


@dataclass
class Row:
    """What one sound in one condition gave; NaN where it does not apply."""

    kind: str
    playing_s: float = 0.0
    kept_s: float = 0.0
    fault: str = ""
    f1_run: float = float("nan")
    f1_anew: float = float("nan")
    f1_list: float = float("nan")
    f1_whole: float = float("nan")
    f1_general: float = float("nan")
    slides: int = 0
    met: float = float("nan")
    met_swift: float = float("nan")
    faster: float = float("nan")
    measured: bool = False
    anew: Floats | None = None


def measured(sound: RealSound, samples: Samples, *, clean: bool, anew: Floats | None) -> Row:
    """The road for one sound; a fault ends it and is told. ``anew``: the list laid on the clean sound, once it is."""
    row = Row(sound.kind, anew=anew)
    try:
        _measure(row, sound, samples, clean=clean)
    except Exception as fault:
        row.fault = f"{type(fault).__name__}: {fault}"
        print(f"{sound.name}: {traceback.format_exc(limit=-2)}", file=sys.stderr)
    return row


def _measure(row: Row, sound: RealSound, samples: Samples, *, clean: bool) -> None:
    first, last = sound.playing
    row.playing_s = last - first
    line = follow(samples, sample_rate_hz=RATE, instrument=sound.instrument)
    spans = where_solo(line, length_s=samples.size / RATE)
    solo = [(s.start_s, s.end_s) for s in spans if s.content == "solo"]
    row.kept_s = sum(max(0.0, min(b, last) - max(a, first)) for a, b in solo)
    tuning = _tuning(line, sound)
    found, whole = (_detected(line, tuning, samples, given) for given in (solo, None))
    row.slides = len(found.slides)
    if sound.notes is not None and sound.single:
        if row.anew is None and sound.kind == "bowed notes":  # strung together here: their list is exact
            row.anew = sound.notes
        elif row.anew is None:
            row.anew = laid_anew(sound.samples, RATE, sound.notes, tuning / 100.0) - np.array([LAID_LATE_S] * 2 + [0.0])
        row.f1_run, row.f1_whole = (_f1(sound.notes, f.notes) for f in (found, whole))
        row.f1_anew, row.f1_list = _f1(row.anew, found.notes), _note_f1(sound.notes, row.anew[:, :2], row.anew[:, 2])
    if sound.notes is not None:
        row.met = _met(sound.notes, line.time_s, line.f0_hz, tuning)
    if clean and sound.notes is not None and sound.single:
        row.met_swift = _swift(sound, samples)
        row.f1_general = _general(sound, samples, tuning)
    side = _side(samples, RATE, line)
    row.measured = side.curve is not None
    if clean and side.curve is not None:
        rate = round(RATE * FAST)
        fast = _side(samples, rate, follow(samples, sample_rate_hz=rate, instrument=sound.instrument))
        if fast.curve is not None:
            row.faster = (fast.curve.mean() - side.curve.mean()) % 100.0


def _side(samples: Samples, rate: int, line: MelodyLine) -> MeasuredSide:
    return measure_side(samples, sample_rate_hz=rate, time_s=line.time_s, f0_hz=line.f0_hz, confidence=line.confidence)


def _detected(line: MelodyLine, tuning: float, samples: Samples, spans: Any) -> Any:
    length_s = samples.size / RATE
    return find_notes_and_slides(
        line,
        speed_map=SpeedMap.constant(correction_cents=-tuning, length_s=length_s),
        reference_pitch_hz=440.0,
        spans=spans,
    )


def _tuning(line: MelodyLine, sound: RealSound) -> float:
    """Cents by which the player lies above the list at A4 = 440 Hz: the median over notes within a semitone of it."""
    if sound.notes is None or line.time_s.size < 2:
        return 0.0
    middle = _at(sound.notes.mean(axis=1, where=[True, True, False]), line.time_s, line.f0_hz)
    off = 1200.0 * np.log2(middle / 440.0) - 100.0 * (sound.notes[:, 2] - 69.0)
    off = off[np.abs(off) < 100.0]
    return float(np.median(off)) if off.size else 0.0


def _at(when: Floats, time_s: Floats, hz: Floats) -> Floats:
    hz = np.where(np.asarray(hz) > 0, hz, np.nan)
    return np.asarray(hz[np.clip(np.searchsorted(time_s, when), 0, len(time_s) - 1)], dtype=np.float64)


def _met(notes: Floats, time_s: Floats, hz: Floats, tuning: float) -> float:
    """Share of notes sounding alone that the line meets at their middle within 50 cents."""
    alone = np.array([np.sum((notes[:, 0] < b - 0.02) & (notes[:, 1] > a + 0.02)) == 1 for a, b, _ in notes])
    middle = _at(notes[alone, :2].mean(axis=1), time_s, hz)
    off = 1200.0 * np.log2(middle / 440.0) - 100.0 * (notes[alone, 2] - 69.0) - tuning
    return float(np.mean(np.abs(off) <= PITCH_CENTS)) if alone.any() else float("nan")


def _f1(true: Floats, found: Any) -> float:
    midi = np.array([n.midi for n in found])
    spans = np.array([[n.transfer_start_s, max(n.transfer_end_s, n.transfer_start_s + 0.01)] for n in found])
    return _note_f1(true, spans.reshape(-1, 2), midi)


def _note_f1(true: Floats, spans: Floats, midi: Floats) -> float:
    if not midi.size:
        return 0.0
    hz, true_hz = (440.0 * 2.0 ** ((m - 69.0) / 12.0) for m in (midi, true[:, 2]))
    scores = mir_eval.transcription.precision_recall_f1_overlap(
        true[:, :2],
        true_hz,
        spans,
        hz,
        onset_tolerance=ONSET_S,
        pitch_tolerance=PITCH_CENTS,
        offset_ratio=None,
    )
    return float(scores[2])


def _swift(sound: RealSound, samples: Samples) -> float:
    try:
        from tests.benchmarks.peers import swift
    except ImportError:
        return float("nan")
    time_s, hz, _ = swift(samples, RATE, sound.instrument)
    assert sound.notes is not None
    notes = sound.notes
    off = 1200.0 * np.log2(_at(notes[:, :2].mean(axis=1), time_s, hz) / 440.0) - 100.0 * (notes[:, 2] - 69.0)
    near = off[np.abs(off) < 100.0]
    return _met(notes, time_s, hz, float(np.median(near)) if near.size else 0.0)


def _general(sound: RealSound, samples: Samples, tuning: float) -> float:
    """Note F1 of basic-pitch, on the sound without the player's tuning; NaN where it is not installed."""
    try:
        from tests.benchmarks.basic_pitch import notes_of
    except ImportError:
        return float("nan")
    assert sound.notes is not None
    spans, midi = notes_of(samples, RATE)
    return _note_f1(sound.notes, spans, midi - tuning / 100.0)


def sounds(folder: Path, *, most_s: float, quick: bool) -> Iterator[tuple[str, Callable[[], RealSound]]]:
    """What is measured, made one by one, with what to call it if making fails."""
    for i, make in enumerate(real_sound.movements(folder, most_s=most_s)):
        yield f"recording {i + 1}", make
    cello = real_sound.single_notes(folder / "cello_notes")
    for i, style in enumerate(("legato", "detache", "runs", "slow")):
        yield (
            f"cello {style}",
            functools.partial(
                real_sound.bowed, cello, style=style, seed=i, length_s=30.0, name="cello", instrument="cello"
            ),
        )
    keys = real_sound.single_notes(folder / "piano")
    for i, style in enumerate(("chords", "tune", "both") * (1 if quick else 2)):
        yield f"piano {style}", functools.partial(real_sound.piano, keys, style=style, seed=i, length_s=30.0)
    for i, make in enumerate(real_sound.speech(most=4 if quick else 16)):
        yield f"speech {i + 1}", make
    for i, make in enumerate(real_sound.singers(folder)):
        yield f"song {i + 1}", make
    yield "surface", lambda: RealSound("surface alone", "surface", "violin", _tiled(folder))


def _tiled(folder: Path) -> Samples:
    return real_sound.surface(folder, length_s=30.0, seed=0) * np.float32(0.3)


def table(rows: dict[tuple[str, float | None], list[Row]]) -> str:
    """The rows by sound and condition, and the sums by kind."""
    head = (
        f"{'sound':34} {'noise':>5} {'faults':>6} {'kept %':>14} {'F1 run':>6} {'anew':>6} {'list':>6} "
        f"{'whole':>6} {'basic':>6} {'sl/min':>6} {'line %':>6} {'swift':>6} {'2 %':>6} speed"
    )
    lines = [head, *(_line(name, db, found) for (name, db), found in rows.items()), ""]
    kinds: dict[tuple[str, float | None], list[Row]] = defaultdict(list)
    for (_, db), found in rows.items():
        kinds[f"ALL {found[0].kind}", db] += found
    lines += [_line(name, db, found) for (name, db), found in kinds.items()]
    faults = [f"{name}: {row.fault}" for (name, _), found in rows.items() for row in found if row.fault]
    refused = [f"refused: {words}" for words in sorted(set(real_sound.REFUSED))]
    return "\n".join([*lines, "", f"{len(faults)} faults, {len(refused)} refusals", *sorted(set(faults)), *refused])


def _line(name: str, db: float | None, rows: list[Row]) -> str:
    def mean(field: str, scale: float = 1.0, form: str = "6.3f") -> str:
        values = np.array([getattr(row, field) for row in rows], dtype=np.float64)
        return format(scale * np.nanmean(values), form) if np.isfinite(values).any() else f"{'–':>6}"

    sound = [row for row in rows if not row.fault]
    shares = [100.0 * row.kept_s / row.playing_s for row in sound if row.playing_s > 0]
    total = sum(row.playing_s for row in sound)
    kept = 100.0 * sum(row.kept_s for row in sound) / total if total else float("nan")
    spread = f"({min(shares):.0f}–{max(shares):.0f})" if len(shares) > 1 else ""
    slides = sum(row.slides for row in sound) / max(sum(row.kept_s for row in sound) / 60.0, 1e-9)
    slides_said = f"{slides:6.2f}" if any(row.kept_s > 0 for row in sound) else f"{'–':>6}"
    speed = f"{sum(row.measured for row in rows)}/{len(rows)}"
    return (
        f"{name[:34]:34} {'–' if db is None else f'{db:g}':>5} {sum(bool(r.fault) for r in rows):6d} "
        f"{kept:6.1f} {spread:>7} {mean('f1_run')} {mean('f1_anew')} {mean('f1_list')} "
        f"{mean('f1_whole')} {mean('f1_general')} {slides_said} "
        f"{mean('met', 100, '6.1f')} {mean('met_swift', 100, '6.1f')} {mean('faster', 1, '6.2f')} {speed:>5}"
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    draws = 1 if given.quick else 3
    rows: dict[tuple[str, float | None], list[Row]] = defaultdict(list)
    for name, make in sounds(given.folder, most_s=60.0 if given.quick else 1e9, quick=given.quick):
        try:
            sound = make()
        except Exception as fault:
            rows[name, None].append(Row("not read", fault=f"{type(fault).__name__}: {fault}"))
            continue
        for db, draw in itertools.product(CONDITIONS, range(draws)):
            if (db is None and draw > 0) or (db is not None and sound.kind == "surface"):
                continue
            samples = sound.samples
            if db is not None:
                samples = real_sound.with_surface(sound, given.folder, snr_db=db, draw=draw)
            anew = rows[sound.name, None][0].anew if db is not None else None
            rows[sound.name, db].append(measured(sound, samples, clean=db is None, anew=anew))
        print(_line(sound.name, None, rows[sound.name, None]), flush=True, file=sys.stderr)
    text = table(rows)
    print(text)
    if given.out:
        given.out.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
