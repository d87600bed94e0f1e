"""How the hand stopped each chord: every way on neighbouring strings, weighed by itself and by the notes around it.

A chord is one element of a chain like that of ``passage``, with its ways as states: all of its stops together. A way by
itself is weighed by its hardest stretch, its reach, a finger laid over two strings, the place of the hand, the pitch of
each note (open strings are at their tuning), vibrato (none on an open string), and the bow: strings that sound together
are neighbours. Between a chord and a note, or two chords, the move is that between their nearest strings; a finger that
keeps its stop costs nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from scipy.special import softmax

from pipeline.compiled import bell, compiled
from pipeline.signal.hand import chain, ways
from pipeline.signal.hand.chain import ANY_PITCH, OPEN_SPREAD, STOPPED_SPREAD, VIBRATO_ON_OPEN, Ints
from pipeline.signal.hand.features import (
    MOST_AT_ONCE,
    STOP_NAMES,
    doublings,
    move_features,
)
from pipeline.signal.hand.fingerboard import OPEN, Fingerboard, Stop, chord_ways, close_places
from pipeline.signal.hand.passage_chain import FREE_S, REST_FREEDOM, REST_S, arrays
from pipeline.signal.hand.played_line import Line, vibrato_seen, vibrato_share
from pipeline.signal.hand.weights import NO_SCHOOL, School, Weights, of_players
from pipeline.units import Floats

STRAIN = 1.0
"""Log weight lost for each semitone of the finger that is furthest out of the frame (common practice, no source)."""
LAID_OVER = 0.7
"""Log weight lost where one finger stops two strings."""
EASY_REACH_MM, PER_MM = 75.0, 0.015
"""Reach from which on each mm costs so much."""
NOT_NEIGHBOURS_S, NOT_NEIGHBOURS = 0.05, float(np.log(0.04))
"""Strings that are no neighbours sounding together for longer make a way so much less likely: not impossible, for notes
and times are only measured."""
EVIDENCE = ("shape", "pitch", "vibrato", "order")
"""What speaks for a way by itself: stretch, reach and place of the hand; how notes are tuned; vibrato; the bow."""
MOST_WAYS = 40  # kept of one chord; the others together weigh next to nothing
MOST_NOTES = 4  # strings
_PLACES = [k for k, name in enumerate(STOP_NAMES) if name.startswith(("place_", "above_place", "thumb"))]


@dataclass(frozen=True)
class PlayedChord:
    """One chord, its notes lowest first; corrected time.

    ``midi``, ``start_s``, ``end_s``, ``vibrato`` (n,): pitch, beginning and end, 1 where there is a vibrato, 0 where
    is none, NaN where the note is too short to tell. ``line`` are the notes of the followed line that it holds.
    """

    midi: Floats
    start_s: Floats
    end_s: Floats
    vibrato: Floats
    line: tuple[int, ...] = ()


@dataclass(frozen=True)
class ChordHand:
    """Ways to stop a chord, likeliest in the passage first.

    ``ways`` holds a stop for each note; ``alone`` and ``probability`` (ways,) how likely each is by itself and in the
    passage; ``evidence`` (ways, EVIDENCE) the log weight that each kind gives it. There are none where no hand can stop
    the notes together.
    """

    ways: tuple[tuple[Stop, ...], ...]
    alone: Floats
    probability: Floats
    evidence: Floats


_NO_HAND = ChordHand((), np.zeros(0), np.zeros(0), np.zeros((0, len(EVIDENCE))))
"""Of notes that no hand can stop together."""


class _States(NamedTuple):
    """States of elements: how many strings each stops (n,), the place of the hand (n,), and of each of its stops
    (n, MOST_NOTES) string, finger, stop and pitch above the lowest open string."""

    strings: Ints
    place: Ints
    string: Ints
    finger: Ints
    stop: Ints
    sounding: Ints


@dataclass(frozen=True)
class _Element:
    """A note or a chord in the chain: its time, its states with their log weights; which chord, or -1."""

    start_s: float
    end_s: float
    states: _States
    logs: Floats
    chord: int = -1


def chord_hands(
    line: Line, chords: Sequence[PlayedChord], *, board: Fingerboard, school: School = NO_SCHOOL
) -> list[ChordHand]:
    """The hand of each chord, in a chain with the notes of ``line`` that no chord holds."""
    kind = of_players(board.instrument, school)[0]
    share = vibrato_share(line, board=board)
    place_logs = _place_logs(board, kind)
    weighed = [_weighed(chord, board=board, place_logs=place_logs, share=share) for chord in chords]
    elements = sorted(
        [*_notes(line, chords, board=board, kind=kind, share=share), *_chords(chords, weighed)], key=lambda e: e.start_s
    )
    if not elements:
        return [_NO_HAND for _ in chords]
    begins = np.concatenate([[0], np.cumsum([e.logs.size for e in elements])]).astype(np.int64)
    weights, _ = chain.note_weights(begins, np.concatenate([e.logs for e in elements]))
    states = _States(*(np.concatenate(parts) for parts in zip(*(e.states for e in elements), strict=True)))
    start_s, end_s = (np.array([getattr(e, name) for e in elements]) for name in ("start_s", "end_s"))
    silence_s = np.maximum(start_s[1:] - end_s[:-1], 0.0)
    rested = REST_FREEDOM * np.clip((silence_s - FREE_S) / (REST_S - FREE_S), 0.0, 1.0)
    wide = np.diff(begins)
    pair_begins = np.concatenate([[0], np.cumsum(wide[:-1] * wide[1:])]).astype(np.int64)
    pairs = np.empty(int(pair_begins[-1]))
    apart = doublings(np.diff(start_s))
    _pair_weights(begins, *states, close_places(board), kind.move, kind.move_by_time, apart, rested, pairs)
    chance = ways.forward_backward(begins, weights, pairs, pair_begins).chance
    found = [_NO_HAND] * len(chords)
    for k, element in enumerate(elements):
        if element.chord >= 0:
            made, logs = weighed[element.chord]
            own = chance[begins[k] : begins[k + 1]]
            order = np.argsort(-own, kind="stable")
            found[element.chord] = ChordHand(
                tuple(made[i] for i in order),
                softmax(logs.sum(axis=1))[order],
                (own / own.sum())[order],
                logs[order],
            )
    return found


def _chords(
    chords: Sequence[PlayedChord], weighed: Sequence[tuple[tuple[tuple[Stop, ...], ...], Floats]]
) -> list[_Element]:
    return [
        _Element(float(chord.start_s.min()), float(chord.end_s.max()), _states(made), logs.sum(axis=1), k)
        for k, (chord, (made, logs)) in enumerate(zip(chords, weighed, strict=True))
        if made
    ]


def _notes(
    line: Line, chords: Sequence[PlayedChord], *, board: Fingerboard, kind: Weights, share: float
) -> list[_Element]:
    """Notes of the line that no chord holds, each with all of its stops."""
    table, of_stops = arrays(board)
    stops = chain.gather(table, line.midi, vibrato_seen(line), share)
    features = chain.features_of(stops, table, of_stops, line.midi)
    long = doublings(line.end_s - line.start_s)[stops.owner]
    logs = features @ kind.stop + long * (features @ kind.stop_by_time) + stops.sound + stops.seen
    held = {i for chord in chords for i in chord.line}
    found = []
    for i in range(line.midi.size):
        own = slice(stops.begins[i], stops.begins[i + 1])
        k = stops.stops[own]
        if i in held or not k.size:
            continue
        columns = (table.string[k], table.finger[k], table.stop[k], 7 * table.string[k] + table.stop[k])
        padded = np.zeros((len(columns), k.size, MOST_NOTES), dtype=np.int64)
        padded[:, :, 0] = columns
        states = _States(np.ones(k.size, dtype=np.int64), table.place[k], *padded)
        found.append(_Element(float(line.start_s[i]), float(line.end_s[i]), states, logs[own]))
    return found


def _states(made: Sequence[tuple[Stop, ...]]) -> _States:
    shape = (len(made), MOST_NOTES)
    string, finger, stop, sounding = (np.zeros(shape, dtype=np.int64) for _ in range(4))
    for i, way in enumerate(made):
        for j, each in enumerate(way):
            string[i, j], finger[i, j], stop[i, j] = each.string, each.finger, each.stop
            # Fifths between strings serve the sign of an interval, all that is asked of it.
            sounding[i, j] = 7 * each.string + each.stop
    count = np.array([len(way) for way in made], dtype=np.int64)
    place = np.array([way[0].place for way in made], dtype=np.int64)
    return _States(count, place, string, finger, stop, sounding)


def _weighed(
    chord: PlayedChord, *, board: Fingerboard, place_logs: dict[int, float], share: float
) -> tuple[tuple[tuple[Stop, ...], ...], Floats]:
    """The best ways of a chord by itself, and the log weights (ways, EVIDENCE) that each kind gives them."""
    made = chord_ways(board, tuple(round(float(m)) for m in chord.midi))
    if not made:
        return (), _NO_HAND.evidence

    # Of a hundred ways many share a stop of a note, or their strings.
    @cache
    def heard(note: int, string: int, sounding: int, opened: bool) -> tuple[float, float]:
        off = float(chord.midi[note]) - board.open_midi[string] - sounding
        return _heard(off, float(chord.vibrato[note]), opened=opened, share=share)

    @cache
    def apart_s(strings: tuple[int, ...]) -> float:
        return _apart_s(strings, chord)

    logs = np.array([_logs(way, board=board, place_logs=place_logs, heard=heard, apart_s=apart_s) for way in made])
    best = np.argsort(-logs.sum(axis=1), kind="stable")[:MOST_WAYS]
    return tuple(made[i] for i in best), logs[best]


def _place_logs(board: Fingerboard, kind: Weights) -> dict[int, float]:
    """Log weight of each place of the hand, as learned."""
    table, of_stops = arrays(board)
    logs = of_stops[:, _PLACES] @ kind.stop[_PLACES]
    pressed = (table.finger > 0) & ~table.harmonic
    return {int(place): float(log) for place, log in zip(table.place[pressed], logs[pressed], strict=True)}


def _logs(
    way: tuple[Stop, ...],
    *,
    board: Fingerboard,
    place_logs: dict[int, float],
    heard: Callable[[int, int, int, bool], tuple[float, float]],
    apart_s: Callable[[tuple[int, ...]], float],
) -> tuple[float, ...]:
    """Log weights of a way by kind of evidence, in the order of ``EVIDENCE``."""
    pitch = vibrating = 0.0
    for note, stop in enumerate(way):
        by_pitch, by_vibrato = heard(note, stop.string, stop.sounding, stop.finger == OPEN)
        pitch += by_pitch
        vibrating += by_vibrato
    order = NOT_NEIGHBOURS if apart_s(tuple(stop.string for stop in way)) > NOT_NEIGHBOURS_S else 0.0
    return _shape(way, board=board, place_logs=place_logs), pitch, vibrating, order


def _shape(way: tuple[Stop, ...], *, board: Fingerboard, place_logs: dict[int, float]) -> float:
    stopped = [stop for stop in way if stop.finger != OPEN]
    if not stopped:
        return 0.0
    log = place_logs.get(way[0].place, 0.0) - STRAIN * max(stop.strained for stop in stopped)
    log -= LAID_OVER * (len(stopped) - len({stop.finger for stop in stopped}))
    places = [stop.stop for stop in stopped]
    reach = board.stretch_mm(min(places), max(places) - min(places))
    return log - PER_MM * max(reach - EASY_REACH_MM, 0.0)


def _heard(off: float, vibrato: float, *, opened: bool, share: float) -> tuple[float, float]:
    """What a note's pitch, so many semitones ``off`` that of its stop, and its vibrato say, as log weights."""
    width = OPEN_SPREAD if opened else STOPPED_SPREAD
    pitch = float(np.log(bell(off / width) / width + ANY_PITCH))
    if not np.isfinite(vibrato):
        return pitch, 0.0
    likely = VIBRATO_ON_OPEN if opened else share
    return pitch, float(np.log(likely if vibrato > 0.5 else 1.0 - likely))


