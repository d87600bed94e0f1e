"""The learned weights of ``features``, by name, and what a player's school adds to them.

``weights.json`` is the record of what they were learned from, by ``pipeline.training.fingers``, and how they do on
players and pieces not learned from; each weight stands in it beside what it means. Weights are in nats: one of -1
makes a thing 2.7 times rarer, -3 twenty times.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from pipeline.signal.hand.features import MOVE_NAMES, STOP_NAMES
from pipeline.units import Floats

WEIGHTS = Path(__file__).with_name("weights.json")
WIDER = {"violin": 1.0, "viola": 0.9, "cello": 0.85}
"""Power of the learned weights. All were learned from violinists: to the others they say less (no source)."""
EVEN_PLACES = (0, 1, 3, 4, 6, 7, 10)
"""Places of half, second, fourth and sixth position as they are most often meant."""


class School(NamedTuple):
    """What a player's school adds to the learned weights, in nats; 0 leaves the habits of those learned from."""

    one_string: float
    open_strings: float
    fourth_finger: float
    even_positions: float
    high_positions: float
    same_finger: float


NO_SCHOOL = School(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)  # the habits of those learned from


@dataclass(frozen=True)
class Weights:
    """Weights of one kind of player: at a middling tempo, and the change for each doubling of the time.

    ``stop``, ``stop_by_time`` (len(STOP_NAMES),); ``move``, ``move_by_time`` (len(MOVE_NAMES),); ``share`` is how
    common the kind is.
    """

    stop: Floats
    stop_by_time: Floats
    move: Floats
    move_by_time: Floats
    share: float

    def scaled(self, power: float) -> "Weights":
        """All weights multiplied by ``power``."""
        return Weights(
            power * self.stop, power * self.stop_by_time, power * self.move, power * self.move_by_time, self.share
        )

    def with_more(self, stop: Floats, move: Floats) -> "Weights":
        """More of the weights at a middling tempo."""
        return replace(self, stop=self.stop + stop, move=self.move + move)


@lru_cache(maxsize=4)
def learned(path: Path = WEIGHTS) -> tuple[Weights, ...]:
    """The kinds of player that were learned, the middling one first.

    Raises
    ------
    ValueError
        If the record holds other features than ``features`` names.
    """
    record = json.loads(path.read_text(encoding="utf-8"))
    held = {part: [row["name"] for row in record[part]] for part in ("stops", "moves")}
    if held != {"stops": list(STOP_NAMES), "moves": list(MOVE_NAMES)}:
        raise ValueError(f"{path.name} has other features than the program; run python -m pipeline.training.fingers")
    return kinds_of_record(record)


def kinds_of_record(record: Mapping[str, Any]) -> tuple[Weights, ...]:
    """The kinds of player of a record like ``weights.json``."""
    stop, stop_by_time, move, move_by_time = (
        np.array([row[column] for row in record[part]], dtype=np.float64)
        for part in ("stops", "moves")
        for column in ("weight", "per_doubling")
    )
    common = Weights(stop, stop_by_time, move, move_by_time, 1.0)
    kinds = (replace(_with(common, kind["adds"]), share=kind["share"]) for kind in record["kinds"])
    return tuple(kind.scaled(record["power"]) for kind in kinds)


@lru_cache(maxsize=4)
def cello_adds(path: Path = WEIGHTS) -> dict[str, float]:
    """What cellists' exercises add to the violinists' weights, by name: all that is known of them."""
    found: dict[str, float] = json.loads(path.read_text(encoding="utf-8"))["cello_adds"]
    return found


class SetMass(NamedTuple):
    """Probability from which on a set of the likeliest answers holds the truth nine times in ten.

    ``silent`` where no shift of a take is heard, ``heard`` where every one is. The last answer nearly always takes a
    set beyond what it needs. Learned on takes held out, as in split conformal prediction with cumulated probability
    (Y. Romano, M. Sesia and E. Candès, "Classification with valid and adaptive coverage", NeurIPS 2020).
    """

    silent: float
    heard: float

    def at(self, heard: float) -> float:
        """Where this share of shifts is heard; in between along a line."""
        return self.silent + heard * (self.heard - self.silent)


@lru_cache(maxsize=4)
def set_mass(path: Path = WEIGHTS) -> SetMass:
    """What sets must reach, as learned."""
    return SetMass(**json.loads(path.read_text(encoding="utf-8"))["set_mass"])


def answers_in_set(probability: Floats, mass: float) -> np.ndarray:
    """How many of the likeliest answers reach ``mass``, (n,), of probabilities (n, answers)."""
    ranked = -np.sort(-probability, axis=1)
    enough = np.cumsum(ranked, axis=1) >= mass - 1e-9
    count: np.ndarray = 1 + np.argmax(enough, axis=1)
    return count


@lru_cache(maxsize=64)
def of_players(instrument: str, school: School = NO_SCHOOL) -> tuple[Weights, ...]:
    """Every kind of player of the instrument, with what the school adds."""
    kinds = [kind.scaled(WIDER[instrument]) for kind in learned()]
    if instrument == "cello":
        kinds = [_with(kind, cello_adds()) for kind in kinds]
    return tuple(_schooled(kind, school) for kind in kinds)


def _with(kind: Weights, adds: Mapping[str, float]) -> Weights:
    """The weights with more of some, by name."""
    stop, move = kind.stop.copy(), kind.move.copy()
    for name, more in adds.items():
        if name in STOP_NAMES:
            stop[STOP_NAMES.index(name)] += more
        else:
            move[MOVE_NAMES.index(name)] += more
    return Weights(stop, kind.stop_by_time, move, kind.move_by_time, kind.share)


def _schooled(kind: Weights, school: School) -> Weights:
    stop, move = kind.stop.copy(), kind.move.copy()
    at, go = STOP_NAMES.index, MOVE_NAMES.index
    for name in ("next_string", "two_strings", "three_strings"):
        move[go(name)] -= school.one_string
    for name in ("open", "open_top"):
        stop[at(name)] += school.open_strings
    stop[at("finger_4")] += school.fourth_finger
    for place in EVEN_PLACES:
        stop[at(f"place_{place}")] += school.even_positions
    for place in range(3, 10):
        stop[at(f"place_{place}")] += school.high_positions * (place - 2)
    stop[at("place_10")] += 8 * school.high_positions
    stop[at("place_12")] += 10 * school.high_positions
    stop[at("above_place_12")] += school.high_positions
    move[go("same_finger_shift")] += school.same_finger
    return Weights(stop, kind.stop_by_time, move, kind.move_by_time, kind.share)
