"""Rows of the hand's tables from a reconstructed line of one take, under one reading of the speed."""

from typing import Any

import numpy as np

from pipeline.settings import HandSettings
from pipeline.signal.hand.chain import Slides
from pipeline.signal.hand.fingerboard import Fingerboard, position_number
from pipeline.signal.hand.one_slide import ways_of_slide
from pipeline.signal.hand.passage import Pair, PassageHand, reconstruct
from pipeline.signal.hand.weights import School, answers_in_set, set_mass
from pipeline.steps.hand.taken import TakeNotes
from pipeline.units import Floats

LEAST_ROW = 0.01
PATHS = 5
"""Best paths through each passage that are looked for."""

REASONS = ("slides or their absence", "pitch and vibrato", "the notes around")
"""What may speak for an answer, in words; as ``reasons.EVIDENCE``."""
LEAST_REASON = 1.5
"""Factor on the odds of an answer from which on a reason is named."""

Row = dict[str, Any]


def school_of(settings: HandSettings) -> School:
    """What the settings add to the learned weights."""
    return School(**{name: getattr(settings, name) for name in School._fields})


def rows_of_take(
    take: TakeNotes, *, board: Fingerboard, settings: HandSettings, semitones: float, own: Row
) -> tuple[dict[str, list[Row]], PassageHand]:
    """Rows of note_hand, slide_hand and transition_hand; ``own`` holds the columns that all of them carry."""
    line = take.line(semitones=semitones)
    hand = reconstruct(line, board=board, school=school_of(settings), paths=PATHS)
    ids = take.notes["note_id"].to_list()
    rows: dict[str, list[Row]] = {"note_hand": [], "slide_hand": [], "transition_hand": []}
    for note_id, answers in zip(ids, _notes(hand, board, settings), strict=True):
        rows["note_hand"] += [{"note_id": note_id, **own, **answer} for answer in answers]
    into = {note_id: i for i, note_id in enumerate(ids)}
    for k, slide in enumerate(take.slides.to_dicts()):
        ways = _slide(line.slides, k, slide, hand.pairs[k], board, settings)
        rows["slide_hand"] += [{"slide_id": slide["slide_id"], **own, **r} for r in ways]
    for pair in take.transitions.sort("transition_id").to_dicts():
        i = into[pair["to_note_id"]]
        rows["transition_hand"].append(
            {
                "transition_id": pair["transition_id"],
                **own,
                "shift_probability": float(hand.shifted[i]),
                "same_string_probability": float(hand.same_string[i]),
                "chance_probability": float(hand.chance[i]),
                "heard": bool(take.slide[i] >= 0),
            }
        )
    return rows, hand


def undecided(probabilities: Floats, *, settings: HandSettings) -> bool:
    """Whether the first of ranked probabilities leads by too little to be taken for the answer."""
    second = float(probabilities[1]) if probabilities.size > 1 else 0.0
    lead = float(probabilities[0]) - second if probabilities.size else 0.0
    return bool(not probabilities.size or probabilities[0] < settings.least_probability or lead < settings.least_margin)


def reason_words(log_factors: Floats) -> str:
    """What spoke for an answer and what against it, strongest first, as ``reasons.log_factors`` has it of one note."""
    parts = []
    for head, way in (("for it", 1.0), ("against it", -1.0)):
        told = sorted(zip(way * log_factors, REASONS, strict=True), reverse=True)
        texts = [f"{name} ({_times(float(log))})" for log, name in told if log >= np.log(LEAST_REASON)]
        if texts:
            parts.append(f"{head}: {', '.join(texts)}")
    return "; ".join(parts) or "nothing in particular: it is what players usually do"


def _times(log: float) -> str:
    factor = float(np.exp(min(log, np.log(1000.0))))
    return (
        "1,000 times and more" if factor > 999.0 else f"{factor:.1f} times" if factor < 9.95 else f"{factor:.0f} times"
    )


def _notes(hand: PassageHand, board: Fingerboard, settings: HandSettings) -> list[list[Row]]:
    """The answers for each note, likeliest first."""
    fingers = hand.probability.shape[2]
    flat = hand.probability.reshape(len(hand.probability), len(board.strings) * fingers)
    order = np.argsort(-flat, axis=1, kind="stable")
    ranked = np.take_along_axis(flat, order, axis=1)
    needed = answers_in_set(flat, set_mass().at(hand.heard)).tolist()
    counts = np.maximum(needed, (ranked >= LEAST_ROW).sum(axis=1)).tolist()
    on_paths = (hand.paths[..., 0] * fingers + hand.paths[..., 1]).T.tolist()
    places, harmonics = (
        np.take_along_axis(part.reshape(flat.shape), order, axis=1) for part in (hand.place, hand.harmonic)
    )
    notes: list[list[Row]] = []
    for i, count in enumerate(counts):
        if not ranked[i, 0] > 0.0:
            notes.append([{"rank": 1, "probability": 0.0, "on_best_path": False, "in_set": False, "cannot_tell": True}])
            continue
        open_to_doubt = undecided(ranked[i], settings=settings)
        parts = (part[i, :count].tolist() for part in (order, ranked, places, harmonics))
        rows = []
        for rank, (answer, probability, place, harmonic) in enumerate(zip(*parts, strict=True)):
            string, finger = divmod(answer, fingers)
            path = on_paths[i].index(answer) + 1 if answer in on_paths[i] else None
            rows.append(
                {
                    "rank": rank + 1,
                    "string": board.strings[string],
                    "finger": finger,
                    "position": position_number(place) if finger else None,
                    "probability": probability,
                    "harmonic_probability": harmonic,
                    "on_best_path": path == 1,
                    "best_path_rank": path,
                    "in_set": rank < needed[i],
                    "cannot_tell": open_to_doubt,
                    "reasons": None if rank else reason_words(hand.reasons[i]),
                }
            )
        notes.append(rows)
    return notes


def _slide(
    slides: Slides, k: int, slide: Row, pairs: tuple[Pair, ...], board: Fingerboard, settings: HandSettings
) -> list[Row]:
    note_before = slide["from_note_id"] is not None
    ways = ways_of_slide(
        board=board,
        school=school_of(settings),
        kinds=slides.kinds[k],
        from_midi=float(slides.from_midi[k]),
        to_midi=float(slides.to_midi[k]),
        step_from_midi=float(slides.step_from_midi[k]),
        step_to_midi=float(slides.step_to_midi[k]),
        note_before=note_before,
    )
    if not ways:
        return [{"rank": 1, "probability": 0.0, "cannot_tell": True}]
    in_passage: dict[tuple[int, int, int, int, int], float] = {}
    for pair in pairs:
        places = (position_number(pair.from_place), position_number(pair.to_place))
        key = (pair.string, pair.from_finger, pair.to_finger, places[0], places[1])
        in_passage[key] = in_passage.get(key, 0.0) + pair.probability
    open_to_doubt = undecided(np.array([w.probability for w in ways]), settings=settings)
    return [
        {
            "rank": rank + 1,
            "string": board.strings[way.string],
            "from_finger": way.from_finger,
            "to_finger": way.to_finger,
            "from_position": way.from_position,
            "to_position": way.to_position,
            "shift_semitones": way.to_place - way.from_place,
            "kind": way.kind,
            "probability": way.probability,
            "passage_probability": in_passage.get(
                (way.string, way.from_finger, way.to_finger, way.from_position, way.to_position), 0.0
            )
            if note_before
            else None,
            "cannot_tell": open_to_doubt,
        }
        for rank, way in enumerate(ways)
    ]
