"""Follows the solo line of a side: pitch, voicing and confidence every 5.8 ms, in the transfer's own time.

The way: noise-floor normalised spectra on a whitened 20-cent grid (``spectrum``), a comb of partials with negative
teeth between them, whose best candidates are scored (``melody_score``), a path through them that may glide and
leap (``melody_path``), and refinement on the partials (``melody_refine``). The sound is worked off in blocks of
six seconds; the path of a block is settled when the next one is known, so memory does not grow with the side but
by the line itself.

Voicing is an output of its own: the line goes on wherever a pitch can be followed, so that slides under noise or
piano are not cut up; a caller that wants clean gaps thresholds ``voiced_probability``.
"""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from pipeline.signal import melody_score
from pipeline.signal.instruments import INSTRUMENTS
from pipeline.signal.melody_grid import BELOW, HIGH, LOW, SearchRange, comb_teeth, search_range
from pipeline.signal.melody_path import advance, trace
from pipeline.signal.melody_refine import refine
from pipeline.signal.spectrum import (
    FFT_SIZE,
    HOP_S,
    NoiseFloor,
    Register,
    frame_count,
    magnitudes,
    resampled,
    whitened,
)
from pipeline.units import Floats

BLOCK = 1024
# Frames before and after a block that its scoring looks at.
CONTEXT = 28
Scoring = Literal["network", "comb"]


@dataclass(frozen=True)
class MelodyLine:
    """The solo line, n frames 5.8 ms apart, in transfer time and uncorrected pitch.

    Attributes
    ----------
    time_s : centres of the frames, from 0.
    f0_hz : pitch; NaN where no line can be followed.
    voiced_probability : that the solo sounds here, in [0, 1], whatever its pitch.
    confidence : probability that the solo sounds and ``f0_hz`` is within 50 cents of its pitch.
    level_db : level of the line's partials, 0 dB for a full-scale sine; NaN without a line.
    prominence_db : partials against the gaps between them; NaN without a line.
    sound_db : level of everything that sounds, 0 dB for a full-scale sine.
    instrument : whose range was searched; estimated where none was given, see ``instrument_estimated``.
    """

    time_s: Floats
    f0_hz: Floats
    voiced_probability: Floats
    confidence: Floats
    level_db: Floats
    prominence_db: Floats
    sound_db: Floats
    instrument: str
    instrument_estimated: bool

    @property
    def hop_s(self) -> float:
        """Distance of frames in s."""
        return HOP_S


def follow(
    samples: npt.NDArray[np.float32],
    *,
    sample_rate_hz: float,
    instrument: str | None,
    scoring: Scoring = "comb",
) -> MelodyLine:
    """Follow the solo line.

    Parameters
    ----------
    samples : mono sound (n,), any level.
    instrument : a name of ``INSTRUMENTS``, or None: estimated from the range in which the line lies.
    scoring : what scores the comb's candidates: the trained network, or the comb alone.

    Raises
    ------
    ValueError
        If the samples are not one-dimensional or hold values that are not finite, the rate is not positive, or the
        instrument is unknown.
    """
    sound = np.asarray(samples, dtype=np.float32)
    if sound.ndim != 1:
        raise ValueError(f"samples have shape {sound.shape}; give one channel (n,)")
    if not np.isfinite(sound).all():
        raise ValueError("samples hold NaN or infinite values; decode the file again")
    if not sample_rate_hz > 0:
        raise ValueError(f"sample_rate_hz {sample_rate_hz} is not positive")
    if instrument is not None and instrument not in INSTRUMENTS:
        raise ValueError(f"instrument {instrument!r}: known are {', '.join(INSTRUMENTS)}")
    name = instrument or _estimated_instrument(sound, sample_rate_hz=sample_rate_hz)
    line = _Follower(sound, sample_rate_hz=sample_rate_hz, search=search_range(name), scoring=scoring).run()
    return MelodyLine(**line, instrument=name, instrument_estimated=instrument is None)


def _estimated_instrument(sound: npt.NDArray[np.float32], *, sample_rate_hz: float) -> str:
    """The instrument whose usual compass fits the line, followed by the comb over the widest range."""
    line = _Follower(sound, sample_rate_hz=sample_rate_hz, search=search_range("any"), scoring="comb").run()
    sure = line["f0_hz"][line["confidence"] > 0.5]
    if sure.size < 50:
        return "violin"
    low, middle = 69 + 12 * np.log2(np.quantile(sure, [0.03, 0.5]) / 440.0)
    centre = {name: kind.lowest_midi + 16 for name, kind in INSTRUMENTS.items()}
    possible = [name for name, kind in INSTRUMENTS.items() if low > kind.lowest_midi - 2.5] or ["cello"]
    return min(possible, key=lambda name: abs(centre[name] - middle))


