"""Slides on rendered sides played and recorded as real ones are, and where slides are short or notes begin low.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.real_kind [--only falls real short scoops] [--sides 6] [--offset 0]

``falls``: plain sides at 5 dB, the same in a live room with slides that fall as deep as real ones. ``real``: sides by
the whole recipe of ``pipeline.training.playing``, ``manner`` and ``wear``, of other seeds than those learned from, at
5 dB. ``short``: recall by nominal duration on clean plain violin, shapes by turns. ``scoops``: slides claimed for 100
changes where none is played and two notes in five begin 60-120 cents low.
"""

import argparse
from dataclasses import replace
from typing import Any

import numpy as np

from pipeline.signal.line.follow import follow
from pipeline.signal.slides.detect import Detection, find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.synth.degrade import in_live_room, random_chain
from pipeline.signal.synth.manner import PLAIN, Manner, real_manner
from pipeline.signal.synth.plan import Plan, Truth
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice, with_fine_resonances
from pipeline.training.playing import as_played
from pipeline.training.scenes import real_chain, varied_player, varied_voice
from tests.benchmarks.scoring import SlideScore, score_slides

RATE_HZ = 22_050
LENGTH_S = 60.0
INSTRUMENTS = ("violin", "violin", "cello", "violin", "viola")


def detected(samples: Any, truth: Truth, *, instrument: str) -> Detection:
    """Notes and slides; the speed is taken as known."""
    line = follow(samples, sample_rate_hz=RATE_HZ, instrument=instrument, scoring="network")
    speed_map = SpeedMap(truth.transfer_time_s[::10], truth.correction_cents[::10])
    return find_notes_and_slides(line, speed_map=speed_map, reference_pitch_hz=440.0, spans=None)


def rendered(
    rng: np.random.Generator,
    plan: Plan,
    *,
    snr_db: float | None,
    live: bool = False,
    manner: Manner = PLAIN,
    real: bool = False,
    varied: bool = True,
) -> tuple[Any, Truth]:
    """A side without piano, from the plan."""
    band = "acoustic"
    make = varied_voice if varied else random_voice
    voice, chain = make(rng, instrument=plan.instrument), random_chain(rng, band=band)
    if real:
        voice, chain = with_fine_resonances(rng, voice), real_chain(rng, chain)
    return render_side(
        plan,
        rng=rng,
        sample_rate_hz=RATE_HZ,
        voice=voice,
        snr_db=snr_db,
        piano_below_db=None,
        band=band,
        speed=SpeedPlan(),
        chain=in_live_room(rng, chain) if live else chain,
        manner=manner,
    )


def _plan(rng: np.random.Generator, instrument: str, **more: Any) -> Plan:
    return random_plan(rng, instrument=instrument, length_s=LENGTH_S, reference_pitch_hz=440.0, **more)


def _line(name: str, score: SlideScore, sides: int) -> None:
    print(
        f"{name:42} {score.true:4} slides, {sides} sides: recall {score.recall:.3f}  precision {score.precision:.3f}"
        f"  F1 {score.f1:.3f}",
        flush=True,
    )


def falls(sides: int, seed: int) -> None:
    """Plain sides at 5 dB, and the same with a live room and deep falls."""
    deep = replace(PLAIN, deep_slides=True)
    for name, live, manner in (("plain", False, PLAIN), ("room and falls", True, deep)):
        total = SlideScore()
        for k in range(sides):
            rng = np.random.default_rng([seed, 1, k])
            plan = _plan(rng, "violin", slide_share=0.28, player=varied_player(rng, real=False))
            samples, truth = rendered(rng, plan, snr_db=5.0, live=live, manner=manner)
            total += score_slides(detected(samples, truth, instrument="violin").slides, truth)
        _line(f"{name}, 5 dB", total, sides)


def real(sides: int, seed: int) -> None:
    """The whole recipe at 5 dB, clean, and in a live room."""
    for snr_db in (5.0, 12.0, None):
        total = SlideScore()
        for k in range(sides):
            instrument = INSTRUMENTS[k % len(INSTRUMENTS)]
            rng = np.random.default_rng([seed, 2, k])
            plan = _plan(rng, instrument, slide_share=0.28, player=varied_player(rng, real=True))
            plan = as_played(rng, plan, with_piano=False)
            samples, truth = rendered(rng, plan, snr_db=snr_db, manner=real_manner(rng), real=True)
            total += score_slides(detected(samples, truth, instrument=instrument).slides, truth)
        _line(f"real kind, {'clean' if snr_db is None else f'{snr_db:g} dB'}", total, sides)


def short(sides: int, seed: int) -> None:
    """Recall by nominal duration, clean violin."""
    for length_ms in (40, 50, 60, 80, 100, 140):
        score = SlideScore()
        for k in range(sides):
            rng = np.random.default_rng([seed, 3, k])
            plan = _plan(rng, "violin", slide_share=0.5, negative_share=0.0, kind_shares={"same_finger": 1.0})
            plan = _of_length(plan, length_ms / 1000.0)
            samples, truth = rendered(rng, plan, snr_db=18.0, varied=False)
            found = detected(samples, truth, instrument="violin").slides
            score += score_slides(found, truth, wanted=lambda slide: slide.planned.from_note is not None)
        _line(f"slides of {length_ms} ms", score, sides)


def _of_length(plan: Plan, length_s: float) -> Plan:
    """The plan with all slides between notes of one length about their middles."""
    notes, slides = list(plan.notes), []
    for slide in plan.slides:
        if slide.from_note is not None:
            middle = 0.5 * (slide.start_s + slide.end_s)
            slide = replace(slide, start_s=middle - length_s / 2, end_s=middle + length_s / 2)
            before, after = notes[slide.from_note], notes[slide.to_note]
            notes[slide.from_note] = replace(before, end_s=slide.start_s)
            bow_s = None if after.bow_s is None else slide.end_s
            notes[slide.to_note] = replace(after, start_s=slide.end_s, bow_s=bow_s)
        slides.append(slide)
    return replace(plan, notes=tuple(notes), slides=tuple(slides))


def scoops(sides: int, seed: int) -> None:
    """False slides for 100 changes where two notes in five begin low."""
    for cents in (60.0, 80.0, 100.0, 120.0):
        claimed = changes = 0
        for k in range(sides):
            rng = np.random.default_rng([seed, 4, k])
            plan = _plan(rng, "violin", slide_share=0.0, negative_share=0.0)
            notes = tuple(
                replace(note, approach_cents=-cents, approach_s=0.14)
                if rng.random() < 0.4 and note.end_s - note.start_s > 0.2
                else note
                for note in plan.notes
            )
            samples, truth = rendered(rng, replace(plan, notes=notes), snr_db=18.0, varied=False)
            claimed += len(detected(samples, truth, instrument="violin").slides)
            changes += len(notes) - 1
        print(f"notes {cents:g} cents low: {100 * claimed / changes:.2f} false slides for 100 of {changes} changes")


PARTS = {"falls": falls, "real": real, "short": short, "scoops": scoops}


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", nargs="*", default=list(PARTS), choices=list(PARTS))
    parser.add_argument("--sides", type=int, default=6)
    parser.add_argument("--offset", type=int, default=0)
    given = parser.parse_args()
    for name in given.only:
        PARTS[name](given.sides, 90_000 + given.offset)


if __name__ == "__main__":
    main()
