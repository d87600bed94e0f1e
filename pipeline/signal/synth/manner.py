"""How a player's tone moves: the plain manner of the demonstration, and manners like those of real players.

The figures of ``real_manner`` are those of 20 minutes of unaccompanied violin by three players and of 20 dry cello
phrases, measured beside rendered sides in the same way: medians and quartiles of level, unrest and noise in held
notes, at changes of note and in slides. Ranges are drawn about them.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.units import gain_of_db


@dataclass(frozen=True)
class Manner:
    """What the curves of a side are drawn with.

    Attributes
    ----------
    vibrato_rise_s, vibrato_at_once, vibrato_unrest : range of the time in which vibrato grows, largest share of its
        extent that is there at the start of a note, and its unevenness from cycle to cycle (share).
    fast_jitter_cents, slow_jitter_share : unsteadiness of the pitch at 25 Hz, and what is left of the slow one.
    level_unrest_db, level_unrest_hz : unsteadiness of the level.
    deep_slides : slides fall the deeper the wider they are, grow dull, and each partial moves on its own.
    slur_dip_db : range of the dip at a change of note under the slur (none: 0, 0).
    rest_attack_s : how long the tone takes to rise after a rest; 0: as after any other stroke.
    hiss_db : bow noise above 2.5 kHz against that of the plain voice.
    burst, rest_burst, burst_s : bow noise at a stroke against that of the note (0: as much), joined and after a rest,
        and how long it takes to fall to a third.
    """

    vibrato_rise_s: tuple[float, float] = (0.06, 0.2)
    vibrato_at_once: float = 0.0
    vibrato_unrest: float = 0.12
    fast_jitter_cents: float = 0.0
    slow_jitter_share: float = 1.0
    level_unrest_db: float = 0.7
    level_unrest_hz: float = 12.0
    deep_slides: bool = False
    slur_dip_db: tuple[float, float] = (0.0, 0.0)
    rest_attack_s: float = 0.0
    hiss_db: float = 0.0
    burst: float = 3.0
    rest_burst: float = 3.0
    burst_s: float = 0.03


PLAIN = Manner()


def real_manner(rng: np.random.Generator) -> Manner:
    """A manner like those of real players."""
    return Manner(
        vibrato_rise_s=(0.1, 0.3),
        vibrato_at_once=float(rng.uniform(0.0, 0.8)),
        vibrato_unrest=0.2,
        fast_jitter_cents=float(rng.uniform(2.0, 6.0)),
        slow_jitter_share=0.5,
        level_unrest_db=float(rng.uniform(1.0, 2.5)),
        level_unrest_hz=float(rng.uniform(8.0, 25.0)),
        deep_slides=True,
        slur_dip_db=(0.5, 5.5),
        rest_attack_s=float(rng.lognormal(np.log(0.1), 0.5)),
        hiss_db=float(rng.normal(8.0, 2.0)),
        burst=gain_of_db(float(rng.normal(10.0, 3.0))),
        rest_burst=gain_of_db(float(rng.normal(16.0, 3.0))),
        burst_s=0.05,
    )
