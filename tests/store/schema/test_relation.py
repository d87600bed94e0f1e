"""Every declared constraint rejects a bad value, and nothing that is not declared can be written."""

import re
from datetime import date
from math import ceil, floor
from typing import Any

import polars as pl
import pyarrow as pa
import pytest

from pipeline.errors import DataError
from pipeline.store.database.views import query
from pipeline.store.schema import PATTERNS, Column, Relation, column_violations, load, relations
from pipeline.store.schema.arrow_tables import arrow_of, without_nan

CONTRACT = {  # design, section 10
    "transfer": "transfer_id side_id file file_start_s file_end_s channel_rule groove turntable_rpm "
    "already_corrected generation stands_for_take",
    "side": "side_id label issue_number face",
    "take": "take_id work_id session_id matrix_number take_number recorded process accompaniment",
    "side_take": "side_id take_id part",
    "performance": "take_id player_id instrument role certainty",
    "work": "work_id title key",
    "player": "player_id name born died",
    "teaching": "teacher_id student_id span place kind certainty source_id",
    "reference_pitch": "take_id reference_pitch_hz source_id",
    "speed_decision": "transfer_id playing_rpm correction_cents reference_pitch_hz key reason decided_by "
    "decided_on samples_sha256",
    "review": "transfer_id samples_sha256 transfer_start_s transfer_end_s verdict kind listener judged_on "
    "sample_id comment",
}


def good_value(column: Column) -> Any:
    """A value that meets the column's type and simple constraints."""
    if column.values:
        return column.values[0]
    low = column.range[0] if column.range else 1
    plain: dict[str, Any] = {
        "string": "1",
        "int64": int(low),
        "double": float(low),
        "float": float(low),
        "boolean": True,
        "date": date(1903, 1, 1),
    }
    value = plain[column.type.removeprefix("list<").removesuffix(">")]
    return [value] if column.type.startswith("list") else value


def bad_values(column: Column) -> list[tuple[str, Any]]:
    """For each constraint that the column declares, a value that breaks it."""
    wrap = (lambda value: [value]) if column.type.startswith("list") else (lambda value: value)
    bad: list[tuple[str, Any]] = []
    if column.required:
        bad.append(("required", None))
    if column.values:
        bad.append(("values", "no such word" if column.type == "string" else -99))
    if column.range:
        step = max(1, *map(abs, column.range))
        low, high = column.range[0] - step, column.range[1] + step
        whole = "int64" in column.type
        bad.append(("range, below", wrap(floor(low) if whole else low)))
        bad.append(("range, above", wrap(ceil(high) if whole else high)))
    if column.pattern:
        bad.append(("pattern", "\u2603 no"))
    return bad


@pytest.mark.parametrize("relation", relations(), ids=lambda r: f"{r.layer}.{r.name}")
def test_each_constraint_rejects_a_bad_value(relation: Relation) -> None:
    for column, kind in zip(relation.columns, relation.polars_schema().values(), strict=True):
        for constraint, value in bad_values(column):
            series = pl.Series(column.name, [value], dtype=kind)
            assert column_violations(column, series), f"{column.name}: {constraint} accepts {value!r}"
        if not column.pattern:
            good = pl.Series(column.name, [good_value(column)], dtype=kind)
            assert not column_violations(column, good), f"{column.name} refuses {good_value(column)!r}"


@pytest.mark.parametrize("relation", relations(), ids=lambda r: f"{r.layer}.{r.name}")
def test_each_relation_is_whole(relation: Relation) -> None:
    assert relation.description.strip()
    assert relation.grain.startswith("one row")
    names = [column.name for column in relation.columns]
    assert len(names) == len(set(names))
    assert set(relation.key) <= set(names)
    assert relation.empty().schema == relation.polars_schema()
    for column in relation.columns:
        assert column.description.strip()
        assert column.description.endswith((".", ")")), f"{relation.name}.{column.name} is not described in a sentence"
        if column.references:
            table, _, key = column.references.partition(".")
            assert load(table).column(key)
        if column.type in ("double", "float") and column.name.endswith(("_s", "_hz", "_cents", "_rpm", "_ms", "_db")):
            assert column.unit, f"{relation.name}.{column.name} has no unit"


def test_columns_said_once_are_part_of_every_relation_that_takes_them_over() -> None:
    by_school, shared = load("slides_by_school", "summary"), load("rate", "summary")
    names = [column.name for column in by_school.columns]
    assert names[:4] == ["scheme", "school_id", "school", "takes"]
    assert not {"grouping", "group_key"} & set(names)
    assert by_school.column("slides_per_minute") == shared.column("slides_per_minute")
    assert by_school.groupings == ("school",)


def test_in_views_the_key_must_be_filled_and_the_rest_may_be_empty() -> None:
    tally = load("take_tally", "fact")
    required = {column.name for column in tally.columns if column.required}
    # The key but for the player, who may not be named, and what is never empty by the view's own SQL.
    never_empty = {"session_basis", "session_key", "player_key", "process", "accompaniment", "state", "weight"}
    assert required == {"take_id"} | never_empty
    assert load("take").column("take_id").required
    assert tally.kept == "computed"


