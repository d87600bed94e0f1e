"""Two followed lines, two players: how likely each line is the soloist's at each moment.

The line that is followed first hops between the players, and in the soloist's rests it is the other's. So a chain of
two states (the first line is the soloist's, or the other's) looks for the likeliest assignment: each player goes on
from where that player was, has a level, a register and a colour, and seldom changes lines. Where one line sounds alone
the same chain says whose it is, and so whether the soloist rests. What the two are like is estimated from the side
itself, by expectation and maximisation. Which of the two is the soloist is judged last: the louder, as far as register
agrees.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled
from pipeline.signal.line.texture import Line
from pipeline.signal.voices.colour import BANDS, Colour
from pipeline.signal.voices.taken_out import TRUSTED
from pipeline.units import A4_HZ, Floats, db_of_power, gain_of_db, midi_of_hz

# Chosen on rendered duets (``benchmarks.duets``, whose own pairs are others), as all numbers here without a source.
LEVEL_DB, REGISTER, COLOUR_DB = 4.0, 5.0, 5.0
"""How far a player's level (dB), pitch (semitones) and partials (dB) vary."""
STRAY = 0.1
"""Share of frames in which a line is neither player's: echoes, what is left of the other line."""
STRAY_AREA = 1600.0  # dB times semitones over which such frames are spread
WORST = 2.0
"""A partial further off than so many times ``COLOUR_DB`` speaks no louder: it may be another's."""
WEIGHT, COLOUR_WEIGHT = 0.05, 0.2
"""What one frame counts of its likelihood, and one partial: neighbours say nearly the same."""
USUAL_FRAMES = 100.0
"""A player's colour in a band is drawn towards what both have there, as by so many frames."""
PER_SEMITONE, MOST_SEMITONES, BEGUN, CHANGE = 0.5, 12.0, 0.7, 1.5
"""Nats of a semitone of jump, the largest that counts, a line that begins or ends, and a change of lines."""
REMEMBERED_S = 1.0
"""For so long a player is taken to go on from the last pitch."""
ROUNDS, BLIND_ROUNDS, LEAST_FRAMES = 16, 6, 20.0
"""Of expectation and maximisation, at first without register, so that no tune is split into high and low notes."""
STARTS, BLOCK_S = 6, 1.0
"""Starts at random, in blocks: the likeliest end of all is taken, for some end in a split that is no player's."""
PER_DB, REGISTER_SPREAD = 1.0, 4.5
"""Log odds for each dB that the soloist is the louder of two players; semitones by which their registers vary: who
plays a fourth above a like instrument throughout is the soloist in 19 of 20 duets (common practice, no source)."""
PER_DB_AMONG, REGISTER_SPREAD_AMONG = 0.7, 7.5
"""The same among three and more, where the second line is now one player's, now another's (logistic regression on 18
rendered quartets at 0, 6 and 12 dB)."""
ABOVE = 6.0  # semitones by which a solo lies above the part of a like instrument (common practice, no source)
SAID = 8.0
"""Log odds that the player who sounds alone in what a person calls the solo is the soloist."""
ALONE_S, ALONE_SHARE = 0.5, 0.5
"""How long one must sound alone for this to be worth so much, and in which share of what a person calls the solo."""


@dataclass(frozen=True)
class Whose:
    """``straight`` (n,): probability that the first line is the one player's, and so the second the other's.

    ``odds``: log odds that the one is the soloist, by level and register, or as a person says.
    """

    straight: Floats
    odds: float


@dataclass(frozen=True)
class _Players:
    """What two players are like: level and pitch (2, 2), and colour (2, bands) in dB."""

    place: Floats
    colour: Floats


def whose(
    first: Line,
    second: Line,
    colour: Colour,
    *,
    above: float = ABOVE,
    said: npt.NDArray[np.bool_] | None = None,
    others: int = 1,
) -> Whose:
    """Whose the two lines of one side are; both on the same grid.

    Parameters
    ----------
    colour : of both lines.
    above : how many semitones the soloist's instrument lies above the other's.
    said : (n,) where a person says that the solo is heard; who sounds alone there is the soloist.
    others : how many play beside the soloist.
    """
    hop_s = float(first.time_s[1] - first.time_s[0])
    seen = np.stack([_seen(first), _seen(second)])
    moves = _moves(seen[:, :, 1], round(REMEMBERED_S / hop_s))
    starts = _begun(seen, max(1, round(BLOCK_S / hop_s)))
    settled = [_settled(seen, colour, moves, straight) for straight in starts]
    straight, players, _ = max(settled, key=lambda found: found[2])
    louder_db = _louder_db(seen, straight)
    higher = float(players.place[0, 1] - players.place[1, 1])
    per_db, spread = (PER_DB, REGISTER_SPREAD) if others < 2 else (PER_DB_AMONG, REGISTER_SPREAD_AMONG)
    odds = per_db * louder_db + 2.0 * above * higher / spread**2
    if said is not None and said.any():
        odds += SAID * _alone(seen, straight, said, hop_s)
    return Whose(straight, odds)


