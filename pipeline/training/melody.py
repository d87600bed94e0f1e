"""Trains the networks that score candidate pitches, and writes them beside ``pipeline.signal.line.network``.

    python -m pipeline.training.melody

renders sides with our own additive voices only (``scenes``), learns by cross entropy which candidate of a frame is
the solo, or none: first from the spectrum, then, on other sides each time, twice from what was judged along its track.
On yet other sides it fits the calibration of voicing and confidence. Half an hour on one core for each instrument.

The shipped weights were made so; the record beside them repeats it for each stage.

Frames inside slides are taken far more often than they occur: a network that sees few of them learns that a moving
pitch is rarely the solo.
"""

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.line.calibration import PLAIN, evidence, fitted
from pipeline.signal.line.candidates import CANDIDATES, choose
from pipeline.signal.line.follower import Follower, analyses, describer, salience
from pipeline.signal.line.grid import CONTEXT, SearchRange, search_range
from pipeline.signal.line.network import EXTRAS, TRACKING, WEIGHTS, Network, load_network
from pipeline.signal.line.spectrum import BINS_PER_SEMITONE, F32, HOP_S
from pipeline.signal.synth.plan import Truth
from pipeline.training.scenes import PIANO_SHARE, SAMPLE_RATE_HZ, training_side

HIDDEN = (64, 24)
TRACK_HIDDEN = (64, 32)
STAGES = ("spectral", *TRACKING, "calibration")
# Sides for each stage.
SIDES = {"violin": (1200, 1200, 1200, 30), "viola": (800, 400, 400, 30), "cello": (1200, 600, 600, 30)}
SIDE_S = 30.0
# Frames taken from a side: inside slides, elsewhere in notes, and without solo. What the networks of tracks see of a
# frame is little, so they can have more of them, oftener.
TAKEN = (200, 150, 70)
TRACK_TAKEN = (300, 180, 100)
EPOCHS = {"spectral": 6} | dict.fromkeys(TRACKING, 8)
BATCH = 128
# A candidate this near to the truth, in bins, is the solo.
HIT_BINS = 2.5
RATE = 3e-3
# Sides on which a solo is hardest to find, beside those that come by chance.
SHARES = {"loud_share": 0.4, "high_share": 0.06, "alone_share": 0.1}
# The lowest notes of a cello and a viola lie below what a horn lets through: without more of them than are played by
# chance they are heard an octave high.
LOW_SHARES = {"viola": 0.1, "cello": 0.2}
# Frames nearer than this to where the solo starts or stops teach nothing: there, truth is a matter of taste.
EDGE_S = 0.03


@dataclass
class Examples:
    """Features (rows, f) of the candidates of n frames one after another, how many each frame has, and which is right.

    ``answer`` is the place of the solo among a frame's candidates, or their number where there is none.
    """

    features: npt.NDArray[np.float16]
    count: npt.NDArray[np.int64]
    answer: npt.NDArray[np.int64]


def examples_of(samples: F32, truth: Truth, *, rng: np.random.Generator, instrument: str) -> Examples:
    """Examples of one side; frames whose true pitch is no candidate are left out."""
    search = search_range(instrument)
    parts = analyses(samples, sample_rate_hz=SAMPLE_RATE_HZ, search=search)
    n_frames = parts[0].n_frames
    grids = [part.block(0, n_frames)[1] for part in parts]
    bins = np.full((n_frames, CANDIDATES), -1, dtype=np.int32)
    strength, beside = (np.empty(bins.shape, dtype=np.float32) for _ in range(2))
    saliences = salience(grids, search=search)
    choose(saliences[CONTEXT:-CONTEXT], bins, strength, beside)
    kept, answer = _answers(bins, truth, search=search, rng=rng, taken=TAKEN)
    asked = np.full_like(bins, -1)
    asked[kept] = bins[kept]
    seen = describer(grids, saliences, strength, search=search)(slice(0, n_frames), asked)
    return _packed(seen[kept], bins[kept], answer)


