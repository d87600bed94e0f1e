"""How sharp is A4 itself on a side whose notes are not in equal temperament? The level, given a key.

A tuning curve is the level of all notes under equal temperament. A player who tunes in pure fifths, sharpens
leading notes or lowers thirds puts their mean beside it. Deviations by pitch class are explained by four systems
(equal, Pythagorean, just, free), each a Gaussian with a spread of its own, and summed over by how well it explains
them. Open strings, which no finger bends, and an accompaniment, if there is one, tie the level down further.

Cents of the systems: fifths of 3/2 and thirds of 5/4 against equal temperament (mathematics). Soloists lie between
Pythagorean and equal temperament (Greene, Journal of the Acoustical Society of America 9, 1937, p. 43; Loosen,
ibid. 93, 1993, p. 525). Shares and spreads: common practice, no source.
"""

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from pipeline.signal.speed.key import STILL_CENTS, Key
from pipeline.units import A4_MIDI, Floats, cents_of_ratio

# Against equal temperament (mathematics).
FIFTH_CENTS = float(cents_of_ratio(1.5)) - 700.0
_JUST = cents_of_ratio([1, 16 / 15, 9 / 8, 6 / 5, 5 / 4, 4 / 3, 45 / 32, 3 / 2, 8 / 5, 5 / 3, 9 / 5, 15 / 8])
JUST_CENTS: Floats = np.asarray(_JUST - 100.0 * np.arange(12))
SOLO_SHARP_SD = 3.0
"""How far a soloist as a whole may play beside the open strings: sharp, rising along a side, vibrato's own middle."""
# Open strings, what a note is heard to at least, and how its length counts (common practice, no source).
_OPEN_SD, _OPEN_FIFTH, _OPEN_FIFTH_SD = 5.0, 0.5 * FIFTH_CENTS, 1.0
_LEAST_NOTE_SD, _STRAY_CENTS, _LEAST_LENGTH_S = 2.0, 30.0, 0.25
_FULL_S, _MOST_WEIGHT = 0.3, 1.5


@dataclass(frozen=True)
class Level:
    """How much sharper A4 lies than the curve says, with its standard error, the curve's own included; cents."""

    above_cents: float
    se_cents: float


@dataclass(frozen=True)
class NoteSet:
    """Notes of a side under one reading, each (n,).

    ``midi`` their numbers, ``above_cents`` how far they lie above these on the curve, ``length_s`` and
    ``wobble_cents`` their lengths and the spread of the pitch inside them.
    """

    midi: npt.NDArray[np.int64]
    above_cents: Floats
    length_s: Floats
    wobble_cents: Floats


@dataclass(frozen=True)
class Beside:
    """How an accompaniment, as a whole, may lie.

    Its ``share``, how far the mean of its notes lies beside A4 (``own_sd``, cents), and how far the stopped notes of a
    soloist do (``solo_sd``), who may follow it or not.
    """

    share: float
    own_sd: float
    solo_sd: float


ACCOMPANIMENTS = (Beside(0.75, 2.0, 4.0), Beside(0.15, 8.0, 4.0), Beside(0.1, 20.0, 10.0))
"""In tune; unevenly tuned or gone flat in some registers; flat as a whole (common practice, no source)."""
ALONE = (Beside(1.0, np.inf, SOLO_SHARP_SD),)
"""Nothing beside the soloist says where A4 is."""


@dataclass(frozen=True)
class _System:
    share: float
    mean: Floats
    covariance: Floats


def fifths_above_a(key: Key) -> Floats:
    """Fifths of each pitch class (C first) above A as a key spells them, (12,)."""
    signature = (7 * (key.tonic + (3 if key.minor else 0)) + 6) % 12 - 6
    # C major spells from A flat to C sharp; minor keys raise more notes than they lower
    lowest = signature - (2 if key.minor else 4)
    return np.asarray(lowest + (7 * np.arange(12) - lowest) % 12 - 3, dtype=np.float64)


def level(notes: NoteSet, *, key: Key, open_midi: tuple[float, ...], curve_se: float, accompanied: bool) -> Level:
    """The level of A4 against the curve, under one reading.

    Parameters
    ----------
    open_midi : the open strings.
    curve_se : standard error of the curve's mean, in cents.
    accompanied : whether the curve rests on an accompaniment too, which then is its own witness.
    """
    seen = _observations(notes, open_midi)
    if not seen.cents.size and not seen.open_cents.size:
        usual = float(np.sqrt(sum(each.share * each.own_sd**2 for each in ACCOMPANIMENTS)))
        return Level(0.0, float(np.hypot(curve_se, usual if accompanied else SOLO_SHARP_SD)))
    scores, means, variances = [], [], []
    for system, beside in product(_systems(key), ACCOMPANIMENTS if accompanied else ALONE):
        found = _under(system, seen, beside=beside.solo_sd, own=float(np.hypot(curve_se, beside.own_sd)))
        scores.append(np.log(system.share * beside.share) + found[0])
        means.append(found[1])
        variances.append(found[2])
    share = np.exp(np.array(scores) - logsumexp(scores))
    mean = float(share @ np.array(means))
    variance = float(share @ (np.array(variances) + (np.array(means) - mean) ** 2))
    return Level(mean, float(max(np.sqrt(variance), curve_se)))


