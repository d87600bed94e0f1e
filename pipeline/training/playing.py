"""Plans made more like what is played: runs, gaps, scoops, short and settling slides, double stops, broken chords.

Each function takes a plan and gives another; notes and slides stay those of one solo line. The shares and ranges are
drawn about figures measured on real playing: tempo and texture of nine unaccompanied movements, beginnings of notes in
cello phrases, and slides of a cello and three violins.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.synth.curve import slide_into
from pipeline.signal.synth.keys import scale_of
from pipeline.signal.synth.plan import AccompanimentNote, Plan, PlannedNote, PlannedSlide
from pipeline.units import gain_of_db

SHAPES = {"linear": 0.35, "settling": 0.35, "cosine": 0.2, "logistic": 0.1}
SHORT_SHARE, SHORT_S = 0.2, (0.03, 0.07)
"""Share of slides made so short, which nothing else in the plans is: those of plain plans last 60 ms and more."""


def as_played(rng: np.random.Generator, plan: Plan, *, with_piano: bool) -> Plan:
    """The plan with all that players do to it, each on its share of sides."""
    plan = _sliding(rng, plan)
    if rng.random() < 0.25:
        plan = with_runs(rng, plan)
    plan = _detached(rng, plan)
    plan = _scooped(rng, plan, often=rng.random() < 0.35)
    if not with_piano and rng.random() < 0.12:
        plan = _in_two_voices(rng, plan) if rng.random() < 0.6 else _with_chords(rng, plan)
    return plan


def _sliding(rng: np.random.Generator, plan: Plan) -> Plan:
    """Slides of real shapes, some of them short, half of them into softer notes.

    Some of the short ones are no longer than a hidden shift: how many of each there are decides which is the likelier.
    """
    notes, slides = list(plan.notes), []
    for slide in plan.slides:
        shape = str(rng.choice(list(SHAPES), p=list(SHAPES.values())))
        slide = replace(slide, shape=shape, settling=float(rng.uniform(1.2, 2.2)))
        if slide.from_note is not None and rng.random() < SHORT_SHARE:
            slide = _shortened(slide, notes, float(np.exp(rng.uniform(*np.log(SHORT_S)))))
        if rng.random() < 0.5:
            note = notes[slide.to_note]
            notes[slide.to_note] = replace(note, level_db=note.level_db + float(rng.normal(-3.0, 5.0)))
        slides.append(slide)
    return replace(plan, notes=tuple(notes), slides=tuple(slides))


def _shortened(slide: PlannedSlide, notes: list[PlannedNote], length_s: float) -> PlannedSlide:
    """The slide about its middle in so short a time; the notes beside it are held the longer."""
    if slide.from_note is None or length_s > slide.end_s - slide.start_s:
        return slide
    middle = 0.5 * (slide.start_s + slide.end_s)
    short = replace(slide, start_s=middle - length_s / 2, end_s=middle + length_s / 2)
    before, after = notes[slide.from_note], notes[slide.to_note]
    bow_s = after.bow_s
    if bow_s is not None:
        bow_s = short.start_s if bow_s < middle else short.end_s
    notes[slide.from_note] = replace(before, end_s=short.start_s)
    notes[slide.to_note] = replace(after, start_s=short.end_s, bow_s=bow_s)
    return short


def with_runs(rng: np.random.Generator, plan: Plan) -> Plan:
    """One to four runs of 8 to 64 even notes put in between notes of the plan, until it is full."""
    slid = {slide.to_note for slide in plan.slides}
    for _ in range(int(rng.integers(1, 5))):
        places = [i for i in range(1, len(plan.notes)) if i not in slid and plan.notes[i].ornament is None]
        if not places:
            break
        at = int(rng.choice(places))
        before = plan.notes[at - 1]
        run = _run(rng, before, plan)
        longer = run[-1].end_s - before.end_s
        moved = tuple(_later(note, longer) for note in plan.notes[at:])
        slides = tuple(_moved(slide, at, len(run), longer) for slide in plan.slides)
        plan = _cut(replace(plan, notes=(*plan.notes[:at], *run, *moved), slides=slides))
        slid = {slide.to_note for slide in plan.slides}
    return plan


def _run(rng: np.random.Generator, before: PlannedNote, plan: Plan) -> tuple[PlannedNote, ...]:
    kind, scale = INSTRUMENTS[plan.instrument], scale_of(plan.key)
    ladder = [midi for midi in range(kind.lowest_midi, kind.lowest_midi + 36) if midi % 12 in scale]
    step_s = float(np.exp(rng.uniform(np.log(0.09), np.log(0.22))))
    slur = int(rng.choice((1, 2, 4, 8)))
    place = int(np.argmin(np.abs(np.array(ladder) - before.midi)))
    way, at = int(rng.choice((-1, 1))), before.end_s
    notes: list[PlannedNote] = []
    for k in range(int(np.exp(rng.uniform(np.log(8), np.log(64))))):
        if rng.random() < 0.15:
            place += int(rng.choice((-1, 1))) * int(rng.integers(5, 9))
        else:
            way = -way if rng.random() < 0.2 else way
            place += way * (1 if rng.random() < 0.8 else 2)
        if not 0 <= place < len(ladder):
            way, place = -way, int(np.clip(place, 2, len(ladder) - 3))
        length_s = step_s * float(rng.lognormal(0.0, 0.065))
        note = PlannedNote(
            start_s=at,
            end_s=at + length_s,
            midi=ladder[place] + float(rng.normal(0.0, 0.06)),
            level_db=before.level_db + float(rng.normal(0.0, 1.0)),
            slurred=k % slur > 0,
            change_s=float(rng.uniform(0.002, 0.02)),
        )
        if not notes or round(notes[-1].midi) != ladder[place]:
            notes.append(note)
            at += length_s
    return tuple(notes)


def _later(note: PlannedNote, s: float) -> PlannedNote:
    bow_s = None if note.bow_s is None else note.bow_s + s
    return replace(note, start_s=note.start_s + s, end_s=note.end_s + s, bow_s=bow_s)


def _moved(slide: PlannedSlide, at: int, count: int, s: float) -> PlannedSlide:
    """The slide after ``count`` notes have been put in before note ``at``."""
    if slide.to_note < at:
        return slide
    return replace(
        slide,
        from_note=None if slide.from_note is None else slide.from_note + count,
        to_note=slide.to_note + count,
        start_s=slide.start_s + s,
        end_s=slide.end_s + s,
    )


def _cut(plan: Plan) -> Plan:
    """The plan without what goes beyond its length."""
    count = sum(note.end_s < plan.length_s - 0.2 for note in plan.notes)
    slides = tuple(slide for slide in plan.slides if slide.to_note < count)
    return replace(plan, notes=plan.notes[:count], slides=slides, negatives=())


def _detached(rng: np.random.Generator, plan: Plan) -> Plan:
    """A third of the notes played with strokes of their own leave a gap before them."""
    notes, into = list(plan.notes), slide_into(plan)
    for i, note in enumerate(notes):
        if i and not note.slurred and i not in into and notes[i - 1].ornament is None and rng.random() < 0.33:
            before = notes[i - 1]
            gap_s = min(float(rng.uniform(0.02, 0.15)), 0.4 * (before.end_s - before.start_s))
            notes[i - 1] = replace(before, end_s=min(before.end_s, note.start_s - gap_s))
    return replace(plan, notes=tuple(notes))


def _scooped(rng: np.random.Generator, plan: Plan, *, often: bool) -> Plan:
    """Notes that begin off their pitch and come in: none of these is a slide.

    Three in ten strokes begin some 25 cents low for 30-70 ms. With ``often`` up to half of all notes of a side begin
    40-85 cents low, or now and then high, and take 60-220 ms. Those from a semitone off cannot be told from an arriving
    finger by the single note: ``slides.approach`` tells them by the player's habit.
    """
    into, share = slide_into(plan), float(rng.uniform(0.2, 0.5))
    notes = []
    for i, note in enumerate(plan.notes):
        length_s = note.end_s - note.start_s
        if i in into or note.ornament is not None:
            notes.append(note)
        elif often and length_s > 0.25 and rng.random() < share:
            cents = -float(rng.uniform(40.0, 85.0)) if rng.random() < 0.85 else float(rng.uniform(30.0, 85.0))
            in_s = min(float(rng.uniform(0.06, 0.22)), 0.5 * length_s)
            notes.append(replace(note, approach_cents=cents, approach_s=in_s))
        elif not note.slurred and rng.random() < 0.3:
            in_s = min(float(rng.uniform(0.03, 0.07)), 0.5 * length_s)
            notes.append(replace(note, approach_cents=float(rng.normal(-25.0, 20.0)), approach_s=in_s))
        else:
            notes.append(note)
    return replace(plan, notes=tuple(notes))


def _in_two_voices(rng: np.random.Generator, plan: Plan) -> Plan:
    """A second voice below the tune, each of its notes held under one to four of the tune's."""
    scale, lowest = scale_of(plan.key), INSTRUMENTS[plan.instrument].lowest_midi
    share, notes, i = float(rng.uniform(0.2, 0.85)), list(plan.notes), 0
    while i < len(notes):
        held = int(rng.integers(1, 5))
        below = round(min(note.midi for note in notes[i : i + held])) - int(rng.integers(3, 13))
        if rng.random() < share and below % 12 in scale and below >= lowest:
            notes[i : i + held] = [replace(note, double_midi=float(below)) for note in notes[i : i + held]]
        i += held
    return replace(plan, notes=tuple(notes), double_gain=gain_of_db(float(rng.normal(-2.0, 4.0))))


