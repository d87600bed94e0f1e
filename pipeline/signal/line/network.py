"""A tiny network that says how likely each candidate pitch is the solo, from the spectrum around it.

It looks at the whitened grids of both windows at fixed distances from the candidate: at its partials, at those of tones
of which it would be a partial itself, and at both some time before and after (a piano's partials stand still and decay,
a bowed string's move). The short window follows a slide; the long one parts the solo's partials from a piano's. The
same weights serve every pitch; only the pitch itself, as two numbers, lets them differ. Trained by
``python -m pipeline.training``; the weights lie beside this file, with their training record.
"""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within
from pipeline.learned_from import check_names
from pipeline.signal.line import tracks
from pipeline.signal.line.calibration import EVIDENCE
from pipeline.signal.line.grid import BELOW, CONTEXT, Ints, bins_of_ratio
from pipeline.signal.line.spectrum import BINS_PER_SEMITONE, F32

WEIGHTS = Path(__file__).with_name("weights.npz")
# Half width in bins of the moving maximum in which a wavering partial is still seen.
NEAR_BINS = 2
# Bins of the comb's salience that are looked at below and above a candidate, at most: a twelfth.
COMB_MARGIN = bins_of_ratio(3)
# A candidate with others this near before and after is not looked at itself in three frames of four: their windows
# overlap its own by three quarters and more.
SHARED_BINS = 2
# Numbers that follow the taps.
EXTRAS = ("pitch", "pitch_squared", "salience", "below_best_salience")
# Logit of a candidate that is not there.
ABSENT = -30.0

# Names of the networks that judge along tracks, in their order.
TRACKING = ("tracking", "tracking_again")
STAGES = ("spectral", *TRACKING, "calibration")

Taps = tuple[Ints, Ints, Ints, Ints]


@cache
def taps() -> Taps:
    """Frame and bin distances (m, 2) at which the network looks at four things.

    They are the whitened grid of the candidate's register, that of the other register, the moving maximum of the first,
    and the moving maximum of the comb's salience.
    """
    grid = [(0, bins_of_ratio(h) + d) for h in (1, 2) for d in (-2, -1, 0, 1, 2)]
    grid += [(0, bins_of_ratio(h) + d) for h in range(3, 17) for d in (-1, 0, 1)]
    others = [k / 2 for k in (1, 3, 5, 7, 9, 11)] + [k / 3 for k in (1, 2, 4, 5, 7, 8)]
    others += [k / 4 for k in (1, 3, 5, 7)] + [k / 5 for k in (1, 2, 3, 4, 6, 7)]
    grid += [(0, bins_of_ratio(r)) for r in others]
    grid += [(t, bins_of_ratio(h)) for t in (-28, -14, -6, 6, 14, 28) for h in (1, 2, 3, 4)]
    grid += [(t, bins_of_ratio(h) + d) for t in (-3, 3) for h in (1, 2, 3) for d in (-2, 0, 2)]
    other = [(0, bins_of_ratio(h) + d) for h in range(1, 9) for d in (-1, 0, 1)]
    other += [(0, bins_of_ratio(h)) for h in range(9, 13)]
    other += [(0, bins_of_ratio(r)) for r in others]
    other += [(t, bins_of_ratio(h)) for t in (-14, -6, 6, 14) for h in (1, 2, 3)]
    near = [(t, bins_of_ratio(h)) for t in (-CONTEXT, -28, -14, 14, 28, CONTEXT) for h in (1, 2, 3, 4, 5)]
    comb = [(t, 0) for t in (-CONTEXT, -42, -28, -18, -9, -4, 4, 9, 18, 28, 42, CONTEXT)]
    comb += [(0, bins_of_ratio(r)) for r in (1 / 3, 1 / 2, 2 / 3, 3 / 2, 2, 3)]
    comb += [(t, bins_of_ratio(r)) for t in (-18, 18) for r in (1 / 2, 2)]
    return tuple(np.array(part, dtype=np.int64) for part in (grid, other, near, comb))  # type: ignore[return-value]


@cache
def _flat_taps(width: int, wide: int) -> Taps:
    """The same distances in grids of so many bins, and in the comb's salience, ``wide`` bins, row after row."""
    grid, other, near, comb = taps()
    parts = (grid, width), (other, width), (near, width), (comb, wide)
    return tuple(part[:, 0] * row + part[:, 1] for part, row in parts)  # type: ignore[return-value]


@cache
def feature_names() -> tuple[str, ...]:
    """What the spectral network gets for a candidate: frames and bins from it, by where it looks, and ``EXTRAS``."""
    parts = zip(("grid", "other", "near", "comb"), taps(), strict=True)
    return tuple(f"{name}{t:+d}{b:+d}" for name, part in parts for t, b in part) + EXTRAS


