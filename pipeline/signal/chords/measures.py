"""What the curve of one note of a chord says: its pitch, vibrato, and how it begins."""

import math
from dataclasses import dataclass

import numpy as np

from pipeline.compiled import compiled, median_of_known
from pipeline.units import Floats

SURE_AFTER_S, SURE_BEFORE_S = 0.06, 0.05
"""A curve holds from so long after the onset to so long before the end."""
BEGINNING_S = (0.06, 0.12)  # after the onset, where a note is heard to begin (common practice, no source)
SETTLED_CENTS = 6.0
"""How near to its middle a note counts as settled: what can be told from the error of the curve."""
SHORTEST_VIBRATO_S = 0.35  # two periods of a vibrato of 6 Hz (common practice, no source)
# Usual rates of vibrato and beyond (common practice, no source).
LOWEST_HZ, STEP_HZ, RATES = 4.0, 0.25, 19
EXPLAINED, LEAST_CENTS = 0.5, 4.0
"""Share of the curve's variance that one sine must explain, and its least amplitude, to be called vibrato."""
FEW = 5  # values that tell nothing of a vibrato (common practice, no source)


@dataclass(frozen=True)
class NoteMeasures:
    """Pitch and course of a note; NaN where the curve is too short or uncertain to say.

    ``midi`` and its standard error ``error_cents``; vibrato, amplitude and rate (0 and NaN: none); ``start_cents``: the
    pitch 60 to 120 ms after the onset less the middle of the note; ``settled_s`` after the onset.
    """

    midi: float
    error_cents: float
    vibrato_cents: float
    vibrato_hz: float
    start_cents: float
    settled_s: float


def measure_note(time_s: Floats, midi: Floats, error_cents: Floats, *, start_s: float, end_s: float) -> NoteMeasures:
    """Measures of one note from its curve (n,)."""
    inside = (time_s >= start_s + SURE_AFTER_S) & (time_s <= end_s - SURE_BEFORE_S) & np.isfinite(error_cents)
    nan = float("nan")
    if inside.sum() < FEW:
        return NoteMeasures(median_of_known(midi), nan, nan, nan, nan, nan)
    at, pitch = time_s[inside], midi[inside]
    middle = median_of_known(pitch[pitch.size // 4 :])
    amplitude, rate = _vibrato(at, pitch)
    # Values nearer than the low-pass is long are not independent.
    worth = max((at[-1] - at[0]) / 0.05, 1.0)
    beginning = (at >= start_s + BEGINNING_S[0]) & (at < start_s + BEGINNING_S[1])
    start_cents = 100.0 * (float(pitch[beginning].mean()) - middle) if beginning.sum() >= FEW else nan
    off = np.abs(pitch - middle) * 100.0 > max(SETTLED_CENTS, 1.5 * np.nan_to_num(amplitude))
    settled = float(at[int(np.argmin(off))] - start_s) if not off.all() else nan
    return NoteMeasures(
        float(np.mean(pitch)),
        float(np.hypot(np.mean(error_cents[inside]), 100.0 * np.std(pitch) / 2) / np.sqrt(worth)),
        amplitude,
        rate,
        start_cents,
        settled,
    )


def _vibrato(at: Floats, pitch: Floats) -> tuple[float, float]:
    """Amplitude in cents and rate in Hz of the sine that explains most of the curve."""
    if at[-1] - at[0] < SHORTEST_VIBRATO_S:
        return float("nan"), float("nan")
    since, rise = at - at.mean(), pitch - pitch.mean()
    cents = 100.0 * (rise - since * (since @ rise) / (since @ since))
    turned = np.zeros((2, RATES))
    _turned(at - at[0], cents, turned)
    power = np.sqrt(turned[0] ** 2 + turned[1] ** 2) * 2.0 / cents.size
    best = int(np.argmax(power))
    amplitude = float(power[best])
    explained = amplitude**2 / 2.0 / max(float(cents @ cents) / cents.size, 1e-9)
    if explained < EXPLAINED or amplitude < LEAST_CENTS:
        return 0.0, float("nan")
    return amplitude, LOWEST_HZ + STEP_HZ * best


@compiled()
def _turned(at, values, out):  # type: ignore[no-untyped-def]
    """Adds values (n,) turned back by each rate to ``out`` (2, RATES), real and imaginary."""
    for i in range(at.shape[0]):
        first, step = 2.0 * math.pi * LOWEST_HZ * at[i], 2.0 * math.pi * STEP_HZ * at[i]
        re, im, step_re, step_im = math.cos(first), -math.sin(first), math.cos(step), -math.sin(step)
        for k in range(RATES):
            out[0, k] += values[i] * re
            out[1, k] += values[i] * im
            re, im = re * step_re - im * step_im, re * step_im + im * step_re
