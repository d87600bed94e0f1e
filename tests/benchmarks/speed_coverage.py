"""Do the stated limits of a speed hold the truth? Both intervals, for sides whose A4, intonation and speed are drawn.

Sides are drawn as rows of ``tuning``: the notes of a plan with their pitches, lengths and vibrato, and a curve through
them with the error that such a curve has, without sound; rendering adds nothing to what is asked here. Speeds are
Student t with 4 degrees of freedom and a scale of 45 cents; A4 lies anywhere from 430 to 455 Hz. ``tests.benchmarks.
speed`` prints the tables; by themselves, one cell of them, or over several processes:

    OMP_NUM_THREADS=1 python -m tests.benchmarks.speed_coverage [--covered 200] [--cell 3] [--processes 16]
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np

from pipeline.instruments import INSTRUMENTS
from pipeline.settings import SettleSettings
from pipeline.signal.speed.intonation import FIFTH_CENTS, JUST_CENTS, fifths_above_a
from pipeline.signal.speed.key import Key, parse_key
from pipeline.signal.speed.reference_pitch import ReferencePitch, assumed
from pipeline.signal.speed.session import SettledSide, settle_together
from pipeline.signal.synth.plan import Plan
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.tuning.coarse_path import wrap100
from pipeline.steps.settle.facts import as_facts
from pipeline.steps.settle.sides import side_evidence
from pipeline.units import Z_95, Floats, cents_of_ratio

FIRST = 110_000  # seeds below 10,000 were used to choose thresholds
SYSTEMS = ("equal", "Pythagorean", "just", "sharp leading notes", "rising", "free")
PIANOS = ("in tune", "uneven", "flat")
TRANSPOSED = ((1.0, "not said"), (0.5, "perhaps"), (0.0, "said so"))
OPEN_STRING_SD, PIANO_SD = 2.0, 2.0
"""How far open strings, and the mean of a piano's notes, lie beside their A4; cents."""
NOTE_SD, REGISTER_CENTS, FLAT_CENTS = 5.0, (5.0, 20.0), (10.0, 30.0)
"""Pianos that are off, cents: each note beside its register (standard deviation), the worst register beside that of
A4, and a whole flat piano below the soloist's A4. Registers go by 10 to 15 cents with the seasons, and not alike, as
tuners report; a tuned piano is stretched by less in the middle (Railsback, Journal of the Acoustical Society of America
9, 1938, p. 274, from memory). The rest is common practice, no source."""


@dataclass(frozen=True)
class Drawn:
    """A drawn side: ``row`` as of ``tuning``, its true mean correction, A4 in cents above 440 Hz, printed key."""

    row: dict[str, Any]
    offset_cents: float
    a4_cents: float
    key: str
    instrument: str


def bend(midi: Floats, start: Floats, key: Key, system: str, rng: np.random.Generator) -> Floats:
    """How far notes (n,) lie above equal temperament when played in a system, in cents; ``start`` from 0 to 1."""
    pitch_class = np.round(midi).astype(int) % 12
    degree, fifths = (pitch_class - key.tonic) % 12, fifths_above_a(key)
    if system == "Pythagorean":
        return np.asarray(FIFTH_CENTS * fifths[pitch_class])
    if system == "just":
        return np.asarray(JUST_CENTS[degree] + FIFTH_CENTS * fifths[key.tonic])
    if system == "sharp leading notes":
        return np.where(degree == 11, 15.0, 0.0)
    if system == "rising":
        return np.asarray(10.0 * start)
    if system == "free":
        return np.asarray(rng.normal(0.0, 5.0, 12)[pitch_class] + rng.normal(0.0, 3.0))
    return np.zeros(midi.size)


