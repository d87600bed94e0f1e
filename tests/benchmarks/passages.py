"""Found notes laid on the written part: how many are placed, how many wrongly, and what disturbances cost.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.passages --folder FOLDER [--renders 4] [--out table.txt]

Solo violin with note lists (FOLDER/solo_violin), folded where a section comes twice, and rendered sides. Sound goes
through ``follow`` and ``detect`` first. For each take:

- *placed*: share of the found notes that have a written place; *wrong*: of these, those for which another event of
  their pitch begins nearer in time, or which begin a quarter of a second from theirs (lists are estimates themselves);
- *sure*, *wrong*: the same of notes placed with probability .9 and more;
- *events*: share of the played events that have a placed note within 100 ms; *possible*: those that any found note of
  their pitch meets: no aligner of notes can do better. *lost*: the difference.

Then each disturbance by itself, and all at once: another key, the last repeat left out, a twelfth cut, twenty seconds
of the same notes in another order before, 20 % of the notes missing and 20 % false (but for octaves, which are the
event an octave off), tempo swinging by 40 %. Then every take on every other part, the stated probabilities in five
bins, and the cost of a side of four minutes.
"""

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.signal.passages.lay import lay
from tests.benchmarks.passage_takes import Floats, Played, Take, real_takes, rendered_takes

NEAR_S, FAR_S, SAME_PITCH = 0.1, 0.25, 0.6
DRAWS = 3
"""Each disturbance that is drawn is drawn so often; rows give the mean."""
SHARES = ("placed", "wrong", "sure", "sure_wrong", "events", "possible", "lost")
LONG = 400
"""Notes from which on a take tells what a side costs."""


@dataclass(frozen=True)
class Score:
    """What came of one take in one condition; ``stated`` and ``right`` of every placed note, for calibration."""

    placed: float
    wrong: float
    sure: float
    sure_wrong: float
    events: float
    possible: float
    stated: Floats
    right: npt.NDArray[np.bool_]
    seconds: float

    @property
    def lost(self) -> float:
        return self.possible - self.events


def scored(take: Take, *, shift: int = 0) -> Score:
    """Lays the take and compares; ``shift`` is the key that must be found."""
    began = time.process_time()
    fit = lay(take.part, midi=take.notes[:, 1], start_s=take.notes[:, 0])
    seconds = time.process_time() - began
    real = np.isfinite(take.real_s)
    midi = take.notes[:, 1] - shift
    placed = fit.placed if fit.shift == shift else np.zeros(midi.size, dtype=np.bool_)
    right = np.array([_right(take, fit.event[j], take.real_s[j], midi[j]) for j in range(midi.size)]) & placed
    sure = placed & (fit.probability >= 0.9)
    hit = possible = 0
    heard = np.flatnonzero(real)
    for event, start, pitches in zip(take.played.event, take.played.start_s, take.played.pitches, strict=True):
        near = heard[np.abs(take.real_s[heard] - start) <= NEAR_S]
        met = near[np.array([min(abs(midi[j] - p) for p in pitches) <= SAME_PITCH for j in near], dtype=np.bool_)]
        possible += met.size > 0
        hit += bool(np.any(placed[met] & (fit.event[met] == event)))
    wrong = placed & ~right
    return Score(
        placed=float(placed[real].mean()),
        wrong=float(wrong.sum() / max(placed.sum(), 1)),
        sure=float(sure[real].mean()),
        sure_wrong=float((sure & wrong).sum() / max(sure.sum(), 1)),
        events=hit / take.played.event.size,
        possible=possible / take.played.event.size,
        stated=fit.probability[placed],
        right=right[placed],
        seconds=seconds,
    )


def _right(take: Take, event: int, real_s: float, midi: float) -> bool:
    """Whether no other played event of that pitch, an octave's mistake forgiven, begins nearer than this one."""
    played = take.played
    own = np.flatnonzero(played.event == event)
    if not own.size or not np.isfinite(real_s):
        return False
    away = np.abs(played.start_s[own] - real_s)
    best = own[int(np.argmin(away))]
    within = played.start_s[best] - NEAR_S <= real_s <= played.end_s[best]
    if away.min() > FAR_S and not within:
        return False
    near = np.flatnonzero(np.abs(played.start_s - real_s) < away.min() - 1e-9)
    others = (min(abs(midi - p) % 12.0 for p in played.pitches[i]) for i in near if played.event[i] != event)
    return not any(off <= SAME_PITCH for off in others)


Disturbed = tuple[str, Take, int]


