"""Trains the network that looks at changes of note a second time (``pipeline.signal.line.glide_network``).

Sides are rendered with our own voices, half of them without piano and deep in noise, followed with the line in use, and
every change of note that the line shows is held against the plan: which share of the way sounds in each row, whether it
glides there, and whether a slide of the plan leads from one note to the other. Needs PyTorch: some minutes with an
accelerator, a night without.
"""

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.learned_from import names_array
from pipeline.signal.line import glide_network
from pipeline.signal.line.between import CELL, COLUMNS, FIRST, MOST_ROWS, NAMES, PLANES, STEP, Change
from pipeline.signal.line.follow import first_look
from pipeline.signal.line.glide_network import APART, ROW_HIDDEN, TAPS, VIEW_HIDDEN, WIDTHS
from pipeline.signal.line.second_look import changes, views
from pipeline.signal.line.spectrum import F32, HOP_S
from pipeline.signal.synth.plan import Truth
from pipeline.training.crew import Crew
from pipeline.training.descent import poured, rate_at, step_down
from pipeline.training.scenes import REAL_SHARE, SAMPLE_RATE_HZ, training_side
from pipeline.units import A4_HZ, Floats, midi_of_hz, ms_of_s

SEED = 61
SIDE_S = 30.0
SIDES = {"violin": 11200, "viola": 2800, "cello": 6800}
HELD_BACK = {"violin": 60, "viola": 20, "cello": 30}
HELD_BACK_FROM = 1_000_000
SHARES: dict[str, Any] = {"loud_share": 0.25, "shifting_share": 0.4, "noisy_share": 0.55}
EPOCHS, BATCH, RATE, DECAY = 20, 1024, 2.5e-3, 1e-3
SPREAD, PARTIAL_SPREAD = 0.25, 0.3
"""How far views, and each plane of one, may stand out of their noise more or less than they do: powers of e."""
DEAF, CUT = 0.1, 4
"""How often a plane of a view is not heard, and rows that may be missing at either end."""
DROPPED = 0.2
"""Share of what is kept of a view that is left out, each time others."""
GLIDING = (0.12, 0.93)
"""Shares of the way between which a row of a slide is gliding."""
SMALLEST, LARGEST = 0.6, 1.6
"""Between these shares of the planned interval, the change is that of the slide."""
IN_SLIDES, ON_GLIDING = 4.0, 2.0
"""Weights of rows within slides, and of what glides, beside the rest."""
NOT_KNOWN = -1
"""Of a row in a double stop, or outside the side."""


@dataclass
class Examples:
    """Views one after the other: rows (m, ``COLUMNS``, planes), of n views so many ``length`` each.

    ``column`` (m,) is what sounds, ``COLUMNS`` none of them, ``NOT_KNOWN``; ``sliding`` (m,) whether a planned slide is
    under way; ``glide`` (n,) whether a planned slide leads from note to note; ``fixed`` (n, 2) interval and pitch.
    """

    rows: npt.NDArray[np.float16]
    column: npt.NDArray[np.int8]
    sliding: npt.NDArray[np.bool_]
    length: npt.NDArray[np.int64]
    glide: npt.NDArray[np.bool_]
    fixed: F32


@dataclass(frozen=True)
class Job:
    """One side to learn from."""

    instrument: str
    number: int


def examples_for(job: Job) -> Examples:
    """Examples of one side."""
    rng = np.random.default_rng([SEED, list(SIDES).index(job.instrument), job.number])
    samples, truth = training_side(rng, instrument=job.instrument, length_s=SIDE_S, real_share=REAL_SHARE, **SHARES)
    return examples_of(samples, truth, instrument=job.instrument)


def examples_of(samples: F32, truth: Truth, *, instrument: str) -> Examples:
    """Examples of a rendered side."""
    line, side = first_look(samples, sample_rate_hz=SAMPLE_RATE_HZ, instrument=instrument)
    found = changes(line)
    seen = views(found, side.spectra, lowest_midi=side.search.lowest_midi)
    told = [_told(change, truth) for change in found]
    none = np.zeros((0, COLUMNS, PLANES + 2), dtype=np.float32)
    rows = np.concatenate([none, *seen])
    return Examples(
        rows[..., :PLANES].astype(np.float16),
        np.concatenate([np.zeros(0, dtype=np.int8), *(column for column, _, _ in told)]),
        np.concatenate([np.zeros(0, dtype=np.bool_), *(sliding for _, sliding, _ in told)]),
        np.array([len(one) for one in seen], dtype=np.int64),
        np.array([glide for _, _, glide in told], dtype=np.bool_),
        np.array([one[0, 0, PLANES:] for one in seen], dtype=np.float32).reshape(-1, 2),
    )