def test_groupings_named_by_a_view_are_listed() -> None:
    text = query(("tally", "grouping"))
    for relation in relations():
        assert all(name == "*" or f"('{name}', " in text for name in relation.groupings), relation.name


def test_names_fixed_by_contract_are_there() -> None:
    for table, names in CONTRACT.items():
        assert {column.name for column in load(table).columns} >= set(names.split()), table


def test_undeclared_column_missing_column_and_bad_type_are_refused_together() -> None:
    frame = pl.DataFrame({"take_id": ["a"], "player_id": ["b"], "colour": ["red"]})
    with pytest.raises(DataError, match=r"colour: is not a declared column[\s\S]*certainty: this column is missing"):
        load("performance").checked(frame)
    frame = pl.DataFrame({"player_id": ["a"], "school_id": ["b"], "basis": ["study"], "share": ["half"]})
    with pytest.raises(DataError, match="row 1: share = 'half': is not of type double"):
        load("school_membership").checked(frame)


def test_fractions_are_not_cut_to_whole_numbers() -> None:
    frame = pl.DataFrame({"side_id": ["a"], "take_id": ["b"], "part": [1.5]})
    with pytest.raises(DataError, match=r"part = 1\.5: is not of type int64"):
        load("side_take").checked(frame)


def test_repeated_key_is_refused() -> None:
    frame = pl.DataFrame({"side_id": ["a", "a"], "take_id": ["b", "b"]})
    with pytest.raises(DataError, match="side_id, take_id = a, b: this key stands in more than one row"):
        load("side_take").checked(frame)


def test_nan_becomes_null_and_columns_come_in_order() -> None:
    frame = pl.DataFrame({"basis": ["x"], "share": [float("nan")], "school_id": ["s"], "player_id": ["p"]})
    checked = load("school_membership").checked(frame)
    assert checked.columns == [column.name for column in load("school_membership").columns]
    assert checked["share"].to_list() == [None]


def test_arrow_and_polars_schemas_agree() -> None:
    for relation in relations("base"):
        arrow = relation.empty().to_arrow(compat_level=pl.CompatLevel.oldest()).cast(relation.arrow_schema())
        assert isinstance(arrow, pa.Table)
        assert arrow.schema.names == list(relation.polars_schema())


def rows(relation: Relation, count: int) -> pl.DataFrame:
    """Good rows with ascending keys."""
    columns = {c.name: [_well_written(c, 1)] * count for c in relation.columns}
    free = next(c for c in map(relation.column, relation.key) if not c.values)
    columns[free.name] = [_well_written(free, number) for number in range(1, count + 1)]
    return pl.DataFrame(columns, schema=relation.polars_schema())


def _well_written(column: Column, number: int) -> Any:
    """A value that meets its pattern as well, another for each number."""
    if column.values or column.type != "string":
        return good_value(column) if column.values or number == 1 else number
    if column.pattern == PATTERNS["sha256"][0]:
        return f"{number:064d}"
    return re.sub("[0-9]+$", str(number), column.example or "t1")


COMPUTED = [r for r in relations("base") if r.kept == "computed"]


@pytest.mark.parametrize("relation", COMPUTED, ids=lambda r: r.name)
def test_arrow_gives_what_checked_gives_in_order_of_key(relation: Relation) -> None:
    frame = rows(relation, 5)
    gone = [c.name for c in relation.columns if c.type == "double" and not c.required]
    third = pl.int_range(frame.height) == 2
    frame = frame.with_columns(pl.when(third).then(float("nan")).otherwise(name).alias(name) for name in gone)
    written = relation.arrow(frame.reverse())
    assert written.schema == relation.arrow_schema()
    assert pl.DataFrame(pl.from_arrow(written)).equals(relation.checked(frame))
    for name in gone:
        assert written[name].null_count == 1


@pytest.mark.parametrize("relation", COMPUTED, ids=lambda r: r.name)
def test_arrow_refuses_what_checked_refuses(relation: Relation) -> None:
    frame = rows(relation, 3)
    for column in relation.columns:
        for constraint, value in bad_values(column):
            kept = frame[column.name].to_list()
            bad = frame.with_columns(pl.Series(column.name, [kept[0], value, kept[2]], dtype=frame.schema[column.name]))
            with pytest.raises(DataError) as told:
                relation.checked(bad)
            with pytest.raises(DataError) as same:
                relation.arrow(bad)
            assert str(same.value) == str(told.value), constraint
    with pytest.raises(DataError, match="this key stands in more than one row"):
        relation.arrow(pl.concat([frame, frame.head(1)]))
    with pytest.raises(DataError, match="colour: is not a declared column"):
        relation.arrow(frame.with_columns(colour=pl.lit("red")))


def test_nan_in_lists_becomes_null_as_well() -> None:
    lists = [[1.0, float("nan")], None, [], [float("nan")], [2.0]]
    table = arrow_of(pl.DataFrame({"x": lists})).cast(pa.schema([("x", pa.list_(pa.float64()))]))
    assert without_nan(table)["x"].to_pylist() == [[1.0, None], None, [], [None], [2.0]]


def test_unknown_table_is_named() -> None:
    with pytest.raises(DataError, match=r"no table base.slid; `glideline dictionary`"):
        load("slid")