def _answers(
    bins: Any, truth: Truth, *, search: SearchRange, rng: np.random.Generator, taken: tuple[int, int, int]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Frames to learn from whose pitch is a candidate or that have none, and the place of the solo in each."""
    frames, pitch = chosen_frames(truth, n_frames=len(bins), rng=rng, taken=taken)
    true = (69 + 12 * np.log2(pitch / 440.0) - search.lowest_midi) * BINS_PER_SEMITONE
    distance = np.where(bins[frames] >= 0, np.abs(bins[frames] - true[:, None]), np.inf)
    distance = np.where(np.isnan(distance), np.inf, distance)
    answer = np.where(np.isnan(true), np.sum(bins[frames] >= 0, axis=1), np.argmin(distance, axis=1))
    usable = np.isnan(true) | (distance.min(axis=1) <= HIT_BINS)
    return frames[usable], answer[usable]


def _packed(described: Any, bins: Any, answer: npt.NDArray[np.int64]) -> Examples:
    return Examples(described[bins >= 0].astype(np.float16), np.sum(bins >= 0, axis=1), answer)


def track_examples_of(
    samples: F32, truth: Truth, *, rng: np.random.Generator, instrument: str, net: Network
) -> Examples:
    """Examples of one side for the next network of tracks, given those before it."""
    search = search_range(instrument)
    side = Follower(samples, sample_rate_hz=SAMPLE_RATE_HZ, search=search, network=net)
    seen = side.seen_along_tracks(side.judge())(slice(0, side.n_frames), side.bins)
    kept, answer = _answers(side.bins, truth, search=search, rng=rng, taken=TRACK_TAKEN)
    return _packed(seen[kept], side.bins[kept], answer)


def chosen_frames(
    truth: Truth, *, n_frames: int, rng: np.random.Generator, taken: tuple[int, int, int]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Frames to learn from, and the solo's pitch there (NaN: silent)."""
    time = np.arange(n_frames) * HOP_S
    at = np.clip(np.rint(time * 1000).astype(np.int64), 0, truth.f0_hz.size - 1)
    pitch = truth.f0_hz[at]
    voiced = np.isfinite(pitch)
    edge = round(EDGE_S / HOP_S)
    change = np.flatnonzero(np.diff(voiced.astype(np.int8)))
    near = np.zeros(n_frames, dtype=np.bool_)
    for c in change:
        near[max(0, c - edge) : c + edge + 1] = True
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


def gathered(*, instrument: str, sides: int, seed: int, net: Network | None = None) -> Examples:
    """Examples of many sides for the first network, or for the next one when those before it are given."""
    parts = []
    for k in range(sides):
        rng = np.random.default_rng([seed, k])
        samples, truth = training_side(rng, instrument=instrument, length_s=SIDE_S, **shares_of(instrument))
        if net is None:
            parts.append(examples_of(samples, truth, rng=rng, instrument=instrument))
        else:
            parts.append(track_examples_of(samples, truth, rng=rng, instrument=instrument, net=net))
    return Examples(
        np.concatenate([part.features for part in parts]),
        np.concatenate([part.count for part in parts]),
        np.concatenate([part.answer for part in parts]),
    )


def trained(
    examples: Examples, *, hidden: tuple[int, int], spread: float, seed: int, epochs: int
) -> tuple[dict[str, Any], float]:
    """Weights by Adam on the cross entropy, and the mean loss of the last epoch."""
    rng = np.random.default_rng(seed)
    f, (a, b) = examples.features.shape[1], hidden
    p: dict[str, Any] = {
        "w1": rng.normal(0, np.sqrt(2 / f), (f, a)),
        "b1": np.zeros(a),
        "w2": rng.normal(0, np.sqrt(2 / a), (a, b)),
        "b2": np.zeros(b),
        "w3": rng.normal(0, np.sqrt(1 / b), b),
        "silence": np.zeros(1),
    }
    p = {k: v.astype(np.float32) for k, v in p.items()}
    first = {k: np.zeros_like(v) for k, v in p.items()}
    second = {k: np.zeros_like(v) for k, v in p.items()}
    n = examples.answer.size
    first_row = np.cumsum(examples.count) - examples.count
    steps, step, loss = epochs * (n // BATCH), 0, 0.0
    for _ in range(epochs):
        order = rng.permutation(n)
        total = 0.0
        for k in range(n // BATCH):
            batch = order[k * BATCH : (k + 1) * BATCH]
            cost, g = _gradients(examples, batch, first_row[batch], p, rng, spread)
            total += cost
            step += 1
            rate = RATE * 0.5 * (1 + np.cos(np.pi * step / steps)) + 1e-5
            for name, value in g.items():
                first[name] += 0.1 * (value - first[name])
                second[name] += 0.001 * (value * value - second[name])
                m = first[name] / (1 - 0.9**step)
                v = second[name] / (1 - 0.999**step)
                p[name] -= np.float32(rate) * m / (np.sqrt(v) + np.float32(1e-8))
        loss = total / (n // BATCH)
        print(f"  epoch loss {loss:.4f}", flush=True)
    return p, loss


def _gradients(
    examples: Examples,
    batch: npt.NDArray[np.int64],
    first_row: npt.NDArray[np.int64],
    p: dict[str, Any],
    rng: np.random.Generator,
    spread: float,
) -> tuple[float, dict[str, Any]]:
    """Mean cross entropy of a batch of frames and its gradients; ``first_row`` is where each frame's rows begin."""
    count = examples.count[batch]
    start = np.cumsum(count) - count
    frame = np.repeat(np.arange(batch.size), count)
    x = examples.features[np.arange(frame.size) + (first_row - start)[frame]].astype(np.float32)
    # Other recordings stand out of their noise more or less than these.
    x[:, :-EXTRAS] *= np.exp(rng.uniform(-spread, spread, batch.size)).astype(np.float32)[frame, None]
    h1 = np.maximum(x @ p["w1"] + p["b1"], 0)
    h2 = np.maximum(h1 @ p["w2"] + p["b2"], 0)
    logit = h2 @ p["w3"]
    silence = p["silence"][0]
    top = np.full(batch.size, silence)
    np.maximum.at(top, frame, logit)
    share, none = np.exp(logit - top[frame]), np.exp(silence - top)
    total = none + np.bincount(frame, weights=share, minlength=batch.size)
    share, none = share / total[frame], none / total
    answer = examples.answer[batch]
    sounding = answer < count
    right = (start + answer)[sounding]
    cost = -float(np.log(share[right] + 1e-9).sum() + np.log(none[~sounding] + 1e-9).sum()) / batch.size
    share[right] -= 1.0
    none[~sounding] -= 1.0
    d3 = (share / batch.size).astype(np.float32)
    g: dict[str, Any] = {"silence": none.sum(keepdims=True) / batch.size, "w3": h2.T @ d3}
    d2 = np.outer(d3, p["w3"]) * (h2 > 0)
    g["w2"], g["b2"] = h1.T @ d2, d2.sum(axis=0)
    d1 = (d2 @ p["w2"].T) * (h1 > 0)
    g["w1"], g["b1"] = x.T @ d1, d1.sum(axis=0)
    return cost, {name: value.astype(np.float32) for name, value in g.items()}


def calibration(net: Network, *, instrument: str, sides: int, seed: int) -> npt.NDArray[np.float64]:
    """Coefficients (2, 6) of voicing and confidence, from sides that the network has not seen."""
    parts: list[list[Any]] = [[], [], [], []]
    for k in range(sides):
        rng = np.random.default_rng([seed, k])
        samples, truth = training_side(rng, instrument=instrument, length_s=SIDE_S, **shares_of(instrument))
        search = search_range(instrument)
        line = Follower(samples, sample_rate_hz=SAMPLE_RATE_HZ, search=search, network=net).run()
        time = np.arange(line.f0_hz.size) * HOP_S
        at = np.clip(np.rint(time * 1000).astype(np.int64), 0, truth.f0_hz.size - 1)
        true = truth.f0_hz[at]
        used = ~truth.double_stop[at]
        hit = np.abs(np.log2(line.f0_hz / true)) < 50 / 1200
        known = {"sounding": line.sounding, "mass": line.mass, "prominence_db": line.prominence_db}
        parts[0].append(evidence(**known, voiced=True)[used])
        parts[1].append(np.isfinite(true)[used])
        parts[2].append(evidence(**known, voiced=False)[used & np.isfinite(line.f0_hz)])
        parts[3].append(hit[used & np.isfinite(line.f0_hz)])
    a, b, c, d = (np.concatenate(part) for part in parts)
    return np.stack((fitted(a, b), fitted(c, d)))


def main() -> None:
    """Train and write weights and record; stages left out keep what the file holds."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--instruments", nargs="*", default=list(INSTRUMENTS))
    parser.add_argument("--stages", nargs="*", default=list(STAGES), choices=STAGES)
    parser.add_argument("--out", type=Path, default=WEIGHTS)
    given = parser.parse_args()
    for instrument in given.instruments:
        for stage, sides in zip(STAGES, SIDES[instrument], strict=True):
            if stage in given.stages:
                print(instrument, stage, flush=True)
                _train_stage(stage, instrument, sides=sides, seed=given.seed, out=given.out)


def _save(out: Path, arrays: dict[str, Any]) -> None:
    """Write weights as coarsely as costs no accuracy, and what is measured in full."""
    coarse = {n: a if n.endswith(("calibration", "silence")) else _coarse(n, a) for n, a in arrays.items()}
    np.savez_compressed(out, **coarse)  # type: ignore[arg-type]


def _coarse(name: str, weights: Any) -> npt.NDArray[np.float16]:
    """Weights in half precision, matrices in multiples of a step, which pack better.

    The first matrix of the spectral network holds more than half of all weights, so its step is the widest.
    """
    step = 2.0**-7 if name.endswith("spectral_w1") else 2.0**-8
    rounded = np.round(np.float32(weights) / step) * step if weights.ndim == 2 else weights
    return np.asarray(rounded, dtype=np.float16)


def _train_stage(stage: str, instrument: str, *, sides: int, seed: int, out: Path) -> None:
    arrays: dict[str, Any] = {}
    record: dict[str, Any] = {}
    if out.exists():
        with np.load(out, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
        record = json.loads(out.with_suffix(".json").read_text(encoding="utf-8"))
    noted: dict[str, Any] = {"sides": sides, "seconds_a_side": SIDE_S, "seed": seed + STAGES.index(stage)}
    noted["candidates"] = CANDIDATES
    noted["sides_with_piano"] = PIANO_SHARE
    noted |= shares_of(instrument)
    noted["sound"] = "own additive voices and pianos (pipeline.training.scenes)"
    if stage == "calibration":
        net = load_network(out, instrument)
        arrays[f"{instrument}_calibration"] = calibration(net, instrument=instrument, sides=sides, seed=noted["seed"])
    else:
        if stage == "spectral":
            arrays = {name: a for name, a in arrays.items() if not name.startswith(f"{instrument}_")}
            arrays[f"{instrument}_calibration"] = PLAIN
            net, hidden, spread = None, HIDDEN, 0.25
        else:
            later = tuple(f"{instrument}_{s}_" for s in TRACKING[TRACKING.index(stage) :])
            arrays = {name: a for name, a in arrays.items() if not name.startswith(later)}
            _save(out, arrays)
            net, hidden, spread = load_network(out, instrument), TRACK_HIDDEN, 0.1
        examples = gathered(instrument=instrument, sides=sides, seed=noted["seed"], net=net)
        weights, loss = trained(examples, hidden=hidden, spread=spread, seed=seed, epochs=EPOCHS[stage])
        for name, value in weights.items():
            arrays[f"{instrument}_{stage}_{name}"] = np.float32(value[0]) if name == "silence" else value
        noted |= {"frames": int(examples.answer.size), "epochs": EPOCHS[stage], "loss": round(loss, 4)}
        noted["hidden"] = list(hidden)
    _save(out, arrays)
    record.setdefault(instrument, {})[stage] = noted
    out.with_suffix(".json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
