"""Trains the networks that score candidate pitches, and fits what their posteriors are worth.

Sides are rendered with our own additive voices only (``scenes``). By cross entropy is learned which candidate of a
frame is the solo, or none: first from the spectrum, then, on other sides each time, twice from what was judged along
its track. On yet other sides the calibration of voicing and confidence is fitted. The record beside the weights says
from how many sides, and how right the line is on the last ones.

Frames inside slides are taken far more often than they occur: a network that sees few of them learns that a moving
pitch is rarely the solo.
"""

import json
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.linear_model import LogisticRegression

from pipeline.instruments import INSTRUMENTS
from pipeline.learned_from import names_array
from pipeline.signal.line import network
from pipeline.signal.line.calibration import PLAIN, calibrated, evidence
from pipeline.signal.line.candidates import CANDIDATES, choose
from pipeline.signal.line.follower import Follower, analyses, describer, salience
from pipeline.signal.line.grid import CONTEXT, SearchRange, search_range
from pipeline.signal.line.network import STAGES, TRACKING, Network, load_network
from pipeline.signal.line.spectrum import BINS_PER_SEMITONE, F32, HOP_S, Scratch
from pipeline.signal.synth.plan import Truth
from pipeline.training.crew import Crew
from pipeline.training.descent import Examples, joined, library, trained
from pipeline.training.scenes import PIANO_SHARE, REAL_SHARE, SAMPLE_RATE_HZ, training_side
from pipeline.units import A4_HZ, cents_of_ratio, midi_of_hz, ms_of_s

SEED = 40
HIDDEN = (96, 32)
TRACK_HIDDEN = (64, 32)
# Sides for each of ``STAGES``.
SIDES = {"violin": (6000, 1500, 1500, 60), "viola": (1600, 500, 500, 60), "cello": (1800, 550, 550, 60)}
SIDE_S = 30.0
# Frames taken from a side: inside slides, elsewhere in notes, and without solo. What the networks of tracks see of a
# frame is little, so they can have more of them, oftener.
TAKEN = (200, 150, 70)
TRACK_TAKEN = (300, 180, 100)
EPOCHS = 18
# How far single frames may stand out more or less than they do (see ``trained``).
SPREAD = {"spectral": 0.25} | dict.fromkeys(TRACKING, 0.1)
# A candidate this near to the truth, in bins, is the solo.
HIT_BINS = 2.5
# Sides on which a solo is hardest to find, beside those that come by chance.
SHARES = {"loud_share": 0.4, "high_share": 0.06, "alone_share": 0.1}
# The lowest notes of a cello and a viola lie below what a horn lets through: without more of them than are played by
# chance they are heard an octave high.
LOW_SHARES = {"viola": 0.2, "cello": 0.2}
# Frames nearer than this to where the solo starts or stops teach nothing: there, truth is a matter of taste.
EDGE_S = 0.03


def examples_of(samples: F32, truth: Truth, *, rng: np.random.Generator, instrument: str) -> Examples:
    """Examples of one side; frames whose true pitch is no candidate are left out."""
    search = search_range(instrument)
    parts = analyses(samples, sample_rate_hz=SAMPLE_RATE_HZ, search=search)
    n_frames = parts[0].n_frames
    grids = [part.block(0, n_frames)[1] for part in parts]
    bins = np.full((n_frames, CANDIDATES), -1, dtype=np.int32)
    strength, beside = (np.empty(bins.shape, dtype=np.float32) for _ in range(2))
    scratch = Scratch()
    saliences = salience(grids, search=search, scratch=scratch)
    choose(saliences[CONTEXT:-CONTEXT], bins, strength, beside)
    kept, answer = _answers(bins, truth, search=search, rng=rng, taken=TAKEN)
    asked = np.full_like(bins, -1)
    asked[kept] = bins[kept]
    seen = describer(grids, saliences, strength, search=search, scratch=scratch)(slice(0, n_frames), asked)
    return _examples(seen, bins[kept], answer)


