"""Prints the best that anyone could do on the random melodies: the exact posterior under the melodies' own recipe.

The player's recipe of ``fingered_passages.melody`` and the way ``played_passages.play`` measures a starting-finger
school are turned into a hidden Markov model with their true parameters, habits summed over; its answers are the ceiling
of any method that sees the same notes and slides. On development seeds the cello's ceiling was 0.88 after shifts, ours
0.63, and 0.70 with the exact likelihood of what is heard in place of ours; the rest is knowing the recipe's own
choices. Run: python -m tests.benchmarks.hand_ceiling SEED COUNT
"""

import sys
from collections import defaultdict
from itertools import product

import numpy as np

from pipeline.kinds import KINDS
from pipeline.signal.hand.fingerboard import Fingerboard, fingerboard, offsets
from pipeline.signal.hand.passage import reconstruct
from tests.helpers.fingered_passages import Note, _in_hand, _reposition_options, melody
from tests.helpers.played_passages import BREAK_SEMITONES, LOST_BREAKS, Played, play, score

State = tuple[int, int, int]
ONE_STRING, FANCY, OPEN = (0.3, 0.55, 0.8), (0.01, 0.04), (0.1, 0.5, 0.9)


def _choices(board: Fingerboard, state: State, pitch: int, habit: tuple[float, float, float]) -> dict[State, float]:
    """Probability of each string, finger and place for the next note."""
    string, _, place = state
    one_string, fancy, likes_open = habit
    found: dict[State, float] = defaultdict(float)
    for use_open, share in ((True, likes_open), (False, 1.0 - likes_open)):
        near = [w for w in _in_hand(board, place, pitch, use_open) if abs(w[0] - string) <= 1]
        tries = [(share, near, place)]
        if not near:
            tries = [(0.2 * share, near, place)]
            for moved in (place, max(place - 1, 1), place + 1):
                ways = _in_hand(board, moved, pitch, False, strain=moved == place)
                tries.append((0.8 / 3 * share, [w for w in ways if abs(w[0] - string) <= 1], moved))
        for part, ways, moved in tries:
            if ways:
                same = [w for w in ways if w[0] == string]
                keeps = (1.0 if len(ways) == 1 else one_string) if same else 0.0
                if same:
                    found[*same[0], moved] += part * (1.0 - fancy) * keeps
                found[*ways[0], moved] += part * (1.0 - fancy) * (1.0 - keeps)
            rest = part * (fancy if ways else 1.0)
            options, liking = _reposition_options(board, string, place, pitch)
            on_string = np.array([o[0] == string for o in options], dtype=bool)
            stays = max(one_string, 0.7) if on_string.any() else 0.0
            for mask, weight in ((on_string, stays), (np.ones(len(options), dtype=bool), 1.0 - stays)):
                chosen = liking * mask
                for option, each in zip(options, chosen / max(chosen.sum(), 1e-300), strict=True):
                    found[option] += rest * weight * float(each)
    return found


def _sounds(board: Fingerboard, played: Played, i: int, b: State, pitch: int) -> float:
    spread = 0.09 if b[1] else 0.027
    off = float(played.line.midi[i]) - pitch
    weight = float(np.exp(-0.5 * (off / spread) ** 2) / spread)
    vibrates = bool(np.isfinite(played.line.vibrato_cents[i]))
    if b[1] == 0:
        return 0.0 if vibrates else weight
    if played.line.end_s[i] - played.line.start_s[i] <= 0.25:
        return weight
    return weight * (0.75 if vibrates else 0.25)


def _slides(board: Fingerboard, played: Played, i: int, a: State, b: State) -> float:
    """Likelihood of the slide into note i, or of its absence."""
    k = int(played.line.slide[i])
    rested = played.line.start_s[i] - played.line.end_s[i - 1] > 1e-9
    joined = a[1] > 0 and b[1] > 0 and a[0] == b[0] and not rested
    slides = joined and (abs(a[2] - b[2]) > 1 or a[1] == b[1])
    if (k >= 0) != slides:
        return 0.0
    if k < 0:
        return 1.0
    kind = "same_finger" if a[1] == b[1] else "departing_finger"
    told = KINDS[int(np.argmax(played.line.slides.kinds[k]))]
    weight = 0.9 if told == kind else 0.1 / 3.0
    step = float(played.line.slides.step_from_midi[k])
    if np.isfinite(step) == (kind == "same_finger"):
        return 0.0
    if kind == "same_finger":
        return weight
    strains = offsets(board, place=b[2], finger=a[1])
    usual = [o for o, strain in strains.items() if strain == min(strains.values())]
    away = np.array([step - round(board.open_midi[b[0]]) - b[2] - o for o in usual])
    width = float(np.hypot(BREAK_SEMITONES, 0.05))
    near = np.exp(-0.5 * (away / width) ** 2) / (width * np.sqrt(2.0 * np.pi))
    return weight * float(np.mean((1.0 - LOST_BREAKS) * near + LOST_BREAKS * (np.abs(away) < 3.0) / 6.0))


