"""Which semitone: what keys, open strings and the lowest string say about shifting all notes by whole semitones.

Everything here is a log-likelihood over shifts of k semitones, added to the notes as the transfer sounds (with
the tuning curve taken out). Key profiles are the shares of short segments that hold each pitch class in a
corpus of common-practice music (Temperley, Music and Probability, 2007, Kostka-Payne profiles). A stretch of
music may stand in another key than the piece; a mixture over local keys allows for modulation.
"""

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaln, gammaln, logsumexp, ndtr

from pipeline.units import Floats

# Temperley 2007, Kostka-Payne profiles.
_MAJOR = (0.748, 0.060, 0.488, 0.082, 0.670, 0.460, 0.096, 0.715, 0.104, 0.366, 0.057, 0.400)
_MINOR = (0.712, 0.084, 0.474, 0.618, 0.049, 0.460, 0.105, 0.747, 0.404, 0.067, 0.133, 0.330)
_NAMES = ("C", "C sharp", "D", "E flat", "E", "F", "F sharp", "G", "A flat", "A", "B flat", "B")
_LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_KEY = re.compile(r"([A-G])(b|#| flat| sharp)? (major|minor)")

EVIDENCE_PER_NOTE = 0.35
"""Notes of one melody are not independent draws from a profile; each counts as this share of one."""
EVIDENCE_PER_STRING_NOTE = 0.8
"""Whether a note lacks vibrato hangs on its neighbours less than its pitch does: nearly each counts as one."""
STILL_CENTS = 6.0  # less is no vibrato: what a line wanders on a still note (common practice, no source)
LONG_NOTE_S = 0.25  # shorter notes are too short for a vibrato (common practice, no source)
# Shares of notes without vibrato, as beta distributions: the lowest open string (which no finger can sound),
# the other open strings (whose pitch may be stopped on the next string), and stopped notes.
_STILL_LOWEST, _STILL_OPEN, _STILL_STOPPED = (9.0, 1.0), (2.0, 1.5), (1.0, 3.0)
# Notes below the lowest string are errors of the line: octaves and noise anywhere, hardly ever just under the string.
_STRAYS, _STRAY_SHARE = 0.3, 0.005
_NEAR_STRAYS, _NEAR_STRAY_SHARE, _NEAR_SEMITONES = 0.03, 0.001, 5.0
# A string lies this far below its pitch at most, and a note is known to so much, in cents (common practice, no source).
_STRING_OFF_CENTS, _NOTE_SD_CENTS = 20.0, 7.0
# Local keys: the main one, dominant, subdominant, relative and parallel (shares: common practice, no source).
_LOCAL = {(0, False): 0.6, (7, False): 0.1, (5, False): 0.08}
_LOCAL_RELATIVE = 0.1
_LOCAL_PARALLEL = 0.05
TRANSPOSED_SHARE = 0.5
"""Of the pieces that are not in their printed key, how many were transposed as a whole, into another key of the same
mode; the rest may be in any key, as the print or the catalogue has another piece or movement in mind (common practice,
no source)."""


@dataclass(frozen=True)
class Key:
    """A key: ``tonic`` as pitch class (C = 0) and mode."""

    tonic: int
    minor: bool

    @property
    def name(self) -> str:
        """Written out, like "E flat major"."""
        if not self.minor and self.tonic == 1:
            return "D flat major"
        return f"{_NAMES[self.tonic]} {'minor' if self.minor else 'major'}"

    def shifted(self, semitones: int) -> "Key":
        """The key so many semitones higher."""
        return Key((self.tonic + semitones) % 12, self.minor)

    @property
    def number(self) -> int:
        """0..11 for the major keys from C, 12..23 for the minor keys from C."""
        return self.tonic + (12 if self.minor else 0)

    @classmethod
    def of_number(cls, number: int) -> "Key":
        """Undoes ``number``."""
        return cls(number % 12, number >= 12)


def parse_key(text: str) -> Key:
    """The key written as "D flat major", "Db major" or "C# minor".

    Raises
    ------
    ValueError
        If the text is not such a key.
    """
    match = _KEY.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"key {text!r} is not like 'D major', 'E flat major' or 'C# minor'")
    letter, accidental, mode = match.groups()
    bend = {None: 0, "b": -1, " flat": -1, "#": 1, " sharp": 1}[accidental]
    return Key((_LETTERS[letter] + bend) % 12, mode == "minor")


def _profiles() -> Floats:
    rows = [np.roll(_MAJOR, t) for t in range(12)] + [np.roll(_MINOR, t) for t in range(12)]
    table = np.array(rows, dtype=np.float64)
    return np.asarray(table / table.sum(axis=1, keepdims=True))


def _local_weights(key: Key) -> Floats:
    weight = np.full(24, 0.0)
    for (steps, _), share in _LOCAL.items():
        weight[key.shifted(steps).number] += share
    relative = Key((key.tonic + (3 if key.minor else 9)) % 12, not key.minor)
    weight[relative.number] += _LOCAL_RELATIVE
    weight[Key(key.tonic, not key.minor).number] += _LOCAL_PARALLEL
    return np.asarray(weight + (1.0 - weight.sum()) / 24.0)


