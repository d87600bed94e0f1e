"""A view reads lower layers only, and what is declared is what there is."""

import re

import duckdb
import pytest

from pipeline.store import schema
from pipeline.store.database import views

ALL = [(layer, path.stem) for layer in views.VIEW_LAYERS for path in views.query_files(layer)]
TYPES = {
    "VARCHAR": "string", "BIGINT": "int64", "DOUBLE": "double", "BOOLEAN": "boolean", "DATE": "date",
    "VARCHAR[]": "list<string>", "FLOAT": "float", "DOUBLE[]": "list<double>", "BIGINT[]": "list<int64>",
}  # fmt: skip


@pytest.fixture(scope="module")
def con():
    made = duckdb.connect()
    views.create_layers(made, {})
    return made


def test_there_are_views_in_every_layer():
    assert {layer for layer, _ in ALL} == set(views.VIEW_LAYERS)
    assert len(ALL) > 35


def test_every_view_stands_on_the_layers_below_alone():
    made = duckdb.connect()
    below = duckdb.connect()
    for layer in schema.LAYERS:
        views.create_layers(made, {}, layers=(layer,))
        if layer in views.VIEW_LAYERS:
            # Each layer is made where its neighbours of the same layer do not exist yet.
            for path in views.query_files(layer):
                text = path.read_text(encoding="utf-8")
                relation = below.sql(text)
                assert relation.columns, path
        views.create_layers(below, {}, layers=(layer,), stored=views.STORED)


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