def _posterior(board: Fingerboard, played: Played, pitches: list[int]) -> np.ndarray:
    """(n, strings, 5) probabilities under the true recipe."""
    notes = len(pitches)
    total = np.zeros((notes, len(board.strings), 5))
    logs, answers = [], []
    for habit in product(ONE_STRING, FANCY, OPEN):
        known: dict[tuple[int, int, int], dict[State, float]] = {}
        first = {2: 6 / 10, 3: 1 / 10, 5: 2 / 10, 8: 1 / 10}
        ahead: dict[State, float] = {(s, 0, p): 0.5 * w for s in (1, 2) for p, w in first.items()}
        ways: list[dict[tuple[State, State], float]] = []
        log = 0.0
        for i, pitch in enumerate(pitches):
            links: dict[tuple[State, State], float] = {}
            after: dict[State, float] = defaultdict(float)
            for a, mass in ahead.items():
                at = (a[0], a[2], pitch)
                if at not in known:
                    known[at] = _choices(board, a, pitch, habit)
                for b, chance in known[at].items():
                    weight = chance * _sounds(board, played, i, b, pitch)
                    if i and weight:
                        weight *= _slides(board, played, i, a, b)
                    if weight:
                        links[a, b] = weight
                        after[b] += mass * weight
            whole = sum(after.values())
            if whole <= 0.0:
                log = -np.inf
                break
            log += np.log(whole)
            ways.append(links)
            ahead = {b: mass / whole for b, mass in after.items() if mass > 1e-12 * whole}
        if log == -np.inf:
            continue
        answers.append(_smoothed(ways, ahead, strings=len(board.strings)))
        logs.append(log)
    weights = np.exp(np.array(logs) - max(logs))
    for weight, answer in zip(weights / weights.sum(), answers, strict=True):
        total += weight * answer
    return total


def _smoothed(ways: list[dict[tuple[State, State], float]], last: dict[State, float], *, strings: int) -> np.ndarray:
    """Marginals from the links of each note: forward again, then backward."""
    forwards: list[dict[State, float]] = []
    ahead: dict[State, float] | None = None
    for links in ways:
        after: dict[State, float] = defaultdict(float)
        for (a, b), weight in links.items():
            after[b] += (1.0 if ahead is None else ahead.get(a, 0.0)) * weight
        whole = sum(after.values())
        ahead = {b: mass / whole for b, mass in after.items()}
        forwards.append(ahead)
    out = np.zeros((len(ways), strings, 5))
    behind: dict[State, float] = dict.fromkeys(forwards[-1], 1.0)
    for i in range(len(ways) - 1, -1, -1):
        for b, mass in forwards[i].items():
            out[i, b[0], b[1]] += mass * behind.get(b, 0.0)
        out[i] /= out[i].sum()
        before: dict[State, float] = defaultdict(float)
        for (a, b), weight in ways[i].items():
            before[a] += weight * behind.get(b, 0.0)
        whole = max(before.values())
        behind = {a: mass / whole for a, mass in before.items()}
    return out


def main(seed: int, count: int) -> None:
    """Ceiling and what is reached, for violin and cello."""
    for instrument in ("violin", "cello"):
        board, rng = fingerboard(instrument), np.random.default_rng(seed)
        melodies: list[list[Note]] = [melody(rng, instrument=instrument, notes=90) for _ in range(count)]
        played = [play(rng, m, instrument=instrument, school="starting_finger") for m in melodies]
        ceiling = score(
            played, [_posterior(board, p, [n.midi for n in m]) for p, m in zip(played, melodies, strict=True)]
        )
        reached = score(played, [reconstruct(p.line, board=board).probability for p in played])
        for name, s in (("ceiling", ceiling), ("reached", reached)):
            print(
                f"{instrument:7} {name}: right {s.right:.2f}, after {s.shifts} shifts {s.right_after_shift:.2f},"
                f" calibration error {s.calibration_error:.3f}, truth in 90 % set {s.in_set:.2f}, set {s.set_size:.1f}"
            )


if __name__ == "__main__":
    main(*(int(x) for x in (sys.argv[1:] or ("1", "6"))))
