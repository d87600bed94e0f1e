"""The sides of one session settled together: one lathe, so nearly one speed; one room, so one reference pitch.

Every side's playing speed lies near the session's, which is unknown itself, or is an outlier (another day, a dub,
a wrong note of the turntable's speed). The posterior of each side's reading sums over the session's speed, how
closely its sides agree, and its reference pitch. Nothing depends on the order of the sides. A side by itself, or
one whose turntable speed does not count, is judged by the prior of speeds alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.special import logsumexp

from pipeline.signal.speed.prior import stroboscope_name
from pipeline.signal.speed.readings import Candidate, ReferencePitch, SideEvidence, candidates
from pipeline.units import Floats

# how closely the sides of a session agree: standard deviation in cents and its prior probability
_AGREEMENT = ((3.0, 0.3), (8.0, 0.35), (20.0, 0.35))
OUTLIER_SHARE = 0.08
_GRID = np.arange(-700.0, 701.0, 1.0)
_TINY = 1e-300


@dataclass(frozen=True)
class Reading:
    """One way to read a side; ``reason`` says in words what speaks for and against it."""

    offset_cents: float
    playing_rpm: float | None
    reference_pitch_hz: float
    key: str
    shift: int
    probability: float
    reason: str


@dataclass(frozen=True)
class SettledSide:
    """A side's readings, likeliest first.

    ``outlier_probability`` is that of not sharing its session's speed, None for a side by itself;
    ``session_cents`` is the playing speed (cents above 78.26 rpm) that its session's other sides lead to expect.
    """

    readings: tuple[Reading, ...]
    outlier_probability: float | None
    session_cents: float | None


def settle_together(sides: Sequence[SideEvidence]) -> dict[str, SettledSide]:
    """Settle the sides of one session; the result is by ``SideEvidence.name``."""
    sides = sorted(sides, key=lambda side: side.name)
    options = {side.name: candidates(side) for side in sides}
    tied = [side for side in sides if side.turntable_counts]
    settled = {side.name: _alone(side, options[side.name]) for side in sides}
    if len(tied) > 1:
        settled.update(_tied(tied, options))
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


def _alone(side: SideEvidence, found: list[Candidate]) -> SettledSide:
    offsets = np.array([candidate.offset_cents for candidate in found])
    prior = np.log(side.speed_density(offsets) + _TINY)
    weights = np.array([candidate.log_weight for candidate in found]) + prior
    return SettledSide(_ranked(side, found, weights, ""), None, None)


def _tied(sides: list[SideEvidence], options: dict[str, list[Candidate]]) -> dict[str, SettledSide]:
    speeds = np.mean([side.speed_density(_GRID - float(side.playing_cents(np.zeros(1))[0])) for side in sides], axis=0)
    speeds = np.log(speeds / speeds.sum())
    groups = sorted({side.references for side in sides}, key=lambda group: [(r.hz, r.probability) for r in group])
    totals: dict[str, list[Floats]] = {side.name: [] for side in sides}
    shares: dict[str, list[Floats]] = {side.name: [] for side in sides}
    expected: dict[str, list[Floats]] = {side.name: [] for side in sides}
    for (sd, chance), choice in product(_AGREEMENT, product(*groups)):
        pitch = dict(zip(groups, choice, strict=True))
        parts = [_parts(side, options[side.name], pitch[side.references], sd) for side in sides]
        log_parts = [np.log(inside.sum(axis=0) + outside.sum() + _TINY) for inside, outside in parts]
        everyone = np.sum(log_parts, axis=0) + speeds
        base = float(np.log(chance)) + sum(float(np.log(reference.probability)) for reference in choice)
        for i, side in enumerate(sides):
            others = base + everyone - log_parts[i]
            inside, outside = parts[i]
            totals[side.name].append(logsumexp(others[None, :] + np.log(inside + _TINY), axis=1))
            shares[side.name].append(float(logsumexp(others)) + np.log(outside + _TINY))
            expected[side.name].append(others)
    out: dict[str, SettledSide] = {}
    for side in sides:
        within = logsumexp(totals[side.name], axis=0)
        beyond = logsumexp(shares[side.name], axis=0)
        weights = np.logaddexp(within, beyond)
        whole = float(logsumexp(weights))
        speed = np.exp(logsumexp(expected[side.name], axis=0) - logsumexp(expected[side.name]))
        mean = float(speed @ _GRID)
        sd = float(np.sqrt(max(float(speed @ (_GRID - mean) ** 2), 0.0)))
        rpm = 3600.0 / 46.0 * 2.0 ** (mean / 1200.0)
        words = f"the session's other sides lead to expect {rpm:.2f} rpm (within {sd:.0f} cents)" if sd < 60.0 else ""
        readings = _ranked(side, options[side.name], weights, words)
        out[side.name] = SettledSide(readings, float(np.exp(logsumexp(beyond) - whole)), mean)
    return out


def _parts(side: SideEvidence, found: list[Candidate], reference: ReferencePitch, sd: float) -> tuple[Floats, Floats]:
    # likelihood of each reading by session speed (readings, grid) if it shares that speed, and (readings,) if not;
    # the prior of the reference pitch belongs to the session, not to the side
    offsets = np.array([candidate.offset_cents for candidate in found])
    own = np.array([candidate.log_weight - np.log(candidate.reference.probability) for candidate in found])
    mine = np.array([candidate.reference == reference for candidate in found])
    weight = np.where(mine, np.exp(own - own.max()), 0.0)
    playing = side.playing_cents(offsets)
    near = np.exp(-0.5 * ((_GRID[None, :] - playing[:, None]) / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi))
    inside = (1.0 - OUTLIER_SHARE) * weight[:, None] * near
    return inside, OUTLIER_SHARE * weight * side.speed_density(offsets)


def _ranked(side: SideEvidence, found: list[Candidate], weights: Floats, session_words: str) -> tuple[Reading, ...]:
    probability = np.exp(weights - logsumexp(weights))
    order = sorted(range(len(found)), key=lambda i: (-probability[i], found[i].reference.hz, found[i].shift))
    return tuple(_reading(side, found[i], float(probability[i]), session_words) for i in order)


def _reading(side: SideEvidence, candidate: Candidate, probability: float, session_words: str) -> Reading:
    rpm: float | None = None
    words = [f"A4 = {candidate.reference.hz:g} Hz {candidate.reference.origin}", *candidate.words]
    if side.turntable_counts and side.turntable_rpm is not None:
        rpm = side.turntable_rpm * 2.0 ** (candidate.offset_cents / 1200.0)
        name = stroboscope_name(rpm)
        if name:
            words.append(f"stroboscope speed {name}")
        words += [
            f"usual at the label ({label.source})" for label in side.labels if label.low_rpm <= rpm <= label.high_rpm
        ]
    if session_words:
        words.append(session_words)
    return Reading(
        offset_cents=candidate.offset_cents,
        playing_rpm=rpm,
        reference_pitch_hz=candidate.reference.hz,
        key=candidate.key.name,
        shift=candidate.shift,
        probability=probability,
        reason="; ".join(words),
    )