def _told(change: Change, truth: Truth) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.bool_], bool]:
    """Column and sliding of each row of a change, and whether it is a slide, by the plan."""
    at = np.arange(*change.rows) * STEP * HOP_S
    place = np.rint(ms_of_s(at)).astype(np.int64)
    inside = (place >= 0) & (place < truth.f0_hz.size)
    place = np.clip(place, 0, truth.f0_hz.size - 1)
    way = (midi_of_hz(truth.f0_hz[place], reference_pitch_hz=A4_HZ) - change.a) / (change.b - change.a)
    column = np.rint((way - FIRST) / CELL)
    column = np.where((column >= 0) & (column < COLUMNS), column, COLUMNS)
    known = inside & ~(truth.double_stop[place] if truth.double_stop.size else np.zeros(place.size, dtype=np.bool_))
    sliding = np.zeros(at.size, dtype=np.bool_)
    first_s, last_s = ((change.end - 8) * HOP_S, (change.start + 8) * HOP_S)
    glide = False
    for slide in truth.slides:
        sliding |= (at >= slide.transfer_start_s) & (at <= slide.transfer_end_s)
        size = (change.b - change.a) / (slide.planned.to_midi - slide.planned.from_midi)
        meets = min(last_s, slide.transfer_end_s) > max(first_s, slide.transfer_start_s)
        glide |= meets and SMALLEST < size < LARGEST
    return np.where(known, column, NOT_KNOWN).astype(np.int8), sliding & inside, glide


def joined(parts: list[Examples]) -> Examples:
    """Examples of many sides as one; ``parts`` is emptied meanwhile, for together they would hardly fit in memory."""
    length, glide, fixed = (np.concatenate([getattr(p, name) for p in parts]) for name in ("length", "glide", "fixed"))
    column, sliding = (np.concatenate([getattr(p, name) for p in parts]) for name in ("column", "sliding"))
    return Examples(poured(parts, "rows"), column, sliding, length, glide, fixed)


