"""Prints how well the hand tells real fingerings: string and finger of every note, silent and with slides heard.

Notes and fingers are a folder's (``pipeline.training.fingerings``); the slides are simulated on them as in the other
benchmarks of the hand (``played_passages``): none (``silent``), every shift heard (``every shift``), or a sparing
player. Beside ours stand another player of the same piece, the majority of the others, and ``own players``: fingerings
drawn from the fitted model itself, judged alike, which is the most that the model could reach if it were true.
The weights in use were learned from 35 of these files: figures on them are marked fitted. With ``--refit`` each piece
is judged by weights learned without it and without the player, and its sets by the mass learned without it (five
minutes more on a quiet core). Run without, it costs some minutes. Beneath each table stand the shifts along a string,
made and told, and the share of them made silently: the same fingerings with other slides are worlds in which players
shift alike and slide differently.
Run: python -m tests.benchmarks.fingers --folder FOLDER [--refit] [--seed 1]
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.signal.hand.fingerboard import fingerboard, stops
from pipeline.signal.hand.passage import PassageHand, reconstruct_with
from pipeline.signal.hand.passage_chain import arrays
from pipeline.signal.hand.weights import SetMass, Weights, of_players, set_mass
from pipeline.training.finger_likelihood import Likelihood
from pipeline.training.fingerings import Fingering, laid_beside, read_fingerings
from pipeline.training.fingers import answers_of, best_power, held_out, masses_without, weights_of
from tests.helpers.fingered_passages import Note
from tests.helpers.played_passages import Played, play, score

HEARINGS = {"silent": "silent", "every shift heard": "starting_finger", "sparing player": "sparing"}


@dataclass(frozen=True)
class Judged:
    """What is told of one take as played, and the probability that its sets must reach."""

    fingering: Fingering
    played: Played
    hand: PassageHand
    mass: float


def notes_of(fingering: Fingering, rng: np.random.Generator) -> list[Note]:
    """The notes as ``played_passages`` takes them; half of them slurred, as the files do not say which."""
    return [
        Note(int(s), int(f), int(p), int(m), slurred=bool(rng.random() < 0.5), length_s=float(length))
        for s, f, p, m, length in zip(
            fingering.string,
            fingering.finger,
            fingering.place,
            fingering.midi,
            fingering.length_s,
            strict=True,
        )
    ]


def judge(
    fingerings: list[Fingering],
    kinds: dict[tuple[str, str], Sequence[Weights]],
    mass: dict[str, SetMass],
    *,
    school: str,
    seed: int,
) -> list[Judged]:
    """Every take as a player of the school would let it be heard, and what is told of it."""
    rng, board = np.random.default_rng(seed), fingerboard("violin")
    found = []
    for each in fingerings:
        played = play(rng, notes_of(each, rng), instrument="violin", school=school)
        hand = reconstruct_with(kinds[each.player, each.piece], played.line, board=board, paths=1)
        found.append(Judged(each, played, hand, mass[each.piece].at(hand.heard)))
    return found


def row(judged: list[Judged]) -> str:
    """One row of figures."""
    s = score([j.played for j in judged], [j.hand.probability for j in judged], mass=[j.mass for j in judged])
    string = np.concatenate([j.hand.probability.sum(axis=2).argmax(axis=1) == j.fingering.string for j in judged])
    return (
        f"{s.notes:6} {s.right:6.2f} {string.mean():6.2f} {s.right_after_shift:7.2f} ({s.shifts:4})"
        f" {s.calibration_error:6.3f} {s.in_set:6.2f} {s.set_size:5.1f}"
    )


def shifts_along(judged: list[Judged]) -> str:
    """Shifts along a string between two stopped notes, made and told, and the share made silently by each."""
    made, heard, told, told_heard = 0, 0, 0.0, 0.0
    for j in judged:
        played, chance = j.played, np.nan_to_num(j.hand.chance)
        along = played.shifted.copy()
        along[1:] &= (played.string[1:] == played.string[:-1]) & (played.finger[1:] > 0) & (played.finger[:-1] > 0)
        slid = played.line.slide >= 0
        made, heard = made + int(along.sum()), heard + int((along & slid).sum())
        told, told_heard = told + float(chance.sum()), told_heard + float(chance[slid].sum())
    return f"made {made}, told {told:.0f}; silently {1 - heard / made:.2f}, told {1 - told_heard / told:.2f}"


def print_others(fingerings: list[Fingering]) -> None:
    """How another player of the piece, and the majority of the others, would do as an answer."""
    one, most = [], []
    for each in fingerings:
        truth = each.string * 5 + each.finger
        others = []
        for other in fingerings:
            if other.piece == each.piece and other.player != each.player:
                beside = laid_beside(each, other)
                others.append(np.where(beside >= 0, (other.string * 5 + other.finger)[beside], -1))
        if not others:
            continue
        told = np.array(others)
        majority = np.array([np.bincount(column[column >= 0], minlength=20).argmax() for column in told.T])
        one += [((told == truth).mean(), (told // 5 == truth // 5).mean(), truth.size)]
        most += [((majority == truth).mean(), (majority // 5 == truth // 5).mean(), truth.size)]
    for name, rows in (("another player", one), ("majority of the others", most)):
        if rows:
            shares = np.array(rows)
            right, string = np.average(shares[:, :2], axis=0, weights=shares[:, 2])
            print(f"{name:24}        {right:6.2f} {string:6.2f}")


def own_players(fingerings: list[Fingering], *, seed: int) -> list[Fingering]:
    """Each take's notes with a fingering drawn from the fitted model, by a kind of player drawn by its share."""
    rng, table = np.random.default_rng(seed), arrays(fingerboard("violin"))[0]
    kinds, likelihood = of_players("violin"), Likelihood(fingerings)
    shares = np.array([kind.share for kind in kinds]) / sum(kind.share for kind in kinds)
    drawn = []
    for each in fingerings:
        kind = kinds[int(rng.choice(len(kinds), p=shares))]
        weights = np.concatenate([kind.stop, kind.stop_by_time, kind.move, kind.move_by_time])
        way = likelihood.drawn(weights, each.piece, rng)
        if way.size == each.midi.size:
            drawn.append(replace(each, string=table.string[way], finger=table.finger[way], place=table.place[way]))
    return drawn


