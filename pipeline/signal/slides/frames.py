"""The pitch line as the note and slide detectors see it: corrected semitones, repaired, frame by frame."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from pipeline.compiled import compiled
from pipeline.runs import runs
from pipeline.units import Floats, midi_of_hz, ratio_of_cents

LEAST_TRUST = 0.15
"""Mean confidence over ``TRUST_WINDOW_S`` below which there is no line; low, for slides are unsure."""
TRUST_WINDOW_S = 0.052  # about the tracker's window


class Line(Protocol):
    """What the melody tracker gives: (n,) arrays on an even grid of raw transfer time; NaN where no line is."""

    @property
    def time_s(self) -> Floats: ...
    @property
    def f0_hz(self) -> Floats: ...
    @property
    def voiced_probability(self) -> Floats: ...
    @property
    def confidence(self) -> Floats: ...
    @property
    def level_db(self) -> Floats: ...
    @property
    def prominence_db(self) -> Floats: ...
    @property
    def sound_db(self) -> Floats: ...
    @property
    def gliding(self) -> Floats: ...


class TimeMap(Protocol):
    """The speed correction of one transfer."""

    def to_true_s(self, transfer_s: Floats, /) -> Floats:
        """Corrected time of times in the transfer."""

    def cents_at(self, transfer_s: Floats, /) -> Floats:
        """What to add to the transfer's pitch, in cents."""


class AsItIs:
    """No correction of speed: a line as it sounds in the transfer."""

    def to_true_s(self, transfer_s: Floats) -> Floats:
        return transfer_s

    def cents_at(self, transfer_s: Floats) -> Floats:
        return np.zeros(np.shape(transfer_s))


@dataclass(frozen=True)
class Frames:
    """One transfer's line, ready to be cut: all arrays (n,).

    ``midi`` is the corrected pitch (69 = A4 at the reference pitch), NaN outside the spans looked at and where
    there is no line; ``true_s`` the corrected time; ``frame_s`` the corrected time from one frame to the next.
    """

    transfer_s: Floats
    true_s: Floats
    midi: Floats
    voiced: Floats
    confidence: Floats
    level_db: Floats
    prominence_db: Floats
    sound_db: Floats
    gliding: Floats
    frame_s: float
    reference_pitch_hz: float

    def frames(self, seconds: float, *, least: int = 1) -> int:
        """Number of frames nearest to a duration in corrected time."""
        return max(least, round(seconds / self.frame_s))

    def transfer_at(self, frame: float) -> float:
        """Transfer time at a fractional frame; frames beyond the ends are extrapolated."""
        step = (self.transfer_s[-1] - self.transfer_s[0]) / max(self.transfer_s.size - 1, 1)
        return float(self.transfer_s[0] + frame * step)

    def frame_at(self, transfer_s: float) -> float:
        """Fractional frame at a transfer time."""
        step = (self.transfer_s[-1] - self.transfer_s[0]) / max(self.transfer_s.size - 1, 1)
        return float((transfer_s - self.transfer_s[0]) / step)


def prepare(
    line: Line, *, speed_map: TimeMap, reference_pitch_hz: float, spans: list[tuple[float, float]] | None
) -> Frames:
    """Corrects, masks and repairs a line.

    Parameters
    ----------
    line : the tracker's output; at least two frames.
    speed_map : correction of times and pitches.
    reference_pitch_hz : A4 of the take.
    spans : transfer seconds that are looked at; None for the whole.
    """
    time = np.asarray(line.time_s, dtype=np.float64)
    f0 = np.asarray(line.f0_hz, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        midi = midi_of_hz(f0 * ratio_of_cents(speed_map.cents_at(time)), reference_pitch_hz=reference_pitch_hz)
    midi = np.where(np.isfinite(midi), midi, np.nan)
    if spans is not None:
        inside = np.zeros(time.size, dtype=bool)
        for start, end in spans:
            inside |= (time >= start) & (time < end)
        midi = np.where(inside, midi, np.nan)
    true = np.asarray(speed_map.to_true_s(time), dtype=np.float64)
    frame_s = float((true[-1] - true[0]) / (true.size - 1))
    confidence = np.nan_to_num(np.asarray(line.confidence, dtype=np.float64))
    trusted = uniform_filter1d(confidence, 2 * round(0.5 * TRUST_WINDOW_S / frame_s) + 1, mode="nearest")
    midi = np.where(trusted >= LEAST_TRUST, midi, np.nan)
    # Four frames away and six without a line are mended; away is over 0.7 semitones (common practice, no source).
    excursion = max(1, round(0.023 / frame_s))
    gap = max(1, round(0.035 / frame_s))
    return Frames(
        transfer_s=time,
        true_s=true,
        midi=_repaired(midi, excursion, gap),
        voiced=np.nan_to_num(np.asarray(line.voiced_probability, dtype=np.float64)),
        confidence=confidence,
        level_db=_filled(np.asarray(line.level_db, dtype=np.float64)),
        prominence_db=np.asarray(line.prominence_db, dtype=np.float64),
        sound_db=np.asarray(line.sound_db, dtype=np.float64),
        gliding=np.asarray(line.gliding, dtype=np.float64),
        frame_s=frame_s,
        reference_pitch_hz=reference_pitch_hz,
    )


def _filled(level_db: Floats) -> Floats:
    """Levels with those of frames without a line at the lowest level met."""
    known = np.isfinite(level_db)
    return np.where(known, level_db, level_db[known].min() if known.any() else np.nan)


@compiled()
def _repaired(midi: npt.NDArray[np.float64], excursion: int, gap: int) -> npt.NDArray[np.float64]:
    """Bridges excursions that come back to within .7 semitone, and short gaps (as a step where it is one)."""
    y = midi.copy()
    n = y.size
    i = 1
    while i < n - 1:
        if not (np.isfinite(y[i]) and np.isfinite(y[i - 1]) and abs(y[i] - y[i - 1]) > 0.7):
            i += 1
            continue
        back = -1
        for j in range(i + 1, min(i + excursion + 1, n)):
            if np.isfinite(y[j]) and abs(y[j] - y[i - 1]) < 0.7:
                back = j
                break
        if back > 0:
            out = True
            for k in range(i, back):
                if np.isfinite(y[k]) and abs(y[k] - y[i - 1]) < 0.7:
                    out = False
            if out:
                for k in range(i, back):
                    part = (k - i + 1.0) / (back - i + 1.0)
                    y[k] = y[i - 1] + part * (y[back] - y[i - 1])
                i = back
        i += 1
    i = 0
    while i < n:
        if np.isfinite(y[i]):
            i += 1
            continue
        start = i
        while i < n and not np.isfinite(y[i]):
            i += 1
        if start == 0 or i == n or i - start > gap:
            continue
        left = y[start - 1]
        right = y[i]
        for k in range(start, i):
            part = (k - start + 1.0) / (i - start + 1.0)
            if abs(right - left) >= 1.0:
                y[k] = left if part < 0.5 else right
            else:
                y[k] = left + part * (right - left)
    return y


def stretches(midi: Floats, *, shortest: int) -> list[tuple[int, int]]:
    """Unbroken stretches of the line of at least ``shortest`` frames, as (start, end exclusive)."""
    return [(start, end) for start, end in runs(np.isfinite(midi)) if end - start >= shortest]
