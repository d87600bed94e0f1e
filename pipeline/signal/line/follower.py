"""Carries one side through the stages of following: candidates block by block, the path, then pitches.

The sound is worked off in blocks of twelve seconds, twice: once for the candidates of every frame and their logits
(which are kept, a few hundred bytes a frame), and once more, when the path through them is known, for the pitch along
it. So memory hardly grows with the side.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from threadpoolctl import ThreadpoolController

from pipeline.signal.line import candidates, network
from pipeline.signal.line.between import STEP, Spectra
from pipeline.signal.line.candidates import CANDIDATES, COMB_GAIN, COMB_SILENCE, LIKELY
from pipeline.signal.line.grid import BELOW, CONTEXT, HIGH, LOW, SearchRange, comb_teeth
from pipeline.signal.line.network import Layers, Network
from pipeline.signal.line.path import best_path, posteriors
from pipeline.signal.line.refine import refine, steadied
from pipeline.signal.line.second_look import Looked, second_look
from pipeline.signal.line.spectrum import (
    BINS_PER_SEMITONE,
    F32,
    QUICK_WINDOW,
    WINDOW,
    NoiseFloor,
    Register,
    Scratch,
    frame_count,
    magnitudes,
    resampled,
    unpadded,
    whitened,
)
from pipeline.signal.line.tracks import track_features
from pipeline.signal.slides.frames import Line
from pipeline.units import Floats, db_of_power

BLOCK = 2048  # frames followed at once, for memory
# Frames refined at once, so that little is worked out where the other register serves.
SHORT_BLOCK = 256
# Frames whose features are worked out at once: what fits the processor's cache.
AT_ONCE = 64


@dataclass(frozen=True)
class Followed:
    """A line before its posteriors are calibrated: arrays (n,).

    ``sounding`` is the posterior that the solo sounds, ``mass`` that of pitches within 40 cents of the line.
    """

    f0_hz: Floats
    level_db: Floats
    prominence_db: Floats
    sound_db: Floats
    sounding: Floats
    mass: Floats


@cache
def _linear_algebra() -> ThreadpoolController:
    """Holds numpy's products to one thread: they are so small that the threads would mostly wait for each other."""
    return ThreadpoolController()


