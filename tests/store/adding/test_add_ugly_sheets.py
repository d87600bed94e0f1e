"""Sheets of somebody who knows nothing of the catalogue: headings in two lines, prose in cells, sums below."""

import csv
from pathlib import Path

import openpyxl
import pytest

from pipeline.store.adding.add import AddPlan, add, difference
from pipeline.store.adding.headings import match_headings
from pipeline.store.adding.new import new
from pipeline.store.adding.people import FROM_SHEET
from pipeline.store.checks.check import check
from tests.helpers.tones import write_tone


class Added:
    """A corpus of two files that sheets are given to."""

    def __init__(self, folder: Path) -> None:
        self.root, self.sheet = folder / "c", folder / "s.csv"
        new(self.root)
        self.audio = [write_tone(folder / "in" / f"{name}.wav", hz=300.0 + ord(name)) for name in "ab"]

    def give(self, *rows: list[str]) -> AddPlan:
        with self.sheet.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(rows)
        return add(self.root, self.audio, sheet=self.sheet)

    def table(self, name: str) -> list[dict[str, str]]:
        with (self.root / "catalogue" / f"{name}.csv").open(encoding="utf-8-sig", newline="") as file:
            return [{k: v for k, v in row.items() if v} for row in csv.DictReader(file)]


def test_the_lower_line_of_a_heading_decides_where_it_alone_is_understood(tmp_path: Path) -> None:
    added = Added(tmp_path)
    book = openpyxl.Workbook()
    page = book.active
    page.append(["File", "Artist(s)", None, "Work", None, None, "Composer", None])
    page.append([None, "Name", "Acc.", "Title", "Composer", "Key", "Name", "Born"])
    for merged in ("B1:C1", "D1:F1", "G1:H1"):
        page.merge_cells(merged)
    page.append(["a.wav", "Ana Vint", "pf", "Air", "Bela Ort", "D minor", "Ort", "1850"])
    book.save(tmp_path / "s.xlsx")
    plan = add(added.root, added.audio, sheet=tmp_path / "s.xlsx")
    assert list(plan.mapping.values()) == [
        "file", "player", "accompaniment", "work", "composer", "key", "note", "note"
    ]  # fmt: skip
    assert added.table("work") == [
        {"work_id": "ort-air", "title": "Air", "composer": "Bela Ort", "key": "D minor"}
    ]  # fmt: skip
    assert added.table("transfer")[0]["note"] == "Composer Name: Ort; Composer Born: 1850"


def test_no_two_columns_fill_one_field() -> None:
    for headings, meant in (
        (["Composer/Work", "Title"], ["note", "work"]),
        (["Mx/Tk", "Matrix", "Take"], ["note", "matrix", "take"]),
        (["Work composer", "Title"], ["composer", "work"]),
    ):
        assert list(match_headings(headings, kept={}).values()) == meant


def test_a_second_column_of_one_field_goes_to_the_note_and_is_listed(tmp_path: Path) -> None:
    added = Added(tmp_path)
    kept = added.root / "sheet" / "mapping.toml"
    kept.parent.mkdir()
    kept.write_text('[columns]\n"Opus" = "composer_work"\n', encoding="utf-8")
    plan = added.give(["file", "Title", "Opus"], ["a.wav", "Air", "Bela Ort"], ["b.wav", "Jig", "Jig"])
    kept.write_text('[columns]\n"Opus" = "composer_work"\n"Title" = "work"\n', encoding="utf-8")
    plan = added.give(["file", "Title", "Opus"], ["a.wav", "Air", "Bela Ort"], ["b.wav", "Jig", "Jig"])
    assert "s.csv, row 2: Opus = Bela Ort: is said otherwise under Title (Air), so it goes into the note" in "\n".join(
        map(str, plan.problems)
    )
    assert [row.get("note") for row in added.table("transfer")] == ["Opus: Bela Ort", None]
    assert [row["work_id"] for row in added.table("take")] == ["air", "jig"]


def test_teachers_in_prose_never_become_players_and_what_a_bracket_says_is_theirs(tmp_path: Path) -> None:
    added = Added(tmp_path)
    headings, other = ["file", "artist", "teacher"], ["b.wav", "Bela Ort", "heard Otto Brand as a boy"]
    plan = added.give(headings, ["a.wav", "Ana Vint", "pupil of A. Rook; later with J. Latch?"], other)
    assert [row["name"] for row in added.table("player")] == ["Ana Vint", "A. Rook", "J. Latch", "Bela Ort"]
    links = {row["teacher_id"]: (row["certainty"], row["note"]) for row in added.table("teaching")}
    assert links == {"a-rook": ("certain", FROM_SHEET), "j-latch": ("possible", FROM_SHEET)}
    assert "teacher = heard Otto Brand as a boy: is not names of teachers alone" in "\n".join(map(str, plan.problems))
    assert added.table("transfer")[1]["note"] == "teacher: heard Otto Brand as a boy"
    added.give(headings, ["a.wav", "Ana Vint", "A. Rook (Arl, 1901-03)"], other)
    (link,) = added.table("teaching")
    assert (link["teacher_id"], link["span"], link["note"]) == ("a-rook", "1901/1903", f"{FROM_SHEET}: Arl")
    added.give(headings, ["a.wav", "Ana Vint", "J. Latch"], other)
    assert [row["teacher_id"] for row in added.table("teaching")] == ["j-latch"]
    assert check(added.root, listen=False).errors == ()


