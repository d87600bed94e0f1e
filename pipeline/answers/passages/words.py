"""A passage in plain text: a row for each take under the written notes, and sentences."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import combinations, groupby
from math import inf, isnan
from statistics import median
from typing import Any

import numpy as np

from pipeline.answers.counts import counts
from pipeline.answers.note_names import printed_name
from pipeline.answers.number_words import near_one_caution, ratio_words, with_limits
from pipeline.answers.passages.gather import PASSED_BY, Passage, TakeRow
from pipeline.counted import counted, short_of
from pipeline.signal.passages.part import LEAST_NOTES
from pipeline.stats.intervals import wilson_interval
from pipeline.stats.places import LEAST_PLAYERS_FOR_LIMITS, Told, place_effect, sentence

Row = dict[str, Any]
_CELL = 6
_COUNT = 9
LEAST_PLAYERS = 2
"""Players of whom it can be told, from which on a place is ranked."""
MOST_RANKED = 8
LEGEND = (
    "/ slides up   \\ slides down   . plays on without a slide   ? cannot tell   - does not come by   ~ slide printed\n"
    "  2A second finger, A string; 2A? less likely than not. A sign stands before the note to which its step leads\n"
    "  +2, -1 beside a take: played so many semitones above or below the written notes"
)


def table(passage: Passage, *, width: int, by: str | None = None) -> Iterator[str]:
    """Lines of the table, in as many pieces as the width asks for; whole bars stay together where they can.

    ``by``: also a row for each school or period, with how many slid of those that can be told.
    """
    groups = groups_of(passage, by) if by else {}
    labels = ["written", *passage.printed, *(take.label for take in passage.takes), *groups, "slid", "of"]
    head = min(max(map(len, labels)) + 2, 7 * width // 16)
    pieces = _pieces(passage.events, max((width - head - _COUNT) // _CELL, 2))
    for number, events in enumerate(pieces):
        if number:
            yield ""
        yield from _piece(passage, events, head, groups, last=number == len(pieces) - 1)


def _piece(
    passage: Passage, events: list[Row], head: int, groups: Mapping[str, Passage], *, last: bool
) -> Iterator[str]:
    def line(label: str, cells: list[str], end: str = "") -> str:
        return f"{label[: head - 1]:<{head}}{''.join(cells)}{end}".rstrip()

    bars = [str(e["bar"] or "") if i == 0 or e["bar"] != events[i - 1]["bar"] else "" for i, e in enumerate(events)]
    yield line("bar", [f"  {bar:<{_CELL - 2}}" for bar in bars])
    beats = ["" if e["is_grace"] else f"{e['beat']:.3g}" if e["beat"] is not None else str(e["event"]) for e in events]
    yield line("beat", [f"  {beat:<{_CELL - 2}}" for beat in beats])
    marks = {e["event"] + 1 for e in passage.events if e["slide_marked"]}
    yield line("written", [_cell("~" if e["event"] in marks else " ", printed_name(e["name"] or "")) for e in events])
    for edition, notes in passage.printed.items():
        slides = {event + 1 for event, row in notes.items() if row["slide_marked"]}
        cells = [
            _cell("~" if e["event"] in slides else " ", finger_words(notes.get(e["event"], {}).get("finger")))
            for e in events
        ]
        yield line(edition, cells)
    for take in passage.takes:
        cells = [
            _cell(_sign(take, e["event"], first=e is passage.events[0]), _finger(take, e["event"])) for e in events
        ]
        yield line(take.label, cells, f"  {take.slid} of {take.told}" if last else "")
    for name, group in groups.items():
        shares = [f"{slid}/{told}" if told else "" for slid, told in _slid_of_told(group, events)]
        cells = [f"{f' {share}' if len(share) >= _CELL - 1 else f'  {share}':<{_CELL}}" for share in shares]
        yield line(name, cells, "  {} of {}".format(*_all_slid_of_told(group)) if last else "")
    counted = list(_slid_of_told(passage, events))
    known = [e["event"] in passage.places for e in events]
    for number, label in enumerate(("slid", "of")):
        yield line(label, [_cell(" ", str(c[number]) if k else "") for c, k in zip(counted, known, strict=True)])


def _slid_of_told(passage: Passage, events: Iterable[Row]) -> Iterator[tuple[int, int]]:
    """How many slid into each event, and of how many it can be told."""
    for event in events:
        steps = [step for _, step in passage.outcomes(event["event"])]
        yield sum(step["outcome"] == "slid" for step in steps), len(steps)


def _all_slid_of_told(passage: Passage) -> tuple[int, int]:
    return sum(take.slid for take in passage.takes), sum(take.told for take in passage.takes)


def _pieces(events: list[Row], most: int) -> list[list[Row]]:
    pieces: list[list[Row]] = [[]]
    for _, bar in groupby(events, key=lambda event: event["bar_index"]):
        notes = list(bar)
        if pieces[-1] and len(pieces[-1]) + len(notes) > most:
            pieces.append([])
        while len(notes) > most:
            pieces[-1] += notes[:most]
            notes = notes[most:]
            pieces.append([])
        pieces[-1] += notes
    return [piece for piece in pieces if piece]


def _cell(sign: str, text: str) -> str:
    return f"{sign} {text:<{_CELL - 2}}"


def finger_words(finger: int | None) -> str:
    """A finger as it is printed; nothing for none."""
    return "" if finger is None else str(finger)


def _finger(take: TakeRow, event: int) -> str:
    return take.finger(event)


def _sign(take: TakeRow, event: int, *, first: bool) -> str:
    step = take.steps.get(event)
    if step is None:
        return " " if first else "-"
    if step["outcome"] == "slid":
        rises = (step["interval_cents"] if step["interval_cents"] is not None else 1.0) >= 0
        return "/" if rises else "\\"
    return {"cannot_tell": "?", PASSED_BY: "-"}.get(step["outcome"], ".")


def sentences(passage: Passage) -> Iterator[str]:
    """What there is to say in words: the place most slid, and who is not in the table."""
    ranked = sorted(passage.places.values(), key=lambda place: _share_slid(passage, place), reverse=True)
    if ranked and _share_slid(passage, ranked[0]) > (0.0, 0):
        yield f"Most slid: {place_words(ranked[0])}: {place_counts(passage, ranked[0])}."
    slid, told = _all_slid_of_told(passage)
    if told:
        limits = wilson_interval(slid, trials=told)
        within = f"95 % limits {100 * limits.low:.0f}–{100 * limits.high:.0f} % if each were by itself"
        whose = f"in {counts((take.take_id, take.player_id) for take in passage.takes).words()}"
        yield f"In all {slid} of {told} ({100 * slid / told:.0f} %, {within}), {whose}."
    if doubtful := [take.label for take in passage.takes if take.is_doubtful]:
        yield f"{', '.join(doubtful)}: {_DOUBT}"
    if passage.passed_by:
        yield f"Not reached by {', '.join(passage.passed_by)}."
    for take_id, why in passage.unlike:
        yield f"{take_id}: {why}."


_DOUBT = (
    f"fewer than {LEAST_NOTES} notes in a row go with the part once more, where no repeat is written, so it may be "
    "other music: not counted. If it is this passage, say which note one of them is in catalogue/place_decision.csv, "
    "or enter the repeat in written_way.csv; then run."
)
"""Why a further time through is not counted, and what the reader can do."""
GROUP_HEADS = ("players", "takes", "slid", "of", "share (95 % if each were by itself)")


def groups_of(passage: Passage, by: str) -> dict[str, Passage]:
    """The passage as each school or period plays it, by name; takes of none are left out."""
    names = sorted({name for take in passage.takes if (name := getattr(take, by)) is not None})
    return {name: replace(passage, takes=[t for t in passage.takes if getattr(t, by) == name]) for name in names}


def group_rows(passage: Passage, by: str) -> list[tuple[str, ...]]:
    """A row for each school or period, with cells as in ``GROUP_HEADS`` after its name."""
    return [(name, *_group_cells(group)) for name, group in groups_of(passage, by).items()]


def _group_cells(group: Passage) -> tuple[str, ...]:
    whose = counts((take.take_id, take.player_id) for take in group.takes)
    slid, told = _all_slid_of_told(group)
    if not told:
        return str(whose.players), str(whose.takes), "0", "0", "–"
    limits = wilson_interval(slid, trials=told)
    share = with_limits(100 * slid / told, 100 * limits.low, 100 * limits.high, unit=" %")
    return str(whose.players), str(whose.takes), str(slid), str(told), share


def by_group(passage: Passage, by: str) -> Iterator[str]:
    """Every two schools or periods at the places that both play, each place weighing alike for both."""
    groups = groups_of(passage, by)
    said = [words for first, other in combinations(groups, 2) if (words := _against(passage, by, first, other))]
    yield from said or [f"No place here was played in more than one {by}."]
    if len(said) > 1:
        yield f"{len(said)} pairs are compared at once: one in twenty limits of 95 % misses by chance alone."


def _against(passage: Passage, by: str, first: str, other: str) -> str | None:
    effect = place_effect(_told(passage, by, first), _told(passage, by, other), seed=[len(passage.places)])
    if effect is None:
        return None
    plain = sentence(effect, first=first, other=other)
    ratio = effect.ratio
    within = f"{ratio_words(ratio.low)}–{ratio_words(ratio.high)}"
    if isnan(ratio.low):
        few = effect.players < LEAST_PLAYERS_FOR_LIMITS
        within = short_of(effect.players, LEAST_PLAYERS_FOR_LIMITS, "player", "an interval") if few else "no interval"
    odds = f"; odds ratio within places {ratio_words(ratio.estimate)} ({within})" if 0 < ratio.estimate < inf else ""
    players = counted(effect.players, "player")
    return f"{plain[0].upper()}{plain[1:]}{odds}; {players}.{near_one_caution([within])}"


def _told(passage: Passage, by: str, group: str) -> Told:
    """What a group did here, by player and place."""
    players = sorted({take.player_id or take.take_id for take in passage.takes})
    events = list(passage.places)
    slid, told = np.zeros((len(players), len(events))), np.zeros((len(players), len(events)))
    for place, event in enumerate(events):
        for take, step in passage.outcomes(event):
            if getattr(take, by) == group:
                player = players.index(take.player_id or take.take_id)
                told[player, place] += step["weight"]
                slid[player, place] += step["weight"] * (step["outcome"] == "slid")
    return Told(slid, told)


def ranked_places(passage: Passage) -> tuple[list[Row], list[Row]]:
    """The places most slid, and those where players differ most: about as many slide as do not."""
    told = [place for place in passage.places.values() if len(_by_player(passage, place)) >= LEAST_PLAYERS]
    most = sorted(told, key=lambda place: _share_slid(passage, place), reverse=True)

    def apart(place: Row) -> tuple[int, float]:
        shares = _by_player(passage, place)
        slid = sum(share > 0.5 for share in shares)
        return min(slid, len(shares) - slid), -abs(sum(shares) / len(shares) - 0.5)

    differ = [place for place in sorted(told, key=apart, reverse=True) if apart(place)[0] > 0]
    return [place for place in most if _share_slid(passage, place)[1] > 0][:MOST_RANKED], differ[:MOST_RANKED]


def _by_player(passage: Passage, place: Row) -> list[float]:
    """Of each player the share of the times that the place was slid."""
    steps: dict[str, list[bool]] = {}
    for take, step in passage.outcomes(place["to_event"]):
        steps.setdefault(take.player_id or take.take_id, []).append(step["outcome"] == "slid")
    return [sum(each) / len(each) for each in steps.values()]


def _share_slid(passage: Passage, place: Row) -> tuple[float, int]:
    steps = passage.outcomes(place["to_event"])
    slid = sum(step["outcome"] == "slid" for _, step in steps)
    return (slid / len(steps) if steps else 0.0, slid)


def place_words(place: Row) -> str:
    """A place by bar and beat, with its notes."""
    notes = f"{printed_name(place['from_name'])} to {printed_name(place['to_name'])}"
    if place["bar"] is None:
        return f"note {place['from_event']}, {notes}"
    beat = "" if place["beat"] is None else f" beat {place['beat']:.3g}"
    return f"bar {place['bar']}{beat}, {notes}"


def place_counts(passage: Passage, place: Row) -> str:
    """How many slid of those that can be told; how long, and by which kind."""
    steps = [step for _, step in passage.outcomes(place["to_event"])]
    slides = [step for step in steps if step["outcome"] == "slid"]
    said = f"{len(slides)} of {len(steps)}"
    lengths = [step["duration_ms"] for step in slides if step["duration_ms"] is not None]
    if lengths:
        said += f", median {median(lengths):.0f} ms"
    kinds = [step["kind"] for step in slides if step["kind"] not in (None, "cannot_tell")]
    counts = sorted({kind: kinds.count(kind) for kind in kinds}.items(), key=lambda item: (-item[1], item[0]))
    return said + "".join(f", {kind.replace('_', ' ')} {count}" for kind, count in counts)
