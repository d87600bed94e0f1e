"""Chords and second players found against planted, on made rows."""

from pathlib import Path

import polars as pl

from pipeline.demonstration.together import PlantedChord, compare_chords, compare_duet

PLANTED = pl.DataFrame(
    {
        "transfer_id": "x1",
        "start_s": [1.0, 1.0, 5.0, 5.0],
        "end_s": [2.0, 2.0, 6.0, 6.0],
        "note_number": [1, 2, 1, 2],
        "midi": [55.0, 64.0, 62.0, 69.0],
        "string": ["G", "D", "D", "A"],
        "finger": [0, 1, 0, 0],
        "later_ms": [0, 80, 0, 0],
    }
)
GLIDE = {"from_midi": 69.0, "to_midi": 72.0, "interval_cents": 300.0}


class Views:
    """What a corpus answers, by view."""

    def __init__(self, **views: list[dict]) -> None:
        self.views = {name.replace("__", "."): pl.DataFrame(rows) for name, rows in views.items()}

    def view(self, name: str, where: str = "") -> pl.DataFrame:
        return self.views[name]


def test_of_chords_that_overlap_the_one_with_most_notes_is_taken():
    chords = [
        {"chord_id": name, "start_s": start, "end_s": end}
        for name, start, end in (("a", 0.9, 1.3), ("b", 1.3, 2.0), ("c", 8.0, 9.0))
    ]
    pitches = [("a", 1, 55.1), ("a", 2, 60.0), ("b", 1, 55.0), ("b", 2, 63.9), ("b", 3, 72.0), ("c", 1, 62.0)]
    notes = [{"chord_id": name, "note_number": number, "midi": midi} for name, number, midi in pitches]
    hand = [{"chord_id": "b", "note_number": 1, "rank": rank, "speed_rank": 1} for rank in (1, 2)]
    corpus = Views(base__chord=chords, base__chord_note=notes, base__chord_hand=hand)
    found = compare_chords(corpus, PLANTED)
    one, other = found.chords
    assert (one.chord["chord_id"], one.notes_found, one.notes_besides, len(one.way)) == ("b", 2, 1, 1)
    assert other == PlantedChord(PLANTED.rows(named=True)[2:], None, [], [])
    assert found.besides == 2


def test_slides_of_both_players_are_told_apart(tmp_path: Path):
    (tmp_path / "truth").mkdir()

    def planted(name: str, starts: list[float]) -> None:
        rows = [
            {"transfer_id": "x1", "transfer_audible_start_s": s, "transfer_audible_end_s": s + 0.2, **GLIDE}
            for s in starts
        ]
        pl.DataFrame(rows).write_csv(tmp_path / "truth" / f"{name}.csv")

    planted("slide", [1.0, 2.0, 3.0])
    planted("other_slide", [5.0, 6.0])
    slides = [
        {"slide_id": f"s{s}", "transfer_audible_start_s": s, "transfer_audible_end_s": s + 0.2, **GLIDE}
        for s in (1.0, 2.0, 6.0)
    ]
    glides = [{"transfer_start_s": 5.0, "transfer_end_s": 5.2, "slide_id": None, **GLIDE}]
    corpus = Views(
        base__slide=slides, base__other_glide=glides, fact__slide=[{"slide_id": "s1.0"}, {"slide_id": "s6.0"}]
    )
    found = compare_duet(corpus, tmp_path)
    assert (found.own, found.own_found, found.own_counted) == (3, 2, 1)
    assert (found.others, found.others_listed, found.others_counted) == (2, 1, 1)
