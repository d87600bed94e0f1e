"""The sides of one session settled together: one lathe, so nearly one speed; one room, so one reference pitch.

A4 is a quantity (``reference_pitch``), and so is the session's speed; every side's playing speed lies near the
session's, or the side is an outlier (another day, a dub, a wrong note of the turntable's speed). The posterior of a
side's reading sums over the session's speed, how closely its sides agree, and A4. Several transfers of one side are one
disc, whose notes are the same evidence and count once, shared out among them. Nothing depends on the order of the
sides. A side by itself, or one whose turntable speed does not count, is judged by the prior of speeds alone; several
transfers of it have speeds of their own, and one A4.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import logsumexp, ndtr

from pipeline.densities import normal
from pipeline.signal.speed.evidence import Evidence, SessionSpeed
from pipeline.signal.speed.prior import hum_at_mains, hum_evidence, rpm_of_cents
from pipeline.signal.speed.readings import Candidate, SideEvidence, candidates
from pipeline.signal.speed.reference_pitch import GRID_CENTS, ReferencePitch
from pipeline.units import A4_HZ, Floats, playing_rpm, ratio_of_cents

# how closely the sides of a session agree: standard deviation in cents and its prior probability
_AGREEMENT = ((3.0, 0.3), (8.0, 0.35), (20.0, 0.35))
_ONE_DISC = ((3.0, 1.0),)  # transfers of one side, if their turntables turned as written
OUTLIER_SHARE = 0.08  # sides of a session that were cut or copied at another speed (common practice, no source)
_SPEED_GRID = np.arange(-700.0, 701.0, 2.0)  # cents above 78.26 rpm, from 52 to 117 rpm
_TINY = 1e-300  # so that logarithms are finite
# readings this much less likely than the best, on the log scale, are not weighed
_NEGLIGIBLE = 30.0
# how closely a session's speed must be known to be named as evidence, sd in cents (common practice, no source)
_VAGUE_CENTS = 60.0
LISTED_SEMITONES = 2
"""Readings so near the first are always there, however unlikely."""
LIMITS = (0.025, 0.975)  # 95 %


@dataclass(frozen=True)
class Reading:
    """One way to read a side, with what speaks for and against it.

    ``offset_cents`` is the correction at ``reference_pitch_hz``, ``offset_se`` its standard error given the reading;
    ``turns`` are semitones by which each sudden change is larger than measured.
    """

    offset_cents: float
    offset_se: float
    playing_rpm: float | None
    reference_pitch_hz: float
    key: str
    shift: int
    turns: tuple[int, ...]
    probability: float
    evidence: Evidence | SessionSpeed


@dataclass(frozen=True)
class SettledSide:
    """A side's readings, likeliest first.

    ``low_cents`` and ``high_cents`` hold the correction with 95 % over all readings, A4 and intonation;
    ``low_hz`` and ``high_hz`` hold A4. ``outlier_probability`` is that of not sharing its session's speed, None for a
    side by itself; ``session`` is what its session's other sides lead to expect.
    """

    readings: tuple[Reading, ...]
    low_cents: float
    high_cents: float
    low_hz: float
    high_hz: float
    outlier_probability: float | None
    session: SessionSpeed | None

    def chance(self, reading: Reading) -> float:
        """Probability that the notes are those of a reading, whatever A4 was."""
        return sum(other.probability for other in self.readings if _same_notes(other, reading))

    def ambiguous(self, odds: float) -> bool:
        """Whether the first reading's notes are less than ``odds`` times as likely as all others together."""
        chance = self.chance(self.readings[0])
        return chance < odds * (1.0 - chance)

    def rival(self) -> tuple[Reading, float] | None:
        """The likeliest reading by which other notes were played than by the first, and the probability of these."""
        others = [reading for reading in self.readings if not _same_notes(reading, self.readings[0])]
        if not others:
            return None
        best = max(others, key=self.chance)
        return best, self.chance(best)


def _same_notes(one: Reading, other: Reading) -> bool:
    return (one.shift, one.turns) == (other.shift, other.turns)


def settle_together(sides: Sequence[SideEvidence]) -> dict[str, SettledSide]:
    """Settle the sides of one session; the result is by ``SideEvidence.name``."""
    ordered = sorted(sides, key=lambda side: side.name)
    tied = [side for side in ordered if side.turntable_counts]
    tied = tied if len(tied) > 1 else []
    apart: dict[str, list[_Weighed]] = {}
    for side in ordered:
        if side not in tied:
            apart.setdefault(side.recording, []).append(_Weighed.of(side))
    settled = {name: side for one in apart.values() for name, side in _of_one_recording(one).items()}
    if tied:
        transfers = Counter(side.recording for side in tied)
        settled.update(_tied([_Weighed.of(side, 1.0 / transfers[side.recording]) for side in tied]))
    return settled


