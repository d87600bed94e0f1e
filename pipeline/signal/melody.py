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

from pipeline.signal import melody_net, melody_score
from pipeline.signal.instruments import INSTRUMENTS
from pipeline.signal.melody_grid import BELOW, CONTEXT, HIGH, LOW, SearchRange, comb_teeth, search_range
from pipeline.signal.melody_path import best_path, posteriors
from pipeline.signal.melody_refine import refine
from pipeline.signal.melody_score import CANDIDATES, COMB_GAIN, COMB_SILENCE
from pipeline.signal.spectrum import (
    HOP_S,
    NoiseFloor,
    Register,
    frame_count,
    magnitudes,
    resampled,
    whitened,
)
from pipeline.units import Floats

BLOCK = 2048
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


class Analysis:
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
    """Carries a side through the stages: candidates block by block, the path, then pitches block by block."""

    def __init__(self, sound: Any, *, sample_rate_hz: float, search: SearchRange, scoring: Scoring) -> None:
        registers = (HIGH, LOW) if search.split else (HIGH,)
        self.search = search
        self.parts = [Analysis(sound, sample_rate_hz=sample_rate_hz, register=r, search=search) for r in registers]
        self.n_frames = self.parts[0].n_frames
        self.network = melody_net.network(search.instrument) if scoring == "network" else None
        self.bins = np.full((self.n_frames, CANDIDATES), -1, dtype=np.int32)
        self.logits = np.zeros((self.n_frames, CANDIDATES), dtype=np.float32)
        self.sound_db = np.full(self.n_frames, -160.0)

    def run(self) -> dict[str, Any]:
        n = self.n_frames
        silence = COMB_GAIN * COMB_SILENCE if self.network is None else self.network.silence
        if not self.parts[0].floor.silent:
            for first in range(0, n, BLOCK):
                self._score(first, min(BLOCK, n - first))
        path = best_path(self.bins, self.logits, silence=silence)
        share = posteriors(self.bins, self.logits, silence=silence)
        chosen = np.minimum(path, CANDIDATES - 1)[:, None]
        bins = np.where(path < CANDIDATES, np.take_along_axis(self.bins, chosen, axis=1)[:, 0], -1)
        f0, level, prominence = self._pitches(bins)
        mass = np.sum(share[:, :-1] * (np.abs(self.bins - bins[:, None]) <= 2), axis=1)
        voiced = 1.0 - share[:, -1]
        return {
            "time_s": np.arange(n) * HOP_S,
            "f0_hz": f0,
            "voiced_probability": voiced,
            "confidence": np.where(np.isnan(f0), 0.0, mass),
            "level_db": level,
            "prominence_db": prominence,
            "sound_db": self.sound_db,
        }

    def _score(self, first: int, count: int) -> None:
        """Candidates of a block and their logits."""
        blocks = [part.block(first, count) for part in self.parts]
        grids = [grid for _, grid in blocks]
        span = slice(first, first + count)
        strength = scored_candidates(grids, search=self.search, bins=self.bins[span])
        if self.network is None:
            self.logits[span] = COMB_GAIN * strength
        else:
            net = self.network
            described = features(grids, search=self.search, bins=self.bins[span], strength=strength)
            melody_net.judge(described, self.bins[span], net.w1, net.b1, net.w2, net.b2, net.w3, self.logits[span])
        power = np.sum(np.square(blocks[0][0]), axis=1) / 3.0
        self.sound_db[span] = 10.0 * np.log10(power + 1e-16)

    def _pitches(self, bins: npt.NDArray[np.int64]) -> tuple[Floats, Floats, Floats]:
        """Refined pitch, level and prominence of the line through the given bins (-1: none)."""
        f0, level, prominence = (np.full(self.n_frames, np.nan) for _ in range(3))
        rough = np.where(bins >= 0, self.search.hz()[bins], np.nan)
        for part, low in zip(self.parts, (False, True), strict=False):
            mine = np.where((bins < self.search.split) == low, rough, np.nan)
            for first in range(0, self.n_frames, BLOCK):
                span = slice(first, min(first + BLOCK, self.n_frames))
                if not np.isfinite(mine[span]).any():
                    continue
                count = span.stop - first
                spectrum = magnitudes(part.padded, register=part.register, first=first, count=count)
                floor = part.floor.at(first + count / 2)
                refine(spectrum, floor, part.register.bin_hz, mine[span], f0[span], level[span], prominence[span])
        return f0, level, prominence


def scored_candidates(grids: list[Any], *, search: SearchRange, bins: Any) -> Any:
    """Fill ``bins`` (frames, k) from whitened grids with ``CONTEXT`` rows at both ends; gives their salience."""
    saliences = np.empty((len(bins), search.n), dtype=np.float32)
    inner = [grid[CONTEXT:-CONTEXT] for grid in grids]
    melody_score.salience(inner[0], inner[-1], search.split, BELOW, *comb_teeth(), saliences)
    strength = np.empty(bins.shape, dtype=np.float32)
    melody_score.choose(saliences, bins, strength)
    return strength


def features(grids: list[Any], *, search: SearchRange, bins: Any, strength: Any) -> Any:
    """What the network sees of the candidates: (frames, k, f)."""
    pairs = []
    for grid in grids:
        near = np.empty_like(grid)
        melody_net.moving_maximum(grid, near)
        pairs.append((grid, near))
    taps = melody_net.taps()
    out = np.zeros((*bins.shape, len(taps[0]) + len(taps[1]) + melody_net.EXTRAS), dtype=np.float32)
    melody_net.describe_all(bins, strength, pairs[0], pairs[-1], search.split, search.lowest_midi, *taps, out)
    return out
