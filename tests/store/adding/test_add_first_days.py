"""What made a scholar stumble with messy files and ugly sheets, each held by the sheet that did it."""

import csv
from pathlib import Path

import mutagen
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.store.adding.add import add, difference, plan_add
from pipeline.store.adding.names import read_name
from pipeline.store.adding.new import new
from pipeline.store.catalogue.cell_values import CellError, read_date
from pipeline.store.catalogue.likeness import like_names, like_titles
from pipeline.store.catalogue.slugs import slug
from pipeline.store.checks.check import check
from pipeline.store.schema.dates import parse_date
from tests.helpers.tones import write_tone

DATES = {
    "c. 1911": "1911~", "c1911": "1911~", "12 March 1926": "1926-03-12", "before 1915": "[..1914]",
    "1913 or 1914": "[1913,1914]", "after Jan. 1927": "[1927-02..]", "Nov 1908?": "1908-11?",
    "1926 Mar 12": "1926-03-12", "March 12, 1926": "1926-03-12", "12.iii.1926": "1926-03-12",
    "probably c. 1911": "1911%", "1911-1913": "1911/1913", "1911–13": "1911/1913",
    "Nov or Dec 1908": "[1908-11,1908-12]",
    "by 1915": "[..1915]", "not after 1915": "[..1915]", "since 1915": "[1915..]", "after 1915": "[1916..]",
    "before c. 1915": "[..1914~]", "before Jan. 1915": "[..1914-12]", "before 1 March 1916": "[..1916-02-29]",
    "before 1920s": "[..1919]", "after 1920s": "[1930..]", "after Dec 1915": "[1916-01..]",
    "um 1912": "1912~", "vor 1915": "[..1914]", "12. März 1926": "1926-03-12", "Herbst 1911": "1911-23",
    "von 1911 bis 1913": "1911/1913", "12.3.1926": "1926-03-12", "bis 1915": "[..1915]", "nach 1915": "[1916..]",
    "ab 1915": "[1915..]", "jusqu'en 1915": "[..1915]", "après 1915": "[1916..]", "depuis 1915": "[1915..]",
    "entro il 1915": "[..1915]", "dopo il 1915": "[1916..]", "dal 1915": "[1915..]", "hasta 1915": "[..1915]",
    "después de 1915": "[1916..]", "desde 1915": "[1915..]", "tot 1915": "[..1915]", "na 1915": "[1916..]",
    "vanaf 1915": "[1915..]",
    "vers 1912": "1912~", "avant 1915": "[..1914]", "le 1er mai 1911": "1911-05-01",
    "entre 1911 et 1913": "[1911..1913]",
    "verso il 1912": "1912~", "prima del 1915": "[..1914]", "12 maggio 1926": "1926-05-12",
    "1911 o 1912": "[1911,1912]",
    "hacia 1912": "1912~", "antes de 1915": "[..1914]", "12 de marzo de 1926": "1926-03-12", "enero de 1911": "1911-01",
    "omstreeks 1912": "1912~", "voor 1915": "[..1914]", "12 maart 1926": "1926-03-12",
    "tussen 1911 en 1913": "[1911..1913]",
}  # fmt: skip


@pytest.mark.parametrize("text", DATES)
def test_dates_as_people_write_them_in_six_languages(text: str) -> None:
    assert read_date(text) == DATES[text]
    assert parse_date(DATES[text])


@pytest.mark.parametrize(
    ("text", "question"),
    [("1907-09", "September 1907, or 1907/1909"), ("1911-12", "December 1911, or 1911/1912"),
     ("1902-3", "March 1902, or 1902/1903"), ("1902/3", "March 1902, or 1902/1903"),
     ("ca. 1902-04", "April 1902, or 1902/1904"), ("um 1907-09?", "September 1907, or 1907/1909"),
     ("3/4/1908", "1908-04-03, or 1908-03-04"), ("early 1905", "[1905-01..1905-04], or no more than 1905"),
     ("Ende 1905", "[1905-09..1905-12]"), ("mi-1905", "[1905-05..1905-08]"), ("frühe 1920er", "[1920..1923]"),
     ("a finales de marzo de 1926", "[1926-03-21..1926-03-31]"), ("eind 1905", "[1905-09..1905-12]"),
     ("early spring 1905", "1905-21, or a part of it")],
)  # fmt: skip
def test_what_can_mean_two_dates_is_a_question(text: str, question: str) -> None:
    with pytest.raises(CellError) as said:
        read_date(text)
    assert question in str(said.value)


