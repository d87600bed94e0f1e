"""A player who does not know what comes next, as a chain over stops.

Whoever plans takes the way that is lightest on the whole; who does not takes each note from where the hand happens
to be, and moves it only when a note cannot be had otherwise. So every stop has its own choice of the next: first
among what lies in the hand, then among stretches and moves by a semitone, then among shifts; within each of these
nests the weights of playability decide (a nested logit: D. McFadden, "Modelling the choice of residential location",
1978). The nests' own weights are common practice, no source, and stand in the settings.
"""

import numba
import numpy as np

from pipeline.signal.hand.chain import Arrays, Candidates, Moves
from pipeline.signal.hand.playability import Costs
from pipeline.units import Floats

IN_HAND, NEAR, SHIFTED = range(3)


@numba.njit(cache=True)
def choices(
    costs: Costs, table: Arrays, stops: Candidates, moves: Moves, weights: Floats, power: float, crossing: float
) -> Floats:
    """Every pair of stops of neighbouring notes, divided by all ways to go on from its first.

    ``weights`` are those of the stops by themselves; with them the pairs of each first stop sum to 1. ``power`` and
    ``crossing`` multiply the weights of playability and of crossing strings.
    """
    out = np.zeros(moves.effort.size)
    nests = np.exp(-np.array([0.0, costs.needless_stretch, costs.needless_shift]))
    begins = stops.begins
    for t in range(begins.size - 2):
        wide = begins[t + 2] - begins[t + 1]
        nest = np.zeros(wide, np.int64)
        for i in range(begins[t], begins[t + 1]):
            a = stops.stops[i]
            at = moves.begins[t] + (i - begins[t]) * wide
            total = np.zeros(3)
            for j in range(wide):
                b = stops.stops[begins[t + 1] + j]
                moved = abs(table.place[b] - table.place[a])
                effort = moves.effort[at + j] + crossing * moves.crossing[at + j]
                if moved == 0 and table.strained[b] == 0 and abs(table.string[b] - table.string[a]) <= 1:
                    nest[j] = IN_HAND
                elif moved <= 1:
                    nest[j] = NEAR
                    # Who moves only when the note is out of reach moves by a semitone as readily as by more.
                    effort += moved * max(costs.half_step_shift - costs.shift, 0.0)
                else:
                    nest[j] = SHIFTED
                out[at + j] = np.exp(power * effort)
                total[nest[j]] += out[at + j] * weights[begins[t + 1] + j]
            whole = 0.0
            for k in range(3):
                if total[k] > 0.0:
                    whole += nests[k]
            for j in range(wide):
                if total[nest[j]] > 0.0:
                    out[at + j] *= nests[nest[j]] / total[nest[j]] / whole
                else:
                    out[at + j] = 0.0
    return out