def _with_chords(rng: np.random.Generator, plan: Plan) -> Plan:
    """Chords of three and four broken upwards in 40-120 ms, where a stroke begins a note long enough."""
    into, scale, lowest = slide_into(plan), scale_of(plan.key), INSTRUMENTS[plan.instrument].lowest_midi
    notes: list[PlannedNote] = []
    number, share = {}, float(rng.uniform(0.1, 0.4))
    for i, note in enumerate(plan.notes):
        if not note.slurred and i not in into and note.end_s - note.start_s > 0.3 and rng.random() < share:
            count, whole_s = int(rng.integers(2, 4)), float(rng.uniform(0.04, 0.12))
            steps = np.cumsum(rng.integers(3, 9, count))[::-1]
            low = [m for m in (round(note.midi) - int(s) for s in steps) if m >= lowest and m % 12 in scale]
            for k, midi in enumerate(low):
                start, end = (note.start_s + whole_s * j / max(len(low), 1) for j in (k, k + 1))
                low_note = replace(note, start_s=start, end_s=end, midi=float(midi), vibrato_cents=0.0)
                notes.append(replace(low_note, slurred=k > 0))
            if low:
                note = replace(note, start_s=note.start_s + whole_s, slurred=True, bow_s=None)
        number[i] = len(notes)
        notes.append(note)
    slides = tuple(
        replace(s, to_note=number[s.to_note], from_note=None if s.from_note is None else number[s.from_note])
        for s in plan.slides
    )
    return replace(plan, notes=tuple(notes), slides=slides)


def broken_under(plan: Plan) -> tuple[AccompanimentNote, ...]:
    """The lower notes of broken chords, which ring on under the highest."""
    return tuple(
        AccompanimentNote(note.start_s, after.end_s, note.midi)
        for note, after in pairwise(plan.notes)
        if note.end_s - note.start_s < 0.13 and after.midi - note.midi > 2.5 and after.slurred
    )