@dataclass(frozen=True)
class _Seen:
    # mean deviations of stopped notes by pitch class and of open strings by fifths above A, with their variances
    pitch_class: npt.NDArray[np.int64]
    cents: Floats
    variance: Floats
    fifths: Floats
    open_cents: Floats
    open_variance: Floats


def _observations(notes: NoteSet, open_midi: tuple[float, ...]) -> _Seen:
    weight = np.minimum(notes.length_s / _FULL_S, _MOST_WEIGHT)
    weight = weight * (np.abs(notes.above_cents) < _STRAY_CENTS)
    opened = np.isin(notes.midi, np.asarray(open_midi)) & (notes.wobble_cents < STILL_CENTS)
    opened &= notes.length_s >= _LEAST_LENGTH_S
    group = np.where(opened, 12 + notes.midi, notes.midi % 12)
    names, place = np.unique(group[weight > 0], return_inverse=True)
    used, cents = weight[weight > 0], notes.above_cents[weight > 0]
    total = np.bincount(place, used, names.size)
    mean = np.bincount(place, used * cents, names.size) / total
    free = max(1.0, float(used.sum()) - names.size)
    spread = max(_LEAST_NOTE_SD**2, float(np.sum(used * (cents - mean[place]) ** 2)) / free)
    strings = names >= 12
    fifths = (names[strings] - 12 - A4_MIDI) / 7.0
    # a string tuned otherwise than in fifths from A stands for itself
    kept = np.flatnonzero(strings)[fifths == np.round(fifths)]
    fifths = fifths[fifths == np.round(fifths)]
    return _Seen(
        names[~strings],
        mean[~strings],
        spread / total[~strings],
        np.asarray(fifths, dtype=np.float64),
        mean[kept],
        spread / total[kept],
    )


def _systems(key: Key) -> tuple[_System, ...]:
    fifths = fifths_above_a(key)
    degree = (np.arange(12) - key.tonic) % 12
    leading = (degree == 11).astype(np.float64)
    thirds = np.isin(degree, (3, 8) if key.minor else (4, 9)).astype(np.float64)
    each = np.eye(12)
    just = JUST_CENTS[degree] + FIFTH_CENTS * fifths[key.tonic]
    free = 25.0 * each + np.outer(fifths, fifths) + 64.0 * np.outer(leading, leading) + 36.0 * np.outer(thirds, thirds)
    # Shares and variances, cents squared: see above.
    return (
        _System(0.45, np.zeros(12), 1.0 * each),
        _System(0.2, FIFTH_CENTS * fifths, 6.0 * each),
        _System(0.1, just, 9.0 * each),
        _System(0.25, 0.5 * FIFTH_CENTS * fifths + 8.0 * leading, free),
    )


def _under(system: _System, seen: _Seen, *, beside: float, own: float) -> tuple[float, float, float]:
    # evidence of a system, and mean and variance of the level, which is flat before
    classes, strings = seen.cents.size, seen.open_cents.size
    size = classes + strings
    mean = np.concatenate((system.mean[seen.pitch_class], _OPEN_FIFTH * seen.fifths))
    covariance = np.zeros((size, size))
    covariance[:classes, :classes] = system.covariance[np.ix_(seen.pitch_class, seen.pitch_class)] + beside**2
    covariance[classes:, classes:] = _OPEN_SD**2 * np.eye(strings) + _OPEN_FIFTH_SD**2 * np.outer(
        seen.fifths, seen.fifths
    )
    covariance += np.diag(np.concatenate((seen.variance, seen.open_variance)))
    residual = np.concatenate((seen.cents, seen.open_cents)) - mean
    if np.isfinite(own):
        covariance = np.pad(covariance, ((0, 1), (0, 1)))
        covariance[-1, -1] = own**2
        residual = np.append(residual, 0.0)
    solved = np.linalg.solve(covariance, np.column_stack([residual, np.ones(residual.size)]))
    information = float(solved[:, 1].sum())
    at = float(solved[:, 0].sum()) / information
    left = float(residual @ solved[:, 0]) - information * at**2
    evidence = -0.5 * (float(np.linalg.slogdet(covariance)[1]) + np.log(information) + left)
    return evidence, at, 1.0 / information
