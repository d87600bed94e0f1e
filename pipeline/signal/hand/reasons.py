"""What speaks for an answer: how much less likely it were without each kind of what is heard.

For the likeliest player, the odds of an answer with everything are set against its odds without the slides, heard and
not heard; without pitch and vibrato of the notes; and by the note alone, without those around it.
"""

import numpy as np

from pipeline.signal.hand import ways
from pipeline.signal.hand.chain import Candidates, Ints
from pipeline.signal.hand.ways import Ways
from pipeline.units import Floats

EVIDENCE = ("slides", "sound", "around")
"""Slides heard and not heard; pitch and vibrato; the notes around."""
LEAST = 1e-4
"""Probabilities nearer to 0 or 1 than this count as this."""


def log_factors(
    stops: Candidates, answer: Ints, chosen: Ints, weights: Floats, pairs: tuple[Floats, Floats], links: Ints
) -> Floats:
    """Natural log of the factor on the odds of each note's answer by each of ``EVIDENCE``, (n, 3).

    Parameters
    ----------
    stops : candidates of the passage's notes.
    answer : (candidates,) number of the answer that each candidate belongs to.
    chosen : (n,) number of the answer asked about.
    weights : (candidates,) weights of the candidates, with what is heard.
    pairs : weights of all pairs, without the slides and with them.
    links : where the pairs of each link begin.
    """
    begins = stops.begins
    unheard = weights * np.exp(-(stops.sound + stops.seen))
    own = answer == chosen[stops.owner]

    def log_odds(chance: Floats) -> Floats:
        share = np.bincount(stops.owner, np.where(own, chance, 0.0), begins.size - 1)
        whole = np.bincount(stops.owner, chance, begins.size - 1)
        bounded = np.clip(share / whole, LEAST, 1.0 - LEAST)
        found: Floats = np.log(bounded / (1.0 - bounded))
        return found

    def through(own_weights: Floats, own_pairs: Floats) -> Floats:
        found: Ways = ways.forward_backward(begins, own_weights, own_pairs, links)
        return log_odds(found.chance)

    without, with_slides = pairs
    whole = through(weights, with_slides)
    return np.stack(
        [whole - through(weights, without), whole - through(unheard, with_slides), whole - log_odds(weights)], axis=1
    )