def drawn_side(
    seed: int,
    *,
    instrument: str,
    system: str = "equal",
    piano: str = "",
    a4_hz: float | None = None,
    lowered: int = 0,
    transposed: int = 0,
    jump_cents: float = 0.0,
) -> Drawn:
    """A side without sound.

    Parameters
    ----------
    piano : one of ``PIANOS``, or none. A4 is what its A sounds. Of a flat one it is the soloist's, who follows the
        piano with stopped notes by any share, with open strings not at all.
    a4_hz : None for anywhere from 430 to 455.
    lowered : semitones by which the lowest string is tuned down; its open notes go along.
    transposed : semitones by which the piece is played above its printed key.
    jump_cents : a sudden rise of the sounding pitch at a moment between 30 and 70 % of the side.
    """
    rng = np.random.default_rng([seed, 1])
    plan = _plan(seed, instrument)
    length_s = plan.length_s
    key = parse_key(plan.key.replace("b ", " flat "))
    notes = [note for note in plan.notes if note.end_s - note.start_s >= 0.15]
    start_s, midi = np.array([note.start_s for note in notes]), np.array([note.midi for note in notes])
    long_s = np.array([note.end_s - note.start_s for note in notes])
    opened = np.array([note.finger == 0 for note in notes])
    midi = np.where(opened & (np.round(midi) == INSTRUMENTS[instrument].open_midi[0]), midi - lowered, midi)
    wobble = np.hypot(0.7 * np.array([note.vibrato_cents for note in notes]), rng.uniform(1.5, 4.0, midi.size))
    off = bend(midi, start_s / length_s, key, system, rng)
    apart = np.random.default_rng([seed, 2])
    struck = struck_off(piano, apart)
    if piano == "flat":
        off = off + apart.uniform(0.0, 1.0) * struck.mean()
    strings = rng.normal(0.0, OPEN_STRING_SD, 128) + FIFTH_CENTS * rng.uniform(0.0, 1.0) * (np.arange(128) - 69) / 7.0
    off = np.where(opened, strings[np.round(midi).astype(int)], off)
    a4 = float(cents_of_ratio((float(rng.uniform(430.0, 455.0)) if a4_hz is None else a4_hz) / 440.0))
    offset = float(np.clip(45.0 * rng.standard_t(4), -250.0, 250.0))
    sounds = 100.0 * (midi - 69.0) + off + a4 - offset
    at_s = float(rng.uniform(0.3, 0.7)) * length_s
    level, se = circular_level(sounds, np.minimum(long_s / 0.18, 6.0))
    if piano:
        level, se = a4 - offset + float(rng.normal(0.0, PIANO_SD)), 0.5
    if piano and struck.any():
        tones = np.array([(note.midi, note.end_s - note.start_s) for note in plan.accompaniment])
        beside = 100.0 * (tones[:, 0] - 69.0) + struck[tones[:, 0].astype(int)] + a4 - offset
        weight = np.minimum(np.concatenate((long_s, tones[:, 1])) / 0.18, 6.0)
        level, _ = circular_level(np.concatenate((sounds, beside)), weight)
    level = float(wrap100(np.array(level)))
    seen = float(wrap100(np.array(jump_cents)))
    after = (start_s + 0.5 * long_s > at_s).astype(np.float64)
    above = sounds + (jump_cents - seen) * after - level
    share = 1.0 - at_s / length_s
    classes = np.zeros((max(1, round(length_s / 15.0)), 12))
    for other in plan.accompaniment if piano else ():
        section = min(int(other.start_s / length_s * classes.shape[0]), classes.shape[0] - 1)
        above_a4 = struck[int(other.midi)] + (jump_cents - seen) * (other.start_s > at_s)
        sounded = other.midi + (above_a4 + a4 - offset - level) / 100.0
        classes[section, round(sounded) % 12] += 1.0
    jumped = jump_cents != 0.0
    row: dict[str, Any] = {
        "length_s": length_s,
        "sharp_cents": level + seen * share,
        "sharp_se_cents": se,
        "curve_time_s": [0.0, length_s],
        "curve_cents": [level, level],
        "curve_se_cents": [se, se],
        "jump_s": [at_s] * jumped,
        "jump_cents": [seen] * jumped,
        "wow_hz": None,
        "note_start_s": start_s.tolist(),
        "note_length_s": long_s.tolist(),
        "note_semitone": (np.round(above / 100.0).astype(np.int64) + 69).tolist(),
        "note_deviation_cents": wrap100(above).tolist(),
        "note_wobble_cents": wobble.tolist(),
        "accompaniment_pitch_classes": classes.ravel().tolist(),
        "hum_hz": [],
    }
    return Drawn(row, offset - jump_cents * share, a4, key.shifted(-transposed).name, instrument)


def struck_off(piano: str, rng: np.random.Generator) -> Floats:
    """How far the notes of a piano lie beside A4 and equal temperament, in cents, (128,)."""
    midi = np.arange(128)
    if piano == "flat":
        return np.full(midi.size, -rng.uniform(*FLAT_CENTS))
    if piano != "uneven":
        return np.zeros(midi.size)
    octaves = np.arange(33, 106, 12)  # A1 to A7
    register = np.interp(midi, octaves, rng.normal(0.0, 1.0, octaves.size))
    register -= register[69]
    off = register * rng.uniform(*REGISTER_CENTS) / np.abs(register).max() + rng.normal(0.0, NOTE_SD, midi.size)
    return np.asarray(off - off[69])


@lru_cache(maxsize=4096)
def _plan(seed: int, instrument: str) -> Plan:
    rng = np.random.default_rng([seed, 0])
    length_s = float(rng.uniform(60.0, 200.0))
    how: dict[str, Any] = {"slide_share": 0.0, "negative_share": 0.0, "with_piano": True}
    return random_plan(rng, instrument=instrument, length_s=length_s, reference_pitch_hz=440.0, **how)


