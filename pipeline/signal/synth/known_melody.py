"""A hand that knows what comes next: a melody drawn or given, its fingers settled before the first note.

Whose fingers they are is handed in; a slide is a shift that is heard.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.signal.synth.fingering import Stop
from pipeline.signal.synth.scale_melodies import melody
from pipeline.signal.synth.shifts import Shift, shifts_from
from pipeline.signal.synth.walk import Order, Walk

Fingers = Callable[[Sequence[int], Sequence[float]], list[Stop]]
"""Which stop a player takes for each note of a line: pitches (MIDI) and lengths (s). The ``first`` of an open string is
where the hand stands meanwhile."""


@dataclass(frozen=True)
class Line:
    """A melody that is given: pitches (MIDI), lengths in beats, and the share of shifts to each note that is heard."""

    midi: tuple[int, ...]
    beats: tuple[float, ...]
    heard: tuple[float, ...]


class KnownMelody(Walk):
    """A hand that knows the melody: every stop is settled beforehand, and a slide is a shift that is heard."""

    def __init__(
        self, rng: np.random.Generator, order: Order, fingers: Fingers, *, notes: int, line: Line | None
    ) -> None:
        super().__init__(rng, order)
        own = list(line.midi) if line else melody(self.rng, instrument=self.instrument, pull=self.pull, notes=notes)
        # the hand goes on thinking of a next note when the last is played
        ahead = [*own, own[-2]] if line else own
        beats = [*line.beats, 1.0] if line else [1.0] * len(ahead)
        self.stops = fingers(ahead, [self.player.beat_s * each for each in beats])
        self.line = line
        self.at = 0

    def _over(self) -> bool:
        return self.line is not None and self.at >= len(self.line.midi)

    def _share(self) -> float:
        if self.line is None or self.at + 1 >= len(self.line.heard):
            return self.slide_share
        return self.line.heard[self.at + 1]

    def _beats(self) -> float:
        return super()._beats() if self.line is None else self.line.beats[self.at]

    def _begin(self) -> Stop:
        return self.stops[0]

    def _next(self, stop: Stop) -> Stop:
        self.at += 1
        return self.stops[self.at]

    def _shift(self, stop: Stop, at: float) -> Shift | None:
        """The slide that leads to the next stop, by a kind that the hand allows, or None."""
        last, after = self.notes[-1], self.stops[self.at + 1]
        if last.end_s - last.start_s < 0.1 or last.ornament is not None:
            return None
        options = [s for s in shifts_from(stop, instrument=self.instrument, largest_semitones=9) if s.target == after]
        plain = [s for s in options if not s.overshoots] or options
        weights = np.array([self.kind_shares.get(s.kind, 0.0) for s in plain])
        if not weights.sum() > 0:
            return None
        self.at += 1
        return plain[int(self.rng.choice(len(plain), p=weights / weights.sum()))]