def shared_speed(playing_cents: Floats) -> tuple[float, float]:
    """Speed that one more side of a session is likely to have, and its standard deviation, in cents above 78.26 rpm.

    ``playing_cents`` (n,), at least one, are the speeds of the others; how closely they agree says how sure it is.
    """
    count = playing_cents.size
    sd, chance = np.array(_AGREEMENT).T
    squares = float(np.sum((playing_cents - playing_cents.mean()) ** 2))
    weights = np.log(chance) - (count - 1) * np.log(sd) - 0.5 * squares / sd**2
    share = np.exp(weights - logsumexp(weights))
    return float(np.median(playing_cents)), float(np.sqrt(share @ sd**2 * (1.0 + 1.0 / count)))


@dataclass(frozen=True)
class _Weighed:
    """A side's candidates (n,) against A4 (m,): corrections and weights of what does not depend on its session."""

    side: SideEvidence
    found: tuple[Candidate, ...]
    offsets: Floats
    se: Floats
    weight: Floats
    density: Floats

    @classmethod
    def of(cls, side: SideEvidence, share: float = 1.0) -> "_Weighed":
        """A side's candidates; ``share`` is how much of what its notes say is its own."""
        found = candidates(side)
        offsets = np.array([candidate.base_cents for candidate in found])[:, None] + GRID_CENTS
        logs = np.array([candidate.log_weight for candidate in found])[:, None] + hum_evidence(offsets, side.hum_hz)
        logs = share * logs
        density = side.speed_density(offsets)
        best = (logs + np.log(density + _TINY)).max(axis=1)
        first = found[int(np.argmax(best))]
        near = [one.turns == first.turns and abs(one.shift - first.shift) <= LISTED_SEMITONES for one in found]
        kept = (best > best.max() - _NEGLIGIBLE) | np.array(near)
        return cls(
            side,
            tuple(one for one, keep in zip(found, kept, strict=True) if keep),
            offsets[kept],
            np.array([one.se_cents for one in found])[kept],
            np.exp(logs[kept] - logs[kept].max()),
            density[kept],
        )

    def pitch(self) -> Floats:
        """Prior probabilities of A4 on its grid, (m,)."""
        return np.asarray(sum(reference.masses() for reference in self.side.references))

    def near(self, index: int, sd: float) -> Floats:
        """Density of one candidate's playing speed under each A4 and session speed, (m, speeds)."""
        spread = float(np.hypot(sd, self.se[index]))
        playing = self.side.playing_cents(self.offsets[index])
        near = normal(_SPEED_GRID, mean=playing[:, None], sd=spread)
        return np.asarray((1.0 - OUTLIER_SHARE) * self.weight[index][:, None] * near)

    def apart(self) -> Floats:
        """Density of each candidate as an outlier of its session, (n, m)."""
        return np.asarray(OUTLIER_SHARE * self.weight * self.density)


def _of_one_recording(sides: list[_Weighed]) -> dict[str, SettledSide]:
    """Transfers of one recording, or one alone, whose speeds are bound to no other's: what they share is A4."""
    own = [one.weight * one.density for one in sides]
    said = [np.log(table.sum(axis=0) + _TINY) for table in own]
    whole = np.log(sides[0].pitch() + _TINY) + np.sum(said, axis=0)
    settled = {}
    for one, table, each in zip(sides, own, said, strict=True):
        rest = whole - each
        settled[one.side.name] = _settled(one, table * np.exp(rest - rest.max()), None, None)
    return settled


