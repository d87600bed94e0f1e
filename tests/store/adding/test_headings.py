"""What headings and cells mean: in several languages, and in the spelling that spreadsheets give to names."""

from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.store.adding.add import add
from pipeline.store.adding.headings import match_headings
from pipeline.store.adding.new import new
from pipeline.store.catalogue.cell_values import (
    CellError,
    read_accompaniment,
    read_date,
    read_key,
    read_process,
    read_time,
)
from pipeline.store.catalogue.player_cells import read_players
from pipeline.store.corpus import Corpus
from pipeline.store.schema.dates import DateError, parse_date
from tests.helpers.tones import write_tone

FRENCH = ["Fichier", "Interprète", "né", "Œuvre", "Ton", "Date d'enr.", "Matrice", "Étiquette", "N° de cat.", "Face",
          "Vitesse (t/min)", "Procédé", "Cote", "Remarques"]  # fmt: skip
CELLS = ["Face 1 - l\u2019été.wav", "Zoé Marchepied", "1890", "Berceuse", "la majeur", "juin 1929", "GP-44",
         "Corne d'Or",
         "C-2210", "A", "78,26", "élec.", "S 7", "belle copie"]  # fmt: skip


@pytest.mark.parametrize("heading", ["Aufnahme", "Registrazione", "Grabación", "Opname", "Enregistrement"])
def test_a_recording_without_more_words_is_when_it_was_made(heading: str) -> None:
    assert match_headings([heading, "Matrize"], kept={}) == {heading: "year", "Matrize": "matrix"}


def test_a_french_sheet_is_understood(tmp_path: Path) -> None:
    write_tone(tmp_path / "Face 1 \u2013 l'été.wav")
    sheet = tmp_path / "liste.csv"
    sheet.write_text(";".join(FRENCH) + "\n" + ";".join(CELLS) + "\n", encoding="utf-8")
    new(tmp_path / "c")
    plan = add(tmp_path / "c", [tmp_path / "Face 1 \u2013 l'été.wav"], sheet=sheet)
    assert list(plan.mapping.values()) == [
        "file", "player", "born", "work", "key", "year", "matrix", "label", "issue_number", "face", "rpm", "process",
        "shelf_mark", "note",
    ]  # fmt: skip
    assert plan.problems == []
    made = Corpus(tmp_path / "c").catalogue
    take = made.frame("take").row(0, named=True)
    assert (take["recorded"], take["process"], take["matrix_number"]) == ("1929-06", "electrical", "GP-44")
    assert made.frame("work")["key"].to_list() == ["A major"]
    assert made.frame("transfer").select("turntable_rpm", "note").row(0) == (78.26, "belle copie")


def test_italian_headings() -> None:
    mapping = match_headings(
        ["file", "interprete", "titolo", "tonalità", "data", "etichetta", "lato", "velocità", "inizio", "fine"], kept={}
    )
    assert list(mapping.values()) == [
        "file", "player", "work", "key", "year", "label", "face", "rpm", "start", "end"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "hint"),
    [("vers 1940", "1940~"), ("um 1904", "1904~"), ("env. 1904", "1904~"),
     ("avant 1908", "[..1907]"), ("nach 1908", "[1909..]"),
     ("1904 ou 1905", "[1904,1905]"), ("zwischen 1904 und 1908", "[1904..1908]"), ("vermutlich 1911", "1911?"),
     ("12 août 1911", "1911-08-12"),
     ("1er mai 1911", "1911-05-01"), ("3. März 1911", "1911-03-03"), ("5 May 1911", "1911-05-05")],
)  # fmt: skip
def test_dates_in_words_are_dates_in_a_sheet_and_offered_in_the_catalogue(text: str, hint: str) -> None:
    assert read_date(text) == hint
    with pytest.raises(DateError) as said:
        parse_date(text)
    assert f"write {hint} if that is meant" in str(said.value)


def test_no_day_is_offered_that_is_not_in_the_calendar() -> None:
    for text in ("32 mars 1927", "30 February 1927", "31.13.1927"):
        with pytest.raises(CellError) as said:
            read_date(text)
        assert "if that is meant" not in str(said.value)


def test_processes_as_they_are_shortened() -> None:
    assert [read_process(text) for text in ("akust.", "élec.", "elektr.", "ac.")] == [
        "acoustic", "electrical", "electrical", "acoustic"
    ]  # fmt: skip


