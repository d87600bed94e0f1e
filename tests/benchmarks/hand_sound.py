"""Prints how well strings and fingers are told from sound: sides with known fingerings, rendered, followed, detected.

Random lines with the fingers of a player who knows what comes next, whose shifts along a string are all heard and
made with the starting finger (``heard``), or not heard at all (``silent``); additive voices, electrical, 30 dB, no
piano; the speed is taken as known. Notes count that are found for at least half of their length. ``shift, slide`` are
those to which the hand slides along one string by more than a semitone; ``other slide`` those to which a finger slides
while the hand moves by a semitone or not at all; ``shift, none`` those after a shift by more than a semitone without a
slide, mostly to another string.
Run: python -m tests.benchmarks.hand_sound SEED SIDES
"""

import sys

import numpy as np

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.hand.chain import Slides
from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.signal.hand.passage import reconstruct
from pipeline.signal.hand.played_line import Line
from pipeline.signal.line.follow import follow
from pipeline.signal.slides.detect import Detection, find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.synth.fingering import position_name, reach
from pipeline.signal.synth.keys import TONICS
from pipeline.signal.synth.plan import Plan, PlannedNote
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice
from tests.helpers.optimum_path import fingers_by, random_taste
from tests.helpers.played_passages import Played, score

LENGTH_S = 60.0
RATE_HZ = 44_100


def line_of(found: Detection) -> Line:
    """What was detected, as the hand takes it."""
    slide = np.full(len(found.notes), -1, dtype=np.int64)
    for k, each in enumerate(found.slides):
        if slide[each.to_note] < 0 or each.confidence > found.slides[slide[each.to_note]].confidence:
            slide[each.to_note] = k
    slurred = np.full(len(found.notes), np.nan)
    for pair in found.transitions:
        slurred[pair.to_note] = pair.slurred_probability
    names = ("from_midi", "to_midi", "step_from_midi", "step_to_midi", "confidence")
    columns = [np.array([getattr(s, name) for s in found.slides], dtype=np.float64) for name in names]
    kinds = np.array([s.kinds for s in found.slides], dtype=np.float64).reshape(-1, 6)
    midi, start_s, end_s, vibrato = (
        np.array([getattr(n, name) for n in found.notes], dtype=np.float64)
        for name in ("midi", "start_s", "end_s", "vibrato_cents")
    )
    return Line(midi, start_s, end_s, vibrato, slurred, slide, Slides(kinds, *columns))


MOVES = ("shift, slide", "other slide", "shift, none")


def moves(plan: Plan) -> list[str]:
    """How the hand comes to each planned note: one of ``MOVES``, or nothing of the kind."""
    slid = {slide.to_note for slide in plan.slides if slide.from_note is not None}
    found: list[str] = []
    before: set[int] = set()
    for i, note in enumerate(plan.notes):
        now = _places(note, plan)
        far = bool(before and now) and min(abs(a - b) for a in before for b in now) > 1
        found.append(
            {(True, True): MOVES[0], (False, True): MOVES[1], (True, False): MOVES[2]}.get((far, i in slid), "")
        )
        before = now or before
    return found


def _places(note: PlannedNote, plan: Plan) -> set[int]:
    """Where the first finger may stand at a planned note, in semitones above the open string; none if it is open."""
    player = INSTRUMENTS[plan.instrument]
    if not note.finger or note.string is None:
        return set()
    sounding = round(note.midi) - player.open_midi[player.strings.index(note.string)]
    found = {sounding - offset for offset in reach(player)[note.finger]}
    return {place for place in found if place >= 0 and position_name(place) == note.position}


def matched(line: Line, plan: Plan) -> tuple[list[int], list[str], Played]:
    """The found notes that are planned ones, how the hand came to them, and how they were played."""
    at, true = [], []
    how = moves(plan)
    for i, note in enumerate(plan.notes):
        shared = np.minimum(line.end_s, note.end_s) - np.maximum(line.start_s, note.start_s)
        best = int(np.argmax(shared)) if shared.size else 0
        if note.ornament is None and shared.size and shared[best] >= 0.5 * (note.end_s - note.start_s):
            at.append(best)
            true.append(i)
    names = fingerboard(plan.instrument).strings
    return (
        at,
        [how[i] for i in true],
        Played(
            line,
            string=np.array([names.index(plan.notes[i].string or names[0]) for i in true]),
            finger=np.array([plan.notes[i].finger for i in true]),
            shifted=np.array([how[i] in (MOVES[0], MOVES[2]) for i in true], dtype=np.bool_),
        ),
    )


def main(seed: int, sides: int) -> None:
    """All figures for one seed."""
    heads = "  ".join(f"{name:>14}" for name in MOVES)
    print(f"instrument slides  notes found     right  {heads}  calibration error  in 90 % set  set size")
    for instrument in ("violin", "cello"):
        for name, share in (("heard", 1.0), ("silent", 0.0)):
            played, results, came, planned = [], [], [], 0
            for k in range(sides):
                rng = np.random.default_rng([seed, k])
                key = f"{rng.choice(TONICS)} {rng.choice(('major', 'minor'))}"
                plan = random_plan(
                    rng,
                    instrument=instrument,
                    length_s=LENGTH_S,
                    reference_pitch_hz=440.0,
                    slide_share=share,
                    kind_shares={"departing_finger": 0.6, "same_finger": 0.4},
                    key=key,
                    fingers=fingers_by(random_taste(rng), instrument=INSTRUMENTS[instrument], key=key),
                )
                samples, truth = render_side(
                    plan,
                    rng=rng,
                    sample_rate_hz=RATE_HZ,
                    voice=random_voice(rng, instrument=instrument),
                    snr_db=30.0,
                    piano_below_db=None,
                    band="electrical",
                    speed=SpeedPlan(),
                )
                found = find_notes_and_slides(
                    follow(samples, sample_rate_hz=RATE_HZ, instrument=instrument),
                    speed_map=SpeedMap(truth.transfer_time_s[::10], truth.correction_cents[::10]),
                    reference_pitch_hz=440.0,
                    spans=None,
                )
                line = line_of(found)
                at, how, one = matched(line, plan)
                played.append(one)
                came += how
                results.append(reconstruct(line, board=fingerboard(instrument)).probability[at])
                planned += sum(note.ornament is None for note in plan.notes)
            s = score(played, results)
            right = np.concatenate(
                [
                    r.reshape(len(r), -1).argmax(axis=1) == 5 * p.string + p.finger
                    for p, r in zip(played, results, strict=True)
                ]
            )
            shares = []
            for move in MOVES:
                those = right[np.array(came) == move]
                shares.append(f"{those.mean():6.2f} ({those.size:3})" if those.size else "- (  0)")
            print(
                f"{instrument:10} {name:7} {s.notes:5} of {planned:5} {s.right:6.2f}  "
                + "  ".join(f"{share:>14}" for share in shares)
                + f" {s.calibration_error:18.3f} {s.in_set:13.2f} {s.set_size:9.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main(*(int(x) for x in (sys.argv[1:] or ("1", "12"))))