def circular_level(cents: Floats, weight: Floats) -> tuple[float, float]:
    """Level of tones modulo a semitone under a bounded loss, as a tuning curve has it, and its standard error."""
    turn = np.exp(2j * np.pi * cents / 100.0)
    level = 100.0 * float(np.angle(np.sum(weight * turn))) / (2.0 * np.pi)
    for _ in range(8):
        left = wrap100(cents - level)
        scale = max(2.0, 1.4826 * float(np.median(np.abs(left))))
        used = weight / (1.0 + (left / (2.0 * scale)) ** 2) ** 2
        level += float(np.sum(used * left) / np.sum(used))
    return level, 1.1 * float(np.sqrt(np.sum((used * left) ** 2))) / float(np.sum(used))


def settled(
    side: Drawn,
    *,
    references: tuple[ReferencePitch, ...],
    with_key: bool,
    key: str | None = None,
    key_share: float = 1.0,
    open_strings: list[float] | None = None,
) -> SettledSide:
    """The side settled by itself, transferred at 78.26 rpm."""
    known: dict[str, Any] = {
        "side": "side",
        "key": (key or side.key) if with_key else None,
        "key_share": key_share,
        "open_strings": open_strings,
        "references": as_facts(references),
        "turntable_rpm": 3600 / 46,
        "already_corrected": "no",
        "process": None,
        "labels": [],
    }
    return settle_together([side_evidence("side", side.row, known, side.instrument, 0.92)])["side"]


@dataclass(frozen=True)
class Coverage:
    """Shares of sides whose limits hold the truth, and median widths, for both intervals."""

    cell: str
    sides: int
    given: float
    given_width: float
    over_all: float
    over_all_width: float
    right_or_ambiguous: float

    def line(self) -> str:
        """One line of a table."""
        return (
            f"  {self.cell:49} {100 * self.given:5.1f} % ± {self.given_width:4.1f}    "
            f"{100 * self.over_all:5.1f} % in {self.over_all_width:5.0f}    {100 * self.right_or_ambiguous:5.1f} %"
        )


def covered(cell: str, sides: list[Drawn], *, with_key: bool) -> Coverage:
    """Both intervals over sides: given A4 and key, and over all readings with A4 unknown."""
    given, widths, over_all, wide, right = [], [], [], [], []
    for side in sides:
        true = (ReferencePitch(440.0 * 2.0 ** (side.a4_cents / 1200.0), 1.0, 1.0, "stated", stated=True),)
        told = settled(side, references=true, with_key=True)
        near = min(told.readings, key=lambda reading: abs(reading.offset_cents - side.offset_cents))
        given.append(abs(near.offset_cents - side.offset_cents) <= Z_95 * near.offset_se)
        widths.append(Z_95 * near.offset_se)
        free = settled(side, references=assumed(None, None), with_key=with_key)
        over_all.append(free.low_cents <= side.offset_cents <= free.high_cents)
        wide.append(free.high_cents - free.low_cents)
        right.append(_right(free, side.offset_cents, within=60.0))
    return Coverage(
        cell,
        len(sides),
        float(np.mean(given)),
        float(np.median(widths)),
        float(np.mean(over_all)),
        float(np.median(wide)),
        float(np.mean(right)),
    )


def called_ambiguous(found: SettledSide) -> bool:
    """Whether the step would call a side ambiguous, at the odds of the usual settings."""
    return found.ambiguous(SettleSettings().ambiguous_below_odds)


def _right(found: SettledSide, offset_cents: float, *, within: float) -> bool:
    return called_ambiguous(found) or abs(found.readings[0].offset_cents - offset_cents) < within


def limits(sides: int, first: int, instrument: str, piano: str, with_key: bool, system: str) -> str:
    """One cell: how often both intervals hold the truth."""
    drawn = [drawn_side(first + i, instrument=instrument, piano=piano, system=system) for i in range(sides)]
    cell = f"{_players(instrument, piano)}, key {_known(with_key)}, {system}"
    return covered(cell, drawn, with_key=with_key).line()


def _players(instrument: str, piano: str) -> str:
    if not piano:
        return f"{instrument} alone"
    return f"{instrument} with {'' if piano == PIANOS[0] else f'{piano} '}piano"


def _known(with_key: bool) -> str:
    return "known" if with_key else "unknown"


def _stated(side: Drawn) -> tuple[ReferencePitch, ...]:
    return (ReferencePitch(440.0 * 2.0 ** (side.a4_cents / 1200.0), 2.0, 1.0, "stated", stated=True),)


