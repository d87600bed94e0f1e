"""What the pitch line adds where notes are missing: how much of what was played is said not to be reached.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.passage_line --folder FOLDER [--renders 4] [--lost 12] [--out FILE]

The takes of ``passages``. Of the events played: *missed*, share said not to be come by, by notes alone and with the
line; of the events not played: *invented*, said to be come by, as a share of those played. First as they are; then
with the notes of so many events in a row lost, in three places, at the beginning and at the end, while the line goes
on; then with as many cut out of notes and line, and with the line of other bars in their place, which nothing should
bridge.
"""

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.signal.passages.lay import lay, rounds
from pipeline.signal.passages.line import Notes, heard_in_line
from tests.benchmarks.passage_takes import Played, Take, real_takes, rendered_takes
from tests.benchmarks.passages import without

PLACES = (0.2, 0.5, 0.8)
Bools = npt.NDArray[np.bool_]


def passes(take: Take, *, with_line: bool) -> Counter[int] | None:
    """How often the take is said to come by each event; None if it is not placed."""
    fit = lay(take.part, midi=take.notes[:, 1], start_s=take.notes[:, 0])
    if fit.state != "placed":
        return None
    struck = np.where(fit.placed, fit.event, -1)
    line_s, line = take.line
    gaps = []
    if with_line:
        notes = Notes(struck, take.notes[:, 0], take.end_s, fit.beat_s)
        above = fit.shift + fit.tuning_cents / 100.0
        gaps = heard_in_line(take.part, notes, line_s=line_s, line_semitones=line - above)
    run = rounds(struck, [gap.after for gap in gaps if gap.joins])
    of_run: dict[int, list[int]] = {}
    for k, event in zip(run.tolist(), struck.tolist(), strict=True):
        if k:
            of_run.setdefault(k, []).append(event)
    for gap in gaps:
        for event in gap.event.tolist():
            goes_on = gap.before >= 0 and event > struck[gap.before]
            of_run[int(run[gap.before if goes_on else gap.after])].append(event)
    return Counter(e for events in of_run.values() for e in range(min(events), max(events) + 1))


def errors(take: Take, *, with_line: bool) -> tuple[float, float]:
    """Shares of the events played that are missed, and that are invented."""
    said = passes(take, with_line=with_line)
    if said is None:
        return np.nan, np.nan
    played = Counter(take.played.event.tolist())
    missed = sum(max(n - said[e], 0) for e, n in played.items())
    invented = sum(max(n - played[e], 0) for e, n in said.items())
    return missed / played.total(), invented / played.total()


def disturbed(take: Take, lost: int) -> Iterator[tuple[str, Take]]:
    """The take as it is, and in each way of the table."""
    yield "as it is", take
    size = take.played.event.size
    for name, begins in (
        ("lost inside", [round(p * (size - lost)) for p in PLACES]),
        ("lost at the beginning", [0]),
        ("lost at the end", [size - lost]),
    ):
        for begin in begins:
            yield name, _kept(take, ~_within(take, begin, begin + lost))
    for place in PLACES:
        begin = round(place * (size - lost))
        yield "cut out", _cut(take, begin, begin + lost)
        yield "other music", _other(take, begin, begin + lost)


def _within(take: Take, begin: int, end: int) -> Bools:
    """Which notes sound in those of the events played."""
    starts = take.played.start_s
    last = starts[end] if end < starts.size else np.inf
    return (take.notes[:, 0] >= starts[begin] - 0.05) & (take.notes[:, 0] < last - 0.05)


def _kept(take: Take, kept: Bools) -> Take:
    return replace(take, notes=take.notes[kept], real_s=take.real_s[kept], end_s=take.end_s[kept])


def _cut(take: Take, begin: int, end: int) -> Take:
    first, last = take.played.start_s[begin], take.played.start_s[min(end, take.played.start_s.size - 1)]
    made = without(take, begin, end)
    gone = (take.real_s >= first - 0.05) & (take.real_s < last - 0.05)
    line_s, line = take.line
    stays = (line_s < first) | (line_s >= last)
    moved = np.where(line_s >= last, line_s - (last - first), line_s)
    ends = np.where(take.end_s > last, take.end_s - (last - first), take.end_s)
    return replace(made, end_s=ends[~gone], line=(moved[stays], line[stays]))


def _other(take: Take, begin: int, end: int) -> Take:
    """The same bars with the line of those at the other side of the take, and without notes."""
    first, last = take.played.start_s[begin], take.played.start_s[min(end, take.played.start_s.size - 1)]
    line_s, line = take.line
    there = (line_s >= first) & (line_s < last)
    away = (line_s[-1] - line_s[0]) / 2
    from_s = line_s[there] + (away if first < away else -away)
    at = np.clip(np.searchsorted(line_s, from_s), 0, line_s.size - 1)
    changed = line.copy()
    changed[there] = line[at]
    keep = np.ones(take.played.event.size, dtype=np.bool_)
    keep[begin:end] = False
    own = take.played
    pitches = tuple(p for p, k in zip(own.pitches, keep, strict=True) if k)
    played = Played(own.event[keep], own.start_s[keep], own.end_s[keep], pitches)
    made = _kept(take, ~_within(take, begin, end))
    return replace(made, played=played, line=(line_s, changed))


def table(takes: list[Take], lost: int) -> str:
    """The table: of each take and way the means over places."""
    rows = []
    for take in takes:
        found: dict[str, list[tuple[float, ...]]] = {}
        for name, changed in disturbed(take, lost):
            both = (errors(changed, with_line=False), errors(changed, with_line=True))
            found.setdefault(name, []).append((both[0][0], both[1][0], both[0][1], both[1][1]))
        for name, values in found.items():
            means = np.nanmean(np.array(values), axis=0)
            rows.append((take.name[-24:], name, *(f"{mean:.4f}" for mean in means)))
    head = ("take", "", "missed: notes", "with line", "invented: notes", "with line")
    wide = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    return "\n".join("  ".join(cell.rjust(w) for cell, w in zip(row, wide, strict=True)) for row in (head, *rows))


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--renders", type=int, default=4)
    parser.add_argument("--lost", type=int, default=12)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    takes = [*(real_takes(given.folder) if given.folder else ()), *rendered_takes(given.renders)]
    text = table(takes, given.lost)
    print(text)
    if given.out:
        given.out.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
