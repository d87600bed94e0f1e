"""Learns a small network that chooses among the candidates of a frame: Adam on the cross entropy.

By PyTorch where it can be imported, on the accelerator if there is one; else by numpy, which takes many times longer
and comes to the same. Both begin with the same weights and see the same frames in another order.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.signal.line.network import EXTRAS

BATCH = 512
RATE = 3e-3


@dataclass
class Examples:
    """Features (rows, f) of the candidates of n frames one after another, how many each frame has, and which is right.

    ``answer`` is the place of the solo among a frame's candidates, or their number where there is none.
    """

    features: npt.NDArray[np.float16]
    count: npt.NDArray[np.int64]
    answer: npt.NDArray[np.int64]


def joined(parts: list[Examples]) -> Examples:
    """Examples of many sides as one; ``parts`` is emptied meanwhile, for together they would hardly fit in memory."""
    count = np.concatenate([part.count for part in parts])
    answer = np.concatenate([part.answer for part in parts])
    return Examples(poured(parts, "features"), count, answer)


def poured(parts: list[Any], name: str) -> npt.NDArray[np.float16]:
    """The largest arrays of many sides, one below the other; ``parts`` is emptied meanwhile."""
    rows = sum(len(getattr(part, name)) for part in parts)
    whole = np.empty((rows, *getattr(parts[0], name).shape[1:]), dtype=np.float16)
    at = 0
    while parts:
        part = getattr(parts.pop(0), name)
        whole[at : at + len(part)] = part
        at += len(part)
    return whole


def trained(
    examples: Examples, *, hidden: tuple[int, int], spread: float, seed: int, epochs: int
) -> tuple[dict[str, Any], float]:
    """Weights of ``network.Layers`` and the mean loss of the last epoch.

    Parameters
    ----------
    hidden : widths of the two hidden layers.
    spread : what features other than ``EXTRAS`` are multiplied by, at most, as a power of e either way, frame by frame:
        other recordings stand out of their noise more or less than these.
    """
    rng = np.random.default_rng(seed)
    f, (a, b) = examples.features.shape[1], hidden
    weights: dict[str, Any] = {
        "w1": rng.normal(0, np.sqrt(2 / f), (f, a)),
        "b1": np.zeros(a),
        "w2": rng.normal(0, np.sqrt(2 / a), (a, b)),
        "b2": np.zeros(b),
        "w3": rng.normal(0, np.sqrt(1 / b), b),
        "silence": np.zeros(1),
    }
    weights = {name: value.astype(np.float32) for name, value in weights.items()}
    descend = _by_torch if _torch() else _by_numpy
    return descend(examples, weights, spread=spread, rng=rng, epochs=epochs)


def _torch() -> Any:
    """PyTorch, or None where it is not installed (or cannot be loaded)."""
    try:
        import torch
    except ImportError:
        return None
    return torch


def library() -> str:
    """What ``trained`` descends with here."""
    torch = _torch()
    return f"PyTorch {torch.__version__}" if torch else f"numpy {np.__version__}"


def rate_at(step: int, steps: int, *, highest: float) -> float:
    """The rate of learning at a step: half a cosine down from the highest."""
    return float(highest * 0.5 * (1 + np.cos(np.pi * step / steps)) + 1e-5)


def step_down(optimizer: Any, cost: Any, *, rate: float) -> None:
    """One step of an optimizer of PyTorch down the slope of a cost."""
    for group in optimizer.param_groups:
        group["lr"] = rate
    optimizer.zero_grad(set_to_none=True)
    cost.backward()
    optimizer.step()


def _by_torch(
    examples: Examples, start: dict[str, Any], *, spread: float, rng: np.random.Generator, epochs: int
) -> tuple[dict[str, Any], float]:
    torch = _torch()
    on = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    features = torch.from_numpy(examples.features).to(on)
    count, answer = (torch.from_numpy(x).to(on) for x in (examples.count, examples.answer))
    first_row = torch.cumsum(count, 0) - count
    p = {name: torch.from_numpy(value).to(on).requires_grad_() for name, value in start.items()}
    adam = torch.optim.Adam(list(p.values()), lr=RATE)
    n, most = answer.numel(), int(examples.count.max())
    batch_size = min(BATCH, n)
    steps, step, loss = epochs * (n // batch_size), 0, 0.0
    for _ in range(epochs):
        order = torch.from_numpy(rng.permutation(n)).to(on)
        total = torch.zeros((), device=on)
        for k in range(n // batch_size):
            batch = order[k * batch_size : (k + 1) * batch_size]
            own = count[batch]
            frame = torch.repeat_interleave(torch.arange(batch_size, device=on), own)
            place = torch.arange(frame.numel(), device=on) - (torch.cumsum(own, 0) - own)[frame]
            x = features[first_row[batch][frame] + place].float()
            scale = torch.exp((2 * torch.rand(batch_size, device=on) - 1) * spread)[frame, None]
            x = torch.cat((x[:, : -len(EXTRAS)] * scale, x[:, -len(EXTRAS) :]), dim=1)
            hidden = torch.relu(torch.relu(x @ p["w1"] + p["b1"]) @ p["w2"] + p["b2"])
            logits = torch.full((batch_size, most + 1), -1e4, device=on)
            logits = logits.index_put((frame, place), hidden @ p["w3"])
            logits = torch.cat((logits[:, :most], p["silence"].expand(batch_size, 1)), dim=1)
            wanted = torch.where(answer[batch] < own, answer[batch], torch.full_like(own, most))
            cost = torch.nn.functional.cross_entropy(logits, wanted)
            step += 1
            step_down(adam, cost, rate=rate_at(step, steps, highest=RATE))
            total += cost.detach()
        loss = float(total) / (n // batch_size)
        print(f"  epoch loss {loss:.4f}", flush=True)
    return {name: value.detach().cpu().numpy() for name, value in p.items()}, loss


def _by_numpy(
    examples: Examples, p: dict[str, Any], *, spread: float, rng: np.random.Generator, epochs: int
) -> tuple[dict[str, Any], float]:
    first = {k: np.zeros_like(v) for k, v in p.items()}
    second = {k: np.zeros_like(v) for k, v in p.items()}
    n = examples.answer.size
    first_row = np.cumsum(examples.count) - examples.count
    batch_size = min(BATCH, n)
    steps, step, loss = epochs * (n // batch_size), 0, 0.0
    for _ in range(epochs):
        order = rng.permutation(n)
        total = 0.0
        for k in range(n // batch_size):
            batch = order[k * batch_size : (k + 1) * batch_size]
            cost, g = gradients(examples, batch, first_row[batch], p, rng, spread)
            total += cost
            step += 1
            for name, value in g.items():
                first[name] += 0.1 * (value - first[name])
                second[name] += 0.001 * (value * value - second[name])
                m = first[name] / (1 - 0.9**step)
                v = second[name] / (1 - 0.999**step)
                p[name] -= np.float32(rate_at(step, steps, highest=RATE)) * m / (np.sqrt(v) + np.float32(1e-8))
        loss = total / (n // batch_size)
        print(f"  epoch loss {loss:.4f}", flush=True)
    return p, loss


def gradients(
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
    x[:, : -len(EXTRAS)] *= np.exp(rng.uniform(-spread, spread, batch.size)).astype(np.float32)[frame, None]
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
