"""Makes the weights of ``pipeline.signal.chords``: which candidates sound, and which of those are bowed or ring.

The first judge learns from mixes of its own; the second from others, on which the first has answered, so that it knows
how the first errs. Writes ``chord_trees.npz`` and, beside it, the record ``chord_trees.json``.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import logit
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression

from pipeline.learned_from import names_array
from pipeline.signal.chords import candidates, judge
from pipeline.signal.chords.candidates import EDGE
from pipeline.signal.chords.grid import F32, HOP_S, Levels, bins_of_midi, blocks
from pipeline.signal.slides.trees import Forest
from pipeline.training.chord_scenes import Mix, random_mix
from pipeline.training.crew import Crew
from pipeline.training.slide_trees import forest_of
from pipeline.units import Floats

Ints = npt.NDArray[np.int64]

SEED = 131
LENGTH_S = 15.0
INSTRUMENTS = ("violin", "viola", "cello")
MIXES = {"short": {"violin": 675, "viola": 180}, "long": {"viola": 400, "cello": 400}}
"""Mixes for each of the two judges of each window. The violin's learns from violas as well: more voices, and as few
notes of any pitch are lost."""
HELD_BACK = {"violin": {"violin": 48, "viola": 18}, "viola": {"viola": 36}, "cello": {"cello": 36}}
"""Mixes on which each instrument is calibrated: the viola is under-sure and the cello over-sure by the line of both.
With violins alone, the violin's single lines have more wrong notes."""
FIRST_FROM, SECOND_FROM, HELD_BACK_FROM = 0, 50_000, 100_000
EVERY = 2
"""One frame in so many is learned from: neighbours see much the same sound."""
FIRST_TREES = {"max_iter": 80, "max_leaf_nodes": 24, "learning_rate": 0.12, "min_samples_leaf": 60}
SECOND_TREES = {"max_iter": 150, "max_leaf_nodes": 31, "learning_rate": 0.08, "min_samples_leaf": 60}
RIGHT_BINS, NEAR_BINS = 2.5, 4.0
"""A candidate so near a note is that note; one a little further off teaches nothing."""
EDGE_S, AFTER_S = 0.03, 0.15
"""So near the edges of a note, and so long after it has rung, a candidate at its pitch teaches nothing."""
TAUGHT_NOTHING = -1
ATTACK_SHARE = 0.38
"""Share of its attack at which a note is 10 dB under its level."""


def states_of(mix: Mix, bins: npt.NDArray[np.int32], first: int) -> Ints:
    """What each candidate (frames, k) of the frames from ``first`` on is: an index of ``judge.STATES``, or -1."""
    time_s = (first + np.arange(len(bins))) * HOP_S
    out = np.zeros(bins.shape, dtype=np.int64)
    for note, midi in zip(mix.notes, mix.midi, strict=True):
        near = (time_s > note.start_s - EDGE_S) & (time_s < note.rings_s + AFTER_S)
        rows = np.flatnonzero(near)
        if not rows.size:
            continue
        frames = np.clip(first + rows, 0, midi.size - 1)
        known = np.flatnonzero(np.isfinite(midi))
        if not known.size:
            continue
        place = bins_of_midi(np.interp(frames, known, midi[known]))
        away = np.where(bins[rows] >= 0, np.abs(bins[rows] - place[:, None]), np.inf)
        sounds_s = note.start_s + ATTACK_SHARE * note.attack_s
        at = time_s[rows][:, None]
        bowed = (at > sounds_s + EDGE_S) & (at < note.end_s - EDGE_S)
        ringing = (at > note.end_s + EDGE_S) & (at < note.rings_s)
        state = np.where(bowed, 2, np.where(ringing, 1, TAUGHT_NOTHING))
        hit = away <= RIGHT_BINS
        # A bowed note at the same pitch outweighs an old one that rings.
        out[rows] = np.where(hit & (out[rows] != 2), state, out[rows])
        out[rows] = np.where((away > RIGHT_BINS) & (away <= NEAR_BINS) & (out[rows] == 0), TAUGHT_NOTHING, out[rows])
    return out


@dataclass(frozen=True)
class Job:
    """One mix, by its seed, seen by one of ``judge.WINDOWS``.

    With ``first`` the second judge's rows are wanted, else the first's.
    """

    instrument: str
    seed: int
    kind: str
    first: Forest | None = None

    def mix(self) -> Mix:
        """The mix."""
        rng = np.random.default_rng([SEED, INSTRUMENTS.index(self.instrument), self.seed])
        return random_mix(rng, instrument=self.instrument, length_s=LENGTH_S)


