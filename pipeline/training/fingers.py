"""Makes the weights of ``pipeline.signal.hand.weights``: run ``python -m pipeline.training.fingers FOLDER``.

Reads the fingerings of a folder (``fingerings``), fits the features of the hand's chain to them by penalised
conditional likelihood (``finger_likelihood``; L-BFGS), and writes ``weights.json``: every feature with its meaning and
weight, and the record of how they do on players and pieces not learned from. How players differ is part of it: what
each player does otherwise in a piece than weights learned without the piece say is fitted, and its two main directions
kept, as a few kinds of player (sigma points: S. Julier and J. Uhlmann, "Unscented filtering and nonlinear estimation",
Proc. IEEE 92, 2004). Exercises of handbooks (``exercises``) are learned from beside the pieces, and what those of the
cello add to the violinists' weights likewise: no cellist's fingerings of pieces are at hand. Some minutes on one core,
held-out fits and all.
"""

import json
import sys
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize

from pipeline.signal.hand.chain import Ints
from pipeline.signal.hand.features import MOVE_FEATURES, MOVE_NAMES, STOP_FEATURES, STOP_NAMES
from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.signal.hand.passage_chain import arrays
from pipeline.signal.hand.weights import WEIGHTS, WIDER, SetMass, Weights, answers_in_set, kinds_of_record
from pipeline.training.exercises import PLAYER, exercises
from pipeline.training.finger_likelihood import MOVES, SIZE, STOPS, Likelihood, Takes, parts
from pipeline.training.fingerings import Fingering, read_fingerings
from pipeline.units import Floats

COUNTS = 0.2
"""What a player's fingering counts: five of one piece are far from five pieces. With the penalties by trial on held-out
pieces (0.2 to 1 do alike)."""
PENALTY, PENALTY_BY_TIME = 4.0, 12.0
"""Precision of the normal prior of the weights, in nats, and of their changes by time."""
ITERATIONS = 45
HABITS = (
    *(
        "open",
        "open_top",
        "finger_2",
        "finger_3",
        "finger_4",
        "above_fifth",
        "place_1",
        "place_3",
        "place_4",
        "place_5",
    ),
    *("place_7", "low_second", "off_scale", "next_string", "crossing_contrary", "shift_2", "shift_3", "shift_4"),
    *("shift_5", "shift_6", "shift_by_open", "same_finger_shift", "same_finger_still", "shift_for_a_step"),
)
"""What players and pieces may differ in."""
HABIT_PENALTY = 3.0
AXES = 2
CENTRE_SHARE = 1.0 / 3.0
ONE_STRING = {
    "next_string": -2.0,
    "open": -1.0,
    "open_top": -1.0,
    "above_fifth": 0.2,
    **dict.fromkeys(("shift_2", "shift_3", "shift_4", "shift_5", "shift_6"), 0.5),
}
ONE_STRING_SHARE = 0.06
"""One more kind of player, who stays on one string for its sound: romantic playing that the pieces learned from do not
have (common practice, no source)."""
CELLO_COUNTS = 0.5
"""What a note of a cello's exercise counts: more would fit these exercises and no others (by trial)."""
POWERS = (0.8, 0.9, 1.0, 1.1, 1.2, 1.3)
SET_HOLDS = 0.9
"""Share of the notes held out that sets of answers hold."""


@lru_cache(maxsize=2)
def book(instrument: str) -> tuple[Likelihood, Takes]:
    """The exercises of an instrument: their likelihood, and all of them."""
    likelihood = Likelihood(exercises(instrument))
    return likelihood, [(PLAYER, piece) for piece in likelihood.pieces]


def fit(likelihood: Likelihood, takes: Takes) -> Floats:
    """Weights (SIZE,) of the highest penalised likelihood of the takes and of the violin's exercises."""
    learned, whole = book("violin")
    penalty = np.repeat([PENALTY, PENALTY_BY_TIME, PENALTY, PENALTY_BY_TIME], [STOPS, STOPS, MOVES, MOVES])

    def loss(weights: Floats) -> tuple[float, Floats]:
        value, slope = likelihood.value(weights, takes=takes)
        taught, rises = learned.value(weights, takes=whole)
        value, slope = COUNTS * (value + taught), COUNTS * (slope + rises)
        return -value + 0.5 * float(penalty @ weights**2), -slope + penalty * weights

    options = {"maxiter": ITERATIONS, "maxcor": 20}
    found: Floats = minimize(loss, np.zeros(SIZE), jac=True, method="L-BFGS-B", options=options).x
    return found


