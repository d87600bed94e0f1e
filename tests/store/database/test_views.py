"""A view reads lower layers only, and what is declared is what there is."""

import re

import duckdb
import pytest

from pipeline.store import schema
from pipeline.store.database import views

ALL = [(layer, path.stem) for layer in views.VIEW_LAYERS for path in views.query_files(layer)]
# Views that list words and read no table.
LISTS = {("stage", "certainty"), ("tally", "grouping")}
TYPES = {
    "VARCHAR": "string", "BIGINT": "int64", "DOUBLE": "double", "BOOLEAN": "boolean", "DATE": "date",
    "VARCHAR[]": "list<string>", "FLOAT": "float", "DOUBLE[]": "list<double>", "BIGINT[]": "list<int64>",
}  # fmt: skip


@pytest.fixture(scope="module")
def con():
    made = duckdb.connect()
    views.create_layers(made, {})
    views.describe(made)
    return made


def test_there_are_views_in_every_layer():
    assert {layer for layer, _ in ALL} == set(views.VIEW_LAYERS)
    assert len(ALL) > 35


def test_every_view_reads_its_own_layer_and_those_below():
    for layer, name in ALL:
        below = views.reads((layer, name))
        assert below or (layer, name) in LISTS, f"{layer}.{name} reads nothing"
        above = {read for read in below if schema.LAYERS.index(read[0]) > schema.LAYERS.index(layer)}
        assert not above, f"{layer}.{name} reads {above}"
        assert (layer, name) not in views.rests_on((layer, name)), f"{layer}.{name} rests on itself"


def test_what_a_view_reads_is_told_by_its_sql():
    # Worked out by hand from the file: CTEs are no tables, words of SQL come quoted, aliases do not count.
    assert views.reads(("stage", "take_dated")) == {("base", "take"), ("base", "session")}
    assert views.reads(("summary", "slides_by_work")) == {("summary", "slides_by_group"), ("base", "work")}
    assert {("tally", "take_in_group"), ("fact", "take_tally"), ("result", "estimate")} <= views.rests_on(
        ("summary", "slides_by_work")
    )


@pytest.mark.parametrize(("layer", "name"), ALL)
def test_declared_columns_are_the_actual_ones(con, layer, name):
    actual = [(row[0], row[1]) for row in con.execute(f'describe "{layer}"."{name}"').fetchall()]
    declared = [(column.name, column.type) for column in schema.load(name, layer).columns]
    assert [(column, TYPES.get(kind, kind)) for column, kind in actual] == declared


def test_every_declared_view_has_its_query_and_every_query_its_declaration():
    declared = {(r.layer, r.name) for r in schema.relations() if r.layer in views.VIEW_LAYERS}
    assert declared == set(ALL)


@pytest.mark.parametrize(("layer", "name"), ALL)
def test_queries_are_written_in_the_house_style(layer, name):
    text = next(p for p in views.query_files(layer) if p.stem == name).read_text(encoding="utf-8")
    bare = re.sub(r"--.*|'[^']*'", "", text)
    assert bare == bare.lower()
    assert "select *" not in bare
    assert text.endswith("\n")


def test_descriptions_are_comments_of_the_database(con):
    said = con.execute(
        "select comment from duckdb_columns() where schema_name = 'summary' and table_name = 'slides_by_player' "
        "and column_name = 'minutes'"
    ).fetchall()
    assert said == [("Solo time judged, corrected. [min]",)]
    undescribed = con.execute(
        "select schema_name, view_name from duckdb_views() where not internal and comment is null"
    ).fetchall()
    assert undescribed == []
