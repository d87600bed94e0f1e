"""Which of two channels, or which mix of them, holds most of a mono disc's music and least of its noise.

Both groove walls carry the music; each has its own wear, clicks and hum. Of each choice (sum, difference, left, right)
the spectra of windows all along the sound tell how far the music stands out: the mean power of an octave over its
floor, which is a low quantile of its bins and lies between the partials. A worn wall lifts the floor; an inverted or
late channel takes music from the sum, whose noise stays; a dead channel has none. Windows of the louder half count.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.units import db_of_power, ms_of_s

CHANNEL_RULES = ("sum", "difference", "left", "right")
MEASURED = {"measured_lateral": "sum", "measured_vertical": "difference"}
"""Rules that leave the choice to the sound, and what is used where nothing speaks for another."""

LOST_DB = 1.5
"""Music that a mix must lose against one channel for that to be the reason given; half of it is 3 dB."""
MARGIN_DB = 1.0
"""What another choice must gain over the usual one; common practice: a decibel is hardly heard. No source."""
SILENT_DB = 40.0
"""A channel this far below the other is dead: cartridges separate channels by 20 to 30 dB, so it is no leakage."""
_OCTAVES_HZ = (150.0, 300.0, 600.0, 1_200.0, 2_400.0)  # where discs of the time hold music
_FLOOR = 0.2  # quantile of an octave's bins; common practice, no source
_MORE = 2.0  # how much more power the other mix must hold to be where the music is; common practice, no source
_LEAST_LEFT = 1e-6  # a choice with less than this of the channels' power is what rounding leaves of equal channels
_WINDOW_S = 0.09
_EVERY = 8  # one window of eight is measured: 80 a minute
_LONGEST_DELAY_S = 0.02
_ONE_DELAY = 0.5  # share of the phases that must agree on it; common practice, no source


Powers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class ChannelUse:
    """Which channel or mix is used, and why.

    Attributes
    ----------
    rule : ``mono`` for a file with one channel, else one of ``CHANNEL_RULES``.
    ruled_by : ``file`` (it has one channel), ``catalogue`` or ``measured``.
    reason : in words.
    shared : averaged cross-spectrum over what it would be if the phase between the channels never moved, 0 to 1: near 1
        where both hold one sound; None where not measured, as all that follow.
    level_db : level of the right channel less that of the left.
    noise_db : by how much less the music stands out in the right channel than in the left.
    delay_ms : by how much the right channel comes later.
    inverted : whether one channel is upside down.
    """

    rule: str
    ruled_by: str
    reason: str
    shared: float | None = None
    level_db: float | None = None
    noise_db: float | None = None
    delay_ms: float | None = None
    inverted: bool | None = None


class ChannelMeter:
    """Collects spectra of two channels, block by block."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._rate = sample_rate_hz
        self._size = 1 << round(np.log2(_WINDOW_S * sample_rate_hz))
        self._window = np.hanning(self._size).astype(np.float32)
        hz = np.arange(self._size // 2 + 1) * sample_rate_hz / self._size
        self._octaves = [np.flatnonzero((hz >= low) & (hz < 2 * low)) for low in _OCTAVES_HZ if 2 * low < hz[-1]]
        self._music = np.concatenate(self._octaves)
        self._cross = np.zeros(len(self._music), dtype=np.complex128)
        self._spread = 0.0  # what the cross-spectrum would be if its phase never moved
        self._power = np.zeros(2)
        self._levels: list[Powers] = []  # of each window, the power of each choice
        self._clear: list[Powers] = []  # of each window, how far the music of each choice stands out, in dB

    def add(self, block: npt.NDArray[np.float32]) -> None:
        """Takes in a block of shape (n, 2); what is shorter than a window is passed over."""
        if not np.all(np.isfinite(block)):
            return
        self._power += np.sum(block.astype(np.float64) ** 2, axis=0)
        for start in range(0, len(block) - self._size + 1, _EVERY * self._size):
            left, right = np.fft.rfft(block[start : start + self._size].T * self._window, axis=1)
            cross = (right * np.conj(left))[self._music]
            self._cross += cross
            self._spread += float(np.sum(np.abs(cross)))
            choices = np.abs(np.stack([(left + right) / 2, (left - right) / 2, left, right])).astype(np.float64) ** 2
            means = np.stack([choices[:, bins].mean(axis=1) for bins in self._octaves])
            floors = np.stack([_quantile(choices[:, bins], _FLOOR) for bins in self._octaves])
            least = 1e-12 * means.max() + 1e-300
            self._levels.append(means.sum(axis=0))
            self._clear.append(np.mean(db_of_power((means + least) / (floors + least)), axis=0))

    def use(self, usual: str) -> ChannelUse:
        """The choice; ``usual`` (sum or difference) where nothing speaks for another."""
        level_db = float(np.clip(_decibels(self._power[1], self._power[0]), -200, 200))
        if not np.any(self._power) or not self._levels:
            return ChannelUse(usual, "measured", "both channels are silent or too short to tell them apart")
        if abs(level_db) > SILENT_DB:
            rule, other = ("left", "right") if level_db < 0 else ("right", "left")
            return ChannelUse(rule, "measured", f"the {other} channel is dead", level_db=level_db)
        levels = np.stack(self._levels)
        loud = levels[:, 2:].sum(axis=1) >= np.median(levels[:, 2:].sum(axis=1))
        power = dict(zip(CHANNEL_RULES, levels[loud].sum(axis=0), strict=True))
        clear = dict(zip(CHANNEL_RULES, np.stack(self._clear)[loud].mean(axis=0).tolist(), strict=True))
        alone = (power["left"] + power["right"]) / 2
        able = [rule for rule in CHANNEL_RULES if power[rule] > _LEAST_LEFT * alone]
        other = "difference" if usual == "sum" else "sum"
        if other in able and power[other] < _MORE * power[usual]:
            able.remove(other)
        best = max(able, key=lambda rule: clear[rule])
        rule = usual if usual in able and clear[usual] + MARGIN_DB >= clear[best] else best
        # Rounding may bring channels of one course a hair beyond 1.
        shared = min(float(np.sum(np.abs(self._cross)) / max(self._spread, 1e-300)), 1.0)
        delay_ms, inverted = self._delay()
        noise_db = clear["left"] - clear["right"]
        cancels = _decibels(power[usual], alone) < -LOST_DB
        reason = _reason(rule, clear, usual=usual, cancels=cancels, delay_ms=delay_ms, inverted=inverted)
        return ChannelUse(rule, "measured", reason, shared, level_db, noise_db, delay_ms, inverted)

    def _delay(self) -> tuple[float | None, bool | None]:
        """How much later the right channel is, in ms, and whether it is inverted; None where no one delay holds.

        By the peak of the cross-correlation of phases alone (Knapp and Carter 1976, the phase transform).
        """
        phases = np.zeros(self._size // 2 + 1, dtype=np.complex128)
        size = np.abs(self._cross)
        weight = np.sqrt(size)
        phases[self._music] = self._cross / np.maximum(size, 1e-300) * weight
        fine = 8
        lags = np.fft.irfft(phases, fine * self._size)
        reach = round(_LONGEST_DELAY_S * self._rate * fine)
        near = np.concatenate([lags[-reach:], lags[: reach + 1]])
        at = int(np.argmax(np.abs(near)))
        if abs(near[at]) * fine * self._size < 2 * _ONE_DELAY * weight.sum():
            return None, None
        return ms_of_s(at - reach) / fine / self._rate, bool(near[at] < 0)


def _quantile(powers: Powers, share: float) -> Powers:
    """Quantile of each row, without interpolation."""
    place = round(share * (powers.shape[1] - 1))
    return np.asarray(np.partition(powers, place, axis=1)[:, place])


def to_one(block: npt.NDArray[np.float32], rule: str) -> npt.NDArray[np.float32]:
    """A block of shape (n, channels) as one channel, by one of ``CHANNEL_RULES`` (a file of one channel: as it is)."""
    if block.shape[1] == 1 or rule == "left":
        return block[:, 0]
    if rule == "right":
        return block[:, 1]
    other = block[:, 1] if rule == "sum" else -block[:, 1]
    with np.errstate(invalid="ignore", over="ignore"):  # infinite samples are refused once all are read
        return np.float32(0.5) * (block[:, 0] + other)


def channel_rule_of(*, channel_rule: str | None, groove: str | None) -> str:
    """The rule that holds for a transfer: its own, else what is measured, for a lateral or a vertical groove."""
    return channel_rule or ("measured_vertical" if groove == "vertical" else "measured_lateral")


def _decibels(one: float, other: float) -> float:
    return float(db_of_power(max(one, 1e-300) / max(other, 1e-300)))


def _reason(
    rule: str,
    clear: dict[str, float],
    *,
    usual: str,
    cancels: bool,
    delay_ms: float | None,
    inverted: bool | None,
) -> str:
    if rule == usual:
        ahead = clear[rule] - max(clear["left"], clear["right"])
        return f"the {rule} is {ahead:.1f} dB clearer than either channel" if ahead > 0.1 else "no choice is clearer"
    gain = f"the {rule} is {clear[rule] - clear[usual]:.1f} dB clearer than the {usual}"
    if rule in ("sum", "difference"):
        return f"one channel is upside down: {gain}" if inverted and usual == "sum" else f"the music is there: {gain}"
    if cancels:
        apart = "" if delay_ms is None else f" {abs(delay_ms):.2f} ms apart and"
        return f"the channels are{apart} unlike, so the {usual} cancels music: {gain}"
    return f"the {'right' if rule == 'left' else 'left'} channel is noisier: {gain}"