def habit_places() -> np.ndarray:
    """Where the weights of ``HABITS`` stand in a vector of weights."""
    return np.array(
        [STOP_NAMES.index(h) if h in STOP_NAMES else 2 * STOPS + MOVE_NAMES.index(h) for h in HABITS], dtype=np.int64
    )


def departure(likelihood: Likelihood, weights: Floats, take: tuple[str, str]) -> Floats:
    """How a take departs from the weights in ``HABITS``, (habits,)."""
    places = habit_places()

    def loss(more: Floats) -> tuple[float, Floats]:
        own = weights.copy()
        own[places] += more
        value, slope = likelihood.value(own, takes=[take])
        penalty = 0.5 * HABIT_PENALTY * float(more @ more)
        return -COUNTS * value + penalty, -COUNTS * slope[places] + HABIT_PENALTY * more

    options = {"maxiter": 12}
    found: Floats = minimize(loss, np.zeros(places.size), jac=True, method="L-BFGS-B", options=options).x
    return found


def kinds_of(departed: Floats) -> list[dict[str, Any]]:
    """Kinds of player: one in the middle, two along each main direction of how takes depart, and one of one string."""
    values, axes = np.linalg.eigh(departed.T @ departed / len(departed))
    kinds: list[dict[str, Any]] = [{"share": round(CENTRE_SHARE, 4), "adds": {}}]
    reach = np.sqrt(AXES / (1.0 - CENTRE_SHARE))
    for axis in range(1, AXES + 1):
        along = reach * np.sqrt(values[-axis]) * axes[:, -axis]
        for sign in (1.0, -1.0):
            kinds.append({"share": (1.0 - CENTRE_SHARE) / (2 * AXES), "adds": named(HABITS, sign * along)})
    return [
        *({**kind, "share": round(kind["share"] * (1.0 - ONE_STRING_SHARE), 4)} for kind in kinds),
        {"share": ONE_STRING_SHARE, "adds": ONE_STRING},
    ]


def named(names: Sequence[str], more: Floats) -> dict[str, float]:
    """What is added to weights by name, but for what is next to nothing."""
    return {name: round(float(each), 2) for name, each in zip(names, more, strict=True) if abs(each) >= 0.05}


def cello_adds(weights: Floats) -> dict[str, float]:
    """What exercises of the cello add to the violinists' weights (SIZE,), by name."""
    likelihood, takes = book("cello")
    places = np.r_[:STOPS, 2 * STOPS : 2 * STOPS + MOVES]

    def loss(more: Floats) -> tuple[float, Floats]:
        own = WIDER["cello"] * weights
        own[places] += more
        value, slope = likelihood.value(own, takes=takes)
        penalty = 0.5 * HABIT_PENALTY * float(more @ more)
        return -CELLO_COUNTS * value + penalty, -CELLO_COUNTS * slope[places] + HABIT_PENALTY * more

    options = {"maxiter": 30}
    found = minimize(loss, np.zeros(places.size), jac=True, method="L-BFGS-B", options=options).x
    return named([*STOP_NAMES, *MOVE_NAMES], found)


def mixed_posterior(
    likelihood: Likelihood,
    weights: Floats,
    kinds: list[dict[str, Any]],
    piece: str,
    *,
    heard_of: str | None = None,
) -> Floats:
    """Probability of string * 5 + finger of each note of a piece, (n, 20), over all kinds of player.

    ``heard_of`` is a player of whom every shift is heard; None where none is.
    """
    table, _ = arrays(fingerboard("violin"))
    own = likelihood.pieces[piece]
    found = np.zeros((own.begins.size - 1, 20))
    answer = table.string[own.stops] * 5 + table.finger[own.stops]
    for kind in kinds:
        each = weights.copy()
        for name, more in kind["adds"].items():
            each[habit_places()[HABITS.index(name)]] += more
        chance = likelihood.posterior(each, piece, heard_of=heard_of)
        np.add.at(found, (own.owner, answer), kind["share"] * chance)
    found /= found.sum(axis=1, keepdims=True)
    return found


Answers = dict[tuple[str, str], Floats]
"""Probabilities of string * 5 + finger for the notes of each player and piece, (n, 20)."""


