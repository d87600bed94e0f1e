"""All readings of a side by itself: each semitone with what speaks for it, speed and reference pitch apart.

The pitch of a side fixes only speed times reference pitch, modulo a semitone. A candidate picks a number of
semitones, for each stretch between sudden changes; keys, open strings and hum say how well it suits. What A4 was and
how fast discs of the time turn, and the other sides of the session, come in ``session.py``.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from pipeline.signal.speed.evidence import KeyFit
from pipeline.signal.speed.intonation import Level, NoteSet, level
from pipeline.signal.speed.key import (
    Key,
    PrintedKey,
    StringEvidence,
    at_shift,
    key_log_likelihoods,
    pitch_class_notes,
    string_evidence,
)
from pipeline.signal.speed.prior import LabelSpeed, cents_of_rpm, offset_density
from pipeline.signal.speed.reference_pitch import ReferencePitch
from pipeline.units import Floats

REACH_SEMITONES = 5  # a fourth up and down of what is expected: no speed is further off (common practice, no source)
ACCOMPANIMENT_SHARE = 0.5  # what its tones count beside the solo's (common practice, no source)
_TURN_SEMITONES = (0, -1, 1)  # sizes of a change are known modulo a semitone
# Sudden changes of speed are small: a Student t with 3 degrees of freedom over their size (common practice, no source).
_CHANGE_CENTS, _LEAST_TURN = 20.0, 0.002
# How much less likely than the best, on the log scale, notes may be for the level under them to be looked for.
_WORTH = 40.0


@dataclass(frozen=True)
class Notes:
    """Steady notes, each (n,): beginnings in s, semitone numbers and cents above these, lengths in s, spreads in cents.

    Numbers are counted from the tuning curve, 69 for A4.
    """

    start_s: Floats
    semitone: npt.NDArray[np.int64]
    above_cents: Floats
    length_s: Floats
    wobble_cents: Floats


@dataclass(frozen=True)
class Change:
    """A sudden change: when, by how many cents the sounding pitch rises as measured, what share of the side follows."""

    time_s: float
    cents: float
    share_after: float


@dataclass(frozen=True)
class SideEvidence:
    """What bears on one side's speed.

    Attributes
    ----------
    recording : what the groove holds: transfers of one side share it, and what its notes say counts once.
    sharp_cents, sharp_se : how much sharper than A4 = 440 Hz equal temperament the side sounds on the whole, modulo
        100, and its standard error.
    length_s, accompaniment : length of the transfer; effective numbers of accompaniment tones, (sections, 12).
    changes : sudden changes of speed; their sizes are known modulo 100 cents only.
    key : the catalogue's key (None: unknown).
    open_midi : the instrument's open strings, lowest first.
    references : the reference pitches that may have been in use; probabilities sum to 1.
    turntable_rpm : None where unknown.
    already_corrected : "yes", "no", "unknown" or None.
    hum_hz : lines of hum that may have been recorded with the music.
    """

    name: str
    recording: str
    sharp_cents: float
    sharp_se: float
    length_s: float
    notes: Notes
    accompaniment: Floats
    changes: tuple[Change, ...]
    key: PrintedKey | None
    open_midi: tuple[float, ...]
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
    """A reading before A4 and speed are judged.

    Attributes
    ----------
    shift : semitones by which the notes before the first change truly lie higher than they sound.
    turns : semitones by which each sudden change is larger than measured.
    base_cents, se_cents : the correction on the whole if A4 = 440 Hz, and its standard error given this reading.
    log_weight : log of prior times likelihood of all but A4, speed and hum.
    fit, strings : how the notes suit keys and open strings.
    """

    shift: int
    turns: tuple[int, ...]
    base_cents: float
    se_cents: float
    key: Key
    log_weight: float
    fit: KeyFit
    strings: StringEvidence


def candidates(side: SideEvidence) -> list[Candidate]:
    """Readings of one side within ``REACH_SEMITONES`` of the speed expected before listening."""
    expected = -float(cents_of_rpm(side.turntable_rpm)) if side.turntable_counts and side.turntable_rpm else 0.0
    # So near to no correction, none is as likely (common practice, no source).
    if abs(expected) < 120.0:
        expected = 0.0
    drafts: list[tuple[_Turned, Candidate]] = []
    for turns, log_prior in _turns(side.changes):
        turned = _Turned(side, turns)
        middle = round((expected + turned.sharp_cents) / 100.0)
        for shift in range(middle - REACH_SEMITONES, middle + REACH_SEMITONES + 1):
            drafts.append((turned, _draft(side, turned, shift, log_prior)))
    best = max(draft.log_weight for _, draft in drafts)
    return [_levelled(turned, draft) if draft.log_weight > best - _WORTH else draft for turned, draft in drafts]


def _turns(changes: tuple[Change, ...]) -> list[tuple[tuple[int, ...], float]]:
    # by how many semitones each change may differ from what was measured, with its log prior
    each = []
    for change in changes:
        sizes = change.cents + 100.0 * np.array(_TURN_SEMITONES)
        share = (1.0 + (sizes / _CHANGE_CENTS) ** 2 / 3.0) ** -2.0
        share /= share.sum()
        each.append(
            [(turn, float(np.log(p))) for turn, p in zip(_TURN_SEMITONES, share, strict=True) if p > _LEAST_TURN]
        )
    return [(tuple(turn for turn, _ in one), sum(log for _, log in one)) for one in product(*each)]


@dataclass(frozen=True)
class _Turned:
    """A side with its sudden changes taken to be so many semitones larger than measured."""

    side: SideEvidence
    turns: tuple[int, ...]

    @cached_property
    def sharp_cents(self) -> float:
        pairs = zip(self.side.changes, self.turns, strict=True)
        return self.side.sharp_cents + sum(100.0 * turn * change.share_after for change, turn in pairs)

    @cached_property
    def semitone(self) -> npt.NDArray[np.int64]:
        notes, number = self.side.notes, self.side.notes.semitone.copy()
        for change, turn in zip(self.side.changes, self.turns, strict=True):
            number[notes.start_s + 0.5 * notes.length_s > change.time_s] -= turn
        return number

    @cached_property
    def key_scores(self) -> Floats:
        side, sections = self.side, self.side.accompaniment.shape[0]
        solo = pitch_class_notes(
            self.semitone, side.notes.start_s, side.notes.length_s, sections=sections, length_s=side.length_s
        )
        others = side.accompaniment.copy()
        middle_s = (np.arange(sections) + 0.5) / sections * side.length_s
        for change, turn in zip(side.changes, self.turns, strict=True):
            later = middle_s > change.time_s
            others[later] = np.roll(others[later], -turn, axis=1)
        return key_log_likelihoods(solo + ACCOMPANIMENT_SHARE * others)

    @cached_property
    def accompanied(self) -> bool:
        return bool(self.side.accompaniment.any())

    def level(self, shift: int, key: Key) -> Level:
        notes = self.side.notes
        return level(
            NoteSet(self.semitone + shift, notes.above_cents, notes.length_s, notes.wobble_cents),
            key=key,
            open_midi=self.side.open_midi,
            curve_se=self.side.sharp_se,
            accompanied=self.accompanied,
        )


def _draft(side: SideEvidence, turned: _Turned, shift: int, log_prior: float) -> Candidate:
    # a candidate at the level of equal temperament
    key_weight, fit = _key_evidence(side, turned.key_scores, shift)
    strings = string_evidence(
        turned.semitone,
        side.notes.above_cents,
        side.notes.length_s,
        side.notes.wobble_cents,
        open_midi=side.open_midi,
        shift=shift,
    )
    base = 100.0 * shift - turned.sharp_cents
    weight = log_prior + key_weight + strings.log_likelihood
    key = fit.given if fit.given is not None and fit.fits else fit.best
    return Candidate(shift, turned.turns, base, side.sharp_se, key, weight, fit, strings)


def _levelled(turned: _Turned, draft: Candidate) -> Candidate:
    tuned = turned.level(draft.shift, draft.key)
    return replace(draft, base_cents=draft.base_cents - tuned.above_cents, se_cents=tuned.se_cents)


def _key_evidence(side: SideEvidence, key_scores: Floats, shift: int) -> tuple[float, KeyFit]:
    scores, printed = at_shift(key_scores, shift=shift), side.key
    if printed is None:
        best = Key.of_number(int(np.argmax(scores)))
        return float(logsumexp(scores - np.log(24.0))), KeyFit(best, None, fits=True)
    own, others = printed.chances()
    with np.errstate(divide="ignore"):
        given, other = logsumexp(scores, b=own), logsumexp(scores, b=others)
        best = Key.of_number(int(np.argmax(scores + np.log(own + others))))
    fits = bool(given >= other) or best == printed.key
    return float(np.logaddexp(given, other)), KeyFit(best, printed.key, fits)
