"""Lays the notes of a take on a written part."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.signal.passages import chain, rates
from pipeline.signal.passages.part import LEAST_NOTES, MOST_SKIPPED, Graph, Ints, Part, arrival, graph
from pipeline.signal.passages.rates import Rates
from pipeline.signal.passages.weights import AGES, Emission, chords, emission, local_beat_s, time_weights, untimed
from pipeline.units import Floats

State = Literal["placed", "too_little", "not_this_work"]
Role = Literal["struck", "again", "extra", "outside"]
ROLES: tuple[Role, ...] = ("struck", "again", "extra", "outside")
STRUCK, AGAIN, EXTRA, OUTSIDE = range(4)  # places in arrays, in the order of ``ROLES``

WIDEST_SHIFT = 6
"""Semitones up and down in which the key played is looked for."""
LEAST_GAIN = 1.1
"""Gain (see ``Fit``) below which it is another work. Four movements, an excerpt of 30 s and four renders on the right
part: 2.5 and more, with a fifth of the notes missing and as many false 1.2 and more (ten draws of the excerpt, two of
the others); on wrong parts, where ``LEAST_SHARE`` is met, .9 and less, highest for a variation on the same harmonies,
of which excerpts of 40 notes reach 1.5."""
LEAST_SHARE = 1 / 3
"""Share of the found notes placed, or of the events struck, below which it is another work: by chance some bars of two
works are alike (on 42 wrong pairs of made melodies with a high gain .14 and less)."""
PASSES = 3
"""The first without time, so that an excerpt is found; each further one with the tempo of the one before."""
GLANCES, GLANCE = 4, 60
"""The key is looked for in so many stretches of so many notes, spread over the take."""


@dataclass(frozen=True)
class Fit:
    """Where each found note stands.

    Attributes
    ----------
    shift : semitones by which the take lies above the part; ``tuning_cents`` what is left of that, -50 to 50.
    log_likelihood : mean of a found note; ``gain`` nats a note not outside by which the part explains the notes better
        than other music of the same notes: the part read backwards, and its pitches in any order (mean of the two);
        NaN where nothing was laid.
    event : (notes,) event of the part, -1 outside it; ``role`` (notes,) index in ``ROLES``.
    probability : (notes,) that the note is what ``event`` and ``role`` say, struck and again being one.
    second_event, second_probability : (notes,) the likeliest other event, -1 if there is none.
    beat_s : (notes,) how long a beat lasts there, s; NaN where no tempo is known.
    """

    state: State
    shift: int
    tuning_cents: float
    log_likelihood: float
    gain: float
    event: Ints
    role: npt.NDArray[np.int8]
    probability: Floats
    second_event: Ints
    second_probability: Floats
    beat_s: Floats

    @property
    def placed(self) -> npt.NDArray[np.bool_]:
        """Which notes were struck as an event of the part."""
        return np.asarray(self.role <= AGAIN)


def lay(part: Part, *, midi: Floats, start_s: Floats, widest_shift: int = WIDEST_SHIFT) -> Fit:
    """Lay found notes on a part.

    Parameters
    ----------
    midi, start_s : (notes,) pitches (69 is A4) and beginnings at the right speed, in order of time.
    widest_shift : semitones up and down in which the key played is looked for.
    """
    if midi.size < LEAST_NOTES:
        return _nothing(midi.size, "too_little")
    tuning = off_temperament(midi)
    own = _laid(part, midi - tuning, start_s, widest_shift)
    sure = chain.probabilities(*own.model, own.path)
    event, role = own.path.event, _roles(own.path)
    # A figure that comes bar after bar is alike backwards too, and scales are found in all music: both are asked.
    backwards = chain.log_likelihood(*_laid(part.backwards, midi - tuning, start_s, widest_shift).model)
    any_order = chain.outside_only(own.model.emission)
    gain = (sure.log_likelihood - (backwards + any_order) / 2.0) / max(int((event >= 0).sum()), 1)
    placed = role <= AGAIN
    share = max(float(placed.mean()), np.unique(event[placed]).size / len(part.pitches))
    if gain < LEAST_GAIN or share < LEAST_SHARE or placed.sum() < LEAST_NOTES:
        return _nothing(midi.size, "not_this_work", likelihood=sure.log_likelihood / midi.size, gain=gain)
    return Fit(
        state="placed",
        shift=own.shift,
        tuning_cents=100.0 * tuning,
        log_likelihood=sure.log_likelihood / midi.size,
        gain=gain,
        event=event,
        role=role,
        probability=sure.probability,
        second_event=sure.event,
        second_probability=sure.event_probability,
        beat_s=np.full(midi.size, np.nan) if own.beat_s is None else own.beat_s,
    )


class _Model(NamedTuple):
    """What the chain is made of, as its functions take it."""

    graph: Graph
    emission: Emission
    rates: Rates
    arrival: Floats
    times: Floats


class _Laid(NamedTuple):
    """A take on a part, forwards or backwards: its key, the chain, the likeliest path, and the tempo (notes,).

    ``beat_s`` is None where no two notes tell it.
    """

    shift: int
    model: _Model
    path: chain.Path
    beat_s: Floats | None


def _laid(part: Part, midi: Floats, start_s: Floats, widest_shift: int) -> _Laid:
    """The likeliest key and path: first without time, then with the tempo and the rates of the path before."""
    own, come = rates.usual(part), arrival(part)
    ways = graph(part, own.skipped)
    table, chord = chords(part)
    shift = _shift(ways, own, come, midi, table, chord, widest_shift)
    heard = emission(midi - shift, table, chord)
    model = _Model(ways, heard, own, come, untimed(midi.size, ways))
    path, beat_s = chain.best_path(*model), None
    for _ in range(PASSES - 1):
        beat_s = local_beat_s(*_pairs(part, path, start_s), midi.size)
        if beat_s is None:
            break
        own = rates.of_take(part, path.event, is_beside=path.is_beside, is_extra=path.is_extra)
        ways = graph(part, own.skipped)
        model = _Model(ways, heard, own, come, time_weights(start_s, beat_s, ways))
        path = chain.best_path(*model)
    return _Laid(shift, model, path, beat_s)


def _nothing(notes: int, state: State, *, likelihood: float = np.nan, gain: float = np.nan) -> Fit:
    none, unknown = np.full(notes, -1, dtype=np.int64), np.full(notes, np.nan)
    return Fit(
        state=state,
        shift=0,
        tuning_cents=0.0,
        log_likelihood=likelihood,
        gain=gain,
        event=none,
        role=np.full(notes, OUTSIDE, dtype=np.int8),
        probability=unknown,
        second_event=none,
        second_probability=np.zeros(notes),
        beat_s=unknown,
    )


def off_temperament(midi: Floats) -> float:
    """By how much the notes lie above equal temperament, -0.5 to 0.5 semitones: the circular mean; 0 without notes."""
    return float(np.angle(np.mean(np.exp(2j * np.pi * midi)))) / (2.0 * np.pi) if midi.size else 0.0


def _shift(ways: Graph, own: Rates, come: Floats, midi: Floats, table: Floats, chord: Ints, widest: int) -> int:
    """The likeliest key, from stretches of the take, each of which may begin anywhere in the part."""
    shifts = list(range(-widest, widest + 1))
    begins = np.unique(np.linspace(0, max(midi.size - GLANCE, 0), GLANCES).astype(np.int64))
    found = [
        sum(_untimed(ways, emission(midi[i : i + GLANCE] - shift, table, chord), own, come) for i in begins)
        for shift in shifts
    ]
    return shifts[int(np.argmax(found))]


def _untimed(ways: Graph, heard: Emission, own: Rates, come: Floats) -> float:
    return chain.log_likelihood(ways, heard, own, come, untimed(heard.outside.size, ways))


def _pairs(part: Part, path: chain.Path, start_s: Floats) -> tuple[Ints, Floats]:
    """Events struck one after the other going on: number of the note that strikes the second, log s a beat."""
    struck = np.flatnonzero((path.event >= 0) & ~path.is_beside)
    on = np.diff(path.event[struck])
    follows = (on > 0) & (on <= 1 + MOST_SKIPPED) & (np.diff(struck) <= AGES + 1)
    first, second = struck[:-1][follows], struck[1:][follows]
    beats = part.beats[path.event[second]] - part.beats[path.event[first]]
    apart_s = start_s[second] - start_s[first]
    told = (beats > 0) & (apart_s > 0)
    return second[told], np.log(apart_s[told] / beats[told])


def _roles(path: chain.Path) -> npt.NDArray[np.int8]:
    role = np.where(path.event < 0, OUTSIDE, np.where(~path.is_beside, STRUCK, np.where(path.is_extra, EXTRA, AGAIN)))
    return role.astype(np.int8)


def rounds(event: Ints, joined: Collection[int] = ()) -> Ints:
    """Which run through the part each note belongs to, from 1; 0 outside.

    A run goes on from event to event, some of them perhaps not found; going back, or over more than ``MOST_SKIPPED``
    events, begins another, unless the note is ``joined`` to the one before (see ``line``).
    """
    number = np.zeros(event.size, dtype=np.int64)
    inside = np.flatnonzero(event >= 0)
    on = np.diff(event[inside])
    begins = ((on < 0) | (on > 1 + MOST_SKIPPED)) & ~np.isin(inside[1:], list(joined))
    number[inside] = np.cumsum(np.append(True, begins))[: inside.size]
    return number


def times_through(event: Ints, run: Ints, heard: Collection[tuple[int, int]] = ()) -> Ints:
    """How many times the take has come by each event, from 1; 0 outside.

    An event counts for a run (``rounds``) if it lies between the first and the last of it, found or not; ``heard``
    are runs with further events of theirs.
    """
    times = np.zeros(event.size, dtype=np.int64)
    more = np.array(sorted(heard), dtype=np.int64).reshape(-1, 2)
    runs, events = np.append(run, more[:, 0]), np.append(event, more[:, 1])
    ends = [(events[runs == k].min(), events[runs == k].max()) for k in range(1, run.max(initial=0) + 1)]
    for k in range(1, len(ends) + 1):
        at = run == k
        times[at] = 1 + sum((low <= event[at]) & (event[at] <= high) for low, high in ends[: k - 1])
    return times
