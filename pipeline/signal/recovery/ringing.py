"""How long old notes ring on in a side: a slide sounds together with the note that it left.

In rooms and on resonant instruments the partials of the note before are still heard under the next. What is planted
without them would be found too easily.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.signal.recovery.partials import Samples, count_of, taken
from pipeline.units import Floats, db_of_power, gain_of_db

EARLY_S, LATE_S, FLOOR_S = (0.05, 0.10), (0.15, 0.20), (0.35, 0.45)
"""After the change of note: two looks at what rings on, and one at what is there anyway."""
BEFORE_S = (-0.12, -0.04)  # the old note, clear of the change
LOUDEST_DB = -8.0
"""What is louder than this is another voice, or no change of note (real solo: -11 to -17 dB after 100 ms)."""
APART = 0.03
"""Partials of the old note nearer than this share to one of the new note are not looked at."""
MOST_CHANGES = 40  # more make the median little better (common practice, no source)


@dataclass(frozen=True)
class Ringing:
    """Power of what rings on against the tone, in dB, at once, and by how much it falls in a second."""

    at_once_db: float
    fall_db_per_s: float


@dataclass(frozen=True)
class Change:
    """A change of note at ``at_s`` from ``from_hz`` to ``to_hz``."""

    at_s: float
    from_hz: float
    to_hz: float


def measure_ringing(samples: Samples, changes: list[Change], *, sample_rate_hz: float) -> Ringing | None:
    """The medians over changes of note with long notes on both sides; None where too little rings on to be measured."""
    early, late = [], []
    for change in changes[:: max(1, len(changes) // MOST_CHANGES)]:
        levels = _levels(samples, change, sample_rate_hz=sample_rate_hz)
        if levels is not None:
            early.append(levels[0])
            late.append(levels[1])
    if len(early) < 5:
        return None
    first, second = float(np.median(early)), float(np.median(late))
    # Softer ringing hides no slide; falls are those of rooms and strings (common practice, no source).
    if not first > -40.0:
        return None
    middle_s = (0.5 * sum(EARLY_S), 0.5 * sum(LATE_S))
    fall = float(np.clip((first - second) / (middle_s[1] - middle_s[0]), 20.0, 300.0))
    return Ringing(min(first + fall * middle_s[0], 0.0), fall)


def _levels(samples: Samples, change: Change, *, sample_rate_hz: float) -> tuple[float, float] | None:
    first, last = round((change.at_s - 0.2) * sample_rate_hz), round((change.at_s + 0.5) * sample_rate_hz)
    if first < 0 or last > samples.size:
        return None
    part = np.asarray(samples[first:last], dtype=np.float64)
    partials = min(count_of(change.from_hz, sample_rate_hz=sample_rate_hz), 8)
    own = change.from_hz * np.arange(1, partials + 1)
    nearest = np.maximum(np.round(own / change.to_hz), 1.0) * change.to_hz
    apart = np.abs(own / nearest - 1.0) > APART
    if not apart.any():
        return None
    hz = np.full(part.size, change.from_hz)
    power = (
        np.abs(
            taken(part, hz, sounding=(0, part.size), partials=partials, sample_rate_hz=sample_rate_hz).amplitudes[apart]
        )
        ** 2
    )

    def mean(span: tuple[float, float]) -> float:
        return float(power[:, round((0.2 + span[0]) * sample_rate_hz) : round((0.2 + span[1]) * sample_rate_hz)].mean())

    tone, floor = mean(BEFORE_S), mean(FLOOR_S)
    found = [float(db_of_power(max(mean(span) - floor, 1e-6 * tone) / tone)) for span in (EARLY_S, LATE_S)]
    return (found[0], found[1]) if tone > 2.0 * floor and found[0] < LOUDEST_DB else None


def ringing_on(sound: Floats, ringing: Ringing, *, rng: np.random.Generator, sample_rate_hz: float) -> Floats:
    """What rings on of a sound (n,): filtered by noise that dies away."""
    from scipy.signal import fftconvolve

    seconds = min(60.0 / ringing.fall_db_per_s, 1.5)
    t = np.arange(max(2, round(seconds * sample_rate_hz))) / sample_rate_hz
    kernel = rng.standard_normal(t.size) * gain_of_db(-ringing.fall_db_per_s * t)
    kernel *= gain_of_db(ringing.at_once_db) / np.sqrt((kernel**2).sum())
    return np.asarray(fftconvolve(sound, kernel)[: sound.size])