def trained(examples: Examples, *, epochs: int = EPOCHS) -> tuple[dict[str, Any], float]:
    """Weights of ``glide_network`` and the mean loss of the last epoch.

    Raises
    ------
    ModuleNotFoundError
        Without PyTorch.
    """
    import torch
    from torch.nn import functional

    torch.manual_seed(SEED)
    on = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    rows, column, sliding, length, glide, fixed = (
        torch.from_numpy(getattr(examples, name)).to(on)
        for name in ("rows", "column", "sliding", "length", "glide", "fixed")
    )
    first_row = torch.cumsum(length, 0) - length
    p = {name: torch.from_numpy(value).to(on).requires_grad_() for name, value in fresh_weights().items()}
    adam = torch.optim.AdamW(list(p.values()), lr=RATE, weight_decay=DECAY)
    n = length.numel()
    batch_size = min(BATCH, n)
    steps, step, loss = epochs * (n // batch_size), 0, 0.0
    for _ in range(epochs):
        order = torch.randperm(n).to(on)
        total = torch.zeros((), device=on)
        for k in range(n // batch_size):
            batch = order[k * batch_size : (k + 1) * batch_size]
            own = length[batch]
            cut = (torch.rand(2, batch_size, device=on) * (CUT + 1)).long() * (own > 4 * CUT)
            own = own - cut.sum(0)
            place = torch.arange(int(own.max()), device=on)[None]
            there = place < own[:, None]
            at = torch.where(there, (first_row[batch] + cut[0])[:, None] + place, 0)
            x = rows[at].float() * torch.exp((2 * torch.rand(batch_size, 1, 1, 1, device=on) - 1) * SPREAD)
            x = x * torch.exp((2 * torch.rand(batch_size, 1, 1, PLANES, device=on) - 1) * PARTIAL_SPREAD)
            x = x * (torch.rand(batch_size, 1, 1, PLANES, device=on) >= DEAF)
            x = torch.cat((x, fixed[batch][:, None, None].expand(*x.shape[:3], 2)), dim=3) * there[..., None, None]
            with torch.autocast(on.type, dtype=torch.bfloat16, enabled=on.type == "cuda"):
                odds, local, ways = forward(torch, p, x, there, dropped=DROPPED)
            odds, local, ways = odds.float(), local.float(), ways.float()
            answer = column[at].long()
            known = there & (answer != NOT_KNOWN)
            share = FIRST + CELL * answer
            gliding = sliding[at] & (share > GLIDING[0]) & (share < GLIDING[1]) & (answer < COLUMNS)
            weight = known * (1 + (IN_SLIDES - 1) * sliding[at])
            wrong = functional.cross_entropy(ways.flatten(0, 1), answer.clamp(min=0).flatten(), reduction="none")
            cost = (wrong.reshape(answer.shape) * weight).sum() / weight.sum()
            rate = functional.binary_cross_entropy_with_logits(odds[:, None] + local, gliding.float(), reduction="none")
            cost = cost + ON_GLIDING * (rate * known).sum() / known.sum()
            cost = cost + functional.binary_cross_entropy_with_logits(odds, glide[batch].float())
            step += 1
            step_down(adam, cost, rate=rate_at(step, steps, highest=RATE))
            total += cost.detach()
        loss = float(total) / (n // batch_size)
        print(f"  epoch loss {loss:.4f}", flush=True)
    return {name: value.detach().cpu().numpy() for name, value in p.items()}, loss


def fresh_weights() -> dict[str, F32]:
    """Weights from which training begins, by name (see ``glide_network.judge``)."""
    rng = np.random.default_rng(SEED)
    held: dict[str, Any] = {}
    planes = len(NAMES)
    for k, (width, taps) in enumerate(zip(WIDTHS, TAPS, strict=True)):
        held[f"w{k}"] = rng.normal(0, np.sqrt(2 / (3 * planes * taps)), (taps, 3 * planes, width))
        held[f"b{k}"] = np.zeros(width)
        planes = width
    across = COLUMNS // 2 * planes
    shapes = {"row": (across, ROW_HIDDEN), "way": (planes, 2), "none": (ROW_HIDDEN, 1), "local": (ROW_HIDDEN, 1)}
    shapes |= {"view": (2 * ROW_HIDDEN, VIEW_HIDDEN), "glide": (VIEW_HIDDEN, 1)}
    for name, shape in shapes.items():
        held[f"{name}_w"] = rng.normal(0, np.sqrt((2 if name in ("row", "view") else 1) / shape[0]), shape)
        held[f"{name}_b"] = np.zeros(shape[1])
    return {name: np.asarray(value, dtype=np.float32) for name, value in held.items()}


def forward(torch: Any, p: dict[str, Any], x: Any, there: Any, *, dropped: float = 0.0) -> tuple[Any, Any, Any]:
    """What ``glide_network.judge`` works out, of views (n, rows, columns, planes) filled up to the longest.

    ``there`` (n, rows) is false where a view is filled up; ``dropped`` is the share left out of what is kept of a view,
    as in training. Gives log odds of a glide (n,), what rows add to them (n, rows), and logits of the columns and of
    none (n, rows, ``COLUMNS`` + 1).
    """
    functional = torch.nn.functional
    inside = there[..., None, None].float()
    for k, (taps, apart) in enumerate(zip(TAPS, APART, strict=True)):
        w = p[f"w{k}"]
        kernel = w.reshape(taps, 3, -1, w.shape[2]).permute(3, 2, 0, 1)
        y = functional.conv2d(
            x.permute(0, 3, 1, 2), kernel, p[f"b{k}"], padding=(taps // 2 * apart, 1), dilation=(apart, 1)
        )
        x = torch.relu(y).permute(0, 2, 3, 1) * inside
        if k == 1:
            x = torch.maximum(x[:, :, ::2], x[:, :, 1::2])
    n, length = x.shape[:2]
    rows = torch.relu(x.reshape(n, length, -1) @ p["row_w"] + p["row_b"]) * inside[..., 0]
    along = (x @ p["way_w"] + p["way_b"]).reshape(n, length, COLUMNS)
    ways = torch.cat((along, rows @ p["none_w"] + p["none_b"]), dim=2)
    pooled = torch.cat((rows.sum(1) / there.sum(1, keepdim=True), rows.amax(1)), dim=1)
    pooled = functional.dropout(pooled, dropped)
    odds = torch.relu(pooled @ p["view_w"] + p["view_b"]) @ p["glide_w"] + p["glide_b"]
    return odds[:, 0], (rows @ p["local_w"] + p["local_b"])[..., 0], ways


def figures(examples: Examples, p: dict[str, F32]) -> dict[str, Any]:
    """How the weights do on examples not learned from: shares of rows within slides, and of changes."""
    edges = np.cumsum(examples.length)
    x = [
        np.concatenate([rows, np.broadcast_to(fixed, (*rows.shape[:2], 2))], axis=2, dtype=np.float32)
        for rows, fixed in zip(np.split(examples.rows, edges[:-1]), examples.fixed, strict=True)
    ]
    judged = [one for at in range(0, len(x), 64) for one in glide_network.judge(x[at : at + 64], p)]
    way = np.concatenate([one.way for one in judged])[:, :COLUMNS].argmax(axis=1)
    within = examples.sliding & (examples.column >= 0) & (examples.column < COLUMNS)
    return {
        "changes": int(examples.length.size),
        "slides": int(examples.glide.sum()),
        "rows_in_slides_within_a_cell_and_a_half": round(
            float(np.mean(np.abs(way[within] - examples.column[within]) <= 1.5)), 4
        ),
        "found_where_nine_of_ten_are_right": round(
            recall_at(np.array([one.glide for one in judged]), examples.glide, precision=0.9), 4
        ),
    }


def recall_at(score: Floats, true: npt.NDArray[np.bool_], *, precision: float) -> float:
    """Share of what is true among the highest scores, as many as have this share of true ones."""
    ordered = true[np.argsort(-score, kind="stable")]
    right = np.cumsum(ordered)
    enough = np.flatnonzero(right / np.arange(1, ordered.size + 1) >= precision)
    return float(right[enough[-1]] / true.sum()) if enough.size and true.any() else 0.0


def learn(crew: Crew, *, scale: float) -> None:
    """Learn from the sides of ``SIDES``, test on those of ``HELD_BACK``, write weights and record.

    ``scale`` multiplies the numbers of sides.
    """
    jobs = [Job(name, k) for name, count in SIDES.items() for k in range(max(2, round(count * scale)))]
    examples = joined(list(crew.over(examples_for, jobs)))
    print(f"glides: {examples.length.size} changes of {len(jobs)} sides", flush=True)
    weights, loss = trained(examples)
    weights = {name: value.astype(np.float16) for name, value in weights.items()}
    np.savez_compressed(glide_network.WEIGHTS, **weights, names=names_array(NAMES))
    glide_network.weights.cache_clear()
    held_back = {}
    for name, count in HELD_BACK.items():
        count = max(2, round(count * min(scale, 1.0)))
        jobs_held = [Job(name, k) for k in range(HELD_BACK_FROM, HELD_BACK_FROM + count)]
        tested = joined(list(crew.over(examples_for, jobs_held)))
        held_back[name] = {"sides": count, **figures(tested, glide_network.weights())}
    record = {
        "made_by": "python -m pipeline.training",
        "seed": SEED,
        "seconds_a_side": SIDE_S,
        "sides": SIDES,
        "scale": scale,
        "sides_like_real_ones": REAL_SHARE,
        **SHARES,
        "changes": int(examples.length.size),
        "slides": int(examples.glide.sum()),
        "epochs": EPOCHS,
        "loss": round(loss, 4),
        "most_rows": MOST_ROWS,
        "planes": list(NAMES),
        "held_back": held_back,
    }
    text = json.dumps(record, indent=1) + "\n"
    glide_network.WEIGHTS.with_suffix(".json").write_text(text, encoding="utf-8")
    print(json.dumps(held_back), flush=True)