def known_notes(answers: Answers, likelihood: Likelihood, take: tuple[str, str]) -> tuple[Floats, Ints]:
    """Answers and what was played, of the notes of a take that are known for certain."""
    player, piece = take
    truth = likelihood.pieces[piece].truth[player]
    known = truth >= 0
    return answers[take][known], truth[known]


def log_scores(answers: Answers, likelihood: Likelihood, take: tuple[str, str]) -> Floats:
    """Log of the probability given to what was played, of each note of a take that is known."""
    q, truth = known_notes(answers, likelihood, take)
    found: Floats = np.log(np.maximum(q[np.arange(truth.size), truth], 1e-4))
    return found


def enough_mass(answers: Answers, likelihood: Likelihood) -> float:
    """Probability that sets of likely answers must reach to hold ``SET_HOLDS`` of the notes, pieces alike."""
    before, count = [], []
    for take in answers:
        q, truth = known_notes(answers, likelihood, take)
        own = q[np.arange(truth.size), truth]
        before.append(np.where(q > own[:, None], q, 0.0).sum(axis=1))
        takes_of_piece = sum(piece == take[1] for _, piece in answers)
        count.append(np.full(truth.size, 1.0 / (truth.size * takes_of_piece)))
    at = np.argsort(np.concatenate(before), kind="stable")
    so_far = np.cumsum(np.concatenate(count)[at])
    return round(float(np.concatenate(before)[at][np.searchsorted(so_far, SET_HOLDS * so_far[-1])]), 3)


def set_masses(silent: Answers, heard: Answers, likelihood: Likelihood) -> SetMass:
    """``enough_mass`` of answers with no shift heard, and with every one."""
    return SetMass(enough_mass(silent, likelihood), enough_mass(heard, likelihood))


def masses_without(silent: Answers, heard: Answers, likelihood: Likelihood) -> dict[str, SetMass]:
    """``set_masses`` for each piece as the other pieces tell it."""

    def others(answers: Answers, piece: str) -> Answers:
        return {take: q for take, q in answers.items() if take[1] != piece}

    return {piece: set_masses(others(silent, piece), others(heard, piece), likelihood) for piece in likelihood.pieces}