def _seen(line: Line) -> Floats:
    """Level and pitch (n, 2) of a line; NaN where it is not taken to sound."""
    there = np.isfinite(line.f0_hz) & np.isfinite(line.level_db) & (line.confidence > TRUSTED)
    midi = midi_of_hz(np.where(there, line.f0_hz, A4_HZ), reference_pitch_hz=A4_HZ)
    return np.where(there[:, np.newaxis], np.stack([line.level_db, midi], axis=1), np.nan)


def _begun(seen: Floats, block: int) -> list[Floats]:
    """First guesses (n,) of whose the first line is: by which is louder, which is higher, and blocks at random."""
    n = seen.shape[1]
    guesses = [np.nan_to_num(np.sign(seen[0, :, value] - seen[1, :, value])) * 0.5 + 0.5 for value in (0, 1)]
    rng = np.random.default_rng(0)
    for _ in range(STARTS):
        guesses.append(np.repeat(rng.integers(0, 2, n // block + 1), block)[:n].astype(np.float64))
    return guesses


def _settled(seen: Floats, colour: Colour, moves: Floats, straight: Floats) -> tuple[Floats, _Players, float]:
    """Posterior (n,) that the first line is player 0's, what the players are like, and the log likelihood."""
    there = np.isfinite(seen[:, :, :1])
    own = np.repeat(there.astype(np.float64), 2, axis=2)
    weights = np.empty((seen.shape[1], 2))
    middle = np.mean(seen[there[:, :, 0]], axis=0) if there.any() else np.zeros(2)
    players = _like(seen, colour, straight, own, _Players(np.stack([middle, middle]), np.zeros((2, BANDS))))
    for number in range(ROUNDS):
        place = players.place.copy()
        if number < BLIND_ROUNDS:
            place[:, 1] = place[:, 1].mean()
        _judge(seen, colour.above_db, colour.band, place, players.colour, own, weights)
        straight, worth = _posterior(weights, moves)
        players = _like(seen, colour, straight, own, players)
    return straight, players, worth


def _like(seen: Floats, colour: Colour, straight: Floats, own: Floats, before: _Players) -> _Players:
    """What the players are like, from what is assigned to each."""
    place = before.place.copy()
    shares = np.stack([straight, 1.0 - straight])
    for player in (0, 1):
        weight = np.stack([shares[player], shares[1 - player]]) * own[:, :, player]
        if weight.sum() > LEAST_FRAMES:
            place[player] = np.einsum("kn,knc->c", weight, np.nan_to_num(seen)) / weight.sum()
    sums, counts = _by_band(colour.above_db, colour.band, straight)
    usual = sums.sum(axis=0) / np.maximum(counts.sum(axis=0), 1e-9)
    return _Players(place, (sums + USUAL_FRAMES * usual) / (counts + USUAL_FRAMES))


def _alone(seen: Floats, straight: Floats, said: npt.NDArray[np.bool_], hop_s: float) -> float:
    """Who sounds alone in what is said to be the solo: 1 player 0, -1 the other, 0 where both sound all the time."""
    there = np.isfinite(seen[:, said, 0]).astype(np.float64)
    apart = there[0] - there[1]
    enough = max(float(np.abs(apart).sum()), ALONE_S / hop_s, ALONE_SHARE * apart.size)
    return float(((2.0 * straight[said] - 1.0) * apart).sum() / enough)


def _louder_db(seen: Floats, straight: Floats) -> float:
    """By how many dB the mean power of player 0 while sounding is above that of player 1."""
    there = np.isfinite(seen[:, :, 0])
    power = np.where(there, gain_of_db(np.nan_to_num(seen[:, :, 0])) ** 2, 0.0)
    shares = np.stack([straight, 1.0 - straight])
    mean = [np.sum(share * power) / max(float(np.sum(share * there)), 1e-9) for share in (shares, shares[::-1])]
    return float(db_of_power((mean[0] + 1e-16) / (mean[1] + 1e-16)))


@compiled()
def _judge(
    seen: Floats,
    above_db: Floats,
    band: npt.NDArray[np.int64],
    place: Floats,
    usual: Floats,
    own: Floats,
    weights: Floats,
) -> None:
    """Fills ``own`` (2, n, 2), chances that a line is a player's and no stray, and log weights (n, 2) of the states."""
    height = (1.0 - STRAY) / (2.0 * np.pi * LEVEL_DB * REGISTER)
    floor = STRAY / STRAY_AREA
    for t in range(seen.shape[1]):
        weights[t, 0] = weights[t, 1] = 0.0
        for line in range(2):
            there = not np.isnan(seen[line, t, 0])
            for player in range(2):
                own[line, t, player] = 0.0
                if not there:
                    continue
                level = (seen[line, t, 0] - place[player, 0]) / LEVEL_DB
                pitch = (seen[line, t, 1] - place[player, 1]) / REGISTER
                likely = height * np.exp(-0.5 * (level * level + pitch * pitch))
                own[line, t, player] = likely / (likely + floor)
                worth = WEIGHT * np.log(likely + floor)
                for h in range(above_db.shape[2]):
                    if not np.isnan(above_db[line, t, h]):
                        off = (above_db[line, t, h] - usual[player, band[line, t, h]]) / COLOUR_DB
                        worth -= 0.5 * COLOUR_WEIGHT * min(off * off, WORST * WORST)
                weights[t, line ^ player] += worth


@compiled()
def _by_band(above_db: Floats, band: npt.NDArray[np.int64], straight: Floats) -> tuple[Floats, Floats]:
    """Sums (2, bands) of the partials of each player, and how many frames they rest on."""
    sums, counts = np.zeros((2, BANDS)), np.zeros((2, BANDS))
    for line in range(2):
        for t in range(above_db.shape[1]):
            for h in range(above_db.shape[2]):
                if np.isnan(above_db[line, t, h]):
                    continue
                for player in range(2):
                    share = straight[t] if line == player else 1.0 - straight[t]
                    sums[player, band[line, t, h]] += share * above_db[line, t, h]
                    counts[player, band[line, t, h]] += share
    return sums, counts


def _moves(pitch: Floats, remembered: int) -> Floats:
    """Log weights (n, 2) of going from the frame before to each frame in the same state, and in the other."""
    out = np.empty((pitch.shape[1], 2))
    _fill_moves(pitch, remembered, np.full(2, np.nan), np.zeros(2, dtype=np.int64), out)
    return out


@compiled()
def _fill_moves(pitch, remembered, last, since, out):  # type: ignore[no-untyped-def]
    for t in range(out.shape[0]):
        for changed in range(2):
            cost = CHANGE * changed
            for line in range(2):
                before, now = last[line], pitch[line ^ changed, t]
                if not np.isnan(before) and not np.isnan(now):
                    cost += PER_SEMITONE * min(abs(before - now), MOST_SEMITONES)
                elif changed and np.isnan(before) != np.isnan(now):
                    cost += BEGUN
            out[t, changed] = -cost
        for line in range(2):
            if not np.isnan(pitch[line, t]):
                last[line], since[line] = pitch[line, t], 0
            else:
                since[line] += 1
                if since[line] > remembered:
                    last[line] = np.nan


def _posterior(weights: Floats, moves: Floats) -> tuple[Floats, float]:
    """Posterior (n,) of state 0 of a chain of two states, and the log of the sum over all its paths (Rabiner 1989)."""
    posterior = np.empty(weights.shape[0])
    worth = _both_ways(weights, moves, np.empty(weights.shape), np.zeros(weights.shape), posterior)
    return posterior, worth


@compiled()
def _both_ways(weights, moves, ahead, back, posterior):  # type: ignore[no-untyped-def]
    n = weights.shape[0]
    for s in range(2):
        ahead[0, s] = weights[0, s]
    for t in range(1, n):
        for s in range(2):
            ahead[t, s] = weights[t, s] + np.logaddexp(ahead[t - 1, s] + moves[t, 0], ahead[t - 1, 1 - s] + moves[t, 1])
    for t in range(n - 2, -1, -1):
        for s in range(2):
            stay = back[t + 1, s] + weights[t + 1, s] + moves[t + 1, 0]
            back[t, s] = np.logaddexp(stay, back[t + 1, 1 - s] + weights[t + 1, 1 - s] + moves[t + 1, 1])
    for t in range(n):
        posterior[t] = 1.0 / (1.0 + np.exp(ahead[t, 1] + back[t, 1] - ahead[t, 0] - back[t, 0]))
    return np.logaddexp(ahead[n - 1, 0], ahead[n - 1, 1])
