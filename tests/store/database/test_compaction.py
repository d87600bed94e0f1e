"""Compaction: the reading files hold what the steps of this version have made."""

import polars as pl

from pipeline.store.corpus import Corpus
from pipeline.store.database.compaction import compact
from pipeline.store.schema import load

FILLERS = {pl.String: "x", pl.Float64: 0.0, pl.Float32: 0.0, pl.Int64: 1, pl.Boolean: True}


def test_a_table_of_another_version_waits_for_its_step_and_stops_nothing(tmp_path):
    (tmp_path / "catalogue").mkdir()
    corpus = Corpus(tmp_path)
    slide = load("slide").empty()
    for transfer_id, frame in (
        ("x1", pl.DataFrame({"slide_id": ["x1-s1"], "transfer_id": ["x1"], "of_old": [1.0]})),
        ("x2", slide),
    ):
        path = corpus.path("slide", transfer_id)
        path.parent.mkdir(parents=True, exist_ok=True)
        frame.write_parquet(path)
    made = compact(corpus)
    (reading,) = made.paths("slide")
    assert pl.read_parquet(reading).equals(slide)
    # Made anew, it is there.
    of_now = pl.DataFrame(
        [{name: FILLERS.get(kind.base_type(), []) for name, kind in slide.schema.items()}], schema=slide.schema
    )
    of_now.with_columns(slide_id=pl.lit("x1-s1"), transfer_id=pl.lit("x1")).write_parquet(corpus.path("slide", "x1"))
    (reading,) = compact(corpus).paths("slide")
    assert pl.read_parquet(reading)["slide_id"].to_list() == ["x1-s1"]
