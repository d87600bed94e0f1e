"""Random playable plans: melodies in a key, played by one hand on one instrument, with slides of every kind.

``random_plan`` walks a hand over the strings (``walk.py``). With ``Fingers`` the hand does not walk at random but plays
a melody with the fingers of a player who knows what comes next (``known_melody.py``), and slides are shifts that are
heard. Everything follows from ``rng``: the same generator state gives the same plan.
"""

from collections.abc import Mapping

import numpy as np

from pipeline.instruments import INSTRUMENTS
from pipeline.kinds import Kind
from pipeline.signal.synth.keys import TONICS
from pipeline.signal.synth.known_melody import Fingers, KnownMelody, Line
from pipeline.signal.synth.piano import accompany
from pipeline.signal.synth.plan import Plan
from pipeline.signal.synth.player import Player, random_player
from pipeline.signal.synth.walk import Order, Walk

# Shares of the kinds among slides, where the hand allows each.
KIND_SHARES: dict[str, float] = {
    Kind.SAME_FINGER: 0.38,
    Kind.DEPARTING_FINGER: 0.24,
    Kind.ARRIVING_FINGER: 0.2,
    Kind.TWO_FINGER: 0.1,
    Kind.INTO_NOTE: 0.08,
}


def random_plan(
    rng: np.random.Generator,
    *,
    instrument: str,
    length_s: float,
    reference_pitch_hz: float,
    with_piano: bool = False,
    slide_share: float = 0.25,
    negative_share: float = 0.1,
    kind_shares: Mapping[str, float] | None = None,
    key: str | None = None,
    player: Player | None = None,
    introduction_s: float = 0.0,
    interlude_s: float = 0.0,
    fingers: Fingers | None = None,
    line: Line | None = None,
) -> Plan:
    """A random playable side.

    Parameters
    ----------
    instrument : "violin", "viola" or "cello".
    length_s : length in true time; the plan ends in up to about a second of silence.
    with_piano : adds a chordal accompaniment in the key.
    slide_share : share of note pairs joined by a slide (0: none).
    negative_share : share of notes that carry something easily taken for a slide.
    kind_shares : weights of the kinds of slide; ``KIND_SHARES`` if None.
    key : like "A minor"; random if None.
    introduction_s, interlude_s : silence of the solo (under the piano, if any) before its first note, and about
        the middle of the side.
    fingers : how the player fingers a melody; None for a hand that walks at random. With them,
        ``slide_share`` is the share of the shifts along a string that are heard.
    line : the melody to play, to its end or until ``length_s``; with ``fingers`` only.
    """
    who = random_player(rng) if player is None else player
    key = f"{rng.choice(TONICS)} {rng.choice(('major', 'minor'))}" if key is None else key
    order = Order(INSTRUMENTS[instrument], who, key, slide_share, negative_share, kind_shares or KIND_SHARES)
    if fingers is None:
        walk = Walk(rng, order)
    else:
        walk = KnownMelody(rng, order, fingers, notes=int(length_s / who.shortest_note_s), line=line)
    walk.fill(start_s=0.25 + introduction_s, end_s=length_s - 0.4, interlude_s=interlude_s)
    accompaniment = accompany(rng, key=key, beat_s=who.beat_s, length_s=length_s)
    return Plan(
        instrument=instrument,
        notes=tuple(walk.notes),
        slides=tuple(walk.slides),
        length_s=length_s,
        key=key,
        reference_pitch_hz=reference_pitch_hz,
        accompaniment=accompaniment if with_piano else (),
        negatives=tuple(walk.negatives),
    )