def test_a_replaced_teacher_leaves_though_a_hand_keeps_a_player_of_the_line(tmp_path: Path) -> None:
    added = Added(tmp_path)
    headings = ["file", "artist", "teacher"]
    added.give(headings, ["a.wav", "Wenna Saltby & O. Quern", "Alden Rook"])
    path = added.root / "catalogue" / "performance.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    changed = [line.replace("soloist", "accompanist") if "o-quern" in line else line for line in lines]
    path.write_text("\n".join(changed) + "\n", encoding="utf-8")
    for teacher in ("Jem Latch", "Hob Greenlock"):
        plan = added.give(headings, ["a.wav", "Wenna Saltby", teacher])
        assert [row["teacher_id"] for row in added.table("teaching")] == [teacher.lower().replace(" ", "-")]
        assert [line for line in difference(plan) if line.startswith("= ")] == [
            "= performance a o-quern: O. Quern stays, for the row was changed by hand; the sheet says Wenna Saltby, "
            "so delete the row in performance.csv if it is wrong"
        ]
    assert "jem-latch" not in [row["player_id"] for row in added.table("player")]
    path.write_text("\n".join(line for line in changed if "o-quern" not in line) + "\n", encoding="utf-8")
    plan = added.give(headings, ["a.wav", "Wenna Saltby", "Hob Greenlock"])
    assert plan.draft.kept == []
    assert [row["player_id"] for row in added.table("performance")] == ["wenna-saltby"]


@pytest.mark.parametrize(
    ("cell", "composer", "work_id", "note"),
    [("unknown", None, "air", "composer: unknown"),
     ("Komponist unbekannt", None, "air", "composer: Komponist unbekannt"),
     ("?", None, "air", None), ("anon.", "anon.", "air", None), ("Traditional", "Traditional", "air", None),
     ("Bela Ort", "Bela Ort", "ort-air", None)],
)  # fmt: skip
def test_an_unknown_composer_is_none_and_no_id_is_made_of_such_words(
    tmp_path: Path, cell: str, composer: str | None, work_id: str, note: str | None
) -> None:
    added = Added(tmp_path)
    plan = added.give(["file", "composer", "title"], ["a.wav", cell, "Air"])
    (work,) = added.table("work")
    assert (work["work_id"], work.get("composer")) == (work_id, composer)
    assert added.table("transfer")[0].get("note") == note
    assert (composer is None) == any(cell in p.value and "nothing is known" in p.message for p in plan.problems)


@pytest.mark.parametrize("cell", ["M. Ludd & Orch.", "M. Ludd & his orchestra", "M. Ludd (Vcl) mit Orchester"])
def test_an_orchestra_is_no_player_but_accompanies(tmp_path: Path, cell: str) -> None:
    added = Added(tmp_path)
    added.give(["file", "artist", "acc.", "teacher"], ["a.wav", cell, "", "A. Rook"], ["b.wav", cell, "piano", ""])
    assert [row["name"] for row in added.table("player")] == ["M. Ludd", "A. Rook"]
    assert {row["certainty"] for row in added.table("performance")} == {"certain"}
    assert [row["accompaniment"] for row in added.table("take")] == ["orchestra", "piano"]
    first, second = added.table("transfer")
    assert second["note"] == f"artist: {cell}"
    assert "note" not in first or "(" in cell


def test_a_sum_below_the_lines_is_a_remark(tmp_path: Path) -> None:
    added = Added(tmp_path)
    headings = ["file", "artist", "price paid"]
    plan = added.give(headings, ["a.wav", "Ana Vint", "4"], ["Total: 2 sides", "", "16.5"], ["", "", "paid"])
    assert [(p.row, p.value, p.severity) for p in plan.problems] == [
        (3, "Total: 2 sides, 16.5", "remark"),
        (4, "paid", "remark"),
    ]
    plan = added.give(headings, ["a.wav", "Ana Vint", "4"], ["nowhere.wav", "", ""], ["", "Bela Ort", ""])
    assert [(p.row, p.severity) for p in plan.problems] == [(3, "error"), (4, "error")]


def test_a_column_taken_for_something_else_is_told_with_what_it_was_taken_for(tmp_path: Path) -> None:
    said = "\n".join(map(str, Added(tmp_path).give(["file", "From"], ["a.wav", "LP dub"]).problems))
    assert "From = LP dub: is not a number, so it goes into the note" in said
    assert "the column was taken for start: if it is not, mend that in sheet/mapping.toml" in said
