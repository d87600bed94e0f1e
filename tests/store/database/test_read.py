"""Rows of a view come in an order that people expect."""

from pipeline.store.database.read import rows_of
from pipeline.store.schema import load
from tests.helpers.made_rows import facts, slide


def test_numbers_in_ids_are_sorted_by_size() -> None:
    con = facts(slide=[slide(name, "t", at) for name in ("x10", "x9") for at in (12.0, 3.0, 101.5)])
    assert rows_of(con, load("slide"))["slide_id"].to_list() == [
        *("x9-s3000", "x9-s12000", "x9-s101500"),
        *("x10-s3000", "x10-s12000", "x10-s101500"),
    ]
    assert rows_of(con, load("slide"), most=2)["slide_id"].to_list() == ["x9-s3000", "x9-s12000"]
