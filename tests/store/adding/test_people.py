"""A sheet given again after edits: who plays and who taught whom is taken over, and no hand edit is lost."""

import csv
import random
from pathlib import Path

import pytest

from pipeline.store.adding.add import AddPlan, add, difference, plan_add
from pipeline.store.adding.new import new
from pipeline.store.schema import load
from tests.helpers.tones import write_tone

HEADINGS = ["file", "artist", "born", "studied with", "matrix"]
FIRST = [
    ["a.wav", "Ana Vint", "1871", "Otto Brand", "12"],
    ["b.wav", "Bela Ort", "", "Carl Ems", "13"],
    ["c.wav", "Bela Ort", "", "Carl Ems", "14"],
]


class Given:
    """A corpus that a sheet is given to, again and again."""

    def __init__(self, folder: Path, rows: list[list[str]] = FIRST) -> None:
        self.root, self.sheet = folder / "c", folder / "s.csv"
        new(self.root)
        self.audio = [write_tone(folder / "in" / f"{name}.wav", hz=300.0 + ord(name)) for name in "abc"]
        self.give(rows)

    def plan(self, rows: list[list[str]]) -> AddPlan:
        with self.sheet.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows([HEADINGS, *rows])
        return plan_add(self.root, self.audio, sheet=self.sheet)

    def give(self, rows: list[list[str]]) -> AddPlan:
        self.plan(rows)
        return add(self.root, self.audio, sheet=self.sheet)

    def table(self, name: str) -> list[dict[str, str]]:
        with (self.root / "catalogue" / f"{name}.csv").open(encoding="utf-8-sig", newline="") as file:
            return [{k: v for k, v in row.items() if v} for row in csv.DictReader(file)]

    def write(self, name: str, row: int, /, **cells: str) -> None:
        """What a hand does: changes cells of a row of a table."""
        path = self.root / "catalogue" / f"{name}.csv"
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        rows[row:] = [rows[row] | cells, *rows[row + 1 :]] if row < len(rows) else [cells]
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(dict.fromkeys(name for row in rows for name in row)))
            writer.writeheader()
            writer.writerows(rows)

    def playing(self) -> list[tuple[str, str, str]]:
        rows = self.table("performance")
        return sorted((row["take_id"], row["player_id"], row["certainty"]) for row in rows)

    def links(self) -> list[tuple[str, str]]:
        return sorted((row["teacher_id"], row["student_id"]) for row in self.table("teaching"))


@pytest.fixture
def given(tmp_path: Path) -> Given:
    return Given(tmp_path)


def edited(*cells: tuple[int, int, str]) -> list[list[str]]:
    rows = [row.copy() for row in FIRST]
    for row, column, cell in cells:
        rows[row][column] = cell
    return rows


def test_a_player_comes_and_goes_with_the_sheet(given: Given) -> None:
    rows = edited((1, 1, "Bela Ort (violin) & Dora Lind (viola)"))
    plan = given.plan(rows)
    assert "+ performance: take_id=13, player_id=dora-lind, instrument=viola, role=soloist, certainty=certain" in list(
        difference(plan)
    )
    given.give(rows)
    assert given.playing()[1:3] == [("13", "bela-ort", "certain"), ("13", "dora-lind", "certain")]
    assert given.plan(rows).empty
    plan = given.plan(FIRST)
    shown = [line for line in difference(plan) if line.startswith("- ")]
    assert shown == [
        "- performance: take_id=13, player_id=dora-lind, instrument=viola, role=soloist, certainty=certain",
        "- player: player_id=dora-lind, name=Dora Lind",  # nothing names her any more
    ]
    given.give(FIRST)
    assert [player for take, player, _ in given.playing() if take == "13"] == ["bela-ort"]
    assert "dora-lind" not in [row["player_id"] for row in given.table("player")]


def test_a_corrected_name_takes_its_life_and_teachers_along(given: Given) -> None:
    given.give(edited((0, 1, "Anna Vint")))
    assert given.playing()[0] == ("12", "anna-vint", "certain")
    assert ("otto-brand", "anna-vint") in given.links()
    players = {row["player_id"]: row for row in given.table("player")}
    assert players["anna-vint"]["born"] == "1871"
    assert "ana-vint" not in players