def rows_for(job: Job) -> tuple[F32, Ints]:
    """Features and states of candidates of one mix."""
    mix = job.mix()
    seen, states = [], []
    for levels in blocks(mix.samples, window=judge.WINDOWS[job.kind]):
        for values, state in _rows(mix, levels, job):
            seen.append(values)
            states.append(state)
    return np.concatenate(seen), np.concatenate(states)


def _rows(mix: Mix, levels: Levels, job: Job) -> list[tuple[F32, Ints]]:
    if job.first is None:
        saliences = candidates.salience(levels.white)
        bins = candidates.choose(saliences, instrument=job.instrument)
        wanted = bins >= 0
    else:
        heard = judge.first_answers(levels, job.first, instrument=job.instrument)
        bins, wanted = heard.bins, heard.answers >= judge.LEAST_ANSWER
    states = states_of(mix, bins, levels.first - EDGE)
    wanted[:EDGE] = wanted[len(bins) - EDGE :] = False
    wanted[np.arange(len(bins)) % EVERY != job.seed % EVERY] = False
    wanted &= states != TAUGHT_NOTHING
    if not wanted.any():
        return []
    if job.first is None:
        frame, which = (found.astype(np.int32) for found in np.nonzero(wanted))
        values = candidates.describe(levels, saliences, bins, frame, which)
    else:
        values = heard.second_rows(levels, wanted)
    return [(values, states[wanted])]


def gathered(
    crew: Crew, mixes: dict[str, int], *, kind: str, start: int, first: Forest | None = None
) -> tuple[F32, Ints]:
    """Rows of random mixes, seen by one window."""
    jobs = [Job(name, seed, kind, first) for name, count in mixes.items() for seed in range(start, start + count)]
    found = list(crew.over(rows_for, jobs))
    return np.concatenate([values for values, _ in found]), np.concatenate([states for _, states in found])


def grown(values: F32, states: Ints, trees: dict[str, Any]) -> Forest:
    """Trees for two or three states."""
    model = HistGradientBoostingClassifier(**trees, l2_regularization=2.0, early_stopping=False, random_state=SEED)
    model.fit(values, states)
    return forest_of(model, 1 if states.max() < 2 else 3)


@dataclass(frozen=True)
class Heard:
    """How one mix was heard: per kept candidate its answer and whether it is bowed, and counts for the figures."""

    answer: Floats
    bowed: npt.NDArray[np.bool_]
    counts: dict[str, int]


def hear(job: Job, *, judged_as: str) -> Heard:
    """Answers on a mix not learned from, by the weights as they were last written."""
    judge.forget_weights()
    mix = job.mix()
    heard = judge.which_sound(mix.samples, instrument=job.instrument, judged_as=judged_as)
    states = states_of(mix, heard.bins, 0)
    told = (heard.bins >= 0) & (states != TAUGHT_NOTHING)
    said = (heard.bowed > 0.5) & told
    time_s = heard.time_s
    bowed = np.array([(time_s > n.start_s + ATTACK_SHARE * n.attack_s) & (time_s < n.end_s) for n in mix.notes])
    found = np.array(
        [
            np.any((np.abs(heard.bins - bins_of_midi(midi)[:, None]) <= RIGHT_BINS) & (heard.bowed > 0.5), axis=1)
            for midi in (m[: time_s.size] for m in mix.midi)
        ]
    )
    several, several_said = bowed.sum(axis=0) >= 2, ((heard.bins >= 0) & (heard.bowed > 0.5)).sum(axis=1) >= 2
    ringing = told & (states == 1)
    return Heard(
        heard.bowed[told].astype(np.float64),
        states[told] == 2,
        {
            "notes": int(bowed.sum()),
            "notes_found": int((bowed & found).sum()),
            "said": int(said.sum()),
            "said_right": int((said & (states == 2)).sum()),
            "several": int(several.sum()),
            "several_said": int(several_said.sum()),
            "several_right": int((several & several_said).sum()),
            "ringing": int(ringing.sum()),
            "ringing_called_bowed": int((ringing & said).sum()),
            "ringing_called_ringing": int((ringing & (heard.ringing > 0.5)).sum()),
        },
    )