def without_a_way(fingerings: list[Fingering]) -> tuple[int, int]:
    """Stops for which the geometry has no way, and stops in all; notes below their string are no stops."""
    board = fingerboard("violin")
    known: dict[tuple[int, int, int], bool] = {}
    missing = whole = 0
    for each in fingerings:
        right = ~each.misread()
        for string, finger, midi in zip(each.string[right], each.finger[right], each.midi[right], strict=True):
            key = (int(string), int(finger), int(midi - board.open_midi[string]))
            if key not in known:
                known[key] = any(s.finger == key[1] for s in stops(board, string=key[0], sounding=key[2]))
            missing += not known[key]
            whole += 1
    return missing, whole


def main() -> None:
    """All tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--refit", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    fingerings = read_fingerings(given.folder)
    takes = [(each.player, each.piece) for each in fingerings]
    kinds: dict[tuple[str, str], Sequence[Weights]] = dict.fromkeys(takes, of_players("violin"))
    mass = {piece: set_mass() for _, piece in takes}
    if given.refit:
        likelihood = Likelihood(fingerings)
        held, _ = held_out(fingerings, likelihood)
        power, answers = best_power(likelihood, held)
        kinds = {take: weights_of(*found, power=power) for take, found in held.items()}
        mass = masses_without(answers, answers_of(likelihood, held, power, heard=True), likelihood)
    print("                          notes  right string  after shifts  ECE  in set answers")
    for name, school in HEARINGS.items():
        judged = judge(fingerings, kinds, mass, school=school, seed=given.seed)
        print(f"{name:24} {row(judged)}", flush=True)
        for part, names in (("piece", sorted({p for _, p in takes})), ("player", sorted({p for p, _ in takes}))):
            for each in names:
                own = [j for j in judged if getattr(j.fingering, part) == each]
                print(f"  {each:22} {row(own)}", flush=True)
        print(f"  shifts along a string: {shifts_along(judged)}", flush=True)
    drawn = own_players(fingerings, seed=given.seed)
    for name, school in HEARINGS.items():
        judged = judge(drawn, dict.fromkeys(takes, of_players("violin")), mass, school=school, seed=given.seed)
        print(f"{'own players, ' + name:32} {row(judged)}", flush=True)
    print_others(fingerings)
    missing, whole = without_a_way(fingerings)
    print(f"stops without a way: {missing} of {whole} ({100 * missing / whole:.2f} %)")


if __name__ == "__main__":
    main()
