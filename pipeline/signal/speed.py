"""The ranked readings of a side: which speed, reference pitch and key, and how sure."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from pipeline.signal.semitone import Key, at_shift
from pipeline.units import Floats

STANDARD_RPM = 3600.0 / 46.0
SHIFTS = tuple(range(-4, 5))


@dataclass(frozen=True)
class Reading:
    """One way to read a side.

    ``offset_cents`` is the whole correction at the side's mean tuning; ``playing_rpm`` is None where the
    transfer's turntable speed is unknown or no longer counts.
    """

    shift: int
    offset_cents: float
    playing_rpm: float | None
    reference_pitch_hz: float
    key: str | None
    probability: float
    reason: str


@dataclass(frozen=True)
class ReferencePitch:
    """A reference pitch that may have been in use, with its prior probability and where it comes from."""

    hz: float
    probability: float
    origin: str


def readings(
    *,
    sharp_cents: float,
    key_scores: Floats,
    key: Key | None,
    key_right: float,
    references: Sequence[ReferencePitch],
    turntable_rpm: float | None,
    already_corrected: bool,
) -> list[Reading]:
    """All readings of one side by itself, likeliest first.

    Parameters
    ----------
    sharp_cents : how much sharper than A4 = 440 Hz equal temperament the side sounds.
    key_scores : shape (24,), see ``semitone.key_log_likelihoods``.
    key : the catalogue's key; None: not known, or not to be used.
    key_right : probability that a key given in the catalogue is the key sounded.
    """
    best = Key.of_number(int(np.argmax(key_scores)))
    base = float(logsumexp(key_scores))
    found: list[tuple[float, int, float, float, str, str]] = []
    for reference in references:
        bent = 1200.0 * float(np.log2(reference.hz / 440.0))
        for shift in SHIFTS:
            offset = bent - sharp_cents + 100.0 * shift
            weight = np.log(reference.probability) + _log_speed_prior(offset, turntable_rpm, already_corrected)
            name = best.shifted(shift).name
            if key is None:
                found.append((weight, shift, offset, reference.hz, name, "key unknown"))
                continue
            fit = at_shift(key_scores, key=key, shift=shift)
            found.append(
                (weight + np.log(key_right) + fit, shift, offset, reference.hz, key.name, "catalogue's key")
            )
            if name != key.name:
                other = weight + np.log(1.0 - key_right) + base - np.log(24.0)
                reason = f"pitch content fits {name} better than the catalogue's {key.name}"
                found.append((other, shift, offset, reference.hz, name, reason))
    total = logsumexp([item[0] for item in found])
    found.sort(key=lambda item: (-item[0], item[3], item[1], item[4]))
    counted = turntable_rpm is not None and not already_corrected
    return [
        Reading(
            shift=shift,
            offset_cents=offset,
            playing_rpm=turntable_rpm * 2.0 ** (offset / 1200.0) if counted and turntable_rpm else None,
            reference_pitch_hz=hz,
            key=name,
            probability=float(np.exp(weight - total)),
            reason=reason,
        )
        for weight, shift, offset, hz, name, reason in found
    ]


def _log_speed_prior(offset: float, turntable_rpm: float | None, already_corrected: bool) -> float:
    if already_corrected:
        return -2.5 * float(np.log1p((offset / 20.0) ** 2 / 4.0))
    centre = 1200.0 * float(np.log2(STANDARD_RPM / turntable_rpm)) if turntable_rpm else 0.0
    return -2.5 * float(np.log1p(((offset - centre) / 45.0) ** 2 / 4.0))
