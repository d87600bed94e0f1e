"""Stata and SPSS files hold what was written: nulls, dates, long and odd text, names that differ by case only.

Limits: Stata, comparison of limits (names 32, labels 80 characters); IBM, SPSS command syntax reference (names 64
bytes, not told apart by case; text 32,767 bytes). Read back by pyreadstat (ReadStat), an independent reader.
"""

from datetime import date

import polars as pl
import pyreadstat
import pytest

from pipeline.store.formats.stata_spss import RESERVED, coded, short_names, write_spss, write_stata
from pipeline.store.schema import Column, Relation

COLUMNS = (
    Column("Q1", "string", "A question."),
    Column("q1", "double", "Another. With more words.", unit="cent", required=False),
    Column("long", "string", "Words " * 40, required=False),
    Column("kind", "string", "Kind.", values=("plain", "größer", 'say "so"'), required=False),
    Column("day", "date", "Day.", required=False),
    Column("yes", "boolean", "Whether.", required=False),
    Column("number", "int64", "Count.", required=False),
    Column("slides_per_100_slurred_transitions_low", "double", "Limit.", required=False),
    Column("flags", "list<string>", "Flags.", required=False),
)
RELATION = Relation("t", "fact", "d", "g", (), "computed", COLUMNS, _by_name={c.name: c for c in COLUMNS})
ROWS = {
    "Q1": ["=1+1", 'quote " and\nline break'],
    "q1": [1.25, None],
    "long": ["ä" * 3000, None],
    "kind": ["größer", None],
    "day": [date(1903, 2, 28), None],
    "yes": [True, None],
    "number": [7, None],
    "slides_per_100_slurred_transitions_low": [0.5, None],
    "flags": [["short", "small"], []],
}


@pytest.fixture(scope="module")
def table():
    return coded(RELATION.cast(pl.DataFrame(ROWS, strict=False))[0], RELATION)


@pytest.mark.parametrize(
    ("write", "read", "ending"),
    [(write_stata, pyreadstat.read_dta, "dta"), (write_spss, pyreadstat.read_sav, "sav")],
)
def test_what_is_written_is_read_back(table, tmp_path, write, read, ending):
    write(table, tmp_path / f"t.{ending}")
    frame, about = read(tmp_path / f"t.{ending}", output_format="polars")
    first, second = frame.to_dicts()
    names = table.names
    assert first[names["Q1"]] == "=1+1"
    assert second[names["Q1"]] == 'quote " and\nline break'
    assert (first[names["q1"]], second[names["q1"]]) == (1.25, None)
    assert first[names["long"]] == "ä" * 3000
    assert second[names["long"]] in ("", None)
    assert about.variable_value_labels["kind"][first["kind"]] == "größer"
    assert second["kind"] is None
    assert (first["day"], second["day"]) == (date(1903, 2, 28), None)
    assert (first["yes"], second["yes"]) == (1, None)
    assert (first["number"], second["number"]) == (7, None)
    assert first["flags"] == "short; small"
    assert about.column_names_to_labels[names["q1"]] == "Another [cent]"


def test_names_fit_and_differ_by_more_than_case():
    names = short_names([*(c.name for c in COLUMNS), "in", "_n", "str5", "a b", "x" * 70, "x" * 71])
    made = list(names.values())
    assert len({name.lower() for name in made}) == len(made)
    assert all(len(name) <= 32 and name.lower() not in RESERVED for name in made)
    assert names["Q1"] == "Q1"
    assert names["q1"] != "q1"


def test_text_beyond_the_limit_of_spss_is_cut_and_named(tmp_path):
    long = coded(RELATION.cast(pl.DataFrame(ROWS | {"long": ["ö" * 20_000, None]}, strict=False))[0], RELATION)
    assert long.cut == ("long",)
    write_spss(long, tmp_path / "t.sav")
    frame, _ = pyreadstat.read_sav(tmp_path / "t.sav", output_format="polars")
    text = frame[long.names["long"]][0]
    assert text.endswith("…")
    assert 30_000 < len(text.encode()) <= 32_767
