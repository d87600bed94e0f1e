"""What stands over the picture of a side besides what was found."""

from pathlib import Path

import polars as pl
import pytest

from pipeline.pages.labels import row_labels
from pipeline.pages.pictures import Drawn, frame_of
from pipeline.pages.written_over import over
from pipeline.store.corpus import Corpus
from tests.helpers.made_rows import frame

NOTES = [
    {"note_id": "n1", "start_s": 0.5, "end_s": 1.5, "midi": 69.0},
    {"note_id": "n2", "start_s": 1.5, "end_s": 2.5, "midi": 71.0},
    {"note_id": "n3", "start_s": 5.0, "end_s": 6.0, "midi": 72.0},
]
PLACES = {"n1": {"bar": "7", "beat": 1.0}, "n2": {"bar": "7", "beat": 2.0}, "n3": {"bar": "8", "beat": 1.0}}
SPANS = [
    {"player_id": "ann", "start_s": 0.0, "end_s": 3.0, "counted": True, "reason": None},
    {"player_id": "ann", "start_s": 2.0, "end_s": 2.1, "counted": False, "reason": "rings on"},
    {"player_id": None, "start_s": 3.0, "end_s": 4.8, "counted": False, "reason": "an ensemble plays too"},
    {"player_id": "bo", "start_s": 4.8, "end_s": 9.0, "counted": True, "reason": None},
]
TABLES = {
    "player": "player_id,name\nann,Ann Vint\nbo,Bo Ort\n",
    "work": "work_id,title\nair,Air\n",
    "take": "take_id,work_id\nt1,air\n",
    "side": "side_id\nd1\n",
    "side_take": "side_id,take_id\nd1,t1\n",
    "transfer": "transfer_id,side_id,file\nx1,d1,x1.wav\n",
    "performance": "take_id,player_id,instrument,certainty\nt1,ann,violin,certain\nt1,bo,violin,possible\n",
}


@pytest.fixture
def above(tmp_path: Path):
    (tmp_path / "c" / "catalogue").mkdir(parents=True)
    for name, text in TABLES.items():
        (tmp_path / "c" / "catalogue" / f"{name}.csv").write_text(text, encoding="utf-8")
    corpus = Corpus(tmp_path / "c")
    own = {"transfer_id": "x1", "take_id": "t1", "note_number": 1, "printed_midi": 69.0, "printed_finger": 2}
    printed = [
        own | {"edition": "A 1898", "note_id": "n1", "printed_string": "D"},
        own | {"edition": "B 1910", "note_id": "n1", "printed_string": "G"},
    ]
    corpus.write("fingering_match", "x1", frame("fingering_match", printed))
    chord = own | {"edition": "B 1910", "event": 1, "chord_id": "c1", "verdict": "agree", "probability": 0.8}
    corpus.write("chord_fingering_match", "x1", frame("chord_fingering_match", [chord]))
    spans = pl.DataFrame([{"take_id": "t1"} | span for span in SPANS])
    transfer = corpus.catalogue.row("transfer", "x1")
    return over(corpus, transfer, notes=NOTES, places=PLACES, spans=spans)


def test_bars_begin_at_their_first_note_and_one_edition_prints_the_fingers(above) -> None:
    assert above.bars == [(0.5, "7"), (5.0, "8")]
    assert (above.printed, above.editions) == ({"n1": "2D"}, ("A 1898",))
    assert above.chords == {"c1": "2: agree, 80 %"}


def test_each_player_is_named_with_the_doubt_and_what_is_not_counted_with_its_reason(above) -> None:
    assert [above.player_at(s) for s in (1.0, 3.5, 5.0)] == ["Ann Vint", "", "Bo Ort (attribution possible)"]
    assert [above.left_out_at(s) for s in (1.0, 2.05, 3.5)] == ["", "", "not counted: an ensemble plays too"]


def test_all_of_it_is_written_into_the_row(above) -> None:
    drawn = Drawn(None, None, NOTES, [], [("A", 69)], {})
    range_ = frame_of([note["midi"] for note in NOTES], open_midi=[69])
    text = row_labels(frame=range_, drawn=drawn, over=above, start_s=0.0)
    for words in (">Ann Vint<", ">Bo Ort (attribution possible)<", ">2D<", ">7<", ">8<", 'class="left-out"'):
        assert words in text
    assert 'class="bar"' not in row_labels(frame=range_, drawn=drawn, over=above, start_s=12.0)
