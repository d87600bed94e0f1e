"""From a 20-cent bin to a fraction of a cent: the partials of the note say where its pitch lies.

Under a piano some partials are bent or are the piano's own. So the pitch is where most partials agree: a mean whose
weights fall to nothing with the distance from it, taken again and again with less and less distance allowed. Where
they agree at more than one place, the frames around say at which.
"""

import numpy as np

from pipeline.compiled import cents_of_ratio, compiled, compiled_within, db_of_power, ratio_of_cents
from pipeline.signal.line.spectrum import F32
from pipeline.units import CENTS_PER_NEPER, Floats

PARTIALS = 14  # lowest ones that may tell the pitch (common practice, no source)
HIGHEST_HZ = 4500.0  # above it discs of the time hold noise (common practice, no source)
# Partials above this count half: at these frequencies the recordings are mostly noise.
WEAK_ABOVE_HZ = 3500.0
REACH_CENTS = 60.0  # how far from its place a partial is looked for (common practice, no source)
# Weights grow no further from here on, in amplitude over the floor: what is loudest is often the piano.
ENOUGH = 10.0
# How far a good partial lies off: by so much of a transform bin, and by so many cents.
SPREAD_BINS = 0.25
SPREAD_CENTS = 5.0
# A gliding partial has no sharp peak: by so much of what it moves from one frame to the next.
BLUR = 0.5
# The candidates along a fast glide lie now before it, now behind: faster than this, in cents a frame, the line is
# taken along a parabola through seven frames before it is refined, unless half the way is one step, as in a leap.
GLIDING_CENTS = 15.0
PARABOLA = (-2 / 21, 3 / 21, 6 / 21, 7 / 21, 6 / 21, 3 / 21, -2 / 21)
# What moves faster is no glide.
FASTEST_CENTS = 150.0
# Distances, in units of that, at which weights reach zero.
NARROWING = (10.0, 5.0, 2.5, 2.5)
# A line that moves farther from one frame to the next says nothing of the frames around.
LEAP_CENTS = 80.0


@compiled_within()
def _peak(row, low, high):  # type: ignore[no-untyped-def]
    """Place (bins) and log magnitude of the highest local maximum within [low, high]; (-1, 0) without one."""
    best = np.float32(0.0)
    place = -1.0
    level = 0.0
    first = max(1, int(np.floor(low)))
    last = min(row.shape[0] - 2, int(np.ceil(high)))
    for k in range(first, last + 1):
        here = row[k]
        if here > best and here >= row[k - 1] and here > row[k + 1] and row[k - 1] > 0.0 and row[k + 1] > 0.0:
            a = np.log(row[k - 1])
            b = np.log(here)
            c = np.log(row[k + 1])
            bend = a - 2.0 * b + c
            shift = 0.5 * (a - c) / bend if bend < 0.0 else 0.0
            level_here = b - 0.25 * (a - c) * shift
            if low <= k + shift <= high:
                best = here
                place = k + shift
                level = level_here
    return place, level


@compiled_within(error_model="numpy")
def _measure(row, floor, bin_hz, f, speed, cents, weights, spreads):  # type: ignore[no-untyped-def]
    """Deviations, weights and spreads of the partials of ``f``, written to the rows given; their number and power.

    ``speed`` is what the pitch moves, in cents a frame.
    """
    power = 0.0
    found = 0
    blur = BLUR * speed
    stretch = ratio_of_cents(REACH_CENTS)
    for h in range(1, PARTIALS + 1):
        if h * f > HIGHEST_HZ and h > 1:
            break
        centre = h * f / bin_hz
        place, level = _peak(row, centre / stretch, centre * stretch)
        if place < 0.0:
            continue
        k = int(place)
        snr = np.exp(2.0 * level) / (floor[k] * floor[k])
        power += np.exp(2.0 * level)
        cents[found] = cents_of_ratio(place / centre)
        weights[found] = snr / (snr + 10.0) * min(np.sqrt(snr), ENOUGH) * h
        # A higher partial tells the pitch better, but not once it moves by more than a transform bin a frame.
        weights[found] /= np.hypot(1.0, speed / CENTS_PER_NEPER * centre)
        if h * f > WEAK_ABOVE_HZ:
            weights[found] *= 0.5
        of_bin = SPREAD_BINS * CENTS_PER_NEPER / centre
        spreads[found] = np.sqrt(of_bin * of_bin + SPREAD_CENTS * SPREAD_CENTS + blur * blur)
        found += 1
    return found, power


@compiled_within(error_model="numpy")
def _agreed(cents, weights, spreads, middle, narrowing):  # type: ignore[no-untyped-def]
    """Where most partials agree, near ``middle``, and how much they do.

    ``cents``, ``weights`` and ``spreads`` (m,) of the partials; each reach of ``narrowing`` takes the mean once.
    """
    agreement = 0.0
    for reach in narrowing:
        total = 0.0
        agreement = 0.0
        for i in range(cents.shape[0]):
            off = (cents[i] - middle) / (reach * spreads[i])
            left = max(1.0 - off * off, 0.0)
            w = weights[i] * left * left
            total += w * cents[i]
            agreement += w
        if agreement > 0.0:
            middle = total / agreement
    return middle, agreement


def steadied(f0_hz: Floats) -> Floats:
    """The line (frames,), NaN where there is none, with its glides made smooth."""
    out = f0_hz.copy()
    _steadied(f0_hz, np.empty_like(f0_hz), out)
    return out


