"""Every slide that a hand can make from one stopped note to another on the same string, by kind."""

from dataclasses import dataclass

from pipeline.instruments import Instrument
from pipeline.kinds import Kind
from pipeline.signal.synth.fingering import Stop, highest_first, reach


@dataclass(frozen=True)
class Shift:
    """A slide consistent with the hand: where it arrives, its kind, and the step in it (MIDI)."""

    target: Stop
    kind: str
    step_from_midi: int | None = None
    step_to_midi: int | None = None
    overshoots: bool = False


def shifts_from(stop: Stop, *, instrument: Instrument, largest_semitones: int) -> list[Shift]:
    """All slides from a stopped note to another pitch at most ``largest_semitones`` away on the same string.

    departing_finger: the finger travels to the break, and the step is its distance from the new finger in the new
    position. arriving_finger: the step is their distance in the old position. two_finger: neighbouring fingers
    exchange a semitone or two apart within the glide. A step may run against the slide (``overshoots``).
    """
    if stop.finger == 0:
        return []
    places = reach(instrument)
    base = instrument.open_midi[stop.string]
    found = []
    for first in range(1, highest_first(instrument) + 1):
        if first == stop.first:
            continue
        for finger, offsets in places.items():
            for offset in offsets:
                target = Stop(stop.string, finger, first, base + first + offset)
                interval = target.midi - stop.midi
                if 1 <= abs(interval) <= largest_semitones and (first > stop.first) == (interval > 0):
                    found += _kinds(stop, target, base=base, places=places)
    return found


def _kinds(stop: Stop, target: Stop, *, base: int, places: dict[int, tuple[int, ...]]) -> list[Shift]:
    up = 1 if target.midi > stop.midi else -1
    if stop.finger == target.finger:
        return [Shift(target, Kind.SAME_FINGER)]
    found = []
    for place in places[stop.finger]:
        broken = base + target.first + place
        if (broken - stop.midi) * up >= 1 and abs(target.midi - broken) >= 1:
            over = (broken - target.midi) * up >= 1
            if not over or abs(target.midi - broken) <= 3:
                found.append(Shift(target, Kind.DEPARTING_FINGER, broken, target.midi, over))
    for place in places[target.finger]:
        broken = base + stop.first + place
        if (target.midi - broken) * up >= 1 and abs(broken - stop.midi) >= 1:
            over = (broken - stop.midi) * up < 0
            if not over or abs(broken - stop.midi) <= 3:
                found.append(Shift(target, Kind.ARRIVING_FINGER, stop.midi, broken, over))
    if abs(stop.finger - target.finger) == 1 and (target.finger - stop.finger) * up > 0:
        for step in (1, 2):
            spare = abs(target.midi - stop.midi) - step
            if spare >= 2:
                at = stop.midi + up * max(1, round(spare / 2))
                found.append(Shift(target, Kind.TWO_FINGER, at, at + up * step))
    return found
