"""The demo's scores with chords, written out in ``recipe.toml`` with the strings and fingers that play and print them.

A score is a list of events. ``notes`` and ``stops`` of each stand lowest first, a stop as "D3": the third finger on the
D string. ``starts_ms`` says when each note begins after the first, where a chord is broken or a string late;
``printed`` what the edition prints, where that is not what is played.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.signal.synth.plan import Plan, PlannedNote
from pipeline.signal.synth.player import Player
from pipeline.store.parts.part import WrittenNote, WrittenPart, numbered
from pipeline.store.parts.pitch import midi_of_name
from pipeline.units import s_of_ms

BEGINS_S = 0.3
LEFT_S = 0.06
"""How long before its time is over the bow leaves what it plays."""
VIBRATO_FROM_S = 0.4
"""Shorter notes are played without vibrato."""


@dataclass(frozen=True)
class Event:
    """What is struck together, lowest first: pitches (MIDI), stops (string, finger), onsets after the first in s."""

    midi: tuple[float, ...]
    stops: tuple[tuple[str, int], ...]
    printed: tuple[tuple[str, int], ...]
    starts_s: tuple[float, ...]
    beats: float


@dataclass(frozen=True)
class Chord:
    """A planted chord: what is played from ``start_s`` to ``end_s`` in true time."""

    start_s: float
    end_s: float
    event: Event


@dataclass(frozen=True)
class Score:
    """A work for a violin alone, in bars of ``bar`` beats of ``beat_s`` each."""

    key: str
    edition: str
    bar: float
    beat_s: float
    events: tuple[Event, ...]

    def part(self) -> WrittenPart:
        """The part as printed."""
        notes: list[WrittenNote] = []
        marks: list[int] = []
        onset = 0.0
        for number, event in enumerate(self.events):
            bar, at = divmod(onset, self.bar)
            for midi, (string, finger) in zip(event.midi, event.printed, strict=True):
                note = WrittenNote(midi, 0, int(bar) + 1, str(int(bar) + 1), at + 1.0, event.beats, onset)
                notes.append(replace(note, string=string, finger=finger))
                marks.append(number)
            onset += event.beats
        return WrittenPart(numbered(notes, marks))

    def chords(self) -> list[Chord]:
        """The chords, in time order."""
        return [Chord(at, self._left_s(at, e), e) for at, e in self._timed() if len(e.midi) > 1]

    def _timed(self) -> list[tuple[float, Event]]:
        starts = BEGINS_S + self.beat_s * np.cumsum([0.0, *(event.beats for event in self.events)])
        return [(float(at), event) for at, event in zip(starts, self.events, strict=False)]

    def _left_s(self, start_s: float, event: Event) -> float:
        return start_s + event.beats * self.beat_s - LEFT_S

    def plans(
        self, rng: np.random.Generator, *, player: Player, length_s: float, reference_pitch_hz: float
    ) -> tuple[Plan, ...]:
        """A line for each note of the fullest chord, highest first: the first holds the single notes too."""
        lines: list[list[PlannedNote]] = [[] for _ in range(max(len(event.midi) for event in self.events))]
        for at, event in self._timed():
            level_db = float(rng.normal(0.0, 1.5))
            for i, line in zip(reversed(range(len(event.midi))), lines, strict=False):
                start_s = at + event.starts_s[i]
                note = _note(rng, event, i, player=player, start_s=start_s, end_s=self._left_s(at, event))
                line.append(replace(note, level_db=level_db))
        plan = Plan("violin", (), (), length_s, self.key, reference_pitch_hz)
        return tuple(replace(plan, notes=tuple(line)) for line in lines)


def _note(
    rng: np.random.Generator, event: Event, i: int, *, player: Player, start_s: float, end_s: float
) -> PlannedNote:
    """A note; of a chord without its stop, which is planted with the chord."""
    string, finger = event.stops[i]
    stopped = finger > 0
    moving = stopped and end_s - start_s > VIBRATO_FROM_S
    alone = len(event.midi) == 1
    return PlannedNote(
        start_s=start_s,
        end_s=end_s,
        midi=event.midi[i] + stopped * float(rng.normal(0.0, player.intonation_cents)) / 100.0,
        vibrato_hz=player.vibrato_hz * float(rng.lognormal(0.0, 0.05)) if moving else 0.0,
        vibrato_cents=player.vibrato_cents if moving else 0.0,
        string=string if alone else None,
        finger=finger if alone else None,
    )


def read_scores(recipe: Mapping[str, Any]) -> dict[str, Score]:
    """The scores of a recipe, by the id of the work."""
    return {name: _score(score) for name, score in recipe.get("scores", {}).items()}


def _score(score: Mapping[str, Any]) -> Score:
    fields = {name: score[name] for name in ("key", "edition", "bar", "beat_s")}
    return Score(**fields, events=tuple(_event(event) for event in score["events"]))


def _event(event: Mapping[str, Any]) -> Event:
    midi = tuple(midi_of_name(name) for name in event["notes"].split())
    starts_ms = event.get("starts_ms", [0.0] * len(midi))
    stops, printed = (_stops(text) for text in (event["stops"], event.get("printed", event["stops"])))
    if not len(midi) == len(stops) == len(printed) == len(starts_ms):
        raise ValueError(f"{event}: notes, stops, printed and starts_ms must be as many")
    return Event(midi, stops, printed, tuple(s_of_ms(ms) for ms in starts_ms), event["beats"])


def _stops(text: str) -> tuple[tuple[str, int], ...]:
    return tuple((stop[0], int(stop[1])) for stop in text.split())
