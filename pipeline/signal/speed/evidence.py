"""What speaks for and against a reading of a side's speed, as values; who shows them finds the words."""

from dataclasses import dataclass

from pipeline.signal.speed.key import Key, StringEvidence


@dataclass(frozen=True)
class KeyFit:
    """Which key the notes fit under a reading.

    ``best`` is the key that they fit best, ``given`` the catalogue's (None: none stated), ``fits`` whether the given
    one explains them as well.
    """

    best: Key
    given: Key | None
    fits: bool


@dataclass(frozen=True)
class SessionSpeed:
    """The speed in rpm that other transfers lead to expect, how closely (sd in cents), and their number.

    They are of the other sides of the session or, ``same_side`` of them, of the same side.
    """

    rpm: float
    within_cents: float
    sides: int
    same_side: int = 0


@dataclass(frozen=True)
class Evidence:
    """What a reading of a side by itself rests on.

    Attributes
    ----------
    pitch_origin : where the reference pitch comes from, as the catalogue's facts name it.
    key, strings : how the notes suit keys and open strings.
    changes : moments (s) of sudden changes that are larger or smaller than measured, with their sizes in cents.
    hum : a line of hum in Hz and the mains frequency that it becomes; None if none does.
    labels : sources that state a usual speed which this one is.
    session : what the session's other sides lead to expect, if that says anything.
    """

    pitch_origin: str
    key: KeyFit
    strings: StringEvidence
    changes: tuple[tuple[float, float], ...]
    hum: tuple[float, int] | None
    labels: tuple[str, ...]
    session: SessionSpeed | None
