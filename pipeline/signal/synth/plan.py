"""What a rendered side should hold, and what it did hold: plans and exact truth."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.units import Floats

Bools = npt.NDArray[np.bool_]


def _no_bools() -> Bools:
    return np.zeros(0, dtype=np.bool_)


def _no_floats() -> Floats:
    return np.zeros(0, dtype=np.float64)


@dataclass(frozen=True)
class PlannedNote:
    """One note of the solo line, in true (corrected) time.

    Pitches are fractional MIDI at the plan's reference pitch. ``string``, ``finger`` and ``position`` are the
    hand that the note was planned with, where it was (finger 0 is the open string). ``slurred`` says that no
    new bow stroke begins it.

    A note is its plateau: where a slide leads into it, ``start_s`` is the slide's end, and the note before ends
    where the slide starts. ``bow_s`` is when the new stroke begins (None: at ``start_s``; it lies at the start of
    the slide when the stroke begins with it). ``change_s`` is how long the pitch takes to change from the note
    before (centred on ``start_s``) where there is no slide. A note may begin ``approach_cents`` off its pitch
    (negative: low) and come in within ``approach_s``. ``double_midi`` is the other note of a double stop.
    ``ornament`` names the figure that the note belongs to (trill, mordent, grace_note), if any.
    """

    start_s: float
    end_s: float
    midi: float
    vibrato_hz: float = 0.0
    vibrato_cents: float = 0.0
    level_db: float = 0.0
    slurred: bool = False
    string: str | None = None
    finger: int | None = None
    position: int | None = None
    bow_s: float | None = None
    change_s: float = 0.008
    approach_cents: float = 0.0
    approach_s: float = 0.0
    double_midi: float | None = None
    ornament: str | None = None


@dataclass(frozen=True)
class PlannedSlide:
    """One slide: nominal ends in true time; the kind is one of ``pipeline.kinds.KINDS``.

    ``from_note`` is None for ``into_note``. A break in the glide runs from ``step_from_midi`` to
    ``step_to_midi`` (None where the glide is unbroken). ``shape`` is one of ``curve.GLIDES``; ``settling`` is the power
    of a glide that starts quickly and settles slowly.
    """

    from_note: int | None
    to_note: int
    kind: str
    start_s: float
    end_s: float
    from_midi: float
    to_midi: float
    step_from_midi: float | None = None
    step_to_midi: float | None = None
    shape: str = "logistic"
    settling: float = 1.6


@dataclass(frozen=True)
class HardNegative:
    """Something that may be taken for a slide and is none, in true time.

    ``kind``: clean_change, hidden_shift, trill, mordent, grace_note, wide_vibrato, double_stop, approach.
    """

    kind: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class AccompanimentNote:
    """One note of the piano (or other accompaniment), in true time."""

    start_s: float
    end_s: float
    midi: float
    level_db: float = 0.0


@dataclass(frozen=True)
class Plan:
    """One side before it is rendered.

    ``key`` is written like "A minor"; ``double_gain`` is how loud the other notes of double stops are (linear).
    """

    instrument: str
    notes: tuple[PlannedNote, ...]
    slides: tuple[PlannedSlide, ...]
    length_s: float
    key: str
    reference_pitch_hz: float
    accompaniment: tuple[AccompanimentNote, ...] = ()
    negatives: tuple[HardNegative, ...] = ()
    double_gain: float = 0.8


@dataclass(frozen=True)
class TrueSlide:
    """A slide as it sounds in the transfer: audible bounds are where 10 and 90 % of the interval are passed."""

    planned: PlannedSlide
    transfer_start_s: float
    transfer_end_s: float
    transfer_audible_start_s: float
    transfer_audible_end_s: float
    audible_start_s: float
    audible_end_s: float


@dataclass(frozen=True)
class Truth:
    """What was planted in a rendered side.

    ``transfer_time_s`` is a 1 ms grid; ``f0_hz`` the solo's sounding pitch in the transfer (NaN where silent);
    ``correction_cents`` what must be added to transfer pitch to get true pitch; ``true_time_s`` the true time of
    each grid point; ``double_stop`` where a second solo note sounds (a scorer may leave those frames out).
    """

    transfer_time_s: Floats
    f0_hz: Floats
    correction_cents: Floats
    slides: tuple[TrueSlide, ...]
    plan: Plan
    details: dict[str, float | str] = field(default_factory=dict)
    true_time_s: Floats = field(default_factory=_no_floats)
    double_stop: Bools = field(default_factory=_no_bools)