def half_semitones(sides: int, first: int, instrument: str, piano: str, with_key: bool) -> str:
    """Sudden changes of 42 to 58 cents: shares right or called ambiguous, on the whole and of the change's own size."""
    good, sized, doubtful = [], [], []
    for i in range(sides):
        rng = np.random.default_rng(first + i)
        size = float(rng.choice((-1.0, 1.0)) * rng.uniform(42.0, 58.0))
        side = drawn_side(first + i, instrument=instrument, piano=piano, jump_cents=size)
        found = settled(side, references=_stated(side), with_key=with_key)
        doubtful.append(called_ambiguous(found))
        good.append(_right(found, side.offset_cents, within=15.0))
        turn = round((size - side.row["jump_cents"][0]) / 100.0)
        sized.append(doubtful[-1] or found.readings[0].turns == (turn,))
    cell = f"half-semitone changes, {_players(instrument, piano)}, key {_known(with_key)}"
    return (
        f"{cell}: right or ambiguous {100 * np.mean(good):.1f} %, size of the change {100 * np.mean(sized):.1f} %, "
        f"called ambiguous {100 * np.mean(doubtful):.1f} %"
    )


def scordatura(sides: int, first: int, told: bool) -> str:
    """Lowest string a tone down, key unknown: share right or called ambiguous, the catalogue telling or not."""
    good = []
    for i in range(sides):
        instrument = ("violin", "cello")[i % 2]
        side = drawn_side(first + i, instrument=instrument, lowered=2)
        strings = [float(midi) for midi in INSTRUMENTS[instrument].open_midi]
        strings[0] -= 2.0
        found = settled(side, references=_stated(side), with_key=False, open_strings=strings if told else None)
        good.append(_right(found, side.offset_cents, within=40.0))
    return f"scordatura, {'told' if told else 'not told'}: right or ambiguous {100 * np.mean(good):.1f} %"


def transpositions(sides: int, first: int, key_share: float, words: str) -> str:
    """Pieces played a semitone above or below print: shares right or called ambiguous, and right outright."""
    good, right = [], []
    for i in range(sides):
        side = drawn_side(first + i, instrument=("violin", "cello")[i % 2], transposed=(1, -1)[i // 2 % 2])
        found = settled(side, references=_stated(side), with_key=True, key_share=key_share)
        good.append(_right(found, side.offset_cents, within=40.0))
        right.append(abs(found.readings[0].offset_cents - side.offset_cents) < 40.0)
    return f"transposed, {words}: right or ambiguous {100 * np.mean(good):.1f} %, right {100 * np.mean(right):.1f} %"


def cells(sides: int, first: int) -> list[partial[str]]:
    """All cells, ``sides`` to each, to be called for their lines; seeds count from ``first``.

    Every cell of limits has sides of its own: what is unlucky in one is not in all.
    """
    players = [(instrument, piano) for instrument in ("violin", "cello") for piano in ("", PIANOS[0])]
    systems = [(True, SYSTEMS[0]), (False, SYSTEMS[0]), *((True, system) for system in SYSTEMS[1:])]
    limited = [(*who, *how) for who in players for how in systems]
    off = [
        (instrument, piano, known, SYSTEMS[0])
        for instrument in ("violin", "cello")
        for piano in PIANOS[1:]
        for known in (True, False)
    ]
    return [
        *(partial(limits, sides, first + i * sides, *cell) for i, cell in enumerate(limited)),
        *(partial(half_semitones, sides, first + 100_000, *who, known) for who in players for known in (True, False)),
        *(partial(scordatura, sides, first + 110_000, told) for told in (True, False)),
        *(partial(transpositions, sides, first + 120_000, *how) for how in TRANSPOSED),
        *(partial(limits, sides, first + 130_000 + i * sides, *cell) for i, cell in enumerate(off)),
    ]


def say(sides: int, first: int, *, cell: int | None = None, processes: int = 1) -> None:
    """Print the lines of all cells, or of one by its number from 1, over so many processes."""
    print(f"\nlimits of 95 %: share of {sides} drawn sides that they hold, and median width, cents")
    print(f"      {'':49} {'given A4 and key':18} {'over all readings':18}  speed within 60 c or ambiguous")
    asked = list(enumerate(cells(sides, first), start=1))
    asked = asked if cell is None else asked[cell - 1 : cell]
    with ProcessPoolExecutor(processes) as pool:
        for (number, _), line in zip(asked, pool.map(_call, [each for _, each in asked]), strict=True):
            print(f"{number:3} {line}", flush=True)


def _call(cell: partial[str]) -> str:
    return cell()


def main() -> None:
    """Print the tables by themselves."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--covered", type=int, default=200)
    parser.add_argument("--first", type=int, default=FIRST)
    parser.add_argument("--cell", type=int, default=None)
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args()
    say(asked.covered, asked.first, cell=asked.cell, processes=asked.processes)


if __name__ == "__main__":
    main()
