"""Takes for the benchmarks of passages: recordings with note lists, and rendered sides, as the program finds them."""

import csv
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.signal.line.follow import MelodyLine, follow
from pipeline.signal.passages.part import Part
from pipeline.steps.match.step import LEAST_VOICED
from pipeline.units import midi_of_hz
from tests.benchmarks import real_sound
from tests.benchmarks.real import _detected, _tuning
from tests.benchmarks.scenes import rendered, suite

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
TICKS_A_BEAT = 24.0
LATE_S = 0.02
"""The given times are that much late on average (measured on the same recordings)."""
LEAST_SECTION, SAME_SHARE = 24, 0.85


@dataclass(frozen=True)
class Played:
    """Events in the order played: ``event`` the written one, ``start_s, end_s`` when it sounds, its ``pitches``."""

    event: Ints
    start_s: Floats
    end_s: Floats
    pitches: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class Take:
    """A take as found.

    ``notes`` (found, 2): beginnings in s and pitches; ``real_s`` when each began in the sound, NaN for made ones;
    ``end_s`` (found,) when each ended there; ``line`` times and pitches of the pitch line, NaN where there is none.
    """

    name: str
    part: Part
    played: Played
    notes: Floats
    real_s: Floats
    repeat: tuple[int, int] | None = None
    end_s: Floats = field(default_factory=lambda: np.empty(0))
    line: tuple[Floats, Floats] = (np.empty(0), np.empty(0))


def _line(line: MelodyLine, tuning: float) -> tuple[Floats, Floats]:
    sounds = (line.f0_hz > 0) & (line.voiced_probability >= LEAST_VOICED)
    hz = np.where(sounds, line.f0_hz, np.nan)
    return line.time_s, midi_of_hz(hz, reference_pitch_hz=440.0) - tuning / 100.0


def _ends(found: Any) -> Floats:
    return np.array([n.transfer_end_s for n in found.notes])


def real_takes(folder: Path) -> Iterator[Take]:
    """The recordings with their parts, repeats folded."""
    for make in real_sound.movements(folder, most_s=1e9):
        sound = make()
        line = follow(sound.samples, sample_rate_hz=real_sound.RATE, instrument=sound.instrument)
        tuning = _tuning(line, sound)
        found = _detected(line, tuning, sound.samples, None)
        notes = np.array([[n.transfer_start_s, n.midi] for n in found.notes])
        rows = _listed(folder / "solo_violin", sound.name)
        order, written, ways = folded([(row[2], row[1]) for row in rows])
        starts, ends = (np.array([row[k] for row in rows]) for k in (3, 4))
        there = int(np.searchsorted(starts - LATE_S, sound.length_s))  # of an excerpt the list is that of the whole
        played = Played(
            np.array(order[:there]),
            starts[:there] - LATE_S,
            ends[:there] - LATE_S,
            tuple(row[2] for row in rows[:there]),
        )
        part = _part([rows[i][2] for i in written], [rows[i][1] / TICKS_A_BEAT for i in written], ways)
        repeats = [i for i in range(1, there) if order[i] < order[i - 1]]
        repeat = (repeats[-1], repeats[-1] + _length(order, repeats[-1])) if repeats else None
        yield Take(sound.name, part, played, notes, notes[:, 0].copy(), repeat, _ends(found), _line(line, tuning))


def _length(order: list[int], begin: int) -> int:
    """How many events of a repeat follow its beginning before something new."""
    known = set(order[:begin])
    return next((k for k, event in enumerate(order[begin:]) if event not in known), len(order) - begin)