class Analysis:
    """One register of one side: its padded sound, floor and the whitened grid."""

    def __init__(self, padded: Any, *, n_frames: int, register: Register, search: SearchRange) -> None:
        self.register = register
        self.n_frames = n_frames
        self.padded = padded
        self.floor = NoiseFloor(padded, register=register, n_frames=n_frames)
        self.taps = search.grid.taps(register)
        self.width = search.grid.n
        self.scratch = Scratch()

    def block(self, first: int, count: int) -> tuple[Any, Any]:
        """Magnitudes of those frames of a block that are worked out, and the whitened grid of all.

        The grid has ``CONTEXT`` frames more on both sides. Both last until the next block is asked for.
        """
        rows = count + 2 * CONTEXT
        # The longer window is worked out for every other frame; in between lies the mean.
        step = 2**self.register.halvings
        worked_out = (rows - 1) // step + step
        wide = self.magnitudes(first - CONTEXT, worked_out, step)
        wide[max(0, -(-(self.n_frames - first + CONTEXT) // step)) :] = 0.0
        grid = self.scratch.rows("grid", worked_out, self.width)
        start, end = self.floor.at(first - CONTEXT), self.floor.at(first + count + CONTEXT)
        whitened(wide, start, end, *self.taps, grid)
        if step == 2:
            grid = _with_means_between(grid, self.scratch.rows("between", 2 * worked_out - 1, self.width))
        return wide[CONTEXT // step :][:count], grid[:rows]

    def rows(self, first: int, count: int, *, window: int = WINDOW) -> F32:
        """The whitened grid (count, width) of every ``STEP``-th frame from row ``first`` on."""
        wide = magnitudes(
            self.padded,
            register=self.register,
            first=first * STEP,
            count=count,
            step=STEP,
            scratch=self.scratch,
            window=window,
        )
        # Noise stands higher in a shorter window, as the root of the ratio of lengths (Harris 1978).
        floor = self.floor.at((first + 0.5 * count) * STEP) * np.float32(np.sqrt(WINDOW / window))
        grid = np.empty((count, self.width), dtype=np.float32)
        whitened(wide, floor, floor, *self.taps, grid)
        return grid

    def magnitudes(self, first: int, count: int, step: int = 1) -> Any:
        """Magnitudes (count, bins) of frames ``first, first + step, …``; they last until the next are asked for."""
        return magnitudes(
            self.padded, register=self.register, first=first, count=count, step=step, scratch=self.scratch
        )


def analyses(sound: Any, *, sample_rate_hz: float, search: SearchRange) -> list[Analysis]:
    """The high and the low register of a side."""
    high = resampled(sound, sample_rate_hz=sample_rate_hz, register=HIGH)
    # From what has been brought down already, which is a quarter of the work.
    low = resampled(unpadded(high), sample_rate_hz=HIGH.rate_hz, register=LOW)
    n_frames = frame_count(sound.size, sample_rate_hz=sample_rate_hz)
    return [Analysis(p, n_frames=n_frames, register=r, search=search) for p, r in ((high, HIGH), (low, LOW))]


def _with_means_between(rows: Any, out: Any) -> Any:
    """``out`` (2 n - 1, m): the rows given (n, m), and between each and the next their mean."""
    out[::2] = rows
    np.add(rows[:-1], rows[1:], out=out[1::2])
    out[1::2] *= np.float32(0.5)
    return out


class Follower:
    """One side on its way; with ``network`` None the comb alone scores."""

    def __init__(self, sound: Any, *, sample_rate_hz: float, search: SearchRange, network: Network | None) -> None:
        self.search = search
        self.scratch = Scratch()
        self.parts = analyses(sound, sample_rate_hz=sample_rate_hz, search=search)
        self.n_frames = self.parts[0].n_frames
        self.network = network
        self.bins = np.full((self.n_frames, LIKELY), -1, dtype=np.int32)
        self.logits, self.strength, self.beside, self.level = (
            np.zeros(self.bins.shape, dtype=np.float32) for _ in range(4)
        )
        self.sound_db = np.full(self.n_frames, -160.0)

    def run(self) -> Followed:
        """Follow the side."""
        silence = self.judge()
        path = best_path(self.bins, self.logits, silence=silence)
        share = posteriors(self.bins, self.logits, silence=silence)
        chosen = np.minimum(path, LIKELY - 1)[:, None]
        bins = np.where(path < LIKELY, np.take_along_axis(self.bins, chosen, axis=1)[:, 0], -1)
        mass = np.sum(share[:, :-1] * (np.abs(self.bins - bins[:, None]) <= 2), axis=1)
        beside = np.take_along_axis(self.beside, chosen, axis=1)[:, 0]
        exact = self.search.hz()[bins] * 2.0 ** (beside / (12 * BINS_PER_SEMITONE))
        rough = steadied(np.where(bins >= 0, exact, np.nan))
        f0_hz, level_db, prominence_db = self.refined(rough, bins < self.search.low_refined)
        return Followed(
            f0_hz=f0_hz,
            level_db=level_db,
            prominence_db=prominence_db,
            sound_db=self.sound_db,
            sounding=1.0 - share[:, -1],
            mass=np.where(bins < 0, 0.0, mass),
        )

    def judge(self) -> float:
        """Judge all candidates; gives the logit of silence to which their logits compare."""
        with _linear_algebra().limit(limits=1, user_api="blas"):
            if not self.parts[0].floor.silent:
                for first in range(0, self.n_frames, BLOCK):
                    self._score(first, min(BLOCK, self.n_frames - first))
            if self.network is None:
                return COMB_GAIN * COMB_SILENCE
            # Where they err, they seldom err alike, so all count, and each looks along the tracks by those before it.
            judged, silences = [self.logits], [self.network.spectral.silence]
            looks = network.to_look_at(self.bins)
            for judge in self.network.tracking:
                judged.append(self._judged_along_tracks(judge, looks, float(np.mean(silences))))
                silences.append(judge.silence)
                self.logits = np.mean(judged, axis=0, dtype=np.float32)
        return float(np.mean(silences))

    def _judged_along_tracks(self, judge: Layers, looks: tuple[Any, Any], silence: float) -> F32:
        """Logits by a network of tracks. What it sees takes a gigabyte in two hours, and goes before the next looks."""
        logits = np.empty_like(self.logits)
        _judge(judge, looks, self.seen_along_tracks(silence), logits)
        return logits

    def seen_along_tracks(self, silence: float) -> Callable[[slice, Any], Any]:
        """What a network of tracks sees of the candidates asked for, span by span, once they have been judged."""
        share = posteriors(self.bins, self.logits, silence=silence)
        return track_features(
            self.bins,
            self.logits,
            self.strength,
            self.beside,
            self.level,
            share,
            lowest_midi=self.search.lowest_midi,
            per_bin=1.0 / BINS_PER_SEMITONE,
        )

    def _score(self, first: int, count: int) -> None:
        """Candidates of a block and their logits."""
        blocks = [part.block(first, count) for part in self.parts]
        grids = [grid for _, grid in blocks]
        span = slice(first, first + count)
        saliences = salience(grids, search=self.search, scratch=self.scratch)
        bins = np.empty((count, CANDIDATES), dtype=np.int32)
        logits, strength, beside = (np.empty(bins.shape, dtype=np.float32) for _ in range(3))
        candidates.choose(saliences[CONTEXT:-CONTEXT], bins, strength, beside)
        if self.network is None:
            candidates.comb_logits(saliences[CONTEXT:-CONTEXT], bins, logits)
        else:
            seen = describer(grids, saliences, strength, search=self.search, scratch=self.scratch)
            _judge(self.network.spectral, network.to_look_at(bins), seen, logits)
        kept = self.bins[span], self.logits[span], self.strength[span], self.beside[span]
        candidates.keep_likely(bins, logits, strength, beside, *kept)
        self._loudness(blocks, span)
        parts = np.array_split(blocks[0][0], range(AT_ONCE, count, AT_ONCE))
        power = np.concatenate([np.sum(np.square(part), axis=1) for part in parts]) / 3.0
        self.sound_db[span] = db_of_power(power + 1e-16)

    def _loudness(self, blocks: list[tuple[Any, Any]], span: slice) -> None:
        """Levels of the candidates of a block."""
        edges = (self.search.n, self.search.split, 0)
        for part, (wide, _), first, last in zip(self.parts, blocks, edges[1:], edges, strict=False):
            floor = part.floor.at(0.5 * (span.start + span.stop))
            step = 2**part.register.halvings
            place = step, floor, self.search.hz(), part.register.bin_hz, first, last
            candidates.loudness(wide, *place, self.bins[span], self.level[span])

    def look_again(self, line: Line) -> Looked:
        """What lies between the notes of the line, looked at with both notes known."""
        with _linear_algebra().limit(limits=1, user_api="blas"):
            return second_look(line, self.spectra, lowest_midi=self.search.lowest_midi)

    def spectra(self, first: int, count: int) -> Spectra:
        """Spectra for a second look, from row ``first`` on, so many."""
        high, low = self.parts
        count = max(min(count, -(-self.n_frames // STEP) - first), 0)
        return Spectra(high.rows(first, count), low.rows(first, count), high.rows(first, count, window=QUICK_WINDOW))

    def refined(self, rough: Floats, in_low: npt.NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
        """Pitch, level and prominence where the line is roughly (Hz; NaN: none), some frames in the low register."""
        f0, level, prominence = (np.full(self.n_frames, np.nan) for _ in range(3))
        for part, low in zip(self.parts, (False, True), strict=False):
            mine = np.where(in_low == low, rough, np.nan)
            for first in range(0, self.n_frames, SHORT_BLOCK):
                known = np.flatnonzero(np.isfinite(mine[first : first + SHORT_BLOCK]))
                if not known.size:
                    continue
                span = slice(first + int(known[0]), first + int(known[-1]) + 1)
                spectrum = part.magnitudes(span.start, span.stop - span.start)
                floor = part.floor.at(first + min(SHORT_BLOCK, self.n_frames - first) / 2)
                refine(spectrum, floor, part.register.bin_hz, mine[span], f0[span], level[span], prominence[span])
        return f0, level, prominence


def _judge(judge: Layers, looks: tuple[Any, Any], seen: Callable[[slice, Any], Any], logits: Any) -> None:
    """Judge candidates (frames, k) by what is ``seen`` of them, span by span, into ``logits``."""
    asked, beside = looks
    for at in range(0, len(asked), AT_ONCE):
        some = slice(at, min(at + AT_ONCE, len(asked)))
        judge.logits(seen(some, asked[some]), asked[some], logits[some])
    network.share_looks(beside, logits)


def salience(grids: list[Any], *, search: SearchRange, scratch: Scratch) -> Any:
    """Comb salience (frames, n) of the whitened grids of both registers."""
    out = scratch.rows("salience", len(grids[0]), search.n)
    candidates.salience(grids[0], grids[1], search.split, search.low_end, BELOW, *comb_teeth(), out)
    return out


def describer(
    grids: list[Any], saliences: Any, strength: Any, *, search: SearchRange, scratch: Scratch
) -> Callable[[slice, Any], Any]:
    """A function that gives what the network sees of candidates, from grids and saliences with context rows.

    ``strength`` (frames, k) is the salience of all candidates. The function's arguments are a span of frames and those
    candidates (frames, k) that it is wanted of, -1 for the others; it gives (candidates, f), in their order.
    """
    frames, n = saliences.shape
    comb = scratch.rows("near salience", frames, n + 2 * network.COMB_MARGIN)
    comb[:, : network.COMB_MARGIN] = comb[:, network.COMB_MARGIN + n :] = 0.0
    network.moving_maximum(saliences, comb)

    def describe(span: slice, bins: Any) -> Any:
        out = np.empty((np.count_nonzero(bins >= 0), len(network.feature_names())), dtype=np.float32)
        rows = slice(span.start, span.start + len(bins) + 2 * CONTEXT)
        high, low = (grid[rows] for grid in grids)
        places = search.split, search.lowest_midi
        network.describe(bins, strength[span], high, low, comb[rows], *places, out)
        return out

    return describe