def disturbed(take: Take, rng: np.random.Generator) -> Iterator[Disturbed]:
    """Each disturbance by itself, and all at once, drawn ones anew each time; with the key that must be found."""
    yield "as played", take, 0
    for shift in (-2, 2):
        yield f"key {shift:+d}", _moved(take, shift), shift
    if take.repeat is not None:
        yield "repeat out", without(take, *take.repeat), 0
    middle = take.played.event.size // 3
    cut = without(take, middle, middle + take.played.event.size // 12)
    yield "cut", cut, 0
    yield "tempo 40 %", _rubato(take), 0
    for _ in range(DRAWS):
        yield "introduction", _introduced(take, rng), 0
        yield "20 % missing, 20 % false", _spoilt(take, rng, 0.2), 0
        every = _rubato(_introduced(_spoilt(_moved(cut, 1), rng, 0.1), rng))
        yield "all at once, 10 %", every, 1


def _with(take: Take, notes: Floats, real_s: Floats, played: Played | None = None) -> Take:
    return Take(take.name, take.part, played or take.played, notes, real_s)


def _moved(take: Take, shift: int) -> Take:
    return _with(take, take.notes + np.array([0.0, shift]), take.real_s)


def without(take: Take, begin: int, end: int) -> Take:
    """The take without some of the events played, and without the notes that sound in them."""
    played = take.played
    keep = np.ones(played.event.size, dtype=np.bool_)
    keep[begin:end] = False
    last = played.start_s[end] if end < keep.size else np.inf
    gone = (take.real_s >= played.start_s[begin] - NEAR_S / 2) & (take.real_s < last - NEAR_S / 2)
    notes = take.notes.copy()
    notes[take.real_s >= last - NEAR_S / 2, 0] -= last - played.start_s[begin] if np.isfinite(last) else 0.0
    left = Played(
        played.event[keep],
        played.start_s[keep],
        played.end_s[keep],
        tuple(p for p, kept in zip(played.pitches, keep, strict=True) if kept),
    )
    return _with(take, notes[~gone], take.real_s[~gone], left)


def _introduced(take: Take, rng: np.random.Generator) -> Take:
    steps = np.diff(take.notes[:, 0])
    count = int(20.0 / max(float(steps.mean()), 0.05))
    at = take.notes[0, 0] - np.cumsum(rng.choice(steps, count))[::-1]
    before = np.column_stack([at, rng.choice(take.notes[:, 1], count)])
    return _with(take, np.vstack([before, take.notes]), np.append(np.full(count, np.nan), take.real_s))


def _spoilt(take: Take, rng: np.random.Generator, share: float) -> Take:
    kept = np.sort(rng.permutation(len(take.notes))[: round((1.0 - share) * len(take.notes))])
    notes, real = take.notes[kept], take.real_s[kept]
    false = notes[rng.choice(len(notes), round(share * len(notes)), replace=False)]
    away = rng.choice([-7, -5, -4, -3, -2, -1, 1, 2, 3, 4, 5, 7], len(false))
    false = false + np.column_stack([rng.uniform(0.02, 0.15, len(false)), away])
    notes, real = np.vstack([notes, false]), np.append(real, np.full(len(false), np.nan))
    order = np.argsort(notes[:, 0], kind="stable")
    return _with(take, notes[order], real[order])


def _rubato(take: Take) -> Take:
    """Tempo between 0.6 and 1.4 of what it was, over and over in twenty seconds."""
    at = take.notes[:, 0]
    swung = at - at[0] + 0.4 * 20.0 / (2.0 * np.pi) * (1.0 - np.cos(2.0 * np.pi * (at - at[0]) / 20.0))
    return _with(take, np.column_stack([swung, take.notes[:, 1]]), take.real_s)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--renders", type=int, default=4)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    takes = [*(real_takes(given.folder) if given.folder else ()), *rendered_takes(given.renders)]
    lines = [told(takes, np.random.default_rng(given.seed)), others(takes)]
    text = "\n\n".join(lines)
    print(text)
    if given.out:
        given.out.write_text(text + "\n", encoding="utf-8")


def told(takes: list[Take], rng: np.random.Generator) -> str:
    """The table of takes and disturbances, the bins of stated probabilities, and the cost."""
    head = ("take", "notes", "chords", "", *(share.removeprefix("sure_") for share in SHARES))
    rows = [head]
    stated, right, cost = [], [], []
    for take in takes:
        chords = np.mean([len(pitches) > 1 for pitches in take.part.pitches])
        made: dict[str, list[Score]] = {}
        for name, changed, shift in disturbed(take, rng):
            score = scored(changed, shift=shift)
            made.setdefault(name, []).append(score)
            stated.append(score.stated)
            right.append(score.right)
            if len(changed.notes) >= LONG:  # of a short take the fixed cost is the most
                cost.append(score.seconds / (len(changed.notes) * len(take.part.pitches)))
        for name, scores in made.items():
            cells = (f"{np.mean([getattr(score, share) for score in scores]):.3f}" for share in SHARES)
            rows.append((take.name[-24:], str(len(take.notes)), f"{chords:.2f}", name, *cells))
    wide = [max(len(row[k]) for row in rows) for k in range(len(head))]
    lines = ["  ".join(cell.rjust(w) for cell, w in zip(row, wide, strict=True)) for row in rows]
    said, held = np.concatenate(stated), np.concatenate(right)
    bins = np.clip(np.digitize(said, [0.5, 0.7, 0.9, 0.99]), 0, 4)
    for k, words in enumerate(("below .5", ".5 to .7", ".7 to .9", ".9 to .99", ".99 and more")):
        own = bins == k
        if own.any():
            lines.append(f"stated {words}: mean {said[own].mean():.3f}, right {held[own].mean():.3f}, n {own.sum()}")
    # Four minutes: 700 notes found, 600 events.
    if cost:
        lines.append(f"a side of four minutes: {np.median(cost) * 700 * 600:.2f} s of CPU")
    return "\n".join(lines)


def others(takes: list[Take]) -> str:
    """Every take on every other part: all must be named as another work."""
    wrong = right = 0
    gains = {True: [], False: []}  # type: dict[bool, list[float]]
    for take in takes:
        for part in takes:
            fit = lay(part.part, midi=take.notes[:, 1], start_s=take.notes[:, 0])
            own = part is take
            gains[own].append(fit.gain)
            wrong += not own and fit.state == "placed"
            right += own and fit.state == "placed"
    worst = max(gains[False], default=float("nan"))
    return (
        f"own part fits: {right} of {len(takes)} (least gain {min(gains[True]):.2f}); another's fits: {wrong} of "
        f"{len(gains[False])} (greatest gain {worst:.2f})"
    )


if __name__ == "__main__":
    main()