def _listed(folder: Path, name: str) -> list[tuple[int, float, tuple[float, ...], float, float]]:
    """Events of a list: onset and time to the next in ticks, pitches, when they sound."""
    path = folder / f"{name}_notes.csv"
    if not path.exists():  # an excerpt: its list is that of the whole
        path = next(folder.glob(f"{'_'.join(name.split('_')[:2])}*_notes.csv"))
    timed = list(csv.DictReader(path.with_name(path.name.replace("_notes", "_alignments")).open(encoding="utf-8")))
    events: dict[int, list[tuple[float, float, float, float]]] = {}
    for row, at in zip(csv.DictReader(path.open(encoding="utf-8")), timed, strict=False):
        own = (float(row["offset"]), float(row["pitch"]), float(at["start"]), float(at["end"]))
        events.setdefault(int(row["onset"]), []).append(own)
    onsets = sorted(events)
    after = [*onsets[1:], int(max(note[0] for note in events[onsets[-1]]))]
    return [
        (
            onset,
            float(then - onset),
            tuple(sorted(note[1] for note in events[onset])),
            min(note[2] for note in events[onset]),
            max(note[3] for note in events[onset]),
        )
        for onset, then in zip(onsets, after, strict=True)
    ]


def folded(events: list[tuple[tuple[float, ...], float]]) -> tuple[list[int], list[int], list[tuple[int, int]]]:
    """A list in the order played as a part on paper: which event each is, where each event stands first, ways on.

    A section that comes twice in a row, but for an ending, is written once, with a way back and one to its own ending.
    """
    order: list[int] = []
    written: list[int] = []
    ways: list[tuple[int, int]] = []
    at = 0
    while at < len(events):
        begin, found = len(written), _section(events, at)
        if found is None:
            order.append(begin)
            written.append(at)
            at += 1
            continue
        length, same = found
        written += range(at, at + length)
        order += [*range(begin, begin + length), *range(begin, begin + same)]
        ways.append((begin + length - 1, begin))
        if same < length:
            ending = len(written)
            written += range(at + length + same, at + 2 * length)
            order += range(ending, ending + length - same)
            ways.append((begin + same - 1, ending))
        at += 2 * length
    return order, written, ways


def _section(events: list[tuple[tuple[float, ...], float]], at: int) -> tuple[int, int] | None:
    """Length of the section that begins here and comes again, and how much of it is the same."""
    for length in range(LEAST_SECTION, (len(events) - at) // 2 + 1):
        same = 0
        while same < length and _alike(events, at + same, length, last=same > length - 8):
            same += 1
        if same >= SAME_SHARE * length:
            return length, same
    return None


def _alike(events: list[tuple[tuple[float, ...], float]], i: int, length: int, *, last: bool) -> bool:
    one, other = events[i], events[i + length]
    return one[0] == other[0] and (last or one[1] == other[1])


def _part(pitches: list[tuple[float, ...]], lasts: list[float], ways: list[tuple[int, int]]) -> Part:
    ends = np.cumsum(lasts)
    beats = ends - np.array(lasts)
    bars = np.floor(beats / 3.0)  # the lists name no bars
    return Part(tuple(pitches), beats, float(ends[-1]), np.diff(bars, prepend=-1.0) > 0, tuple(ways))


def rendered_takes(sides: int) -> Iterator[Take]:
    """Rendered sides at true speed: the plan without its ornaments is the part."""
    for number, (scene, samples, truth) in enumerate(rendered(suite("F", length_s=60.0)[:sides])):
        line = follow(samples, sample_rate_hz=scene.sample_rate_hz, instrument=scene.instrument)
        found = _detected(line, 0.0, samples, None)
        notes = np.array([[n.transfer_start_s, n.midi] for n in found.notes])
        written = [note for note in truth.plan.notes if note.ornament is None]
        starts, ends = (np.array([getattr(note, name) for note in written]) for name in ("start_s", "end_s"))
        pitches = [(n.midi,) if n.double_midi is None else (n.midi, n.double_midi) for n in written]
        lasts = np.diff(np.append(starts, ends[-1])) / 0.5
        with_ornaments = np.append(starts[1:], ends[-1])
        played = Played(np.arange(len(written)), starts, with_ornaments, tuple(pitches))
        yield Take(
            f"render {number + 1}",
            _part(pitches, lasts.tolist(), []),
            played,
            notes,
            notes[:, 0].copy(),
            None,
            _ends(found),
            _line(line, 0.0),
        )