def judged(answers: Answers, likelihood: Likelihood, mass: dict[str, float]) -> dict[str, float]:
    """How answers of takes meet what was played; ``mass`` is by piece."""
    top, hit, string, inside, size, logs = [], [], [], [], [], []
    for take in answers:
        q, truth = known_notes(answers, likelihood, take)
        order = np.argsort(-q, axis=1, kind="stable")
        needed = answers_in_set(q, mass[take[1]])
        top.append(q.max(axis=1))
        hit.append(order[:, 0] == truth)
        string.append(q.reshape(-1, 4, 5).sum(axis=2).argmax(axis=1) == truth // 5)
        inside.append(np.argmax(order == truth[:, None], axis=1) < needed)
        size.append(needed)
        logs.append(log_scores(answers, likelihood, take))
    right, sure = np.concatenate(hit), np.concatenate(top)
    bins = np.minimum((10.0 * sure).astype(np.int64), 9)
    return {
        "notes": int(right.size),
        "right": round(float(right.mean()), 3),
        "string_right": round(float(np.concatenate(string).mean()), 3),
        "calibration_error": round(float(np.abs(np.bincount(bins, sure - right)).sum() / right.size), 3),
        "in_set": round(float(np.concatenate(inside).mean()), 3),
        "set_size": round(float(np.concatenate(size).mean()), 2),
        "log_score": round(float(np.concatenate(logs).mean()), 3),
    }


Held = dict[tuple[str, str], tuple[Floats, list[dict[str, Any]]]]
"""Weights and kinds of player for each player and piece."""


def held_out(fingerings: list[Fingering], likelihood: Likelihood) -> tuple[Held, dict[tuple[str, str], Floats]]:
    """What is learned for each take without its piece and without its player; and how each take departs from it.

    Players are left out in two groups. Every fit starts from nothing: one that goes on from weights learned from the
    players left out keeps some of their habits. The kinds come from the departures of other pieces and players.
    """
    takes = [(each.player, each.piece) for each in fingerings]
    players = sorted({player for player, _ in takes})
    groups = [players[::2], players[1::2]]
    fits: dict[tuple[str, str], Floats] = {}
    departed: dict[tuple[str, str], Floats] = {}
    for piece in sorted({piece for _, piece in takes}):
        others = [take for take in takes if take[1] != piece]
        own = [take for take in takes if take[1] == piece]
        without = fit(likelihood, others)
        alone = Likelihood([each for each in fingerings if each.piece == piece])
        departed |= {take: departure(alone, without, take) for take in own}
        for group in groups:
            left = [take for take in others if take[0] not in group]
            weights = fit(likelihood, left) if left else without
            fits |= {take: weights for take in own if take[0] in group}
    held = {}
    for take, weights in fits.items():
        others = [other for other in takes if other[0] != take[0] and other[1] != take[1]]
        held[take] = weights, kinds_of(np.array([departed[other] for other in others]))
    return held, departed


def answers_of(likelihood: Likelihood, held: Held, power: float, *, heard: bool = False) -> Answers:
    """Answers to every take by what was learned without it, with no shift heard or every one."""
    return {
        take: mixed_posterior(
            likelihood,
            power * weights,
            [{**k, "adds": {n: power * m for n, m in k["adds"].items()}} for k in kinds],
            take[1],
            heard_of=take[0] if heard else None,
        )
        for take, (weights, kinds) in held.items()
    }


def best_power(likelihood: Likelihood, held: Held) -> tuple[float, Answers]:
    """Power of the weights with the best log score of what was held out, pieces alike, and the answers with it."""
    scored = []
    for power in POWERS:
        found = answers_of(likelihood, held, power)
        logs = [log_scores(found, likelihood, take).mean() for take in found]
        scored.append((float(np.mean(logs)), power, found))
    _, power, found = max(scored, key=lambda row: row[0])
    return power, found


def table(weights: Floats) -> dict[str, list[dict[str, Any]]]:
    """The weights' table: stops and moves, each feature with its meaning."""
    stop, stop_by_time, move, move_by_time = parts(weights)
    return {
        part: [
            {"name": name, "means": means, "weight": round(float(w), 2), "per_doubling": round(float(by), 2)}
            for (name, means), w, by in zip(features, values, by_time, strict=True)
        ]
        for part, features, values, by_time in (
            ("stops", STOP_FEATURES, stop, stop_by_time),
            ("moves", MOVE_FEATURES, move, move_by_time),
        )
    }


def weights_of(weights: Floats, kinds: list[dict[str, Any]], *, power: float) -> tuple[Weights, ...]:
    """Kinds of player as the hand takes them."""
    return kinds_of_record({**table(weights), "kinds": kinds, "power": power})


def main(folder: Path) -> None:
    """Learn from all fingerings of the folder, try on each without itself, write weights and record."""
    fingerings = read_fingerings(folder)
    likelihood = Likelihood(fingerings)
    takes = [(each.player, each.piece) for each in fingerings]
    held, departed = held_out(fingerings, likelihood)
    power, answers = best_power(likelihood, held)
    all_heard = answers_of(likelihood, held, power, heard=True)
    mass = masses_without(answers, all_heard, likelihood)

    def judge(own: Answers) -> dict[str, float]:
        return judged(own, likelihood, {piece: found.silent for piece, found in mass.items()})

    weights = fit(likelihood, takes)
    record = {
        "made_by": "python -m pipeline.training.fingers",
        "learned_from": (
            "5 players and 7 pieces of the TNUA Violin Fingering Dataset: V.-W. Jen, Y.-C. Chen and L. Su, "
            '"Positioning left-hand movement in violin performance", IUI 2021. No licence is stated for it; '
            "no row of it is held here. Besides, scales and arpeggios as handbooks finger them (common practice)."
        ),
        "notes": sum(each.midi.size for each in fingerings),
        "misread_notes_left_out": sum(int(each.misread().sum()) for each in fingerings),
        "counts": COUNTS,
        "cello_exercise_counts": CELLO_COUNTS,
        "penalty": PENALTY,
        "penalty_by_time": PENALTY_BY_TIME,
        "held_out": {
            "all": judge(answers),
            "every_shift_heard": judged(all_heard, likelihood, {piece: own.heard for piece, own in mass.items()}),
            "by_piece": {
                piece: judge({take: q for take, q in answers.items() if take[1] == piece})
                for piece in likelihood.pieces
            },
            "by_player": {
                player: judge({take: q for take, q in answers.items() if take[0] == player})
                for player in sorted({player for player, _ in takes})
            },
        },
        "power": power,
        "set_mass": set_masses(answers, all_heard, likelihood)._asdict(),
        **table(weights),
        "kinds": kinds_of(np.array(list(departed.values()))),
        "cello_adds": cello_adds(power * weights),
    }
    WEIGHTS.write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
