"""A hand that walks over the strings and writes down notes and slides: each note a place of the hand in the scale.

Each slide is one that the hand can make (``shifts.py``). Between slides stands what is easily taken for one: fast clean
changes (to 25 ms), shifts hidden in 30-40 ms, trills, mordents, grace notes, wide vibrato, double stops.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.instruments import Instrument
from pipeline.kinds import Kind
from pipeline.signal.synth.fingering import Stop, highest_first, position_name, stops_in_frame
from pipeline.signal.synth.keys import pull_of, scale_of
from pipeline.signal.synth.ornaments import ornament, with_double_stop
from pipeline.signal.synth.plan import HardNegative, PlannedNote, PlannedSlide
from pipeline.signal.synth.player import Player
from pipeline.signal.synth.shifts import Shift, shifts_from

ORNAMENTS = ("trill", "mordent", "grace_note")
HIDDEN_S = (0.03, 0.04)
"""How long a shift takes that is no slide. Its middle four fifths pass in at most 24 ms, those of a slide of 50 ms in
27 to 40: nothing written down as a slide is quicker than what is written down as none (common practice, no source).
"""


@dataclass(frozen=True)
class Order:
    """What a walk is to write: who plays what in which key, and how much of it slides or may be taken for a slide."""

    instrument: Instrument
    player: Player
    key: str
    slide_share: float
    negative_share: float
    kind_shares: Mapping[str, float]


class Walk:
    """The state of the hand and the clock while a plan is written."""

    def __init__(self, rng: np.random.Generator, order: Order) -> None:
        self.rng = rng
        self.instrument = order.instrument
        self.player = order.player
        self.scale = scale_of(order.key)
        self.pull = pull_of(order.key)
        self.slide_share = order.slide_share
        self.negative_share = order.negative_share
        self.kind_shares = order.kind_shares
        self.notes: list[PlannedNote] = []
        self.slides: list[PlannedSlide] = []
        self.negatives: list[HardNegative] = []
        self.first = int(rng.choice((2, 2, 2, 5)))
        self.level_db = 0.0

    def fill(self, *, start_s: float, end_s: float, interlude_s: float) -> None:
        rng, at, began = self.rng, start_s, True
        stop = self._begin()
        slide_in: tuple[Shift, float] | None = None
        while at < end_s - 0.4 and not self._over():
            into = began and self.slide_share > 0 and rng.random() < 4 * self.kind_shares.get(Kind.INTO_NOTE, 0.0)
            at = self._note(stop, at, end_s, began=began, slide_in=slide_in, into=into and stop.finger > 0)
            began, slide_in = rng.random() < self.player.rest_share, None
            if interlude_s and at > (start_s + end_s) / 2:
                began, at, interlude_s = True, at + interlude_s, 0.0
            if began:
                at += float(rng.uniform(0.12, 0.9))
                stop = self._next(stop)
            elif rng.random() < self._share() and (shift := self._shift(stop, at)) is not None:
                duration = float(np.exp(rng.uniform(np.log(0.06), np.log(0.4))))
                slide_in, stop = (shift, duration), shift.target
                self.first = shift.target.first
            else:
                stop = self._next(stop)

    def _over(self) -> bool:
        """Whether nothing is left to play."""
        return False

    def _share(self) -> float:
        """How likely a slide leads to the next note."""
        return self.slide_share

    def _beats(self) -> float:
        """How many beats the next note lasts."""
        return float(self.rng.choice((0.5, 1.0, 1.0, 1.5, 2.0, 0.33)))

    def _begin(self) -> Stop:
        start = stops_in_frame(self.instrument, first=self.first, strings=(1, 2))
        return self._choose([s for s in start if s.midi % 12 in self.scale and s.finger], around=None)

    def _note(
        self,
        stop: Stop,
        at: float,
        end_s: float,
        *,
        began: bool,
        slide_in: tuple[Shift, float] | None,
        into: bool,
    ) -> float:
        rng, who = self.rng, self.player
        slurred = not began and rng.random() < (0.75 if slide_in else who.slur_share)
        before = self.notes[-1] if self.notes else None
        midi = stop.midi + float(rng.normal(0.0, who.intonation_cents)) / 100.0 * (stop.finger > 0)
        bow_s: float | None = None
        slide: PlannedSlide | None = None
        if into:
            duration = float(rng.uniform(0.07, 0.25))
            size = float(rng.uniform(1.0, 4.0)) * (1.0 if rng.random() < 0.85 else -1.0)
            size = min(size, stop.midi - self.instrument.open_midi[stop.string])
            slide = PlannedSlide(
                None, len(self.notes), Kind.INTO_NOTE, at, at + duration, midi - size, midi, shape=self._shape()
            )
            bow_s, at = at, at + duration
        elif slide_in is not None and before is not None:
            shift, duration = slide_in
            off = midi - stop.midi
            steps = (shift.step_from_midi, shift.step_to_midi)
            broken = [None if s is None else s + off for s in steps]
            if shift.kind == Kind.ARRIVING_FINGER:
                broken[0] = before.midi
            elif shift.kind == Kind.DEPARTING_FINGER:
                broken[1] = midi
            slide = PlannedSlide(
                len(self.notes) - 1,
                len(self.notes),
                shift.kind,
                at,
                at + duration,
                before.midi,
                midi,
                broken[0],
                broken[1],
                self._shape(),
            )
            if not slurred:
                bow_s = at if rng.random() < 0.3 else at + duration
            at += duration
        length = who.beat_s * self._beats() * float(rng.lognormal(0.0, 0.12))
        length = min(max(length, who.shortest_note_s), end_s - at)
        self.level_db = float(np.clip(0.8 * self.level_db + rng.normal(0.0, 1.6), -9.0, 5.0))
        still = stop.finger == 0 or length < 0.2 or rng.random() < who.still_share
        note = PlannedNote(
            start_s=at,
            end_s=at + length,
            midi=midi,
            vibrato_hz=0.0 if still else who.vibrato_hz * float(rng.lognormal(0.0, 0.08)),
            vibrato_cents=0.0 if still else who.vibrato_cents * float(rng.lognormal(0.0, 0.3)),
            level_db=self.level_db,
            slurred=slurred,
            string=self.instrument.strings[stop.string],
            finger=stop.finger,
            position=position_name(stop.first) if stop.finger else None,
            bow_s=bow_s,
            change_s=float(rng.uniform(0.002, 0.025)),
        )
        return self._add(note, slide, stop, before)

    def _add(self, note: PlannedNote, slide: PlannedSlide | None, stop: Stop, before: PlannedNote | None) -> float:
        """Append the note with its slide, or with something that may be taken for one; returns its end."""
        rng = self.rng
        joined = before is not None and slide is None and abs(before.end_s - note.start_s) < 1e-9
        shifted = joined and before is not None and before.position not in (None, note.position)
        if shifted and note.slurred and note.position is not None:
            note = replace(note, change_s=float(rng.uniform(*HIDDEN_S)))
            self.negatives.append(HardNegative("hidden_shift", note.start_s - 0.025, note.start_s + 0.025))
        elif joined and note.slurred:
            self.negatives.append(HardNegative("clean_change", note.start_s - 0.0125, note.start_s + 0.0125))
        extra = [note]
        if rng.random() < self.negative_share and stop.finger:
            what = str(rng.choice((*ORNAMENTS, "wide_vibrato", "double_stop")))
            long_enough = note.end_s - note.start_s > 0.4
            if what == "wide_vibrato" and long_enough:
                wide = float(rng.uniform(50.0, 90.0))
                extra = [replace(note, vibrato_hz=float(rng.uniform(4.0, 6.5)), vibrato_cents=wide)]
                self.negatives.append(HardNegative(what, note.start_s, note.end_s))
            elif what == "double_stop" and stop.string > 0:
                extra = [with_double_stop(rng, note, stop, instrument=self.instrument, scale=self.scale)]
                if extra[0].double_midi is not None:
                    self.negatives.append(HardNegative(what, note.start_s, note.end_s))
            elif what in ORNAMENTS and slide is None and long_enough and stop.finger < 4:
                extra = ornament(rng, note, kind=what, scale=self.scale)
                self.negatives.append(HardNegative(what, note.start_s, extra[-1].start_s + 0.02))
        if slide is not None:
            self.slides.append(slide)
        self.notes += extra
        return note.end_s

    def _shape(self) -> str:
        return str(self.rng.choice(("linear", "cosine", "logistic")))

    def _next(self, stop: Stop) -> Stop:
        """The next note without a slide: in the same place of the hand, or after a silent shift."""
        rng = self.rng
        # The higher the hand, the sooner it comes down again.
        if rng.random() < self.player.shift_share + 0.02 * max(0, self.first - 5):
            self.first = self._place(stop.string)
        near = tuple(s for s in (stop.string - 1, stop.string, stop.string + 1) if 0 <= s < 4)
        options = stops_in_frame(self.instrument, first=self.first, strings=near)
        in_key = [s for s in options if s.midi % 12 in self.scale and s.midi != stop.midi and self._free(s, stop)]
        return self._choose(in_key or [s for s in options if s.midi != stop.midi], around=stop.midi)

    def _place(self, string: int) -> int:
        """A place for the hand: near, rather low, where it settles readily."""
        places = np.arange(1, highest_first(self.instrument) + 1)
        away = np.abs(places - self.first)
        weight = np.exp(-away / 4.0 - places / 4.0) * (away > 0)
        liking = np.array([self._liking(string, int(place)) for place in places])
        weight = weight * liking
        return int(self.rng.choice(places, p=weight / weight.sum()))

    def _liking(self, string: int, first: int) -> float:
        """How readily the hand settles: on a note of the scale, in odd positions rather than even (common practice)."""
        in_scale = (self.instrument.open_midi[string] + first) % 12 in self.scale
        return (1.0 if in_scale else 0.05) * (1.0 if position_name(first) % 2 else 0.4)

    def _free(self, option: Stop, stop: Stop) -> bool:
        """One finger does not jump to another stop on the same string within one place of the hand."""
        same = option.string == stop.string and option.finger == stop.finger and option.first == stop.first
        return not (same and option.finger > 0)

    def _choose(self, options: list[Stop], *, around: int | None) -> Stop:
        middle = options[len(options) // 2].midi if around is None else around
        centre = self.instrument.open_midi[0] + 20
        weight = np.array(
            [
                np.exp(-abs(s.midi - middle) / 3.0 - abs(s.midi - centre) / 24.0)
                * (0.35 if s.finger == 0 else 1.0)
                * self.pull.get(s.midi % 12, 0.5)
                for s in options
            ]
        )
        return options[int(self.rng.choice(len(options), p=weight / weight.sum()))]

    def _shift(self, stop: Stop, at: float) -> Shift | None:
        """A slide that the hand can make from here into the scale, or None."""
        last = self.notes[-1]
        if last.end_s - last.start_s < 0.1 or last.ornament is not None or stop.finger == 0:
            return None
        options = [
            s
            for s in shifts_from(stop, instrument=self.instrument, largest_semitones=9)
            if s.target.midi % 12 in self.scale
        ]
        kinds = sorted({s.kind for s in options})
        weights = np.array([self.kind_shares.get(k, 0.0) for k in kinds])
        if not weights.sum() > 0:
            return None
        kind = kinds[int(self.rng.choice(len(kinds), p=weights / weights.sum()))]
        fitting = [s for s in options if s.kind == kind]
        pull = np.array(
            [
                np.exp(-abs(s.target.midi - stop.midi) / 5.0 - max(0, s.target.first - 3) / 4.0)
                * (0.15 if s.overshoots else 1.0)
                * self.pull[s.target.midi % 12]
                * self._liking(s.target.string, s.target.first)
                for s in fitting
            ]
        )
        return fitting[int(self.rng.choice(len(fitting), p=pull / pull.sum()))]