@compiled()
def _steadied(f0_hz, pitch, out):  # type: ignore[no-untyped-def]
    for t in range(f0_hz.shape[0]):
        pitch[t] = cents_of_ratio(f0_hz[t])
    for t in range(3, pitch.shape[0] - 3):
        moved = abs(pitch[t + 3] - pitch[t - 3])
        if not moved > 6.0 * GLIDING_CENTS:
            continue
        step = 0.0
        middle = PARABOLA[0] * pitch[t - 3]
        for i in range(1, 7):
            step = max(step, abs(pitch[t - 3 + i] - pitch[t - 4 + i]))
            middle += PARABOLA[i] * pitch[t - 3 + i]
        if np.isfinite(middle) and step < 0.5 * moved:
            out[t] = ratio_of_cents(middle)


@compiled_within()
def _speed(f0_hz, t):  # type: ignore[no-untyped-def]
    """Cents by which the line moves at frame ``t``; 0 where it leaps, starts or ends."""
    if t < 2 or t >= f0_hz.shape[0] - 2:
        return 0.0
    moved = abs(cents_of_ratio(f0_hz[t + 2] / f0_hz[t - 2])) / 4.0
    return moved if moved < FASTEST_CENTS else 0.0


@compiled_within()
def _foreseen(pitch, t):  # type: ignore[no-untyped-def]
    """Pitch (cents) of frame ``t`` by the frames around it, or NaN where they are not one line.

    The median of three cubics, each through two frames before and two after, one, two and three frames apart.
    """
    if t < 6 or t >= pitch.shape[0] - 6:
        return np.nan
    for i in range(t - 6, t + 6):
        if not abs(pitch[i + 1] - pitch[i]) < LEAP_CENTS:
            return np.nan
    a = (4.0 * (pitch[t - 1] + pitch[t + 1]) - pitch[t - 2] - pitch[t + 2]) / 6.0
    b = (4.0 * (pitch[t - 2] + pitch[t + 2]) - pitch[t - 4] - pitch[t + 4]) / 6.0
    c = (4.0 * (pitch[t - 3] + pitch[t + 3]) - pitch[t - 6] - pitch[t + 6]) / 6.0
    return max(min(a, b), min(max(a, b), c))


@compiled_within()
def _prominence(row, first):  # type: ignore[no-untyped-def]
    """Level in dB of the partials of a pitch at bin ``first`` against the gaps between them; NaN without any."""
    between = 0.0
    teeth = 0.0
    for h in range(1, 7):
        k = h * first
        m = (h + 0.5) * first
        if m >= row.shape[0] - 1:
            break
        teeth += row[int(k + 0.5)] ** 2
        between += row[int(m + 0.5)] ** 2
    return db_of_power((teeth + 1e-16) / (between + 1e-16)) if teeth > 0.0 else np.nan


def refine(
    magnitude: F32,
    floor: F32,
    bin_hz: float,
    f0_hz: Floats,
    out_f0: Floats,
    out_level_db: Floats,
    out_prominence_db: Floats,
) -> None:
    """Refine pitches on their partials.

    ``magnitude`` (frames, bins) and ``floor`` (bins,) of one register, ``f0_hz`` (frames,) with NaN where there is
    no line. Frames without a line, and those of another register (NaN here), are left alone in the outputs.
    Weights: snr/(snr+10) min(sqrt snr, 10) h / sqrt(1 + m^2) (1 - (c/r)^2)^2, c the deviation in cents of partial h, r
    its reach, m by how many transform bins it moves in a frame.
    """
    n = magnitude.shape[0]
    cents, weights, spreads = np.empty((3, n, PARTIALS))
    count, agreement, pitch = np.zeros(n, dtype=np.int64), np.zeros(n), np.full(n, np.nan)
    scratch = cents, weights, spreads, count, agreement, pitch
    _refine(magnitude, floor, bin_hz, f0_hz, scratch, out_f0, out_level_db, out_prominence_db)


@compiled()
def _refine(magnitude, floor, bin_hz, f0_hz, scratch, out_f0, out_level_db, out_prominence_db):  # type: ignore[no-untyped-def]
    cents, weights, spreads, count, agreement, pitch = scratch
    n = magnitude.shape[0]
    for t in range(n):
        if np.isnan(f0_hz[t]):
            continue
        place = bin_hz, f0_hz[t], _speed(f0_hz, t)
        found, power = _measure(magnitude[t], floor, *place, cents[t], weights[t], spreads[t])
        middle, agreement[t] = _agreed(cents[t, :found], weights[t, :found], spreads[t, :found], 0.0, NARROWING)
        count[t] = found
        pitch[t] = cents_of_ratio(f0_hz[t]) + middle
        out_level_db[t] = db_of_power(power + 1e-16)
    for t in range(n):
        if np.isnan(f0_hz[t]):
            continue
        rough = cents_of_ratio(f0_hz[t])
        middle = pitch[t] - rough
        # Partials that agree half as well, but where the frames around have the pitch, are more likely the solo's.
        start = _foreseen(pitch, t) - rough
        if not np.isnan(start):
            found = count[t]
            other, worth = _agreed(cents[t, :found], weights[t, :found], spreads[t, :found], start, NARROWING[-1:])
            if worth > 0.5 * agreement[t]:
                middle = other
        f = f0_hz[t] * ratio_of_cents(middle)
        out_f0[t] = f
        out_prominence_db[t] = _prominence(magnitude[t], f / bin_hz)
