"""The only conversions: Hz and MIDI, ratios and cents, rpm and speed ratio.

Cents are 1200 log2(ratio) and semitones 12 log2(ratio), the definition of ISO 16-tuned equal temperament;
MIDI 69 is A4 at the stated reference pitch, so a fractional MIDI number is a pitch in semitones.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

Z_95 = 1.96
"""Standard errors from a value to its 95 % limits (normal distribution)."""


def cents_of_ratio(ratio: npt.ArrayLike) -> Any:
    """Interval of a frequency (or speed) ratio in cents; the ratio must be positive.

    >>> float(cents_of_ratio(2.0))  # an octave
    1200.0
    >>> round(float(cents_of_ratio(3 / 2)), 2)  # a pure fifth
    701.96
    """
    return 1200.0 * np.log2(ratio)


def ratio_of_cents(cents: npt.ArrayLike) -> Any:
    """Frequency (or speed) ratio of an interval in cents."""
    return np.exp2(np.asarray(cents, dtype=np.float64) / 1200.0)


def midi_of_hz(hz: npt.ArrayLike, *, reference_pitch_hz: float) -> Any:
    """Fractional MIDI number of a frequency in Hz, with A4 (MIDI 69) at ``reference_pitch_hz``."""
    return 69.0 + 12.0 * np.log2(np.asarray(hz, dtype=np.float64) / reference_pitch_hz)


def hz_of_midi(midi: npt.ArrayLike, *, reference_pitch_hz: float) -> Any:
    """Frequency in Hz of a fractional MIDI number, with A4 (MIDI 69) at ``reference_pitch_hz``.

    >>> round(float(hz_of_midi(60, reference_pitch_hz=440.0)), 2)  # middle C
    261.63
    """
    return reference_pitch_hz * np.exp2((np.asarray(midi, dtype=np.float64) - 69.0) / 12.0)


def a4_of_fork(hz: float, note: str | None) -> float:
    """A4 in Hz from the frequency of a fork; ``note`` is "A4", None for the same, or "C5" of equal temperament."""
    semitones = {None: 0, "A4": 0, "C5": 3}[note]
    return hz * float(2.0 ** (-semitones / 12.0))


def playing_rpm(*, turntable_rpm: float, speed_ratio: float) -> float:
    """Speed at which the disc should have been played, in rpm, for a transfer made at ``turntable_rpm``."""
    return turntable_rpm * speed_ratio
