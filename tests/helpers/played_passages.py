"""Fingered passages as a player of a school would play them and detection would measure them; and how answers score.

Slides are those that a player of the school would make, with breaks measured as imperfectly as real ones. Played are
the passages of ``hand_passages`` and planned sides of ``signal.synth``.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.demonstration.compare import calibration_error
from pipeline.kinds import KINDS
from pipeline.signal.hand.chain import Slides
from pipeline.signal.hand.fingerboard import Fingerboard, fingerboard, offsets
from pipeline.signal.hand.played_line import Line
from pipeline.signal.hand.weights import answers_in_set, set_mass
from pipeline.signal.synth.plan import Plan
from tests.helpers.fingered_passages import Note


@dataclass(frozen=True)
class Played:
    """A line as it would be measured, and its fingering; ``shifted`` marks the notes after a shift."""

    line: Line
    string: np.ndarray
    finger: np.ndarray
    shifted: np.ndarray


BREAK_SEMITONES, LOST_BREAKS = 0.12, 0.03
"""Spread of measured breaks, and the share that says nothing: what detection shows on rendered sides."""

SCHOOLS = {
    # Shares of slides between two fingers (departing, arriving, two_finger), and of shifts along a string that are
    # heard: slurred, detached, and where a finger would be heard beyond the target (handbooks forbid that).
    "starting_finger": ((1.0, 0.0, 0.0), 1.0, 1.0, 1.0),
    "sparing": ((1.0, 0.0, 0.0), 0.8, 0.4, 0.3),
    "arriving_heard": ((0.15, 0.75, 0.1), 1.0, 1.0, 1.0),
    "arriving_finger": ((0.15, 0.75, 0.1), 0.7, 0.4, 0.3),
    "mixed": ((0.5, 0.3, 0.2), 0.7, 0.4, 0.3),
    "silent": ((1.0, 0.0, 0.0), 0.0, 0.0, 0.0),
}


def play(rng: np.random.Generator, notes: list[Note], *, instrument: str, school: str) -> Played:
    """The notes as measured, with the slides that a player of the school makes."""
    board = fingerboard(instrument)
    shares, slurred_share, detached_share, beyond_share = SCHOOLS[school]
    start, at = [], 0.0
    end = []
    for note in notes:
        at += note.rest_s
        start.append(at)
        at += note.length_s
        end.append(at)
    slide = np.full(len(notes), -1, dtype=np.int64)
    rows: list[tuple[np.ndarray, float, float, float, float]] = []
    shifted = np.zeros(len(notes), dtype=np.bool_)
    place = -1
    for i, note in enumerate(notes):
        before = notes[i - 1] if i else None
        if note.place > 0:
            shifted[i] = place > 0 and abs(note.place - place) > 1
            place = note.place
        if before is None or before.finger == 0 or note.finger == 0 or before.string != note.string:
            continue
        travels = shifted[i] or (before.finger == note.finger and before.midi != note.midi)
        share = slurred_share if note.slurred else detached_share
        if not travels or before.midi == note.midi or note.rest_s > 0 or rng.random() > share:
            continue
        kind, step_from, step_to = _slide(rng, board, before, note, shares)
        up = 1 if note.midi > before.midi else -1
        beyond = (step_from - note.midi) * up > 0.5 or (before.midi - step_to) * up > 0.5
        if beyond and kind != "two_finger" and rng.random() > beyond_share:
            continue
        slide[i] = len(rows)
        rows.append((_measured_kinds(rng, kind), before.midi, note.midi, step_from, step_to))
    midi = np.array([n.midi for n in notes]) + np.where([n.finger > 0 for n in notes], 1.0, 0.3) * rng.normal(
        0.0, 0.09, len(notes)
    )
    vibrates = (rng.random(len(notes)) < 0.75) & np.array([n.finger > 0 and n.length_s > 0.25 for n in notes])
    slurred = np.array([n.slurred for n in notes])
    slurred = np.clip(np.where(slurred, 0.85, 0.15) + rng.normal(0.0, 0.15, len(notes)), 0.02, 0.98)
    kinds = np.array([r[0] for r in rows]).reshape(-1, 6)
    pitches = np.array([r[1:] for r in rows], dtype=np.float64).reshape(-1, 4)
    # As breaks are measured on rendered sides: 10 cents off in the middle half, a few in a hundred anywhere.
    pitches = pitches + rng.normal(0.0, 0.05, pitches.shape)
    pitches[:, 2:] += rng.normal(0.0, BREAK_SEMITONES, (len(rows), 2))
    pitches[:, 2:] += np.where(rng.random((len(rows), 1)) < LOST_BREAKS, rng.uniform(-3.0, 3.0, (len(rows), 2)), 0.0)
    return Played(
        Line(
            midi=midi,
            start_s=np.array(start),
            end_s=np.array(end),
            vibrato_cents=np.where(vibrates, rng.uniform(10.0, 40.0, len(notes)), np.nan),
            slurred=slurred,
            slide=slide,
            slides=Slides(
                kinds,
                pitches[:, 0].copy(),
                pitches[:, 1].copy(),
                pitches[:, 2].copy(),
                pitches[:, 3].copy(),
                np.clip(rng.normal(0.93, 0.05, len(rows)), 0.5, 0.999),
            ),
        ),
        string=np.array([n.string for n in notes]),
        finger=np.array([n.finger for n in notes]),
        shifted=shifted,
    )


def _slide(
    rng: np.random.Generator, board: Fingerboard, a: Note, b: Note, shares: tuple[float, float, float]
) -> tuple[str, float, float]:
    """Kind of the slide and the pitches of its break, from where the travelling finger must be."""
    open_midi = round(board.open_midi[b.string])
    if a.finger == b.finger:
        return "same_finger", np.nan, np.nan
    kind = str(rng.choice(("departing_finger", "arriving_finger", "two_finger"), p=shares))
    if kind == "departing_finger":
        broken = open_midi + b.place + _offset(rng, board, b.place, a.finger)
        return kind, float(broken), float(b.midi)
    if kind == "arriving_finger":
        broken = open_midi + a.place + _offset(rng, board, a.place, b.finger)
        return kind, float(a.midi), float(broken)
    halfway = (a.place + b.place) // 2
    step = _offset(rng, board, halfway, b.finger) - _offset(rng, board, halfway, a.finger)
    middle = 0.5 * (a.midi + b.midi)
    return kind, middle - 0.5 * step, middle + 0.5 * step


def _offset(rng: np.random.Generator, board: Fingerboard, place: int, finger: int) -> int:
    strains = offsets(board, place=place, finger=finger)
    least = min(strains.values())
    return int(rng.choice([o for o, strain in strains.items() if strain == least]))


def _measured_kinds(rng: np.random.Generator, kind: str) -> np.ndarray:
    """Probabilities of the kinds as a classifier would give them: right nine times in ten."""
    told = KINDS.index(kind)
    if rng.random() < 0.1:
        told = int(rng.choice([k for k in range(4) if k != told]))
    kinds = np.full(6, 0.02)
    kinds[told] = 0.8
    kinds[:4] += rng.uniform(0.0, 0.1, 4)
    return kinds / kinds.sum()


def from_plan(rng: np.random.Generator, plan: Plan) -> Played:
    """A planned side, with slides as they would be measured."""
    board = fingerboard(plan.instrument)
    notes = plan.notes
    slide = np.full(len(notes), -1, dtype=np.int64)
    for k, planned in enumerate(plan.slides):
        slide[planned.to_note] = k
    broken = np.array(
        [
            [s.from_midi, s.to_midi]
            + [np.nan if x is None else x + float(rng.normal(0.0, 0.22)) for x in (s.step_from_midi, s.step_to_midi)]
            for s in plan.slides
        ]
    ).reshape(-1, 4)
    places = np.array([-1 if n.position is None else n.position for n in notes])
    shifted = np.zeros(len(notes), dtype=np.bool_)
    last = -1
    for i, place in enumerate(places):
        if place >= 0:
            shifted[i] = last >= 0 and place != last
            last = int(place)
    return Played(
        Line(
            midi=np.array([n.midi for n in notes]),
            start_s=np.array([n.start_s for n in notes]),
            end_s=np.array([n.end_s for n in notes]),
            vibrato_cents=np.array([n.vibrato_cents if n.vibrato_cents > 0 else np.nan for n in notes]),
            slurred=np.clip([(0.85 if n.slurred else 0.15) + rng.normal(0.0, 0.12) for n in notes], 0.02, 0.98),
            slide=slide,
            slides=Slides(
                np.array(
                    [_measured_kinds(rng, s.kind) if s.kind != "into_note" else _into() for s in plan.slides]
                ).reshape(-1, 6),
                broken[:, 0].copy(),
                broken[:, 1].copy(),
                broken[:, 2].copy(),
                broken[:, 3].copy(),
                np.full(len(plan.slides), 0.95),
            ),
        ),
        string=np.array([board.strings.index(n.string) if n.string else -1 for n in notes]),
        finger=np.array([-1 if n.finger is None else n.finger for n in notes]),
        shifted=shifted,
    )


def _into() -> np.ndarray:
    kinds = np.full(6, 0.02)
    kinds[KINDS.index("into_note")] = 0.9
    return kinds


@dataclass(frozen=True)
class Score:
    """Right answers and calibration over many notes."""

    notes: int
    right: float
    right_after_shift: float
    shifts: int
    calibration_error: float
    in_set: float
    set_size: float


def score(played: list[Played], results: list[np.ndarray], *, mass: list[float] | None = None) -> Score:
    """How ``results`` (each (n, strings, fingers) probabilities) meet the known fingerings.

    ``mass`` is that of ``answers_in_set`` for each; as of takes of which no shift is heard where none is given. The
    calibration error is the expected calibration error of the likeliest answer in ten equal bins.
    """
    top, hit, after, inside, size = [], [], [], [], []
    for one, probability, enough in zip(played, results, mass or [set_mass().silent] * len(played), strict=True):
        flat = probability.reshape(len(probability), -1)
        truth = one.string * probability.shape[2] + one.finger
        best = flat.argmax(axis=1)
        top.append(flat.max(axis=1))
        hit.append(best == truth)
        after.append(one.shifted)
        order = np.argsort(-flat, axis=1, kind="stable")
        needed = answers_in_set(flat, enough)
        rank = np.argmax(order == truth[:, None], axis=1)
        inside.append(rank < needed)
        size.append(needed)
    confidence, right, shift = np.concatenate(top), np.concatenate(hit), np.concatenate(after)
    return Score(
        notes=right.size,
        right=float(right.mean()),
        right_after_shift=float(right[shift].mean()),
        shifts=int(shift.sum()),
        calibration_error=calibration_error(confidence, right),
        in_set=float(np.concatenate(inside).mean()),
        set_size=float(np.concatenate(size).mean()),
    )