def test_a_corrected_teacher_replaces_the_other(given: Given) -> None:
    rows = edited((0, 3, "Otto Brandt?"))
    plan = given.plan(rows)
    assert "- teaching: teacher_id=otto-brand, student_id=ana-vint, certainty=certain, note=as the sheet says" in list(
        difference(plan)
    )
    given.give(rows)
    assert given.links() == [("carl-ems", "bela-ort"), ("otto-brandt", "ana-vint")]
    assert [row["certainty"] for row in given.table("teaching") if row["teacher_id"] == "otto-brandt"] == ["possible"]
    assert "otto-brand" not in [row["player_id"] for row in given.table("player")]
    assert given.plan(rows).empty


def test_a_teacher_stays_while_another_line_says_so(given: Given) -> None:
    one = edited((1, 3, "Karl Ems"))
    plan = given.give(one)
    assert ["another line of the sheet still says it" in kept.why for kept in plan.draft.kept] == [True]
    assert given.links() == [("carl-ems", "bela-ort"), ("karl-ems", "bela-ort"), ("otto-brand", "ana-vint")]
    given.give(edited((1, 3, "Karl Ems"), (2, 3, "Karl Ems")))
    assert given.links() == [("karl-ems", "bela-ort"), ("otto-brand", "ana-vint")]


@pytest.mark.parametrize(
    ("table", "row", "cells", "rows", "why"),
    [
        ("performance", 0, {"credited_as": "Mlle Vint"}, edited((0, 1, "")), "the row was changed by hand"),
        ("teaching", 0, {"span": "1885/1889"}, edited((0, 3, "")), "the row was changed by hand"),
        ("performance", 0, {"player_id": "carl-ems"}, edited((0, 1, "Dora Lind")), "edited by hand"),
        ("passage", 0, {"transfer_id": "12-t1", "from_s": "0", "to_s": "1", "player_id": "ana-vint", "content": "solo"},
         edited((0, 1, "Anna Vint")), "passage.csv names this player on it"),
    ],
)  # fmt: skip
def test_what_a_hand_has_written_stays_and_is_reported(
    given: Given, table: str, row: int, cells: dict[str, str], rows: list[list[str]], why: str
) -> None:
    given.write(table, row, **cells)
    before = given.table(table)
    plan = given.give(rows)
    assert [kept.why for kept in plan.draft.kept] == [why]
    assert given.table(table) == before
    if table != "teaching":  # many may have taught one: that is no contradiction
        assert given.plan(rows).draft.kept == plan.draft.kept  # said until both agree


def test_two_lines_that_differ_of_one_thing_change_nothing_until_they_agree(given: Given) -> None:
    given.give(edited((1, 1, "Ana Vint"), (1, 2, "1871"), (1, 3, "Otto Brand"), (2, 1, "Ana Vint"), (2, 3, "")))
    assert {row["born"] for row in given.table("player") if row["player_id"] == "ana-vint"} == {"1871"}
    rows = edited((1, 1, "Ana Vint"), (1, 2, "1872"), (1, 3, "Otto Brand"), (2, 1, "Ana Vint"), (2, 3, ""))
    plan = given.give(rows)
    assert [(kept.column, kept.value, kept.said, kept.why) for kept in plan.draft.kept] == [
        ("born", "1871", "1872", "another line of the sheet still says it")
    ]
    rows[0][2] = "1872"
    given.give(rows)
    assert {row["born"] for row in given.table("player") if row["player_id"] == "ana-vint"} == {"1872"}


def test_the_note_of_another_transfer_follows_the_sheet(tmp_path: Path) -> None:
    root, sheet = tmp_path / "c", tmp_path / "s.csv"
    new(root)
    audio = [write_tone(tmp_path / "in" / f"{name}.wav", hz=300.0 + ord(name)) for name in "ab"]

    def notes(first: str, second: str, year: str = "1903") -> list[str]:
        lines = [f"a.wav,{first},{year},12", f"b.wav,{second},1903,12"]
        sheet.write_text("\n".join(["file,title,year,matrix", *lines]) + "\n", encoding="utf-8")
        add(root, audio, sheet=sheet)
        rows = csv.DictReader((root / "catalogue" / "transfer.csv").read_text("utf-8-sig").splitlines())
        return [row.get("note") or "" for row in rows]

    assert notes("Air", "Aire") == ["", "title: Aire"]
    assert notes("Air", "Air") == ["", ""]
    assert notes("Air", "Air", "1904") == ["", ""]
    take = next(csv.DictReader((root / "catalogue" / "take.csv").read_text("utf-8-sig").splitlines()))
    assert take["recorded"] == "1903"  # the other line says so still


