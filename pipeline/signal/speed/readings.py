"""All readings of a side by itself: each reference pitch and semitone with what speaks for it, speed apart.

The pitch of a side fixes only speed times reference pitch, modulo a semitone. A reading picks a reference pitch
and a number of semitones; keys, open strings and hum say how well it suits, the speeds of discs and the other
sides of the session (``session.py``) say how likely its speed is.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from pipeline.signal.speed.key import Key, at_shift, string_evidence
from pipeline.signal.speed.prior import LabelSpeed, cents_of_rpm, hum_evidence, offset_density
from pipeline.units import Floats

REACH_SEMITONES = 5


@dataclass(frozen=True)
class ReferencePitch:
    """A reference pitch that may have been in use, with its prior probability and where it comes from."""

    hz: float
    probability: float
    origin: str


@dataclass(frozen=True)
class Notes:
    """Steady notes for string evidence, each (n,): semitone numbers, lengths in s, spreads in cents."""

    semitone: npt.NDArray[np.int64]
    length_s: Floats
    wobble_cents: Floats


@dataclass(frozen=True)
class SideEvidence:
    """What bears on one side's speed.

    Attributes
    ----------
    sharp_cents : how much sharper than A4 = 440 Hz equal temperament the side sounds, modulo 100.
    key_scores : shape (24,), see ``semitone.key_log_likelihoods``.
    key, key_trust : the catalogue's key (None: unknown or not to be used) and the probability that it is sounded.
    open_midi : the instrument's open strings, lowest first.
    references : the reference pitches that may have been in use; probabilities sum to 1.
    turntable_rpm : None where unknown.
    already_corrected : "yes", "no", "unknown" or None.
    hum_hz : lines of hum that may have been recorded with the music.
    """

    name: str
    sharp_cents: float
    key_scores: Floats
    key: Key | None
    key_trust: float
    notes: Notes
    open_midi: tuple[int, ...]
    references: tuple[ReferencePitch, ...]
    turntable_rpm: float | None
    already_corrected: str | None
    process: str | None
    labels: tuple[LabelSpeed, ...]
    hum_hz: tuple[float, ...]

    @property
    def turntable_counts(self) -> bool:
        """Whether the turntable's speed says at what speed the disc plays."""
        return self.turntable_rpm is not None and self.already_corrected != "yes"

    def playing_cents(self, offset_cents: Floats) -> Floats:
        """Playing speed of corrections (n,) in cents above 78.26 rpm; only if ``turntable_counts``."""
        if self.turntable_rpm is None:
            raise ValueError("the turntable's speed is unknown; a correction gives no playing speed")
        return np.asarray(offset_cents + cents_of_rpm(self.turntable_rpm))

    def speed_density(self, offset_cents: Floats) -> Floats:
        """Prior density, per cent, of corrections (n,)."""
        return offset_density(
            offset_cents,
            turntable_rpm=self.turntable_rpm,
            already_corrected=self.already_corrected,
            process=self.process,
            labels=self.labels,
        )


@dataclass(frozen=True)
class Candidate:
    """One reading before its speed is judged; ``log_weight`` is the log of prior times likelihood of all else."""

    shift: int
    reference: ReferencePitch
    offset_cents: float
    key: Key
    log_weight: float
    words: tuple[str, ...]


def candidates(side: SideEvidence) -> list[Candidate]:
    """Readings of one side within ``REACH_SEMITONES`` of the speed expected before listening."""
    expected = -float(cents_of_rpm(side.turntable_rpm)) if side.turntable_counts and side.turntable_rpm else 0.0
    if abs(expected) < 120.0:
        expected = 0.0
    found: list[Candidate] = []
    for reference in side.references:
        bent = 1200.0 * float(np.log2(reference.hz / 440.0))
        middle = round((expected - bent + side.sharp_cents) / 100.0)
        for shift in range(middle - REACH_SEMITONES, middle + REACH_SEMITONES + 1):
            found.append(_candidate(side, reference, shift, bent - side.sharp_cents + 100.0 * shift))
    return found


def _candidate(side: SideEvidence, reference: ReferencePitch, shift: int, offset: float) -> Candidate:
    key_weight, key, words = _key_evidence(side, shift)
    strings = string_evidence(
        side.notes.semitone,
        side.notes.length_s,
        side.notes.wobble_cents,
        open_midi=side.open_midi,
        shift=shift,
    )
    if strings.count:
        words.append(f"{strings.still} of {strings.count} notes at open strings without vibrato")
    if strings.below:
        words.append(f"{strings.below} {'note' if strings.below == 1 else 'notes'} below the lowest string")
    hum, said = hum_evidence(offset, side.hum_hz)
    if said:
        words.append(said)
    weight = float(np.log(reference.probability)) + key_weight + strings.log_likelihood + hum
    return Candidate(shift, reference, offset, key, weight, tuple(words))


def _key_evidence(side: SideEvidence, shift: int) -> tuple[float, Key, list[str]]:
    best = Key.of_number(int(np.argmax(side.key_scores))).shifted(shift)
    anything = float(logsumexp(side.key_scores)) - float(np.log(24.0))
    if side.key is None:
        return anything, best, [f"key unknown, the notes fit {best.name} best"]
    given = at_shift(side.key_scores, key=side.key, shift=shift) + float(np.log(side.key_trust))
    other = anything + float(np.log(1.0 - side.key_trust))
    weight = float(np.logaddexp(given, other))
    if given >= other or best == side.key:
        return weight, side.key, [f"the catalogue's key {side.key.name} fits"]
    return weight, best, [f"pitch content fits {best.name} better than the catalogue's {side.key.name}"]
