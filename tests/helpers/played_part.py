"""A small part and takes of it as rows of tables, for tests of places."""

from typing import Any

from tests.helpers.made_rows import joined, side, solo

EDITION = "Wrack 1897"
PITCHES = {1: (60,), 2: (64,), 3: (65, 57), 4: (69,), 5: (69,), 6: (67,)}
"""Three bars of two beats; from 4 to 5 the pitch stays."""
PLACES = ("air-1-1-1", "air-1-2-1", "air-2-1-1", "air-3-1-1")

Row = dict[str, Any]


def part(edition: str = EDITION, *, fingers: dict[int, int] | None = None, marked: int | None = None) -> dict[str, Any]:
    """The part in one edition: ``fingers`` by event, a slide printed after the event ``marked``."""
    notes, number = [], 0
    for event, pitches in PITCHES.items():
        for midi in pitches:
            number += 1
            notes.append(
                {
                    "work_id": "air", "edition": edition, "note_number": number, "event": event, "midi": float(midi),
                    "bar_index": (event + 1) // 2, "bar": str((event + 1) // 2), "beat": 2.0 - event % 2,
                    "finger": (fingers or {}).get(event), "slide_marked": event == marked, "name": f"n{midi}",
                }
            )  # fmt: skip
    return {"written_part": [{"work_id": "air", "edition": edition}], "written_note": notes}


def take(
    take_id: str,
    player_id: str,
    played: list[int | None],
    *,
    slides: tuple[int, ...] = (),
    run_begins: tuple[int, ...] = (0,),
    probability: dict[int, float] | None = None,
    midi: dict[int, float] | None = None,
    score: float = -4.0,
    edition: str = EDITION,
    span_to: float = 100.0,
) -> dict[str, Any]:
    """A take of the part: one note a second.

    ``played`` gives the event of each note, None for one beside the part; ``slides`` the notes into which one slides;
    ``run_begins`` the notes with which a run through the part begins.
    """
    transfer_id = f"x-{take_id}"
    own: Row = {"transfer_id": transfer_id, "take_id": take_id}
    notes: list[Row] = []
    matches: list[Row] = []
    transitions: list[Row] = []
    slid: list[Row] = []
    run = 0
    for k, event in enumerate(played):
        run += k in run_begins
        at, note_id = 1.0 + k, f"{transfer_id}-n{k}"
        pitch = (midi or {}).get(k, float(PITCHES.get(event, (60,))[0]) if event else 62.0)
        notes.append(own | {"note_id": note_id, "midi": pitch, "transfer_start_s": at, "transfer_end_s": at + 0.9})
        matches.append(
            own
            | {"note_id": note_id, "work_id": "air", "edition": edition, "event": event}
            | {"state": "struck" if event else "extra", "run": run if event else None, "decided": False}
            | {"time_through": 1 if event else None, "probability": (probability or {}).get(k, 0.99)}
        )
        if k:
            transitions.append(
                own
                | {"transition_id": f"{transfer_id}-t{k}", "from_note_id": f"{transfer_id}-n{k - 1}"}
                | {"to_note_id": note_id, "exposure": True, "slide_score": score, "interval_cents": 300.0}
            )
    for k in slides:
        slid.append(
            own
            | {"slide_id": f"{transfer_id}-s{k}", "from_note_id": f"{transfer_id}-n{k - 1}", "kind": "same_finger"}
            | {
                "to_note_id": f"{transfer_id}-n{k}",
                "confidence": 0.9,
                "duration_ms": 100.0 + k,
                "interval_cents": 300.0,
            }
            | {"transfer_audible_start_s": 0.9 + k, "transfer_audible_end_s": 1.1 + k, "gradient_cents_per_s": 3000.0}
        )
    fit = own | {"work_id": "air", "edition": edition, "state": "placed", "shift_semitones": 0, "tuning_cents": 0.0}
    return joined(
        side(transfer_id, take_id),
        {
            "take": [{"take_id": take_id, "work_id": "air", "recorded": "1910"}],
            "performance": [{"take_id": take_id, "player_id": player_id, "certainty": "certain"}],
            "solo_span": [solo(transfer_id, take_id, player_id, to=span_to)],
            "note": notes,
            "written_match": matches,
            "written_fit": [fit],
            "transition": transitions,
            "slide": slid,
        },
    )


def two_takes() -> dict[str, Any]:
    """Ann plays all once, and slides to the second event; Bo plays bars 1 and 2 twice over and stops, with a slide
    out of an ornament the first time."""
    people = {
        "player": [{"player_id": "ann", "name": "Ann"}, {"player_id": "bo", "name": "Bo"}],
        "work": [{"work_id": "air", "title": "Air"}],
    }
    return joined(
        people,
        part(fingers={1: 1, 2: 3, 3: 1}, marked=1),
        take("t1", "ann", [1, 2, 3, 4, 5, 6], slides=(1,), probability={3: 0.8}, midi={2: 57.0}),
        take("t2", "bo", [1, None, 2, 3, 1, 2, 3], slides=(2,), run_begins=(0, 4)),
    )
