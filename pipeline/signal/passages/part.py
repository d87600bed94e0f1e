"""A part as it is written, and the ways on from event to event."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.units import Floats

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LEAST_NOTES = 8
"""Found notes below which nothing is said; placed ones below which it is another work (common practice, no source)."""
MOST_SKIPPED = 4
"""Events that may be missing between two that were found, one after the other."""


@dataclass(frozen=True)
class Part:
    """A written part: events in order, as on paper.

    Attributes
    ----------
    pitches : MIDI numbers of the notes of each event; more than one is a chord.
    beats : (events,) where each begins, in beats from the beginning of the part, repeats not played out.
    end_beat : where the last event ends.
    bar_begins : (events,) whether it is the first of its bar.
    ways : (from, to) pairs of events: where the paper says that one may go from the end of the first to the second.
    """

    pitches: tuple[tuple[float, ...], ...]
    beats: Floats
    end_beat: float
    bar_begins: Bools
    ways: tuple[tuple[int, int], ...] = ()

    def __post_init__(self) -> None:
        size = len(self.pitches)
        if not size or self.beats.shape != (size,) or self.bar_begins.shape != (size,):
            raise ValueError(f"{size} events with beats {self.beats.shape} and bars {self.bar_begins.shape}")
        if not all(self.pitches):
            raise ValueError("every event needs a pitch")
        if any(not (0 <= a < size and 0 <= b < size) for a, b in self.ways):
            raise ValueError(f"a way leads outside the {size} events: {self.ways}")

    @property
    def backwards(self) -> "Part":
        """The same notes from the last to the first: other music of the same kind."""
        last = len(self.pitches) - 1
        return Part(
            pitches=self.pitches[::-1],
            beats=self.end_beat - np.append(self.beats[1:], self.end_beat)[::-1],
            end_beat=self.end_beat,
            bar_begins=np.append(self.bar_begins[1:], True)[::-1],
            ways=tuple((last - b, last - a) for a, b in self.ways),
        )


class Graph(NamedTuple):
    """The edges into each event, event by event.

    ``first`` (events + 1) is where each event's edges begin; ``source`` the event that an edge leaves; ``chance`` its
    probability, all that leave one event together at most 1; ``apart`` the number of the time between the two among
    ``log_beats``, the logarithms of all written times between neighbours.
    """

    first: Ints
    source: Ints
    chance: Floats
    apart: Ints
    log_beats: Floats


def graph(part: Part, skipped: float) -> Graph:
    """All ways on, with up to ``MOST_SKIPPED`` events left out, each further one rarer by the factor ``skipped``.

    Where the paper lets one go on in n ways each is taken alike: a repeat is as often played as left out (common
    practice, no source).
    """
    size = len(part.pitches)
    lasts = np.diff(np.append(part.beats, part.end_beat))
    onward: list[list[int]] = [[i + 1] if i + 1 < size else [] for i in range(size)]
    for a, b in part.ways:
        if b not in onward[a]:
            onward[a].append(b)
    by_skips = [skipped**k for k in range(MOST_SKIPPED + 1)]
    together = sum(by_skips)
    edges: dict[tuple[int, int], tuple[float, float]] = {}
    for source in range(size):
        front = {source: (1.0, 0.0)}
        for share in by_skips:
            front = _onward(front, onward, lasts)
            for event, (chance, beats) in front.items():
                known = edges.get((event, source), (0.0, beats))
                edges[event, source] = (known[0] + share / together * chance, known[1])
    keys = np.array(sorted(edges), dtype=np.int64).reshape(-1, 2)
    values = np.array([edges[a, b] for a, b in keys.tolist()], dtype=np.float64).reshape(-1, 2)
    first = np.searchsorted(keys[:, 0], np.arange(size + 1))
    distinct, apart = np.unique(np.round(np.maximum(values[:, 1], 1e-3), 6), return_inverse=True)
    leaves, shares = keys[:, 1].copy(), values[:, 0].copy()
    return Graph(first.astype(np.int64), leaves, shares, apart.astype(np.int64).ravel(), np.log(distinct))


def _onward(
    front: dict[int, tuple[float, float]], onward: Sequence[Iterable[int]], lasts: Floats
) -> dict[int, tuple[float, float]]:
    """One event further from each of the front: its chance and the beats since the source; the first way counts."""
    after: dict[int, tuple[float, float]] = {}
    for event, (chance, beats) in front.items():
        to = list(onward[event])
        for other in to:
            known = after.get(other, (0.0, beats + float(lasts[event])))
            after[other] = (known[0] + chance / len(to), known[1])
    return after


def arrival(part: Part) -> Floats:
    """Where one comes in who does not go on as written: four times in five at the beginning of a bar; sums to 1.

    (Common practice, no source.)
    """
    bars = part.bar_begins / max(int(part.bar_begins.sum()), 1)
    size = len(part.pitches)
    share = 0.8 if part.bar_begins.any() else 0.0
    return np.asarray(share * bars + (1.0 - share) / size, dtype=np.float64)
