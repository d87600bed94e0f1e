"""A database is begun before there are rows: it ends as if all had been there, or not at all."""

from pathlib import Path

import duckdb
import pytest

from pipeline.store.corpus import Corpus
from pipeline.store.database import views
from pipeline.store.database.build import build_beside, database_path, is_current
from pipeline.store.database.compaction import compact
from tests.helpers.made_rows import frame, solo

LAYERS = ("base", "stage", "fact", "tally")


def test_rows_put_in_later_stand_as_those_put_in_at_once(tmp_path: Path) -> None:
    spans = tmp_path / "solo_span.parquet"
    frame("solo_span", [solo("x1", "k1", "p1", to=60.0)]).write_parquet(spans)
    sources: dict[str, views.Source] = {
        "player": frame("player", [{"player_id": "p1"}, {"player_id": "p2"}]),
        "take": frame("take", [{"take_id": "k1"}]),
        "solo_span": [spans],
    }
    once, later = (duckdb.connect(config={"threads": 1}) for _ in range(2))
    views.create_layers(once, sources, layers=LAYERS, stored=views.STORED)
    views.create_layers(later, {}, layers=LAYERS, stored=views.STORED, filled=False)
    views.fill_layers(later, sources, layers=LAYERS, stored=views.STORED)
    names = once.execute("select schema_name, table_name from duckdb_tables() order by all").fetchall()
    rows = [
        [con.execute(f"from {layer}.{name} order by all").fetchall() for layer, name in names] for con in (once, later)
    ]
    assert rows[0] == rows[1]
    filled = {name for name, found in zip(names, rows[0], strict=True) if found}
    # From a frame, from a file, and listed by a view.
    assert {("base", "player"), ("base", "solo_span"), ("stage", "certainty")} <= filled


def test_a_database_begun_beside_other_work_is_whole_or_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "catalogue").mkdir()
    corpus = Corpus(tmp_path)
    generation = compact(corpus)
    with pytest.raises(KeyboardInterrupt), build_beside(corpus):
        raise KeyboardInterrupt
    assert not list(corpus.derived.glob("*corpus.duckdb*"))
    with build_beside(corpus) as build:
        build(generation)
    assert is_current(corpus, generation)
    assert {path.name for path in corpus.derived.glob("*corpus.duckdb*")} == {database_path(corpus).name}