def test_a_sheet_of_which_nothing_is_entered_leaves_no_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    new(tmp_path / "c")
    (tmp_path / "s.csv").write_text("file,player\nnowhere.wav,Ann\n", encoding="utf-8")
    monkeypatch.setattr("sys.argv", ["glideline", "add", str(tmp_path / "c"), "--sheet", str(tmp_path / "s.csv"), "-y"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    said = capsys.readouterr().err
    assert "Nothing new.\n" in said
    assert "already says all this" not in said
    assert [path.name for path in (tmp_path / "c" / "sheet").iterdir()] == ["mapping.toml"]


def test_headings_are_matched_forgivingly() -> None:
    mapping = match_headings(
        ["FILE NAME", "Performer(s)", "Year of recording", "Piece played", "Key", "Record company", "Mx.", "Acc.",
         "Where held", "Turntable speed", "Comments", "Colour"],
        kept={},
    )  # fmt: skip
    assert list(mapping.values()) == [
        "file", "player", "year", "work", "key", "label", "matrix", "accompaniment", "archive", "rpm", "note", "note"
    ]  # fmt: skip


def test_headings_in_the_words_of_discographies() -> None:
    meant = {
        "Künstler": "player", "Kunstenaar": "player", "Artista": "player", "Aufgenommen": "year", "Luogo": "place",
        "Mx no.": "matrix", "Matr.-Nr.": "matrix", "N° de disque": "issue_number", "Disc no.": "issue_number",
        "Begl.": "accompaniment", "Begeleiding": "accompaniment", "Held at": "archive", "Acoustic?": "process",
        "Mx/Tk": "matrix_take", "Where recorded": "place", "Date d'enregistrement": "year",
    }  # fmt: skip
    assert {heading: match_headings([heading], kept={})[heading] for heading in meant} == meant


def test_a_second_column_of_one_thing_is_a_note_and_no_near_miss() -> None:
    assert match_headings(["Cat. no.", "Issue #"], kept={}) == {"Cat. no.": "issue_number", "Issue #": "note"}


def test_cells_are_read_as_people_write_them() -> None:
    keys = {"D major": "D major", "d-moll": "D minor", "B-Dur": "B flat major", "H-Dur": "B major",
            "Es-Dur": "E flat major",
            "ré majeur": "D major", "si bémol majeur": "B flat major", "Bbm": "B flat minor",
            "C# minor": "C sharp minor",
            "E♭ major": "E flat major", "fis-moll": "F sharp minor", "F sharp min.": "F sharp minor"}  # fmt: skip
    assert {text: read_key(text) for text in keys} == keys
    with pytest.raises(CellError, match="does not say major or minor"):
        read_key("G")
    assert read_accompaniment("with orch. (and piano)") == "orchestra"
    assert read_time("1:02:03.5") == "3723.5"
    players = [(one.name, one.certainty) for one in read_players("Vint, Anna; Bela Ort? ; N.N.")]
    assert players == [("Anna Vint", "probable"), ("Bela Ort", "possible")]


@pytest.mark.parametrize(
    ("text", "cure"),
    [("two flats", "B flat major or G minor"), ("3#", "A major or F sharp minor"), ("zwei b", "B flat"),
     ("G", "G major or G minor"), ("no sharps", "C major or A minor"), ("D dorian", "like D major")],
)  # fmt: skip
def test_what_is_no_key_is_told_the_keys_that_it_may_be(text: str, cure: str) -> None:
    """Signatures by the circle of fifths (common knowledge of music)."""
    with pytest.raises(CellError) as said:
        read_key(text)
    assert cure in said.value.cure


def test_an_accompaniment_is_what_sounds() -> None:
    assert read_accompaniment("unaccompanied violin") == "none"
    with pytest.raises(CellError, match="what does not sound"):
        read_accompaniment("no piano")
    with pytest.raises(CellError):
        read_process("a process that is not known")


def test_plain_months_are_dates() -> None:
    for text in ("März 1908", "March 1908", "mars 1908", "marzo 1908", "Mrz. 1908", "03.1908", "3/1908", "1908-03"):
        assert read_date(text) == "1908-03"
    assert [read_date(text) for text in ("août 1911", "Dez. 1911", "gennaio 1911")] == ["1911-08", "1911-12", "1911-01"]
    for text in ("13/1908", "Maerchen 1908", "3/4/1908", "1907-09"):
        with pytest.raises(CellError):
            read_date(text)