def corpus(tmp_path: Path, names: list[str]) -> tuple[Path, list[Path]]:
    root = tmp_path / "c"
    new(root)
    return root, [write_tone(tmp_path / "in" / name, hz=300.0 + 20 * n) for n, name in enumerate(names)]


def table(root: Path, name: str) -> list[dict[str, str]]:
    with (root / "catalogue" / f"{name}.csv").open(encoding="utf-8-sig", newline="") as file:
        return [{k: v for k, v in row.items() if v} for row in csv.DictReader(file)]


def sheet_of(path: Path, rows: list[list[str]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
    return path


def test_the_difference_shows_how_dates_were_read_and_one_yes_takes_them(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav", "c.wav"])
    rows = [["file", "date"], ["a.wav", "c. 1911"], ["b.wav", "c. 1911"], ["c.wav", "1907-09"]]
    plan = plan_add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    assert "  c. 1911 → 1911~ (about 1911), 2 times" in list(difference(plan))
    assert ["September 1907, or 1907/1909" in str(p) for p in plan.problems] == [True]
    plan.apply()
    assert [take.get("recorded") for take in table(root, "take")] == ["1911~", "1911~", None]
    assert table(root, "transfer")[2]["note"] == "date: 1907-09"


def test_in_a_column_of_iso_dates_a_month_is_a_month(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    rows = [["file", "date"], ["a.wav", "1926-03-12"], ["b.wav", "1907-09"]]
    add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    assert [take["recorded"] for take in table(root, "take")] == ["1926-03-12", "1907-09"]


UGLY = [
    ["Discography of the Fennimore circle, 3rd draft", "", "", "", "", "", "", ""],
    ["", "", "", "", "", "", "", ""],
    ["File", "Artist", "Artist's dates", "Studied with", "Composer/Work", "Key sig.", "Mx", ""],
    ["a.wav", "A. Fennimore", "1871–1940", "Otto Brand; ? Carl Ems?", "Brand: Romance", "F major", "1187½",
     "lent by R."],
    ["b.wav", "Bela Ort", "b. 1880", "A. Fennimore", "Air", "two flats", "n/k", ""],
]  # fmt: skip


def test_an_ugly_sheet_loses_no_cell(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    plan = add(root, files, sheet=sheet_of(tmp_path / "s.csv", UGLY))
    assert list(plan.mapping.values()) == [
        "file", "player", "lives", "teachers", "composer_work", "key", "matrix", "note"
    ]  # fmt: skip
    players = {p["name"]: (p.get("born"), p.get("died")) for p in table(root, "player")}
    assert players["A. Fennimore"] == ("1871", "1940")
    assert players["Bela Ort"] == ("1880", None)
    links = [(t["teacher_id"], t["student_id"], t["certainty"]) for t in table(root, "teaching")]
    assert links == [
        ("otto-brand", "a-fennimore", "certain"),
        ("carl-ems", "a-fennimore", "possible"),
        ("a-fennimore", "bela-ort", "certain"),
    ]
    assert [(w["title"], w.get("composer"), w.get("key")) for w in table(root, "work")] == [
        ("Romance", "Brand", "F major"),
        ("Air", None, None),
    ]
    notes = [t.get("note") for t in table(root, "transfer")]
    assert notes == ["column H: lent by R.", "Key sig.: two flats"]
    said = "\n".join(map(str, plan.problems))
    assert "s.csv, row 1 = Discography of the Fennimore circle, 3rd draft: stands above the headings" in said
    assert "Key sig. = two flats" in said


def test_who_is_self_taught_has_no_teacher_and_the_cell_is_kept(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    rows = [
        ["file", "player", "studied with"],
        ["a.wav", "Ada Finch", "self-taught"],
        ["b.wav", "Bo Reed", "Autodidakt"],
    ]
    add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    assert table(root, "teaching") == []
    assert sorted(p["name"] for p in table(root, "player")) == ["Ada Finch", "Bo Reed"]
    notes = [t["note"] for t in table(root, "transfer")]
    assert notes == ["studied with: self-taught", "studied with: Autodidakt"]


def test_what_says_that_nothing_is_known_is_listed_and_a_composer_without_a_name_is_kept(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav", "c.wav"])
    rows = [
        ["file", "artist", "composer", "title", "matrix", "acc."],
        ["a.wav", "Ada Finch", "Anon.", "Air", "n/k", "unknown"],
        ["b.wav", "Ada Finch", "trad.", "Jig", "n/k", "G. Falk (piano)"],
        ["c.wav", "Ada Finch", "?", "Reel", "12", "piano"],
    ]
    plan = add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    assert [work.get("composer") for work in table(root, "work")] == ["Anon.", "trad.", None]
    assert [take["accompaniment"] for take in table(root, "take")] == ["unknown", "piano", "piano"]
    assert [row.get("note") for row in table(root, "transfer")] == [None, "acc.: G. Falk (piano)", None]
    said = [str(problem) for problem in plan.problems if "nothing is known" in problem.message]
    assert ["cells = n/k (2), ? (1): mean that nothing is known" in line for line in said] == [True]


def test_two_players_in_one_cell_are_asked_about_before_the_yes(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav", "c.wav"])
    rows = [
        ["file", "artist"],
        ["a.wav", "A. Vint / B. Ort"],
        ["b.wav", "A. Vint / B. Ort"],
        ["c.wav", "C. Ems or D. Oy"],
    ]
    plan = add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    said = [str(problem) for problem in plan.problems if "is read as" in problem.message]
    assert len(said) == 2
    assert said[0].startswith("s.csv, row 2: artist = A. Vint / B. Ort: is read as A. Vint and B. Ort playing together")
    assert "(and in 1 more)" in said[0]
    assert "is read as one of C. Ems and D. Oy, each possible" in said[1]
    assert [row["certainty"] for row in table(root, "performance")] == ["probable"] * 4 + ["possible"] * 2


def test_files_are_to_be_copied_until_the_yes(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav"])
    assert "to be copied into audio/" in next(difference(plan_add(root, files)))


def test_a_matrix_number_with_zeros_before_it_is_another(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    rows = [["file", "player", "matrix"], ["a.wav", "Ada Finch", "12"], ["b.wav", "Bo Reed", "0012"]]
    add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    assert sorted(t["matrix_number"] for t in table(root, "take")) == ["0012", "12"]
    assert [(p["take_id"], p["player_id"]) for p in table(root, "performance")] == [
        ("12", "ada-finch"),
        ("0012", "bo-reed"),
    ]


CELLS = ["Zork", "n/k", "1911", "c. 1911", "D-Dur", "x & y", "", "7", "½"]


@settings(max_examples=12, deadline=None)
@given(
    st.lists(
        st.lists(st.sampled_from(CELLS), min_size=9, max_size=9),
        min_size=2, max_size=2,
    )
)  # fmt: skip
def test_every_cell_of_a_line_is_somewhere_afterwards(
    tmp_path_factory: pytest.TempPathFactory, cells: list[list[str]]
) -> None:
    """Each cell, or what it was read as, is found again in some row of the catalogue or is said to mean nothing."""
    tmp_path = tmp_path_factory.mktemp("cells")
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    headings = ["file", "player", "born", "year", "composer", "key", "label", "matrix", "take", "whatever"]
    rows = [headings, *([file.name, *line] for file, line in zip(files, cells, strict=True))]
    plan = add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    held = " ".join(p.read_text(encoding="utf-8-sig") for p in (root / "catalogue").glob("*.csv"))
    read = {said.cell: meant for said, meant in plan.readings}
    for heading, cell in ((h, c) for line in cells for h, c in zip(headings[1:], line, strict=True)):
        if cell in ("", "n/k") and heading != "whatever":
            continue
        forms = [cell, read.get(cell, cell), {"D-Dur": "D major"}.get(cell, cell), *cell.split(" & ")]
        assert any(form in held for form in forms), (heading, cell)


def test_a_line_with_more_cells_than_headings_is_left_out_and_named(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    (tmp_path / "s.csv").write_text("file,player,year\na.wav,Vint, Anna,1911\nb.wav,Bela Ort,1912\n", encoding="utf-8")
    plan = add(root, files, sheet=tmp_path / "s.csv")
    (error,) = [problem for problem in plan.problems if problem.severity == "error"]
    assert str(error).startswith("s.csv, row 2 = 1911: stands behind the last heading")
    assert "quotation marks" in error.cure
    assert [row["file"] for row in table(root, "transfer")] == ["b.wav"]


def test_columns_without_headings_in_every_line_are_notes(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    (tmp_path / "s.csv").write_text("file,player\na.wav,Ada Finch,red label\nb.wav,Bo Reed,worn\n", encoding="utf-8")
    add(root, files, sheet=tmp_path / "s.csv")
    assert [row["note"] for row in table(root, "transfer")] == ["column C: red label", "column C: worn"]


def test_two_lines_of_headings_and_merged_cells(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Our list"])
    page.merge_cells("A1:F1")
    page.append(["File", "Player", "Recording", None, "Disc", None])
    page.append([None, None, "date", "place", "label", "number"])
    page.merge_cells("C2:D2")
    page.merge_cells("E2:F2")
    page.append(["a.wav", "Anna Vint", "12 March 1926", "Vienna", "Owl", 12])
    page.append(["b.wav", None, "1927", "Prague", "Owl", 13])
    page.merge_cells("B4:B5")  # one player of two sides
    people = book.create_sheet("People")
    people.append(["Name", "Born", "Teacher", "Town"])
    people.append(["Anna Vint", "c. 1890", "Bela Ort", "Graz"])
    book.create_sheet("Empty")
    book.save(tmp_path / "s.xlsx")
    plan = add(root, files, sheet=tmp_path / "s.xlsx")
    assert {h: m for h, m in plan.mapping.items() if m != "note"} == {
        "File": "file", "Player": "player", "Recording date": "year", "Recording place": "place", "Disc label": "label",
        "Disc number": "issue_number", "Name": "player", "Born": "born", "Teacher": "teachers", "Town": "place",
    }  # fmt: skip
    assert [(t["recorded"], t["place"]) for t in table(root, "take")] == [("1926-03-12", "Vienna"), ("1927", "Prague")]
    assert [p["player_id"] for p in table(root, "performance")] == ["anna-vint", "anna-vint"]
    assert table(root, "player")[0] == {
        "player_id": "anna-vint", "name": "Anna Vint", "born": "1890~", "note": "Town: Graz"
    }  # fmt: skip
    assert table(root, "teaching")[0]["teacher_id"] == "bela-ort"
    assert "Our list" in "\n".join(map(str, plan.problems))


def test_spreadsheets_hide_the_day_and_the_zeros(tmp_path: Path) -> None:
    from datetime import datetime

    root, files = corpus(tmp_path, ["a.wav"])
    book = openpyxl.Workbook()
    page = book.active
    page.append(["file", "date", "matrix"])
    page.append(["a.wav", datetime(1908, 11, 1), 123])
    page["B2"].number_format = "mmm yyyy"  # what a spreadsheet makes of "Nov 1908"
    page["C2"].number_format = "0000"
    book.save(tmp_path / "s.xlsx")
    add(root, files, sheet=tmp_path / "s.xlsx")
    take = table(root, "take")[0]
    assert (take["recorded"], take["matrix_number"]) == ("1908-11", "0123")


def test_what_a_second_transfer_says_otherwise_goes_to_its_note(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    rows = [["file", "player", "year", "label", "matrix", "take"],
            ["a.wav", "Anna Vint", "1911", "Owl", "12", "1"],
            ["b.wav", "Bela Ort", "1912", "Owl", "12", "1"]]  # fmt: skip
    plan = add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    assert [t["transfer_id"] for t in table(root, "transfer")] == ["owl-12-1-t1", "owl-12-1-t2"]
    assert table(root, "transfer")[1]["note"] == "player: Bela Ort; year: 1912"
    assert sum("goes into the note" in str(p) for p in plan.problems) == 2


def test_ids_never_make_one_number_of_another() -> None:
    assert slug("1187½") == "1187-1-2"
    assert slug("12²") == "12-2"
    assert slug("Matrix ١٢") == "matrix-12"
    assert slug("Concerto for violin and orchestra in D major opus 61 first movement", longest=58) == (
        "concerto-for-violin-and-orchestra-in-d-major-opus-61-first"
    )
    assert slug("Concerto for violin and orchestra in D major, the opus 611111", longest=58) == (
        "concerto-for-violin-and-orchestra-in-d-major-the-opus"
    )


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=90))
def test_an_id_is_never_cut_within_a_word_or_number(text: str) -> None:
    whole, cut = slug(text, longest=10_000), slug(text, longest=20)
    assert whole.startswith(cut.removesuffix("-1")) or cut.endswith("-1")
    rest = whole[len(cut) :]
    assert not cut or not rest or rest.startswith("-") or len(whole.split("-")[0]) > 20 or cut.endswith("-1")


NAMES = {
    "Miss A. Fennimore - Romance in F (Op 12) mx 2345e take 2 1911 side A.mp3": {
        "player": "A. Fennimore", "work": "Romance in F (Op 12)", "matrix": "2345e", "take": "2", "year": "1911",
        "face": "A",
    },
    "B.Ort_Berceuse_mx1187½_tk3.m4a": {"matrix": "1187½", "take": "3"},
    "03 - Bela Ort - Jig in d-moll - 12 March 1926.wav": {
        "player": "Bela Ort", "work": "Jig in d-moll", "key": "D minor", "year": "1926-03-12",
    },
    "01 Track.mp3": {},
    "Sonata No. 1.flac": {},
    "Bela Ort - Jig [early 1905].mp3": {"player": "Bela Ort", "work": "Jig [early 1905]"},
}  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_file_names_are_read_by_what_is_labelled_in_them(name: str) -> None:
    assert read_name(name) == NAMES[name]


def test_names_and_tags_are_offered_with_their_source_and_never_imposed(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["Bela Ort - Jig take 2.flac", "plain.wav"])
    tags = mutagen.File(files[0])
    tags["artist"], tags["date"], tags["label"] = "Béla Ort", "1911", "Owl"
    tags.save()
    arguments = ["add", str(root), *map(str, files)]
    run = CliRunner().invoke(app, [*arguments, "--yes"])
    assert run.exit_code == 0, run.output
    assert "player = Béla Ort (tag artist)" in run.stdout
    assert "take = 2 (file name)" in run.stdout
    assert table(root, "player") == []  # nothing of it is entered
    draft = root / "sheet" / "draft.csv"
    rows = list(csv.DictReader(draft.read_text(encoding="utf-8-sig").splitlines()))
    assert rows[0]["drafted from"].startswith("player: tag artist; work: file name")
    run = CliRunner().invoke(app, ["add", str(root), "--sheet", str(draft), "--yes"])
    assert run.exit_code == 0, run.output
    assert [player["name"] for player in table(root, "player")] == ["Béla Ort"]
    take = table(root, "take")[0]
    assert (take["take_number"], take["work_id"]) == ("2", "jig")
    assert "note" not in table(root, "transfer")[0]


def test_likely_twins_are_pointed_out() -> None:
    names = ["A. Fennimore", "Adela Fennimore", "Bela Fennimore", "Adella Fennimore", "Carl Ems"]
    assert like_names(names) == [
        ("A. Fennimore", "Adela Fennimore"),
        ("A. Fennimore", "Adella Fennimore"),
        ("Adela Fennimore", "Adella Fennimore"),
    ]
    titles = ["Romance in F, Op. 12", "Romance in F op.12", "Romance in G op. 12", "Sonata no. 1", "Sonata no. 2",
              "Suite: Air II", "Suite: Air III"]  # fmt: skip
    assert like_titles(titles) == [("Romance in F, Op. 12", "Romance in F op.12")]


def test_twins_are_named_before_the_yes_and_by_check(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav"])
    rows = [["file", "player", "work"], ["a.wav", "A. Fennimore", "Romance in F, Op. 12"],
            ["b.wav", "Adela Fennimore", "Romance in F op.12"]]  # fmt: skip
    plan = add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    said = "\n".join(map(str, plan.problems))
    assert "name = Adela Fennimore: is much like 'A. Fennimore'; if they are one, say no and write 'Adela" in said
    assert "Romance in F" in said
    remarks = [str(p) for p in check(root, listen=False).remarks if "is much like" in str(p)]
    assert len(remarks) == 2
    assert "A. Fennimore: is much like 'Adela Fennimore' (adela-fennimore)" in "".join(remarks)  # the fuller one stays
    assert "write adela-fennimore for a-fennimore wherever it stands" in "".join(remarks)
    path = root / "catalogue" / "player.csv"
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    place = lines[0].split(",").index("note")
    cells = lines[1].split(",")
    cells[place] = "not adela-fennimore" if cells[0] == "a-fennimore" else "not a-fennimore"
    path.write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n", encoding="utf-8")
    remarks = [str(p) for p in check(root, listen=False).remarks if "is much like" in str(p)]
    assert len(remarks) == 1


def test_disc_numbers_matrix_and_take_in_one_column_and_two_transfers_of_a_take(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav", "b.wav", "c.wav"])
    rows = [["file", "artist", "title", "composer", "key sig.", "label", "Disc no.", "side", "Mx/Tk"],
            ["a.wav", "K. Vane", "Air", "Brand, Otto", "D", "Owl", "D 77", "A", "1187½e-2"],
            ["b.wav", "K. Vane", "Air", "Brand, Otto", "D major", "Owl", "D 77", "A", "1187½e-2"],
            ["c.wav", "K. Vane", "Jig", "O. Brand", "", "Owl", "D 78", "B", ""]]  # fmt: skip
    plan = add(root, files, sheet=sheet_of(tmp_path / "s.csv", rows))
    takes = {take["take_id"]: take for take in table(root, "take")}
    assert list(takes) == ["owl-1187-1-2-e-2", "owl-d-78-b"]  # without a matrix, by label, number and face
    assert takes["owl-1187-1-2-e-2"]["matrix_number"] == "1187½e"
    assert takes["owl-1187-1-2-e-2"]["take_number"] == "2"
    assert [row["transfer_id"] for row in table(root, "transfer")][:2] == ["owl-1187-1-2-e-2-t1", "owl-1187-1-2-e-2-t2"]
    works = {work["work_id"]: work for work in table(root, "work")}
    assert works["brand-air"]["key"] == "D major"  # what the first line left open
    said = "\n".join(map(str, plan.problems))
    assert "composer = O. Brand: is much like 'Brand, Otto'" in said


def test_a_sheet_that_is_passed_over_is_no_note(tmp_path: Path) -> None:
    root, files = corpus(tmp_path, ["a.wav"])
    book = openpyxl.Workbook()
    book.active.append(["file", "player"])
    book.active.append(["a.wav", "unknown fiddler"])
    book.create_sheet("Books").append(["Book", "Shelf"])
    book.save(tmp_path / "s.xlsx")
    plan = add(root, files, sheet=tmp_path / "s.xlsx")
    assert list(plan.mapping) == ["file", "player"]
    assert table(root, "player") == []
    assert table(root, "transfer")[0]["note"] == "player: unknown fiddler"
