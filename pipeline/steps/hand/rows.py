"""Rows of the hand's tables from a reconstructed line of one take, under one reading of the speed."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.kinds import KINDS
from pipeline.settings import HandSettings
from pipeline.signal.hand.chain import Slides
from pipeline.signal.hand.fingerboard import Fingerboard, position_number
from pipeline.signal.hand.one_slide import ways_of_slide
from pipeline.signal.hand.passage import Pair, PassageHand, reconstruct
from pipeline.signal.hand.played_line import Line
from pipeline.signal.hand.weights import School, answers_in_set
from pipeline.units import Floats

LEAST_ROW = 0.01
PATHS = 5
"""Best paths through each passage that are looked for."""
NEAR_S = 0.15
"""How far a time written down by ear may lie off the note that it means (common practice, no source)."""

Row = dict[str, Any]


@dataclass(frozen=True)
class TakeNotes:
    """Notes, transitions and slides of one take, in time order; ``slide`` is the slide into each note or -1."""

    notes: pl.DataFrame
    transitions: pl.DataFrame
    slides: pl.DataFrame
    slide: np.ndarray

    def at(self, time_s: float) -> int:
        """The note that sounds at a corrected time, or begins within ``NEAR_S`` of it; -1 if there is none."""
        start_s, end_s = _floats(self.notes, "start_s"), _floats(self.notes, "end_s")
        away = np.maximum(np.maximum(start_s - time_s, time_s - end_s), 0.0)
        return int(np.argmin(away)) if away.size and away.min() <= NEAR_S else -1

    def midi_at(self, time_s: float) -> float | None:
        """The pitch of the note at a corrected time; None if there is none."""
        i = self.at(time_s)
        return float(self.notes["midi"][i]) if i >= 0 else None

    def line(self, *, semitones: float) -> Line:
        """The take as arrays, every pitch raised by ``semitones`` (another reading of the speed)."""
        slurred = {row["to_note_id"]: row["slurred_probability"] for row in self.transitions.to_dicts()}
        kinds = self.slides.select([f"p_{kind}" for kind in KINDS]).to_numpy().reshape(-1, len(KINDS))
        return Line(
            midi=_floats(self.notes, "midi") + semitones,
            start_s=_floats(self.notes, "start_s"),
            end_s=_floats(self.notes, "end_s"),
            vibrato_cents=_floats(self.notes, "vibrato_cents"),
            slurred=np.array([_or_nan(slurred.get(i)) for i in self.notes["note_id"]], dtype=np.float64),
            slide=self.slide,
            slides=Slides(
                np.ascontiguousarray(kinds, dtype=np.float64),
                _floats(self.slides, "from_midi") + semitones,
                _floats(self.slides, "to_midi") + semitones,
                _floats(self.slides, "step_from_midi") + semitones,
                _floats(self.slides, "step_to_midi") + semitones,
                _floats(self.slides, "confidence"),
            ),
        )


def school_of(settings: HandSettings) -> School:
    """What the settings add to the learned weights."""
    return School(**{name: getattr(settings, name) for name in School._fields})


def take_notes(notes: pl.DataFrame, transitions: pl.DataFrame, slides: pl.DataFrame) -> TakeNotes:
    """Rows of one take in time order; of two slides into one note the more confident one counts."""
    notes = notes.sort("start_s", "note_id")
    slides = slides.sort("audible_start_s", "slide_id")
    place = {note_id: i for i, note_id in enumerate(notes["note_id"])}
    slide = np.full(notes.height, -1, dtype=np.int64)
    confidence = slides["confidence"].to_list()
    for k, note_id in enumerate(slides["to_note_id"]):
        i = place.get(note_id)
        if i is not None and (slide[i] < 0 or confidence[k] > confidence[slide[i]]):
            slide[i] = k
    return TakeNotes(notes, transitions, slides, slide)


def rows_of_take(
    take: TakeNotes, *, board: Fingerboard, settings: HandSettings, semitones: float, own: Row
) -> tuple[dict[str, list[Row]], PassageHand]:
    """Rows of note_hand, slide_hand and transition_hand; ``own`` holds the columns that all of them carry."""
    line = take.line(semitones=semitones)
    hand = reconstruct(line, board=board, school=school_of(settings), paths=PATHS)
    ids = take.notes["note_id"].to_list()
    rows: dict[str, list[Row]] = {"note_hand": [], "slide_hand": [], "transition_hand": []}
    for i, note_id in enumerate(ids):
        rows["note_hand"] += [{"note_id": note_id, **own, **r} for r in _note(hand, i, board, settings)]
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


def _note(hand: PassageHand, i: int, board: Fingerboard, settings: HandSettings) -> list[Row]:
    flat = hand.probability[i].ravel()
    order = np.argsort(-flat, kind="stable")
    ranked = flat[order]
    if ranked[0] <= 0.0:
        return [{"rank": 1, "probability": 0.0, "on_best_path": False, "in_set": False, "cannot_tell": True}]
    needed = int(answers_in_set(flat[None])[0])
    count = max(needed, int((ranked >= LEAST_ROW).sum()))
    open_to_doubt = undecided(ranked, settings=settings)
    rows = []
    for rank, at in enumerate(order[:count]):
        string, finger = divmod(int(at), 5)
        on = np.flatnonzero((hand.paths[:, i, 0] == string) & (hand.paths[:, i, 1] == finger))
        rows.append(
            {
                "rank": rank + 1,
                "string": board.strings[string],
                "finger": finger,
                "position": position_number(int(hand.place[i, string, finger])) if finger else None,
                "probability": float(ranked[rank]),
                "harmonic_probability": float(hand.harmonic[i, string, finger]),
                "on_best_path": bool(on.size and on[0] == 0),
                "best_path_rank": int(on[0]) + 1 if on.size else None,
                "in_set": rank < needed,
                "cannot_tell": open_to_doubt,
            }
        )
    return rows


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


def _floats(frame: pl.DataFrame, name: str) -> Floats:
    return frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64)


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else value
