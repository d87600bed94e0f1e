"""What a side sounds: steady stretches of the solo line and of accompaniment partials, as tracks of points.

A *track* is one steady tone (a note of the solo, or one partial of an accompaniment tone). Its points are means
over about 180 ms, close to one vibrato period, so that vibrato leaves little in them. Pitches are cents above A4
at 440 Hz in raw transfer pitch; which tuning that is comes later.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, mean, median_of_known, spread_of_known
from pipeline.units import A4_HZ, Floats, cents_of_ratio

Ints = npt.NDArray[np.int64]

SOLO, ACCOMPANIMENT = 0, 1  # places in arrays

POINT_S = 0.18
"""About one vibrato period: what a point of a tone is the mean of."""
_SHORTEST_S = 0.12  # well over the tracker's window (common practice, no source)
_REACH_CENTS = 65.0  # further off is another note, or a vibrato too wide to tell (common practice, no source)
_TRIM_S = 0.012  # a quarter of the tracker's window at either end
MOST_LEAN_CENTS = 30.0
"""A short tone that leans more than this is a piece of a slide; one of ``LEANING_S`` may be a held note."""
LEANING_S = 0.3  # from here on a note has a movement of its own (common practice, no source)


@dataclass(frozen=True)
class Tracks:
    """Points of steady tones, sorted by track and then by time.

    Attributes
    ----------
    time_s, cents, weight : shape (n,); ``cents`` above A4 = 440 Hz in raw pitch; ``weight`` relative precision.
    window_s : shape (n,), length of the stretch each point is the mean of.
    track : shape (n,), number of the track, rising from 0.
    source : shape (tracks,), ``SOLO`` or ``ACCOMPANIMENT``.
    anchor : shape (tracks,), False for overtones, which strings and just intervals put beside equal temperament,
        and for notes that lean: they tell how the tuning moves, not where it lies.
    """

    time_s: Floats
    cents: Floats
    weight: Floats
    window_s: Floats
    track: Ints
    source: Ints
    anchor: npt.NDArray[np.bool_]

    @property
    def count(self) -> int:
        """Number of tracks."""
        return int(self.source.size)


@dataclass(frozen=True)
class SteadyNotes:
    """Steady notes of the solo line; all arrays of shape (notes,).

    ``wobble_cents`` is the spread (standard deviation) of the pitch inside the note: small without vibrato.
    """

    start_s: Floats
    end_s: Floats
    cents: Floats
    wobble_cents: Floats


def join(first: Tracks, second: Tracks) -> Tracks:
    """Both sets of tracks, numbered on."""
    return Tracks(
        time_s=np.concatenate((first.time_s, second.time_s)),
        cents=np.concatenate((first.cents, second.cents)),
        weight=np.concatenate((first.weight, second.weight)),
        window_s=np.concatenate((first.window_s, second.window_s)),
        track=np.concatenate((first.track, second.track + first.count)),
        source=np.concatenate((first.source, second.source)),
        anchor=np.concatenate((first.anchor, second.anchor)),
    )


def only(tracks: Tracks, kept: npt.NDArray[np.bool_]) -> Tracks:
    """The tracks, (tracks,), that are kept, numbered anew."""
    points = kept[tracks.track]
    return Tracks(
        time_s=tracks.time_s[points],
        cents=tracks.cents[points],
        weight=tracks.weight[points],
        window_s=tracks.window_s[points],
        track=(np.cumsum(kept) - 1)[tracks.track[points]],
        source=tracks.source[kept],
        anchor=tracks.anchor[kept],
    )


@compiled()
def plateaus(cents: Floats, hop_s: float, shortest: int, reach: float) -> Ints:
    """Runs, (n, 2) first and one past the last, that stay within ``reach`` of their own mean; 3 frames are bridged."""
    bounds = np.empty((cents.size // max(shortest, 1) + 1, 2), np.int64)
    found = 0
    n = cents.size
    start = 0
    while start < n:
        if np.isnan(cents[start]):
            start += 1
            continue
        total = cents[start]
        count = 1
        last = start
        i = start + 1
        while i < n and i - last <= 3:
            if not np.isnan(cents[i]) and abs(cents[i] - total / count) <= reach:
                total += cents[i]
                count += 1
                last = i
            i += 1
        if count >= shortest:
            bounds[found, 0] = start
            bounds[found, 1] = last + 1
            found += 1
            start = last + 1
        else:
            start += 1 if count < 2 else max(1, count // 2)
    return bounds[:found]


def solo_tracks(
    time_s: Floats, f0_hz: Floats, *, confidence: Floats, least_confidence: float
) -> tuple[SteadyNotes, Tracks]:
    """Steady notes of a pitch line, and the same notes as tracks of points.

    Parameters
    ----------
    time_s, f0_hz, confidence : shape (frames,), raw transfer time on an even grid, raw pitch (NaN: no line).
    least_confidence : frames below it are left out.
    """
    notes, bounds, cents, steady = _solo(time_s, f0_hz, confidence=confidence, least_confidence=least_confidence)
    hop_s = _hop(time_s)
    points: list[tuple[float, float, float, float, int]] = []
    for number, (start, end) in enumerate(bounds):
        pieces = max(1, round((end - start) * hop_s / POINT_S))
        edges = np.linspace(start, end, pieces + 1).astype(np.int64)
        for low, high in pairwise(edges):
            good = low + np.flatnonzero(np.isfinite(cents[low:high]))
            if good.size < 4:
                continue
            length_s = good.size * hop_s
            points.append((mean(time_s[good]), mean(cents[good]), length_s / POINT_S, length_s, number))
    table = np.array(points, dtype=np.float64).reshape(-1, 5)
    kept, track = np.unique(table[:, 4].astype(np.int64), return_inverse=True)
    tracks = Tracks(
        time_s=table[:, 0],
        cents=table[:, 1],
        weight=table[:, 2],
        window_s=table[:, 3],
        track=track.astype(np.int64),
        source=np.full(kept.size, SOLO, dtype=np.int64),
        anchor=steady[kept],
    )
    return notes, tracks


def _hop(time_s: Floats) -> float:
    return float((time_s[-1] - time_s[0]) / max(time_s.size - 1, 1)) if time_s.size > 1 else 0.0


def _solo(
    time_s: Floats, f0_hz: Floats, *, confidence: Floats, least_confidence: float
) -> tuple[SteadyNotes, Ints, Floats, npt.NDArray[np.bool_]]:
    hop_s = _hop(time_s)
    usable = np.isfinite(f0_hz) & (confidence >= least_confidence)
    cents = np.full(f0_hz.size, np.nan)
    cents[usable] = cents_of_ratio(f0_hz[usable] / A4_HZ)
    if hop_s <= 0:
        none = np.empty(0)
        return SteadyNotes(none, none, none, none), np.empty((0, 2), dtype=np.int64), cents, np.empty(0, dtype=np.bool_)
    bounds = plateaus(cents, hop_s, max(4, round(_SHORTEST_S / hop_s)), _REACH_CENTS)
    trim = round(_TRIM_S / hop_s)
    bounds = bounds + np.array([trim, -trim])
    middle = np.array([median_of_known(cents[a:b]) for a, b in bounds], dtype=np.float64)
    spread = np.array([spread_of_known(cents[a:b]) for a, b in bounds], dtype=np.float64)
    slope = np.array([lean(cents[a:b]) for a, b in bounds], dtype=np.float64)
    steady = np.abs(slope) < MOST_LEAN_CENTS
    held = bounds[steady]
    notes = SteadyNotes(
        start_s=time_s[held[:, 0]] if held.size else np.empty(0),
        end_s=time_s[held[:, 1] - 1] + hop_s if held.size else np.empty(0),
        cents=middle[steady],
        wobble_cents=spread[steady],
    )
    # a long note that leans may hold a sudden change of speed: it says how the tuning moves, not where it lies
    keep = steady | ((bounds[:, 1] - bounds[:, 0]) * hop_s >= LEANING_S)
    return notes, bounds[keep], cents, steady[keep]


def lean(cents: Floats) -> float:
    """Median of a tone's last third less that of its first."""
    third = max(1, cents.size // 3)
    return median_of_known(cents[-third:]) - median_of_known(cents[:third])
