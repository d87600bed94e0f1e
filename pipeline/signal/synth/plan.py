"""What a rendered side should hold, and what it did hold: plans and exact truth."""

from dataclasses import dataclass, field

from pipeline.units import Floats


@dataclass(frozen=True)
class PlannedNote:
    """One note of the solo line, in true (corrected) time.

    Pitches are fractional MIDI at the plan's reference pitch. ``string``, ``finger`` and ``position`` are the
    hand that the note was planned with, where it was (finger 0 is the open string). ``slurred`` says that no
    new bow stroke begins it.
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


@dataclass(frozen=True)
class PlannedSlide:
    """One slide: nominal ends in true time; the kind is one of ``pipeline.signal.kinds.KINDS``.

    ``from_note`` is None for ``into_note``. A break in the glide runs from ``step_from_midi`` to
    ``step_to_midi`` (None where the glide is unbroken).
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


@dataclass(frozen=True)
class AccompanimentNote:
    """One note of the piano (or other accompaniment), in true time."""

    start_s: float
    end_s: float
    midi: float
    level_db: float = 0.0


@dataclass(frozen=True)
class Plan:
    """One side before it is rendered. ``key`` is written like "A minor"."""

    instrument: str
    notes: tuple[PlannedNote, ...]
    slides: tuple[PlannedSlide, ...]
    length_s: float
    key: str
    reference_pitch_hz: float
    accompaniment: tuple[AccompanimentNote, ...] = ()


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
    ``correction_cents`` what must be added to transfer pitch to get true pitch.
    """

    transfer_time_s: Floats
    f0_hz: Floats
    correction_cents: Floats
    slides: tuple[TrueSlide, ...]
    plan: Plan
    details: dict[str, float | str] = field(default_factory=dict)
