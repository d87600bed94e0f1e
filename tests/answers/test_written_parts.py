"""Written parts in the catalogue: added, shown, checked, and taken over from catalogues of version 0.1."""

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.answers import written_parts
from pipeline.cli import app
from pipeline.errors import DataError
from pipeline.store.checks.check import check
from pipeline.store.corpus import Corpus
from tests.helpers.spoilt_corpus import hand_kept

Write = Callable[[str, str], None]
PART = (
    "bar,beat,note,finger,slide_marked\n0,4,D4,0,\n1,1,G4,3,yes\n1,3,B4,1,\n1,3,D4,,\n2,1,A4,,\n"
    "1,1,G4,3,yes\n1,3,B4,1,\n1,3,D4,,\n3,1,G4,,\n"
)
ED = "work_id,edition\nair,Ed\n"
NOTE = "work_id,edition,note_number,event,bar_index,bar,beat,midi\n"


@pytest.fixture
def part(tmp_path: Path) -> Path:
    path = tmp_path / "air.csv"
    path.write_text(PART, encoding="utf-8")
    return path


def test_a_part_is_added_shown_and_read_anew_only_on_demand(corpus: Path, part: Path) -> None:
    run = CliRunner().invoke(app, ["part", "add", str(corpus), "air", str(part), "--edition", "Peerwick 1898"])
    assert (run.exit_code, run.stdout.splitlines()[0]) == (0, "6 notes in 4 bars; ending, repeat")
    assert (corpus / "catalogue" / "parts" / "air.csv").read_bytes() == part.read_bytes()
    catalogue = Corpus(corpus).catalogue
    assert catalogue.frame("written_note").select("event", "bar", "beat", "name", "finger", "onset").rows() == [
        *((1, "0", 4.0, "D4", 0, 3.0), (2, "1", 1.0, "G4", 3, 4.0), (3, "1", 3.0, "D4", None, 6.0)),
        *((3, "1", 3.0, "B4", 1, 6.0), (4, "2", 1.0, "A4", None, 8.0), (5, "3", 1.0, "G4", None, 12.0)),
    ]
    assert catalogue.frame("written_way").drop("work_id", "edition", "note").rows() == [
        *((3, 5, "ending", None), (4, 2, "repeat", None)),
    ]
    (row,) = catalogue.rows("written_part")
    assert (row["is_reference"], row["from_bar"], row["to_bar"], row["file"]) == (True, "0", "3", "air.csv")
    shown = CliRunner().invoke(app, ["part", "show", str(corpus), "ai", "--edition", "peer"])
    assert [word in shown.stdout for word in ("Peerwick 1898", "ending to bar 3 (G4), ", "repeat to bar 1 (G4)")] == [
        *(True, False, True),
    ]
    before = hand_kept(corpus)
    written_parts.add(corpus, "air", part, edition="Peerwick 1898")  # the same file again
    assert hand_kept(corpus) == before
    part.write_text("note\nA4\n", encoding="utf-8")
    with pytest.raises(DataError, match="'Peerwick 1898' of air is already in"):
        written_parts.add(corpus, "air", part, edition="Peerwick 1898")
    assert hand_kept(corpus) == before
    with pytest.raises(DataError, match="there is no player 'peerwik'"):
        written_parts.add(corpus, "air", part, edition="Peerwick 1898", editor_id="peerwik", replace=True)
    assert hand_kept(corpus) == before
    written_parts.add(corpus, "air", part, edition="Peerwick 1898", replace=True)
    assert Corpus(corpus).catalogue.frame("written_note")["name"].to_list() == ["A4"]
    shown = CliRunner().invoke(app, ["part", "show", str(corpus), "air"])
    assert (shown.exit_code, shown.stdout.split()[-1]) == (0, "A4")  # nothing else is printed of it
    assert Corpus(corpus).catalogue.frame("written_way").is_empty()
    assert not [p for p in check(corpus).problems if "written" in p.file]


def test_an_edition_of_some_bars_lies_on_those_of_the_reference(corpus: Path, part: Path, tmp_path: Path) -> None:
    written_parts.add(corpus, "air", part, edition="Peerwick 1898")
    excerpt, otherwise = tmp_path / "some.musicxml", tmp_path / "otherwise.csv"
    note = "<note><pitch><step>{}</step><octave>4</octave></pitch><duration>4</duration></note>"
    bars = "".join(f'<measure number="{n}">{note.format(step)}</measure>' for n, step in ((2, "A"), (3, "G")))
    head = '<part-list><score-part id="P1"><part-name/></score-part></part-list>'
    excerpt.write_text(f'<score-partwise>{head}<part id="P1">{bars}</part></score-partwise>', encoding="utf-8")
    otherwise.write_text("bar,beat,note\n7,1,A4\n8,1,G4\n", encoding="utf-8")
    for edition, file in (("Zorn 1911", excerpt), ("Alder 1920", otherwise)):
        written_parts.add(corpus, "air", file, edition=edition)
    catalogue = Corpus(corpus).catalogue
    counted = {
        edition: [
            (row["bar"], row["bar_index"]) for row in catalogue.rows("written_note", work_id="air", edition=edition)
        ]
        for edition in ("Zorn 1911", "Alder 1920")
    }
    # The upbeat is the reference's first bar; an edition with other numbers stays as it is.
    assert counted == {"Zorn 1911": [("2", 3), ("3", 4)], "Alder 1920": [("7", 7), ("8", 8)]}


