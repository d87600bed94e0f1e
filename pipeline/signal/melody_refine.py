"""From a 20-cent bin to a fraction of a cent: the partials of the note say where its pitch lies."""

import numba
import numpy as np

PARTIALS = 10
HIGHEST_HZ = 4500.0
# Partials above this count half: at these frequencies the recordings are mostly noise.
WEAK_ABOVE_HZ = 3500.0
FIRST_REACH_CENTS = 70.0
SECOND_REACH_CENTS = 42.0
DEVIATION_CENTS = 35.0


@numba.njit(cache=True)
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


@numba.njit(cache=True)
def refine(magnitude, floor, bin_hz, f0_hz, out_f0, out_level_db, out_prominence_db):  # type: ignore[no-untyped-def]
    """Refine pitches on their partials.

    ``magnitude`` (frames, bins) and ``floor`` (bins,) of one register, ``f0_hz`` (frames,) with NaN where there is
    no line. Frames without a line, and those of another register (NaN here), are left alone in the outputs.
    Weights: snr/(snr+10) min(sqrt snr, 50) h exp(-(c/35)^2/2), c the deviation in cents of partial h.
    """
    for t in range(magnitude.shape[0]):
        f = f0_hz[t]
        if np.isnan(f):
            continue
        reach = FIRST_REACH_CENTS
        power = 0.0
        for _ in range(2):
            total = 0.0
            weights = 0.0
            power = 0.0
            stretch = 2.0 ** (reach / 1200.0)
            for h in range(1, PARTIALS + 1):
                if h * f > HIGHEST_HZ and h > 1:
                    break
                centre = h * f / bin_hz
                place, level = _peak(magnitude[t], centre / stretch, centre * stretch)
                if place < 0.0:
                    continue
                k = int(place)
                snr = np.exp(2.0 * level) / (floor[k] * floor[k])
                cents = 1200.0 * np.log2(place / centre)
                w = snr / (snr + 10.0) * min(np.sqrt(snr), 50.0) * h * np.exp(-0.5 * (cents / DEVIATION_CENTS) ** 2)
                if h * f > WEAK_ABOVE_HZ:
                    w *= 0.5
                total += w * cents
                weights += w
                power += np.exp(2.0 * level)
            if weights > 0.0:
                f *= 2.0 ** (total / weights / 1200.0)
            reach = SECOND_REACH_CENTS
        between = 0.0
        teeth = 0.0
        for h in range(1, 7):
            k = h * f / bin_hz
            m = (h + 0.5) * f / bin_hz
            if m >= magnitude.shape[1] - 1:
                break
            teeth += magnitude[t, int(k + 0.5)] ** 2
            between += magnitude[t, int(m + 0.5)] ** 2
        out_f0[t] = f
        out_level_db[t] = 10.0 * np.log10(power + 1e-16)
        out_prominence_db[t] = 10.0 * np.log10((teeth + 1e-16) / (between + 1e-16)) if teeth > 0.0 else np.nan