def _answers(
    bins: Any, truth: Truth, *, search: SearchRange, rng: np.random.Generator, taken: tuple[int, int, int]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Frames to learn from, in order, whose pitch is a candidate or that have none; the place of the solo in each."""
    frames, pitch = chosen_frames(truth, n_frames=len(bins), rng=rng, taken=taken)
    true = (midi_of_hz(pitch, reference_pitch_hz=A4_HZ) - search.lowest_midi) * BINS_PER_SEMITONE
    distance = np.where(bins[frames] >= 0, np.abs(bins[frames] - true[:, None]), np.inf)
    distance = np.where(np.isnan(distance), np.inf, distance)
    answer = np.where(np.isnan(true), np.sum(bins[frames] >= 0, axis=1), np.argmin(distance, axis=1))
    usable = np.isnan(true) | (distance.min(axis=1) <= HIT_BINS)
    return frames[usable], answer[usable]


def _examples(seen: F32, bins: Any, answer: npt.NDArray[np.int64]) -> Examples:
    return Examples(seen.astype(np.float16), np.sum(bins >= 0, axis=1), answer)


def track_examples_of(
    samples: F32, truth: Truth, *, rng: np.random.Generator, instrument: str, net: Network
) -> Examples:
    """Examples of one side for the next network of tracks, given those before it."""
    search = search_range(instrument)
    side = Follower(samples, sample_rate_hz=SAMPLE_RATE_HZ, search=search, network=net)
    see = side.seen_along_tracks(side.judge())
    kept, answer = _answers(side.bins, truth, search=search, rng=rng, taken=TRACK_TAKEN)
    asked = np.full_like(side.bins, -1)
    asked[kept] = side.bins[kept]
    return _examples(see(slice(0, side.n_frames), asked), side.bins[kept], answer)


def chosen_frames(
    truth: Truth, *, n_frames: int, rng: np.random.Generator, taken: tuple[int, int, int]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Frames to learn from, and the solo's pitch there (NaN: silent)."""
    time = np.arange(n_frames) * HOP_S
    at = np.clip(np.rint(ms_of_s(time)).astype(np.int64), 0, truth.f0_hz.size - 1)
    pitch = truth.f0_hz[at]
    voiced = np.isfinite(pitch)
    edge = round(EDGE_S / HOP_S)
    rings = round(float(truth.details["rings_s"]) / HOP_S)
    change = np.diff(voiced.astype(np.int8))
    near, ringing = np.zeros((2, n_frames), dtype=np.bool_)
    for c in np.flatnonzero(change):
        near[max(0, c - edge) : c + edge + 1] = True
        if change[c] < 0:
            ringing[c : c + rings + 1] = True
    # Whether a note that rings on still sounds is a matter of taste for longer.
    near |= ringing & ~voiced
    sliding = np.zeros(n_frames, dtype=np.bool_)
    for slide in truth.slides:
        sliding |= (time >= slide.transfer_start_s) & (time <= slide.transfer_end_s)
    usable = ~near & ~truth.double_stop[at]
    groups = (usable & voiced & sliding, usable & voiced & ~sliding, usable & ~voiced)
    picked = [rng.permutation(np.flatnonzero(group))[:count] for group, count in zip(groups, taken, strict=True)]
    frames = np.sort(np.concatenate(picked))
    return frames, pitch[frames]


def shares_of(instrument: str) -> dict[str, Any]:
    """Shares of sides of each sort (see ``training_side``)."""
    low = LOW_SHARES.get(instrument)
    return SHARES if low is None else SHARES | {"low_share": low}


@dataclass(frozen=True)
class Job:
    """One side to learn from for one stage; ``weights`` holds the networks of the stages before it."""

    instrument: str
    stage: str
    number: int
    weights: Path

    def side(self) -> tuple[F32, Truth, np.random.Generator]:
        """The side, and the generator that is left."""
        rng = np.random.default_rng([SEED + STAGES.index(self.stage), self.number])
        shares = shares_of(self.instrument)
        samples, truth = training_side(rng, instrument=self.instrument, length_s=SIDE_S, **shares)
        return samples, truth, rng


def examples_for(job: Job) -> Examples:
    """Examples of one side."""
    samples, truth, rng = job.side()
    if job.stage == "spectral":
        return examples_of(samples, truth, rng=rng, instrument=job.instrument)
    net = load_network(job.weights, job.instrument)
    return track_examples_of(samples, truth, rng=rng, instrument=job.instrument, net=net)


@dataclass(frozen=True)
class Judged:
    """One followed side against its truth: evidence (n, 6) of voicing and (m, 6) of confidence, and what was so."""

    voicing: npt.NDArray[np.float64]
    sounds: npt.NDArray[np.bool_]
    confidence: npt.NDArray[np.float64]
    hit: npt.NDArray[np.bool_]
    found: int
    """Frames in which the solo sounds and the line is within 50 cents of it."""


def judged(job: Job) -> Judged:
    """One side followed by the networks, for calibration."""
    samples, truth, _ = job.side()
    net, search = load_network(job.weights, job.instrument), search_range(job.instrument)
    line = Follower(samples, sample_rate_hz=SAMPLE_RATE_HZ, search=search, network=net).run()
    time = np.arange(line.f0_hz.size) * HOP_S
    at = np.clip(np.rint(ms_of_s(time)).astype(np.int64), 0, truth.f0_hz.size - 1)
    true = truth.f0_hz[at]
    used = ~truth.double_stop[at]
    hit = np.abs(cents_of_ratio(line.f0_hz / true)) < 50.0
    known = {"sounding": line.sounding, "mass": line.mass, "prominence_db": line.prominence_db}
    with_line = used & np.isfinite(line.f0_hz)
    return Judged(
        evidence(**known, voiced=True)[used],
        np.isfinite(true)[used],
        evidence(**known, voiced=False)[with_line],
        hit[with_line],
        int(np.sum(hit & used)),
    )


def calibration(sides: Iterator[Judged]) -> tuple[npt.NDArray[np.float64], dict[str, float]]:
    """Coefficients (2, 6) of voicing and confidence from sides that the networks have not seen, and how they do."""
    known = list(sides)
    voicing, sounds = np.concatenate([k.voicing for k in known]), np.concatenate([k.sounds for k in known])
    confidence, hit = np.concatenate([k.confidence for k in known]), np.concatenate([k.hit for k in known])
    coefficients = np.stack([_regression(voicing, sounds), _regression(confidence, hit)])
    sure = calibrated(confidence, coefficients[1])
    at = np.minimum((sure * 10).astype(int), 9)
    gaps = [abs(sure[at == b].mean() - hit[at == b].mean()) * (at == b).mean() for b in np.unique(at)]
    return coefficients, {
        "within_50_cents": round(sum(k.found for k in known) / max(int(sounds.sum()), 1), 4),
        "voicing_right": round(float(((calibrated(voicing, coefficients[0]) > 0.5) == sounds).mean()), 4),
        "calibration_error": round(float(sum(gaps)), 4),
    }


def _regression(x: npt.NDArray[np.float64], happened: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    # the first column of x is one, for the constant
    found = LogisticRegression(C=1000.0, fit_intercept=False, tol=1e-8, max_iter=1000).fit(x, happened)
    return np.asarray(found.coef_[0])


def learn_line(crew: Crew, *, scale: float, stages: tuple[str, ...] = STAGES, out: Path = network.WEIGHTS) -> None:
    """Learn the networks of all instruments anew and write weights and record; stages left out stay as they are.

    While one network learns, the sides of the next are rendered. ``scale`` multiplies the numbers of sides.
    """
    with ThreadPoolExecutor(1) as learner:
        learning: dict[str, Future[None]] = {}
        for stage in stages:
            for instrument in INSTRUMENTS:
                if instrument in learning:
                    learning[instrument].result()
                count = max(2, round(SIDES[instrument][STAGES.index(stage)] * scale))
                print(f"{instrument}: {stage}, {count} sides", flush=True)
                jobs = [Job(instrument, stage, k, out) for k in range(count)]
                if stage == "calibration":
                    coefficients, figures = calibration(crew.over(judged, jobs))
                    _put(out, instrument, stage, {"": coefficients}, {**_noted(instrument, count), **figures})
                    continue
                examples = joined(list(crew.over(examples_for, jobs)))
                learning[instrument] = learner.submit(_learn, examples, instrument, stage, count, out)
        for done in learning.values():
            done.result()


def _learn(examples: Examples, instrument: str, stage: str, sides: int, out: Path) -> None:
    hidden = HIDDEN if stage == "spectral" else TRACK_HIDDEN
    weights, loss = trained(examples, hidden=hidden, spread=SPREAD[stage], seed=SEED, epochs=EPOCHS)
    weights["silence"] = np.float32(weights["silence"][0])
    noted = {"frames": int(examples.answer.size), "epochs": EPOCHS, "loss": round(loss, 4), "hidden": list(hidden)}
    arrays = {f"_{name}": value for name, value in weights.items()}
    _put(out, instrument, stage, arrays, _noted(instrument, sides) | noted | {"by": library()})


def _noted(instrument: str, sides: int) -> dict[str, Any]:
    return {
        "made_by": "python -m pipeline.training",
        "sides": sides,
        "seconds_a_side": SIDE_S,
        "seed": SEED,
        "candidates": CANDIDATES,
        "sides_like_real_ones": REAL_SHARE,
        "plain_sides_with_piano": PIANO_SHARE,
        **shares_of(instrument),
        "sound": "own additive voices and pianos (pipeline.training.scenes)",
    }


def _put(out: Path, instrument: str, stage: str, arrays: dict[str, Any], noted: dict[str, Any]) -> None:
    """Put one stage into the file of weights, without the stages that come after it, and into its record."""
    known: dict[str, Any] = {}
    record: dict[str, Any] = {}
    if out.exists():
        with np.load(out, allow_pickle=False) as file:
            known = {name: file[name] for name in file.files}
        record = json.loads(out.with_suffix(".json").read_text(encoding="utf-8"))
    later = STAGES[STAGES.index(stage) :]
    known = {n: a for n, a in known.items() if not n.startswith(tuple(f"{instrument}_{s}_" for s in later))}
    known |= {f"{instrument}_{stage}{name}": value for name, value in arrays.items()}
    if stage != "calibration":
        known[f"{instrument}_calibration"] = PLAIN
    known |= {f"{s}_names": names_array(network.names_of(s)) for s in STAGES}
    kept = {s: record.get(instrument, {}).get(s) for s in STAGES if s not in later}
    record[instrument] = {s: held for s, held in kept.items() if held} | {stage: noted}
    fresh = out.with_name(f"fresh_{out.name}")
    np.savez_compressed(fresh, **{name: _coarse(name, a) for name, a in known.items()})
    fresh.replace(out)
    out.with_suffix(".json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


def _coarse(name: str, weights: Any) -> Any:
    """Weights in half precision, matrices in multiples of a step, which pack better; names and figures as they are.

    The first matrix of the spectral network holds more than half of all weights, so its step is the widest.
    """
    if name.endswith(("calibration", "silence", "names")):
        return weights
    step = 2.0**-7 if name.endswith("spectral_w1") else 2.0**-8
    rounded = np.round(np.float32(weights) / step) * step if weights.ndim == 2 else weights
    return np.asarray(rounded, dtype=np.float16)
