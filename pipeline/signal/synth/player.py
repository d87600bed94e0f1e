"""How one player plays: habits drawn at random, from which single notes vary."""

from dataclasses import dataclass

import numpy as np

SHORTEST_NOTE_S = 0.16  # semiquavers at 94 crotchets a minute (common practice, no source)


@dataclass(frozen=True)
class Player:
    """How one player plays: random habits from which single notes vary.

    Rates in Hz, extents and intonation in cents, durations in s; shares are probabilities per chance.
    """

    beat_s: float
    vibrato_hz: float
    vibrato_cents: float
    still_share: float
    intonation_cents: float
    slur_share: float
    shift_share: float
    rest_share: float
    shortest_note_s: float = SHORTEST_NOTE_S


def random_player(rng: np.random.Generator) -> Player:
    """A player with habits drawn at random."""
    return Player(
        beat_s=float(rng.uniform(0.42, 0.85)),
        vibrato_hz=float(rng.uniform(4.8, 7.2)),
        vibrato_cents=float(rng.uniform(12.0, 45.0)),
        still_share=float(rng.uniform(0.05, 0.35)),
        intonation_cents=float(rng.uniform(3.0, 8.0)),
        slur_share=float(rng.uniform(0.45, 0.75)),
        shift_share=float(rng.uniform(0.05, 0.15)),
        rest_share=float(rng.uniform(0.03, 0.08)),
    )