class _Analysis:
    """One register of one side: sound, floor and the whitened grid."""

    def __init__(self, sound: Any, *, sample_rate_hz: float, register: Register, search: SearchRange) -> None:
        self.register = register
        self.n_frames = frame_count(sound.size, sample_rate_hz=sample_rate_hz)
        self.padded = resampled(sound, sample_rate_hz=sample_rate_hz, register=register)
        self.floor = NoiseFloor(self.padded, register=register, n_frames=self.n_frames)
        self.taps = search.grid.taps(register)
        self.width = search.grid.n

    def block(self, first: int, count: int) -> tuple[Any, Any]:
        """Magnitudes of the frames of a block, and the whitened grid with ``CONTEXT`` frames on both sides."""
        wide = magnitudes(self.padded, register=self.register, first=first - CONTEXT, count=count + 2 * CONTEXT)
        wide[max(0, self.n_frames - first + CONTEXT) :] = 0.0
        grid = np.empty((wide.shape[0], self.width), dtype=np.float32)
        start, end = self.floor.at(first - CONTEXT), self.floor.at(first + count + CONTEXT)
        whitened(wide, start, end, *self.taps, grid)
        return wide[CONTEXT:-CONTEXT], grid


class _Follower:
    """Carries a side through the stages, block by block."""

    def __init__(self, sound: Any, *, sample_rate_hz: float, search: SearchRange, scoring: Scoring) -> None:
        registers = (HIGH, LOW) if search.split else (HIGH,)
        self.search = search
        self.scoring = scoring
        self.parts = [
            _Analysis(sound, sample_rate_hz=sample_rate_hz, register=r, search=search) for r in registers
        ]
        self.n_frames = self.parts[0].n_frames
        self.teeth = comb_teeth()
        self.bin_hz = search.hz()
        self.odds = np.zeros(self.n_frames, dtype=np.float64)
        self.posterior = np.zeros(self.n_frames, dtype=np.float64)
        self.sound_db = np.full(self.n_frames, np.nan)
        self.f0 = np.full(self.n_frames, np.nan)
        self.level = np.full(self.n_frames, np.nan)
        self.prominence = np.full(self.n_frames, np.nan)

    def run(self) -> dict[str, Any]:
        if self.parts[0].floor.silent:
            self.odds[:] = -20.0
        else:
            self._follow()
        voiced = _sigmoid(_mean_of_neighbours(self.odds, half=5) - 1.0)
        sure = np.where(np.isnan(self.f0), 0.0, voiced * np.sqrt(self.posterior))
        return {
            "time_s": np.arange(self.n_frames) * HOP_S,
            "f0_hz": self.f0,
            "voiced_probability": voiced,
            "confidence": sure,
            "level_db": self.level,
            "prominence_db": self.prominence,
            "sound_db": self.sound_db,
        }

    def _follow(self) -> None:
        n = self.search.n
        state = np.full(n + 1, -1e9, dtype=np.float32)
        state[n] = 0.0
        waiting = None
        for first in range(0, self.n_frames, BLOCK):
            count = min(BLOCK, self.n_frames - first)
            spectra, scores, silence = self._scored(first, count)
            back = np.empty((count, n + 1), dtype=np.int16)
            advance(scores, silence, state, back)
            _, before = trace(back, int(np.argmax(state)))
            if waiting is not None:
                self._settle(*waiting, end=before)
            waiting = (first, spectra, scores, back)
        if waiting is not None:
            self._settle(*waiting, end=int(np.argmax(state)))

    def _scored(self, first: int, count: int) -> tuple[list[Any], Any, Any]:
        blocks = [part.block(first, count) for part in self.parts]
        inner = [grid[CONTEXT:-CONTEXT] for _, grid in blocks]
        saliences = np.empty((count, self.search.n), dtype=np.float32)
        melody_score.salience(inner[0], inner[-1], self.search.split, BELOW, *self.teeth, saliences)
        scores = np.empty_like(saliences)
        silence = np.empty(count, dtype=np.float32)
        melody_score.score_by_comb(saliences, scores, silence)
        melody_score.normalise(scores, silence, self.odds[first : first + count])
        power = 0.75 * np.sum(np.square(blocks[0][0][:, : FFT_SIZE // 2]), axis=1) / 3.0
        self.sound_db[first : first + count] = 10.0 * np.log10(power + 1e-16)
        return [spectrum for spectrum, _ in blocks], scores, silence

    def _settle(self, first: int, spectra: list[Any], scores: Any, back: Any, *, end: int) -> None:
        """Pitch, level and posterior of a block whose last state is known."""
        path, _ = trace(back, end)
        count, n = scores.shape
        span = slice(first, first + count)
        sounding = path < n
        bins = np.minimum(path, n - 1)
        near = np.clip(bins[:, None] + np.arange(-2, 3), 0, n - 1)
        mass = np.exp(np.take_along_axis(scores, near, axis=1)).sum(axis=1)
        self.posterior[span] = np.where(sounding, np.minimum(mass, 1.0), 0.0)
        rough = np.where(sounding, self.bin_hz[bins], np.nan)
        for part, spectrum, low in zip(self.parts, spectra, (False, True), strict=False):
            mine = (bins < self.search.split) == low
            refine(
                spectrum,
                part.floor.at(first + count / 2),
                part.register.bin_hz,
                np.where(mine, rough, np.nan),
                self.f0[span],
                self.level[span],
                self.prominence[span],
            )


def _sigmoid(x: Floats) -> Floats:
    return 1.0 / (1.0 + np.exp(-np.clip(x, -40.0, 40.0)))


def _mean_of_neighbours(values: Floats, *, half: int) -> Floats:
    """Centred moving mean over 2 half + 1 frames, shorter at the ends."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    at = np.arange(values.size)
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, values.size)
    return np.asarray((sums[high] - sums[low]) / (high - low))