def names_of(stage: str) -> tuple[str, ...]:
    """Names of what a stage of ``Network`` is learned from."""
    return {"spectral": feature_names(), "calibration": EVIDENCE}.get(stage, tracks.NAMES)


@dataclass(frozen=True)
class Layers:
    """Weights (f, a), (a, b), (b,) and offsets of two hidden layers, and the logit of silence."""

    w1: F32
    b1: F32
    w2: F32
    b2: F32
    w3: F32
    silence: float

    def logits(self, seen: F32, bins: npt.NDArray[np.int32], out: F32) -> None:
        """Judge those candidates ``bins`` (frames, k) that are there by their features, into ``out`` (frames, k).

        ``seen`` (candidates, f) in the order of ``np.nonzero(bins >= 0)``.
        """
        first = seen @ self.w1
        rectify(first, self.b1)
        second = first @ self.w2
        rectify(second, self.b2)
        _unpack(second @ self.w3, bins, out)


@dataclass(frozen=True)
class Network:
    """What is learned for one instrument.

    ``spectral`` judges a candidate by its spectrum; each of ``tracking`` in turn by its track as well, from what the
    one before it judged (see ``melody_track``); ``calibration`` holds the coefficients of ``voicing.calibrated`` for
    voicing and for confidence.
    """

    spectral: Layers
    tracking: tuple[Layers, ...]
    calibration: npt.NDArray[np.float64]


@cache
def network(instrument: str) -> Network:
    """The shipped network of an instrument."""
    return load_network(WEIGHTS, instrument)


def load_network(path: Path, instrument: str) -> Network:
    """The network of an instrument in a file of weights.

    Raises
    ------
    ValueError
        If it was learned from other features than those of this program.
    """
    with np.load(path, allow_pickle=False) as file:
        arrays = {name: file[name] for name in file.files if name.startswith(f"{instrument}_")}
        told = {stage: file[f"{stage}_names"] for stage in STAGES if f"{stage}_names" in file.files}
    for stage in STAGES:
        if any(name.startswith(f"{instrument}_{stage}_w") or name == f"{instrument}_{stage}" for name in arrays):
            check_names(path, f"the {stage} part for {instrument}", told.get(stage), names_of(stage))
    rounds = [f"{instrument}_{stage}" for stage in TRACKING]
    return Network(
        spectral=_layers(arrays, f"{instrument}_spectral"),
        tracking=tuple(_layers(arrays, name) for name in rounds if f"{name}_w1" in arrays),
        calibration=np.asarray(arrays[f"{instrument}_calibration"], dtype=np.float64),
    )


def _layers(arrays: dict[str, Any], name: str) -> Layers:
    def part(key: str) -> F32:
        return np.ascontiguousarray(arrays[f"{name}_{key}"], dtype=np.float32)

    return Layers(part("w1"), part("b1"), part("w2"), part("b2"), part("w3"), float(arrays[f"{name}_silence"]))


def training_record() -> dict[str, Any]:
    """How the shipped weights were trained."""
    record: dict[str, Any] = json.loads(WEIGHTS.with_suffix(".json").read_text(encoding="utf-8"))
    return record


@compiled()
def moving_maximum(grid, out):  # type: ignore[no-untyped-def]
    """Maximum over ``NEAR_BINS`` (two) bins either side, along the bins, into ``out`` from ``COMB_MARGIN`` on."""
    n = grid.shape[1]
    for t in range(grid.shape[0]):
        row = grid[t]
        most = out[t, COMB_MARGIN : COMB_MARGIN + n]
        # In one pass over shifted views, without a branch.
        middle, inner = row[2 : n - 2], most[2 : n - 2]
        left, far_left, right, far_right = row[1 : n - 3], row[: n - 4], row[3 : n - 1], row[4:]
        for i in range(n - 4):
            a = left[i] if left[i] > far_left[i] else far_left[i]
            b = right[i] if right[i] > far_right[i] else far_right[i]
            a = a if a > b else b
            inner[i] = a if a > middle[i] else middle[i]
        for i in (0, 1, n - 2, n - 1):
            most[i] = row[i]
            for k in range(max(i - NEAR_BINS, 0), min(i + NEAR_BINS + 1, n)):
                most[i] = max(most[i], row[k])


def describe(
    bins: npt.NDArray[np.int32],
    strength: F32,
    high: F32,
    low: F32,
    comb: F32,
    split: int,
    lowest_midi: float,
    out: F32,
) -> None:
    """Features (candidates, f) of candidates ``bins`` (frames, k) of salience ``strength``, but those that are -1.

    ``high`` and ``low`` are the whitened grids, ``comb`` the moving maximum of the salience, with ``COMB_MARGIN`` zeros
    on either side; all have ``CONTEXT`` rows more at both ends.
    """
    width, wide = high.shape[1], comb.shape[1]
    grids = high.ravel(), low.ravel(), width, comb.ravel(), wide
    _describe(bins, strength, *grids, split, lowest_midi, *_flat_taps(width, wide), out)