PLAYERS = ["", "Ana Vint", "Anna Vint", "Ana Vint & Bela Ort", "Ana Vint or Bela Ort", "Bela Ort?",
           "Ana Vint (violin), Bela Ort (piano)", "Carl Ems (cello) / Ana Vint (violin)"]  # fmt: skip
TEACHERS = ["", "Carl Ems", "Karl Ems", "Carl Ems; Otto Brand", "Otto Brand?"]


@pytest.mark.parametrize("seed", range(4))
def test_a_sheet_edited_again_and_again_says_what_it_would_have_said_at_first(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    edits = [
        [[f"{name}.wav", rng.choice(PLAYERS), "", rng.choice(TEACHERS), str(12 + n)] for n, name in enumerate("abc")]
        for _ in range(3)
    ]
    for folder in ("edited", "fresh"):
        (tmp_path / folder).mkdir()
    edited, fresh = Given(tmp_path / "edited"), Given(tmp_path / "fresh", edits[-1])
    for rows in edits:
        edited.give(rows)
    assert edited.plan(edits[-1]).empty
    assert edited.playing() == fresh.playing()
    assert edited.links() == fresh.links()
    assert sorted(row["name"] for row in edited.table("player")) == sorted(row["name"] for row in fresh.table("player"))
    notes = [[row.get("note") for row in given.table("transfer")] for given in (edited, fresh)]
    assert notes[0] == notes[1]


def test_a_player_whom_something_else_names_stays_in_the_catalogue(given: Given) -> None:
    needed = {c.name: "x" for c in load("written_part").written_columns if c.required}
    given.write("written_part", 0, **needed | {"editor_id": "otto-brand"})
    needed = {c.name: "x" for c in load("drawn_item").written_columns if c.required} | {"player_id": "ana-vint"}
    drawn = given.root / "reviews" / "drawn" / "sample-1.csv"
    drawn.parent.mkdir(parents=True)
    drawn.write_text(f"{','.join(needed)}\n{','.join(needed.values())}\n", encoding="utf-8")
    given.give(edited((0, 1, "Dora Lind"), (0, 3, "")))
    assert {"otto-brand", "ana-vint"} <= {row["player_id"] for row in given.table("player")}


def test_people_of_a_sheet_of_people_are_corrected_too(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    root, audio = tmp_path / "c", write_tone(tmp_path / "a.wav")
    new(root)
    for born, teacher, town in (("1880", "Otto Brand", "Graz"), ("1881", "Otto Brandt", "Linz")):
        book = openpyxl.Workbook()
        book.active.append(["file", "player"])
        book.active.append(["a.wav", "Anna Vint"])
        people = book.create_sheet("People")
        people.append(["name", "born", "teacher", "town"])
        people.append(["Anna Vint", born, teacher, town])
        book.save(tmp_path / "s.xlsx")
        add(root, [audio], sheet=tmp_path / "s.xlsx")
        rows = list(csv.DictReader((root / "catalogue" / "player.csv").read_text("utf-8-sig").splitlines()))
        assert [(row["born"], row["note"]) for row in rows if row["player_id"] == "anna-vint"] == [
            (born, f"town: {town}")
        ]
        links = list(csv.DictReader((root / "catalogue" / "teaching.csv").read_text("utf-8-sig").splitlines()))
        assert [row["teacher_id"] for row in links] == [teacher.lower().replace(" ", "-")]


def test_what_an_earlier_version_made_of_a_cell_is_told_until_its_row_is_gone(given: Given) -> None:
    prose = edited((0, 3, "first with Otto Brand, later with Carl Ems"))
    given.give(prose)
    assert given.links()[:1] == [("carl-ems", "ana-vint")]
    assert not given.plan(prose).draft.kept
    wrong = {"name": "later with Carl Ems", "player_id": "later-with-carl-ems"}
    given.write("player", 99, **wrong)
    link = {"teacher_id": wrong["player_id"], "student_id": "ana-vint", "certainty": "certain"}
    given.write("teaching", 99, **link, note="as the sheet says")
    (told,) = [line for line in difference(given.plan(prose)) if line.startswith("=")]
    assert told == (
        "= teaching later-with-carl-ems ana-vint: later with Carl Ems stays, for an earlier "
        "version read the sheet so; the sheet says first with Otto Brand, later with Carl Ems, so delete the row in "
        "teaching.csv if it is wrong"
    )
    given.write("teaching", len(given.table("teaching")) - 1, note="my own")
    assert not given.plan(prose).draft.kept
