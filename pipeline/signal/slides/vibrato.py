"""The vibrato beside a transition, carried on into it: what a held note would have done had it gone on."""

import numpy as np

from pipeline.compiled import compiled
from pipeline.units import Floats

RATES_HZ = np.arange(4.0, 8.6, 0.5)  # usual rates of vibrato and beyond (common practice, no source)
FIT_S = 0.36
"""Stretch of the note that the vibrato is taken from: about two periods."""
SHORTEST_S = 0.16  # a period of a vibrato of 6 Hz (common practice, no source)
EXPLAINED = 0.6
"""Share of the variance that one sine must explain to count as vibrato."""


@compiled()
def _carried(held, rates, frame_s, first, count):  # type: ignore[no-untyped-def]
    """Best sine of ``held`` (frames numbered from 0) at ``count`` frames from ``first`` on; zeros without one."""
    n = held.size
    out = np.zeros(count)
    mean = 0.0
    for i in range(n):
        mean += held[i]
    mean /= n
    total = 0.0
    for i in range(n):
        total += (held[i] - mean) ** 2
    if total < n * 0.03**2:
        return out
    best = EXPLAINED * total
    for rate in rates:
        w = 2.0 * np.pi * rate * frame_s
        cc = ss = cs = yc = ys = mc = ms = 0.0
        for i in range(n):
            mc += np.cos(w * i) / n
            ms += np.sin(w * i) / n
        for i in range(n):
            c = np.cos(w * i) - mc
            s = np.sin(w * i) - ms
            y = held[i] - mean
            cc += c * c
            ss += s * s
            cs += c * s
            yc += y * c
            ys += y * s
        det = cc * ss - cs * cs
        if det < 1e-6 * cc * ss + 1e-12:
            continue
        a = (yc * ss - ys * cs) / det
        b = (ys * cc - yc * cs) / det
        if a * yc + b * ys > best:
            best = a * yc + b * ys
            for k in range(count):
                out[k] = a * np.cos(w * (first + k)) + b * np.sin(w * (first + k))
    return out


def carried_vibrato(held: Floats, *, frame_s: float, first: int, count: int) -> Floats:
    """Vibrato of a held note in semitones at ``count`` frames from its frame ``first`` on, also outside it.

    Parameters
    ----------
    held : (n,) pitch of the note beside the transition, in semitones, without NaN.
    """
    if held.size * frame_s < SHORTEST_S:
        return np.zeros(count)
    return np.asarray(_carried(np.ascontiguousarray(held), RATES_HZ, frame_s, first, count))