@compiled()
def _describe(  # type: ignore[no-untyped-def]
    bins, strength, high, low, width, comb, wide, split, lowest_midi, flat, flat_other, flat_near, flat_comb, out
):
    m0 = flat.shape[0]
    m = m0 + flat_other.shape[0]
    m2 = m + flat_near.shape[0]
    m3 = m2 + flat_comb.shape[0]
    eighth = np.float32(0.125)
    count = 0
    for t in range(bins.shape[0]):
        for c in range(bins.shape[1]):
            i = bins[t, c]
            if i < 0:
                continue
            place = (t + CONTEXT) * width + BELOW + i
            own, other = (low, high) if i < split else (high, low)
            row = out[count]
            count += 1
            for j in range(m0):
                row[j] = own[np.uint64(place + flat[j])]
            for j in range(flat_other.shape[0]):
                row[m0 + j] = other[np.uint64(place + flat_other[j])]
            for j in range(flat_near.shape[0]):
                at = np.uint64(place + flat_near[j])
                most = own[at]
                for k in range(1, NEAR_BINS + 1):
                    before, after = own[at - np.uint64(k)], own[at + np.uint64(k)]
                    before = before if before > after else after
                    most = most if most > before else before
                row[m + j] = most
            place = (t + CONTEXT) * wide + COMB_MARGIN + i
            for j in range(flat_comb.shape[0]):
                row[m2 + j] = eighth * comb[np.uint64(place + flat_comb[j])]
            pitch = (lowest_midi + i / BINS_PER_SEMITONE - 69.0) / 24.0
            row[m3] = pitch
            row[m3 + 1] = pitch * pitch
            row[m3 + 2] = strength[t, c] * 0.125
            row[m3 + 3] = (strength[t, 0] - strength[t, c]) * 0.125


@compiled()
def rectify(values, offsets):  # type: ignore[no-untyped-def]
    """Add ``offsets`` (h,) to values (n, h) and make what is then negative zero, in place."""
    zero = np.float32(0.0)
    for i in range(values.shape[0]):
        row = values[i]
        for h in range(offsets.shape[0]):
            v = row[h] + offsets[h]
            row[h] = v if v > zero else zero


@compiled()
def _unpack(values, bins, out):  # type: ignore[no-untyped-def]
    """Values (candidates,) to the places in ``out`` (frames, k) of the candidates that are there."""
    count = 0
    for t in range(bins.shape[0]):
        for j in range(bins.shape[1]):
            out[t, j] = ABSENT
            if bins[t, j] >= 0:
                out[t, j] = values[count]
                count += 1


@compiled_within()
def _nearest(row, at):  # type: ignore[no-untyped-def]
    """Index of the candidate of ``row`` nearest to bin ``at`` within ``SHARED_BINS``, or -1."""
    best = -1
    least = SHARED_BINS + 1
    for i in range(row.shape[0]):
        if row[i] < 0 or least == 0:  # candidates come first in their frame
            break
        if abs(row[i] - at) < least:
            least = abs(row[i] - at)
            best = i
    return best


def to_look_at(bins: npt.NDArray[np.int32]) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int8]]:
    """Those candidates (frames, k) that are to be looked at, the others -1, and where the others' neighbours stand.

    First every fourth frame is looked at, then those half-way between, then the rest: of each the candidates that the
    frames before and after do not show as well. ``share_looks`` gives the others the mean of these two, (frames, k, 2).
    """
    asked = bins.copy()
    beside = np.full((*bins.shape, 2), -1, dtype=np.int8)
    _to_look_at(bins, asked, beside)
    return asked, beside


@compiled()
def _to_look_at(bins, asked, beside):  # type: ignore[no-untyped-def]
    for step in (2, 1):
        for t in range(step, bins.shape[0] - step, 2 * step):
            for j in range(bins.shape[1]):
                i = bins[t, j]
                if i < 0:
                    break
                before = _nearest(bins[t - step], i)
                if before < 0:
                    continue
                after = _nearest(bins[t + step], i)
                if after >= 0:
                    asked[t, j] = -1
                    beside[t, j, 0], beside[t, j, 1] = before, after


@compiled()
def share_looks(beside, logits):  # type: ignore[no-untyped-def]
    """Give each candidate not looked at the mean of its neighbours' logits (see ``to_look_at``)."""
    for step in (2, 1):
        for t in range(step, logits.shape[0] - step, 2 * step):
            for j in range(logits.shape[1]):
                if beside[t, j, 0] >= 0:
                    before, after = logits[t - step, beside[t, j, 0]], logits[t + step, beside[t, j, 1]]
                    logits[t, j] = np.float32(0.5) * (before + after)
