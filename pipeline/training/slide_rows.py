"""Rows to learn from: the candidates of tracked sides with their features, and what the plan says they are."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.kinds import KINDS
from pipeline.signal.slides.candidates import Candidate, candidates
from pipeline.signal.slides.features import features
from pipeline.signal.slides.frames import Frames, Line, TimeMap, prepare
from pipeline.signal.slides.glide_fit import MODEL_OF_KIND
from pipeline.signal.slides.measures import measure_slide
from pipeline.signal.slides.notes import find_spans
from pipeline.signal.synth.plan import Truth
from pipeline.units import Floats

MATCH_IOU = 0.3
"""Overlap over union of audible bounds, in one direction, that makes a candidate and a planted slide the same."""
SMALLEST, LARGEST = 0.6, 1.6
"""Between these shares of the planted interval, the candidate's is the same."""
_UNKNOWN = (0.0,) * (len(KINDS) - 1) + (1.0,)


@dataclass(frozen=True)
class Rows:
    """(n, features) values; (n,) kind of the planted slide, -1 where the candidate is none."""

    values: Floats
    kind: npt.NDArray[np.int64]


def rows_of_side(line: Line, truth: Truth, *, speed_map: TimeMap, reference_pitch_hz: float) -> Rows:
    """Rows of one side, without those in double stops and those that say little."""
    frames = prepare(line, speed_map=speed_map, reference_pitch_hz=reference_pitch_hz, spans=None)
    spans = find_spans(frames)
    doubles = [(n.start_s - 0.1, n.end_s + 0.1) for n in truth.plan.notes if n.double_midi is not None]
    values, kinds = [], []
    for candidate in candidates(frames, spans):
        bounds = np.interp(
            [frames.transfer_at(candidate.start), frames.transfer_at(candidate.end)],
            frames.transfer_s,
            frames.true_s,
        )
        start, end = float(bounds[0]), float(bounds[1])
        if any(low < end and start < high for low, high in doubles):
            continue
        kind = _label(frames, candidate, start, end, truth)
        if kind is not None:
            values.append(features(frames, spans, candidate))
            kinds.append(kind)
    return Rows(np.array(values), np.array(kinds, dtype=np.int64))


def _label(frames: Frames, candidate: Candidate, start: float, end: float, truth: Truth) -> int | None:
    """Kind of the planted slide that the candidate would be counted as; -1 for none; None where that says little.

    A candidate that meets a planted slide, but would be given other audible bounds, is a false one: another reading
    of the same notes is right. So says little one whose interval is far from the slide's.
    """
    best, meant = 0.0, None
    for true in truth.slides:
        planned = true.planned
        if (planned.to_midi - planned.from_midi) * (candidate.b - candidate.from_midi) <= 0:
            continue
        for bounds in ((planned.start_s, planned.end_s), (true.audible_start_s, true.audible_end_s)):
            share = overlap((start, end), bounds)
            if share > best:
                best, meant = share, true
    if meant is None:
        return -1
    kind = KINDS.index(meant.planned.kind)
    read = measure_slide(
        frames, candidate.with_model(MODEL_OF_KIND[KINDS[kind]]), kinds=_UNKNOWN, confidence=float("nan"), flags=()
    )
    audible = (meant.transfer_audible_start_s, meant.transfer_audible_end_s)
    if overlap((read.transfer_audible_start_s, read.transfer_audible_end_s), audible) <= MATCH_IOU:
        return -1
    size = (candidate.b - candidate.from_midi) / (meant.planned.to_midi - meant.planned.from_midi)
    return kind if meant.planned.from_note is None or SMALLEST < size < LARGEST else None


def overlap(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Overlap over union of two spans; 0 where they do not touch."""
    shared = min(one[1], other[1]) - max(one[0], other[0])
    joined = max(one[1], other[1]) - min(one[0], other[0])
    return max(shared, 0.0) / joined if joined > 0 else 0.0