def _tied(sides: list[_Weighed]) -> dict[str, SettledSide]:
    speeds = np.mean([one.side.speed_density(_SPEED_GRID - _turned(one)) for one in sides], axis=0)
    speeds = np.log(speeds / speeds.sum())
    groups: dict[tuple[ReferencePitch, ...], list[int]] = {}
    for i, one in enumerate(sides):
        groups.setdefault(one.side.references, []).append(i)
    pitches = {group: np.log(sides[members[0]].pitch() + _TINY)[:, None] for group, members in groups.items()}
    joint: list[list[Floats]] = [[] for _ in sides]
    inside: list[list[float]] = [[] for _ in sides]
    expected: list[list[Floats]] = [[] for _ in sides]
    scale = []
    one_disc = len({one.side.recording for one in sides}) == 1
    for sd, chance in _ONE_DISC if one_disc else _AGREEMENT:
        near = [np.sum([one.near(c, sd) for c in range(len(one.found))], axis=0) for one in sides]
        each = [np.log(n + one.apart().sum(axis=0)[:, None] + _TINY) for n, one in zip(near, sides, strict=True)]
        whole = {
            group: pitches[group] + np.sum([each[i] for i in members], axis=0) for group, members in groups.items()
        }
        by_speed = {group: logsumexp(table, axis=0) for group, table in whole.items()}
        everyone = speeds + np.log(chance) + np.sum(list(by_speed.values()), axis=0)
        scale.append(float(logsumexp(everyone)))
        for group, members in groups.items():
            for i in members:
                # what all else says of A4 and the session's speed, (m, speeds)
                rest = whole[group] - each[i] + (everyone - by_speed[group])[None, :]
                top = float(rest.max())
                linear = np.exp(rest - top)
                mine = [np.sum(sides[i].near(c, sd) * linear, axis=1) for c in range(len(sides[i].found))]
                out = sides[i].apart() * linear.sum(axis=1)
                joint[i].append((np.array(mine) + out) * np.exp(top - scale[0]))
                inside[i].append(float(np.sum(mine)) * float(np.exp(top - scale[0])))
                expected[i].append(linear.sum(axis=0) * np.exp(top - scale[0]))
    settled: dict[str, SettledSide] = {}
    for i, one in enumerate(sides):
        table = np.sum(joint[i], axis=0)
        speed = np.sum(expected[i], axis=0)
        mean = float(speed @ _SPEED_GRID / speed.sum())
        sd = float(np.sqrt(max(float(speed @ (_SPEED_GRID - mean) ** 2 / speed.sum()), 0.0)))
        outlying = 1.0 - sum(inside[i]) / float(table.sum())
        same = sum(other.side.recording == one.side.recording for other in sides) - 1
        expects = SessionSpeed(rpm_of_cents(mean), sd, len(sides) - 1, same)
        settled[one.side.name] = _settled(one, table, outlying, expects)
    return settled


def _turned(one: _Weighed) -> float:
    return float(one.side.playing_cents(np.zeros(1))[0])


def _settled(one: _Weighed, joint: Floats, outlying: float | None, session: SessionSpeed | None) -> SettledSide:
    # joint (n, m): unnormalised posterior of candidates and A4
    joint = joint / joint.sum()
    masses = np.array([reference.masses() for reference in one.side.references])
    named = masses / (masses.sum(axis=0) + _TINY)
    expected = None
    if session is not None and session.within_cents < _VAGUE_CENTS:
        expected = session
    readings = [
        _reading(one, c, reference, joint[c] * named[r], expected)
        for c in range(len(one.found))
        for r, reference in enumerate(one.side.references)
    ]
    readings.sort(key=lambda reading: (-reading.probability, reading.reference_pitch_hz, reading.shift, reading.turns))
    low, high = (_quantile(one, joint, share) for share in LIMITS)
    pitch = np.cumsum(joint.sum(axis=0))
    low_hz, high_hz = (A4_HZ * float(ratio_of_cents(np.interp(share, pitch, GRID_CENTS + 0.5))) for share in LIMITS)
    return SettledSide(tuple(readings), low, high, low_hz, high_hz, outlying, session)


def _quantile(one: _Weighed, joint: Floats, share: float) -> float:
    kept = joint > 1e-9
    at, mass, se = one.offsets[kept], joint[kept], np.broadcast_to(one.se[:, None], joint.shape)[kept]

    def beyond(cents: float) -> float:
        return float(mass @ ndtr((cents - at) / se)) / float(mass.sum()) - share

    return float(brentq(beyond, at.min() - 10.0 * se.max(), at.max() + 10.0 * se.max(), xtol=1e-3))


def _reading(
    one: _Weighed, index: int, reference: ReferencePitch, mass: Floats, session: SessionSpeed | None
) -> Reading:
    side, candidate = one.side, one.found[index]
    probability = float(mass.sum())
    # what was stated is kept; what was only assumed is estimated with the speed
    pitch = reference.cents
    if not reference.stated and probability > _TINY:
        pitch = float(mass @ GRID_CENTS) / probability
    hz, offset = A4_HZ * float(ratio_of_cents(pitch)), candidate.base_cents + pitch
    rpm: float | None = None
    labels: tuple[str, ...] = ()
    if side.turntable_counts and side.turntable_rpm is not None:
        rpm = playing_rpm(turntable_rpm=side.turntable_rpm, speed_ratio=float(ratio_of_cents(offset)))
        labels = tuple(label.source for label in side.labels if label.low_rpm <= rpm <= label.high_rpm)
    turned = zip(side.changes, candidate.turns, strict=True)
    return Reading(
        offset_cents=offset,
        offset_se=candidate.se_cents,
        playing_rpm=rpm,
        reference_pitch_hz=hz,
        key=candidate.key.name,
        shift=candidate.shift,
        turns=candidate.turns,
        probability=probability,
        evidence=Evidence(
            pitch_origin=reference.origin,
            key=candidate.fit,
            strings=candidate.strings,
            changes=tuple((change.time_s, -(change.cents + 100.0 * turn)) for change, turn in turned if turn),
            hum=hum_at_mains(offset, side.hum_hz),
            labels=labels,
            session=session,
        ),
    )