def key_log_likelihoods(pitch_class_notes: Floats) -> Floats:
    """How well each key explains the notes, sections being free to modulate.

    Parameters
    ----------
    pitch_class_notes : shape (sections, 12), effective numbers of notes by pitch class (C = 0) as they sound.

    Returns
    -------
    Shape (24,), log-likelihood of the major keys from C and the minor keys from C.
    """
    local = EVIDENCE_PER_NOTE * pitch_class_notes @ np.log(12.0 * _profiles()).T
    weights = np.log(np.array([_local_weights(Key.of_number(number)) for number in range(24)]))
    return np.asarray(logsumexp(local[:, None, :] + weights[None, :, :], axis=2).sum(axis=0))


def at_shift(key_scores: Floats, *, shift: int) -> Floats:
    """Log-likelihoods of all keys, (24,), if all notes truly lie ``shift`` semitones higher than they sound."""
    return np.roll(key_scores.reshape(2, 12), shift, axis=1).ravel()


@dataclass(frozen=True)
class PrintedKey:
    """The catalogue's key, and how likely the piece sounds in it.

    Attributes
    ----------
    as_printed : probability that it does.
    transposed : probability that the piece was transposed as a whole. Then its mode is kept, and it is moved no
        further than it takes to lie well on the instrument: the likelier, the smaller the interval, in inverse
        proportion (common practice, no source).
    """

    key: Key
    as_printed: float
    transposed: float

    @classmethod
    def trusted(cls, key: Key, *, trust: float, not_transposed: float) -> "PrintedKey":
        """A key that is right with probability ``trust``, unless it was transposed, as far as anybody says."""
        wrong = not_transposed * (1.0 - trust)
        return cls(key, not_transposed * trust, 1.0 - not_transposed + TRANSPOSED_SHARE * wrong)

    def chances(self) -> tuple[Floats, Floats]:
        """Prior probabilities of all keys, (24,), as printed and otherwise; both together sum to 1."""
        own, moved = np.zeros(24), np.zeros(24)
        own[self.key.number] = self.as_printed
        for steps in (*range(-5, 0), *range(1, 7)):
            moved[self.key.shifted(steps).number] = 1.0 / abs(steps)
        any_key = 1.0 - self.as_printed - self.transposed
        return own, np.asarray(self.transposed * moved / moved.sum() + any_key / 24.0)


def pitch_class_notes(
    semitone: npt.NDArray[np.int64], start_s: Floats, note_length_s: Floats, *, sections: int, length_s: float
) -> Floats:
    """Effective numbers of notes (n,) by section and pitch class, shape (sections, 12): longer ones count more."""
    table = np.zeros((sections, 12))
    row = np.clip((start_s / max(length_s, 1e-9) * sections).astype(np.int64), 0, sections - 1)
    # A note of 0.3 s counts as one, the longest as one and a half (common practice, no source).
    np.add.at(table, (row, semitone % 12), np.minimum(note_length_s / 0.3, 1.5))
    return table


@dataclass(frozen=True)
class StringEvidence:
    """What open strings say about one shift: ``still`` of ``count`` notes at open strings lack vibrato, ``below``
    notes (each counted by the probability that it does) lie under the lowest string."""

    log_likelihood: float
    still: int
    count: int
    below: float


def string_evidence(
    semitone: npt.NDArray[np.int64],
    above_cents: Floats,
    note_length_s: Floats,
    wobble_cents: Floats,
    *,
    open_midi: tuple[float, ...],
    shift: int,
) -> StringEvidence:
    """How well the notes (n,), all ``shift`` semitones higher, suit an instrument's open strings.

    Notes on open strings have no vibrato (Small, in Seashore, Psychology of Music, 1938), nothing lies below the
    lowest, and what lies on the lowest cannot be stopped. How still the player's stopped notes are is left open.
    ``above_cents`` (n,) is how far each lies above its semitone.
    """
    long = note_length_s >= LONG_NOTE_S
    pitch = semitone[long] + shift
    still = wobble_cents[long] < STILL_CENTS
    under_cents = 100.0 * (open_midi[0] - pitch) - above_cents[long]
    lowest = (pitch == open_midi[0]) & (under_cents < _STRING_OFF_CENTS)
    opens = np.isin(pitch, open_midi[1:])
    stopped = ~lowest & ~opens
    # a player may stop these pitches on the next string down, always or in part
    apart = _still(still[opens], _STILL_OPEN) + _still(still[stopped], _STILL_STOPPED)
    alike = _still(still[opens | stopped], _STILL_STOPPED)
    total = _still(still[lowest], _STILL_LOWEST) + float(np.logaddexp(apart, alike) - np.log(2.0))
    below = ndtr((under_cents - _STRING_OFF_CENTS) / _NOTE_SD_CENTS)
    near = under_cents < 100.0 * _NEAR_SEMITONES
    total += _strays(float(below[near].sum()), _NEAR_STRAYS + _NEAR_STRAY_SHARE * pitch.size)
    total += _strays(float(below[~near].sum()), _STRAYS + _STRAY_SHARE * pitch.size)
    at_open = lowest | opens
    counts = int(still[at_open].sum()), int(at_open.sum())
    return StringEvidence(EVIDENCE_PER_STRING_NOTE * total, *counts, float(below.sum()))


def _strays(count: float, expected: float) -> float:
    # probability of so many stray notes (Poisson)
    return float(count * np.log(expected) - expected - gammaln(count + 1.0))


def _still(still: npt.NDArray[np.bool_], prior: tuple[float, float]) -> float:
    # probability of just these notes being still, their share being unknown (beta-binomial)
    yes, no = float(still.sum()), float((~still).sum())
    return float(betaln(yes + prior[0], no + prior[1]) - betaln(*prior))
