"""What is known of a side's speed before listening: standard speeds, the label's usual ones, mains hum.

Speeds are cents of the playing speed above 3600/46 rpm (78.26), or, where the turntable's speed at transfer is
unknown or no longer counts, cents of the correction itself. Stroboscope speeds are 7200/n rpm under 60 Hz and
6000/n under 50 Hz; 78.26 and 77.92 are n = 92 and 77.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.densities import normal, student_t
from pipeline.units import OCTAVE_CENTS, Floats, cents_of_ratio, ratio_of_cents

STANDARD_RPM = 3600.0 / 46.0  # 92 bars under 60 Hz
# Shares, and spreads in cents; Student t with 4 degrees of freedom where nobody kept to a speed. Common practice, no
# source.
BROAD_SCALE_CENTS, BROAD_FREEDOM = 45.0, 4.0
STANDARD_SHARE = {"electrical": 0.35}
_STANDARD_SHARE_ELSE = 0.1
_STANDARD_SD, _CHOSEN_SHARE, _CHOSEN_SD = 6.0, 0.05, 8.0
_CORRECTED_SHARE, _CORRECTED_SD, _CORRECTED_SCALE = 0.5, 8.0, 20.0
_LABEL_SHARE, _LABEL_EDGE = 0.5, 15.0
_HUM_SD, _HUM_SHARE, _HUM_OF_TRANSFER = 4.0, 0.5, 1.5
_FLAT = 1.0 / OCTAVE_CENTS  # per cent over an octave: a line that means nothing
LADDER_RPM = 0.01  # a speed written with two decimals


@dataclass(frozen=True)
class LabelSpeed:
    """Usual speeds at a label, with the source that states them."""

    low_rpm: float
    high_rpm: float
    source: str


def cents_of_rpm(rpm: npt.ArrayLike) -> Floats:
    """Cents of a playing speed above 78.26 rpm."""
    return np.asarray(cents_of_ratio(np.asarray(rpm, dtype=np.float64) / STANDARD_RPM))


def rpm_of_cents(cents: float) -> float:
    """Playing speed of cents above 78.26 rpm: undoes ``cents_of_rpm``."""
    return STANDARD_RPM * float(ratio_of_cents(cents))


def playing_density(cents: Floats, *, process: str | None, labels: Sequence[LabelSpeed]) -> Floats:
    """Prior density, per cent, of playing speeds (n,) in cents above 78.26 rpm."""
    share = STANDARD_SHARE.get(process or "", _STANDARD_SHARE_ELSE)
    other = float(cents_of_rpm(3000.0 / 38.5))
    # Seven in ten standard speeds are those of 60 Hz mains (common practice, no source).
    narrow = 0.7 * normal(cents, sd=_STANDARD_SD) + 0.3 * normal(cents, mean=other, sd=_STANDARD_SD)
    density = share * narrow + (1.0 - share) * student_t(cents, freedom=BROAD_FREEDOM, scale=BROAD_SCALE_CENTS)
    if not labels:
        return np.asarray(density)
    usual = np.mean([_usual(cents, label) for label in labels], axis=0)
    return np.asarray((1.0 - _LABEL_SHARE) * density + _LABEL_SHARE * usual)


def _usual(cents: Floats, label: LabelSpeed) -> Floats:
    low, high = np.sort(cents_of_rpm([label.low_rpm, label.high_rpm]))
    beyond = np.maximum(np.maximum(low - cents, cents - high), 0.0)
    height = 1.0 / (high - low + _LABEL_EDGE * np.sqrt(2.0 * np.pi))
    return np.asarray(height * np.exp(-0.5 * (beyond / _LABEL_EDGE) ** 2))


def offset_density(
    offset_cents: Floats,
    *,
    turntable_rpm: float | None,
    already_corrected: str | None,
    process: str | None,
    labels: Sequence[LabelSpeed],
) -> Floats:
    """Prior density, per cent, of corrections (n,) of one transfer."""
    chosen = normal(offset_cents, sd=_CHOSEN_SD)
    corrected = _CORRECTED_SHARE * normal(offset_cents, sd=_CORRECTED_SD)
    corrected = corrected + (1.0 - _CORRECTED_SHARE) * student_t(
        offset_cents, freedom=BROAD_FREEDOM, scale=_CORRECTED_SCALE
    )
    if already_corrected == "yes":
        return np.asarray(corrected)
    if turntable_rpm is None:
        raw = student_t(offset_cents, freedom=BROAD_FREEDOM, scale=BROAD_SCALE_CENTS)
    else:
        playing = offset_cents + float(cents_of_rpm(turntable_rpm))
        raw = playing_density(playing, process=process, labels=labels)
    raw = _CHOSEN_SHARE * chosen + (1.0 - _CHOSEN_SHARE) * raw
    return np.asarray(0.5 * (raw + corrected) if already_corrected == "unknown" else raw)


def hum_evidence(offset_cents: Floats, hum_hz: Sequence[float]) -> Floats:
    """Log-likelihoods of corrections (n,) from lines of hum.

    A line on 50 or 60 Hz may come from the transfer and tells nothing. Any other may still be rumble.
    """
    total = np.zeros(np.shape(offset_cents))
    for hz in hum_hz:
        wanted = _wanted(hz)
        if wanted is None:
            continue
        density = 0.5 * sum(normal(offset_cents, mean=cents, sd=_HUM_SD) for cents in wanted)
        total += np.log(_HUM_SHARE * density + (1.0 - _HUM_SHARE) * _FLAT) - np.log(_FLAT)
    return total


def hum_at_mains(offset_cents: float, hum_hz: Sequence[float]) -> tuple[float, int] | None:
    """The first line of hum in Hz that a correction brings to mains frequency, and that frequency; None if none."""
    for hz in hum_hz:
        for mains, cents in zip((50, 60), _wanted(hz) or (), strict=False):
            # Near enough to be named (common practice, no source).
            if abs(offset_cents - cents) < 2.5 * _HUM_SD:
                return hz, mains
    return None


def _wanted(hz: float) -> tuple[float, float] | None:
    # corrections that make the line 50 or 60 Hz; None for one of the transfer
    fifty, sixty = (float(cents_of_ratio(mains / hz)) for mains in (50.0, 60.0))
    return None if min(abs(fifty), abs(sixty)) < _HUM_OF_TRANSFER else (fifty, sixty)


def stroboscope_bars(rpm: float) -> dict[int, int]:
    """Bars of the stroboscope disc that stand still at a written speed, by mains frequency in Hz; empty if none do.

    Only for speeds that somebody wrote down: half of all speeds lie within 3 cents of one.
    """
    bars = {mains: round(120.0 * mains / rpm) for mains in (60, 50)}
    return {mains: n for mains, n in bars.items() if abs(120.0 * mains / n - rpm) <= LADDER_RPM}