def _apart_s(strings: tuple[int, ...], chord: PlayedChord) -> float:
    """How long strings sound together that are no neighbours: two of a way always are."""
    if len(strings) < 3:
        return 0.0
    edges = np.unique(np.concatenate([chord.start_s, chord.end_s]))
    apart = 0.0
    for begin, end in pairwise(edges):
        middle = 0.5 * (begin + end)
        on = sorted(s for s, a, b in zip(strings, chord.start_s, chord.end_s, strict=True) if a <= middle < b)
        if len(on) > 1 and on[-1] - on[0] >= len(on):
            apart += float(end - begin)
    return apart


@compiled()
def _pair_weights(  # type: ignore[no-untyped-def]
    begins, count, place, string, finger, stop, sounding, close, move, move_by_time, apart, rested, out
):
    features, factors = np.empty(MOST_AT_ONCE, dtype=np.uint8), np.empty(move.shape[0])
    at = 0
    for t in range(begins.shape[0] - 2):
        for f in range(move.shape[0]):
            factors[f] = np.exp((1.0 - rested[t]) * (move[f] + apart[t] * move_by_time[f]))
        for i in range(begins[t], begins[t + 1]):
            for j in range(begins[t + 1], begins[t + 2]):
                near, a, b = 99, 0, 0
                kept = False
                for p in range(count[i]):
                    for q in range(count[j]):
                        across = abs(string[i, p] - string[j, q])
                        if across < near:
                            near, a, b = across, p, q
                        same = across == 0 and finger[i, p] == finger[j, q] and stop[i, p] == stop[j, q]
                        kept = kept or (same and finger[i, p] > 0 and place[i] == place[j])
                if kept and count[i] + count[j] > 2:
                    out[at] = 1.0
                    at += 1
                    continue
                one = (string[i, a], finger[i, a], place[i], stop[i, a])
                other = (string[j, b], finger[j, b], place[j], stop[j, b])
                many = move_features(one, other, sounding[j, b] - sounding[i, a], close[place[j]], features)
                if many < 0:
                    out[at] = 0.0
                else:
                    whole = 1.0
                    for m in range(many):
                        whole *= factors[features[m]]
                    out[at] = whole
                at += 1