def test_a_wrong_work_or_edition_is_named_with_the_nearest(corpus: Path, part: Path) -> None:
    with pytest.raises(DataError, match=r"there is no work 'airr' in catalogue/work\.csv; did you mean air"):
        written_parts.add(corpus, "airr", part, edition="e")
    with pytest.raises(DataError, match="air: has no written part; `glideline part add"):
        written_parts.notes(corpus, "air")
    for edition in ("Peerwick 1898", "Peerwick 1911"):
        written_parts.add(corpus, "air", part, edition=edition)
    with pytest.raises(DataError, match="several editions like 'peerwick'; there are: Peerwick 1898; Peerwick 1911"):
        written_parts.notes(corpus, "air", edition="peerwick")
    assert written_parts.notes(corpus, "air")["edition"][0] == "Peerwick 1898"  # the first is the reference


def test_printed_fingerings_of_version_0_1_are_taken_over(corpus: Path, write: Write) -> None:
    head = "work_id,edition,note_number,bar,beat,midi,string,finger,take_id,time_s\n"
    rows = ["1,1,69,A,0,,", "2,1,71,A,1,k1,2.5", "1,1,69,A,0,,", "3,1,72,A,2,,"]
    write("printed_fingering", head + "".join(f"air,Ed,{i},{row}\n" for i, row in enumerate(rows, start=1)))
    catalogue = Corpus(corpus).catalogue
    notes, ways = catalogue.rows("written_note"), catalogue.rows("written_way")
    assert [(n["event"], n["bar"], n["midi"], n["finger"]) for n in notes] == [
        *((1, "1", 69.0, 0), (2, "2", 71.0, 1), (3, "3", 72.0, 2)),
    ]
    assert [(d["take_id"], d["time_s"], d["event"]) for d in catalogue.rows("place_decision")] == [("k1", 2.5, 2)]
    assert [(w["from_event"], w["to_event"], w["way"]) for w in ways] == [(1, 3, "ending"), (2, 1, "repeat")]
    assert not [p for p in check(corpus).errors if "written" in p.file]
    # Beside a part with an upbeat its bars are counted as there.
    write("written_part", "work_id,edition,is_reference\nair,New,yes\n")
    new = "".join(f"air,New,{i},{i},{i},{i - 1},1,{midi}\n" for i, midi in enumerate((67, 69, 71, 72), start=1))
    write("written_note", NOTE + new)
    notes = Corpus(corpus).catalogue.rows("written_note", work_id="air", edition="Ed")
    assert [(n["bar"], n["bar_index"]) for n in notes] == [("1", 2), ("2", 3), ("3", 4)]


@pytest.mark.parametrize(
    ("tables", "place", "said"),
    [
        ({"written_note": NOTE + "air,Ed,1,1,1,1,1,69\n"}, ("written_note", 2), "is no edition of air"),
        ({"written_part": ED}, ("written_part", 2), "has no notes for air"),
        (
            {"written_part": ED, "written_note": NOTE + "air,Ed,1,1,1,1,1,69\nair,Ed,2,3,1,1,2,69\n"},
            ("written_note", 3),
            "does not follow event 1",
        ),
        (
            {"written_part": ED, "written_note": NOTE + "air,Ed,1,1,2,2,1,69\nair,Ed,2,2,1,1,2,69\n"},
            ("written_note", 3),
            "goes back from bar 2",
        ),
        (
            {
                "written_part": ED,
                "written_note": NOTE + "air,Ed,1,1,1,1,1,69\n",
                "written_way": "work_id,edition,from_event,to_event,way\nair,Ed,1,7,repeat\n",
            },
            ("written_way", 2),
            "is no event of 'Ed' of air, which has 1",
        ),
        (
            {"written_part": "work_id,edition,is_reference\nair,Ed,yes\nair,Eds,yes\n"},
            ("written_part", 3),
            "is a second reference of air",
        ),
        (
            {"place_decision": "take_id,time_s,work_id,event\nk1,1,air,2\n"},
            ("place_decision", 2),
            "air has no written part",
        ),
    ],
)  # fmt: skip
def test_wrong_parts_are_named(
    corpus: Path, write: Write, tables: dict[str, str], place: tuple[str, int], said: str
) -> None:
    for name, text in tables.items():
        write(name, text)
    errors = {(p.file, p.row): p.message for p in check(corpus).errors}
    assert said in errors[f"catalogue/{place[0]}.csv", place[1]]
