"""The only conversions: Hz and MIDI, ratios and cents, gains and decibels, seconds and milliseconds, rpm.

Cents are 1200 log2(ratio) and semitones 12 log2(ratio), the definition of ISO 16-tuned equal temperament; MIDI 69 is
A4 at the stated reference pitch, so a fractional MIDI number is a pitch in semitones. Decibels are 20 log10 of a gain
(a ratio of amplitudes) and 10 log10 of a ratio of powers. ``pipeline.compiled`` has those that compiled loops need.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

Z_95 = 1.96
"""Standard errors from a value to its 95 % limits (normal distribution)."""
A4_MIDI, A4_HZ = 69, 440.0
"""A4 and its standard pitch (ISO 16:1975), where none other is meant."""
OCTAVE_CENTS = 1200.0
NEPERS_PER_CENT, CENTS_PER_NEPER = float(np.log(2.0) / 1200.0), float(1200.0 / np.log(2.0))
"""Natural logarithm of the ratio of one cent, and the cents of a ratio of e."""


def cents_of_ratio(ratio: Any) -> Any:
    """Interval of a frequency (or speed) ratio in cents; the ratio must be positive.

    >>> float(cents_of_ratio(2.0))  # an octave
    1200.0
    >>> round(float(cents_of_ratio(3 / 2)), 2)  # a pure fifth
    701.96
    """
    return 1200.0 * np.log2(ratio)


def ratio_of_cents(cents: Any) -> Any:
    """Frequency (or speed) ratio of an interval in cents, a number or an array."""
    return np.exp2(cents / 1200.0)


def semitones_of_ratio(ratio: Any) -> Any:
    """Interval of a frequency ratio in semitones; the ratio must be positive."""
    return 12.0 * np.log2(ratio)


def ratio_of_semitones(semitones: Any) -> Any:
    """Frequency ratio of an interval in semitones, a number or an array."""
    return np.exp2(semitones / 12.0)


def gain_of_db(level_db: Any) -> Any:
    """Ratio of amplitudes of a level in dB, a number or an array."""
    return 10.0 ** (level_db / 20.0)


def db_of_gain(gain: Any) -> Any:
    """Level in dB of a ratio of amplitudes, which must be positive."""
    return 20.0 * np.log10(gain)


def db_of_power(power: Any) -> Any:
    """Level in dB of a ratio of powers, which must be positive."""
    return 10.0 * np.log10(power)


def ms_of_s(seconds: Any) -> Any:
    """Seconds in milliseconds."""
    return 1000.0 * seconds


def s_of_ms(milliseconds: Any) -> Any:
    """Milliseconds in seconds."""
    return milliseconds / 1000.0


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
    return hz * float(ratio_of_semitones(-semitones))


def rpm_of_hz(turns_hz: Any) -> Any:
    """Turns per minute of turns per second."""
    return 60.0 * turns_hz


def hz_of_rpm(rpm: Any) -> Any:
    """Turns per second of turns per minute."""
    return rpm / 60.0


def playing_rpm(*, turntable_rpm: float, speed_ratio: float) -> float:
    """Speed at which the disc should have been played, in rpm, for a transfer made at ``turntable_rpm``."""
    return turntable_rpm * speed_ratio