def heard_on(crew: Crew, mixes: dict[str, int], *, judged_as: str) -> list[Heard]:
    """Answers on held-back mixes, by the judges of one instrument."""
    kind = judge.kind_of_window(judged_as)
    jobs = [Job(name, HELD_BACK_FROM + seed, kind) for name, count in mixes.items() for seed in range(count)]
    return list(crew.over(partial(hear, judged_as=judged_as), jobs))


def figures(heard: list[Heard]) -> dict[str, float]:
    """Precision and recall in frames."""
    total = {name: sum(one.counts[name] for one in heard) for name in heard[0].counts}

    def share(part: str, whole: str) -> float:
        return round(total[part] / max(total[whole], 1), 4)

    return {
        "note_frames": total["notes"],
        "note_recall": share("notes_found", "notes"),
        "note_precision": share("said_right", "said"),
        "several_recall": share("several_right", "several"),
        "several_precision": share("several_right", "several_said"),
        "ringing_called_bowed": share("ringing_called_bowed", "ringing"),
        "ringing_called_ringing": share("ringing_called_ringing", "ringing"),
    }


def learn(crew: Crew, *, scale: float, kinds: Iterable[str] = judge.WINDOWS) -> None:
    """Learn the judges of these windows, calibrate them, test on mixes of other seeds, write weights and record.

    Judges of other windows stay as they are. ``scale`` multiplies the numbers of mixes.
    """
    for kind in kinds:
        mixes = _scaled(MIXES[kind], scale)
        rows: dict[str, int] = {}
        values, states = gathered(crew, mixes, kind=kind, start=FIRST_FROM)
        first, rows["first"] = grown(values, np.minimum(states, 1), FIRST_TREES), len(values)
        values, states = gathered(crew, mixes, kind=kind, start=SECOND_FROM, first=first)
        second, rows["second"] = grown(values, states, SECOND_TREES), len(values)
        print(f"chords: {kind} grown", flush=True)
        own = [name for name in INSTRUMENTS if judge.kind_of_window(name) == kind]
        arrays = {**first.arrays(f"{kind}_first"), **second.arrays(f"{kind}_second")}
        _put(arrays | {f"{name}_line": np.array([1.0, 0.0]) for name in own})
        tested: dict[str, Any] = {}
        for name in own:
            held_back = _scaled(HELD_BACK[name], min(scale, 1.0))
            line = calibration(heard_on(crew, held_back, judged_as=name))
            _put({f"{name}_line": line})
            found = figures(heard_on(crew, {name: held_back[name]}, judged_as=name))
            tested[name] = {"mixes": held_back, "calibration": [round(float(x), 4) for x in line], **found}
        _note(kind, {"mixes_for_each_judge": mixes, "rows": rows, "held_back": tested})
        print(json.dumps(tested), flush=True)


def calibration(heard: list[Heard]) -> Floats:
    """Slope and offset that turn log odds of answers into those of being bowed (Platt 1999)."""
    share = np.clip(np.concatenate([one.answer for one in heard]), 1e-4, 1.0 - 1e-4)
    line = LogisticRegression(C=100.0).fit(logit(share)[:, None], np.concatenate([one.bowed for one in heard]))
    return np.array([float(line.coef_[0, 0]), float(line.intercept_[0])])


def _scaled(mixes: dict[str, int], scale: float) -> dict[str, int]:
    return {name: max(2, round(count * scale)) for name, count in mixes.items()}


def _put(arrays: dict[str, npt.NDArray[np.generic]]) -> None:
    """Put these arrays into the file of weights."""
    known: dict[str, npt.NDArray[np.generic]] = {}
    if judge.WEIGHTS.exists():
        with np.load(judge.WEIGHTS) as file:
            known = {name: file[name] for name in file.files}
    known |= arrays
    known |= {"first_names": names_array(judge.FIRST_NAMES), "second_names": names_array(judge.SECOND_NAMES)}
    np.savez_compressed(judge.WEIGHTS, **known)  # type: ignore[arg-type]


def _note(kind: str, noted: dict[str, Any]) -> None:
    """Put what the judges of one window were learned from into the record."""
    path = judge.WEIGHTS.with_suffix(".json")
    record = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    how = {
        "made_by": "python -m pipeline.training",
        "seed": SEED,
        "length_s": LENGTH_S,
        "trees": {"first": FIRST_TREES, "second": SECOND_TREES},
    }
    path.write_text(json.dumps(record | {kind: how | noted}, indent=1) + "\n", encoding="utf-8")
