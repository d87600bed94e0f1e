"""A few made rows as a database with all layers, for tests of views."""

from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.steps.summarise.results import result_tables
from pipeline.store import schema
from pipeline.store.database import views
from pipeline.store.schema.dates import parse_date

FILLERS: dict[str, Any] = {
    "string": "x",
    "int64": 1,
    "double": 0.0,
    "float": 0.0,
    "boolean": True,
    "date": "2026-01-01",
    "list<string>": [],
    "list<double>": [],
    "list<int64>": [],
}


def frame(table: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows of a base table: required columns not given are filled in, dates get their bounds."""
    relation = schema.load(table)
    made: list[dict[str, Any]] = []
    for row in rows:
        unknown = set(row) - {column.name for column in relation.columns}
        assert not unknown, f"{table} has no columns {unknown}"
        full: dict[str, Any] = {}
        for column in relation.written_columns:
            value = row.get(column.name, FILLERS[column.type] if column.required else None)
            if column.name not in row and column.required and column.values:
                value = column.values[0]
            full[column.name] = date.fromisoformat(value) if column.type == "date" and value else value
            if column.edtf:
                read = parse_date(value) if value is not None else None
                for other in relation.columns:
                    if other.computed_from == column.name:
                        attribute = other.name.removeprefix(column.name + "_")
                        full[other.name] = getattr(read, attribute) if read else None
        made.append(full)
    if not made:
        return relation.empty()
    return pl.DataFrame(made, schema=relation.polars_schema(), orient="row", strict=False)


def facts(**tables: list[dict[str, Any]]) -> duckdb.DuckDBPyConnection:
    """A connection with the layers up to ``fact`` over made rows."""
    con = duckdb.connect()
    con.execute("set threads = 1").fetchall()
    sources = {name: frame(name, given) for name, given in tables.items()}
    views.create_layers(con, sources, layers=("base", "stage", "fact"), stored=views.STORED)
    return con


def tallies(**tables: list[dict[str, Any]]) -> duckdb.DuckDBPyConnection:
    """A connection with the layers up to ``tally`` over made rows."""
    con = facts(**tables)
    views.create_views(con, layers=("tally",), stored=views.STORED)
    return con


def database(
    *groupings: str, results: tuple[str, ...] = (), replicates: int = 200, **tables: list[dict[str, Any]]
) -> duckdb.DuckDBPyConnection:
    """A connection with all layers over made rows; estimates only for the groupings named, as summarise makes them."""
    con = tallies(**tables)
    made = result_tables(
        con, seed=1, replicates=replicates, groupings=groupings, tables=("estimate", "quartile", *results)
    )
    views.create_layers(con, made, layers=("result", "summary", "export", "check"))
    return con


def rows(con: duckdb.DuckDBPyConnection, view: str, *columns: str, order: str = "") -> list[tuple[Any, ...]]:
    """Rows of a view, sorted by all columns unless ``order`` is given."""
    layer, name = view.split(".")
    return con.execute(f'select {", ".join(columns)} from "{layer}"."{name}" order by {order or "all"}').fetchall()


def corpus_folder(folder: Path, **tables: list[dict[str, Any]]) -> Path:
    """A corpus folder that holds only a database of made rows."""
    (folder / "derived").mkdir(parents=True)
    (folder / "catalogue").mkdir()
    sources = {name: frame(name, given) for name, given in tables.items()}
    with duckdb.connect() as con:
        con.execute(f"attach '{folder / 'derived' / 'corpus.duckdb'}' as corpus").fetchall()
        con.execute("use corpus").fetchall()
        con.execute("begin").fetchall()
        views.create_layers(con, sources, layers=("base", "stage", "fact", "tally"), stored=views.STORED)
        results = result_tables(con, seed=1902, replicates=2000)
        views.create_layers(con, results, layers=("result", "summary", "export", "check"))
        con.execute("commit").fetchall()
    return folder


def solo(transfer: str, take: str | None, player: str | None, *, to: float, start: float = 0.0, **other: Any):
    """A counted solo span at true speed."""
    return {
        "transfer_id": transfer, "take_id": take, "player_id": player, "content": "solo", "source": "default",
        "transfer_start_s": start, "transfer_end_s": to, "start_s": start, "end_s": to, "counted": True, **other,
    }  # fmt: skip


def slide(transfer: str, take: str, at: float, *, cents: float = 300.0, ms: float = 200.0, **other: Any):
    """A slide that begins to be heard ``at`` seconds, between the notes named by its time."""
    return {
        "slide_id": f"{transfer}-s{round(1000 * at)}", "transfer_id": transfer, "take_id": take,
        "transfer_audible_start_s": at, "transfer_audible_end_s": at + 0.2, "interval_cents": cents,
        "duration_ms": ms, "gradient_cents_per_s": 1000 * cents / ms, "kind": "same_finger", "confidence": 0.9,
        "p_same_finger": 1.0, "from_note_id": f"{transfer}-n{round(1000 * at)}",
        "to_note_id": f"{transfer}-n{round(1000 * at) + 200}", **other,
    }  # fmt: skip


def chances(transfer: str, take: str, times: list[float], *, cents: float = 300.0, slurred: float = 0.9):
    """Notes and the transitions between them, one at each time, named as those of ``slide``."""
    notes, transitions = [], []
    for at in times:
        ids = [f"{transfer}-n{round(1000 * at)}", f"{transfer}-n{round(1000 * at) + 200}"]
        notes += [
            {"note_id": name, "transfer_id": transfer, "take_id": take, "transfer_start_s": start}
            for name, start in zip(ids, (at, at + 0.2), strict=True)
        ]
        transitions.append(
            {
                "transition_id": f"{transfer}-t{round(1000 * at) + 200}", "transfer_id": transfer, "take_id": take,
                "from_note_id": ids[0], "to_note_id": ids[1], "interval_cents": cents, "gap_ms": 0.0,
                "slurred_probability": slurred, "exposure": True,
            }
        )  # fmt: skip
    return {"note": notes, "transition": transitions}


def side(name: str, take: str | None, *, part: int | None = None, **transfer: Any) -> dict[str, list[Any]]:
    """A side with one transfer of the same name."""
    carried = [{"side_id": name, "take_id": take, "part": part}] if take else []
    return {
        "side": [{"side_id": name}],
        "side_take": carried,
        "transfer": [{"transfer_id": name, "side_id": name, "file": f"{name}.wav", **transfer}],
    }


def joined(*parts: dict[str, list[Any]]) -> dict[str, list[Any]]:
    """Several sets of rows as one."""
    tables: dict[str, list[Any]] = {}
    for part in parts:
        for name, given in part.items():
            tables.setdefault(name, []).extend(given)
    return tables


def small() -> dict[str, list[Any]]:
    """Three takes: Ann with two slides in two minutes, Bo with none in one minute, one that cannot be judged.

    Ann (north) taught Bo (half south). Ann's take may lie in 1909 or 1910; the third has no date.
    """
    return joined(
        side("x1", "t1"),
        side("x2", "t2"),
        side("x3", "t3"),
        chances("x1", "t1", [1.0, 2.0, 3.0, 4.0]),
        chances("x2", "t2", [1.0, 2.0], slurred=0.2),
        {
            "player": [
                {"player_id": "ann", "name": "Ann", "born": "1880"},
                {"player_id": "bo", "name": "Bo", "born": "1899/1900"},
            ],
            "teaching": [{"teacher_id": "ann", "student_id": "bo", "certainty": "probable", "span": "1915"}],
            "school": [
                {"school_id": "north", "scheme": "towns", "name": "North"},
                {"school_id": "south", "scheme": "towns", "name": "South"},
            ],
            "school_membership": [
                {"player_id": "ann", "school_id": "north"},
                {"player_id": "bo", "school_id": "south", "share": 0.5},
            ],
            "period": [
                {"period_id": "early", "scheme": "halves", "name": "Early", "span": "1900/1909"},
                {"period_id": "late", "scheme": "halves", "name": "Late", "span": "1910/1919"},
            ],
            "work": [{"work_id": "air", "title": "Air", "key": "D major"}],
            "take": [
                {"take_id": "t1", "recorded": "1909/1910", "process": "acoustic", "work_id": "air"},
                {"take_id": "t2", "recorded": "1912", "process": "acoustic", "work_id": "air"},
                {"take_id": "t3", "accompaniment": "voice"},
            ],
            "performance": [
                {"take_id": "t1", "player_id": "ann", "instrument": "violin", "certainty": "certain"},
                {"take_id": "t2", "player_id": "bo", "instrument": "violin", "certainty": "probable"},
                {"take_id": "t3", "player_id": "bo", "instrument": "violin", "certainty": "certain"},
            ],
            "solo_span": [
                solo("x1", "t1", "ann", to=120.0),
                solo("x2", "t2", "bo", to=60.0),
                solo("x3", "t3", "bo", to=60.0, counted=False, reason="a voice plays too"),
            ],
            "slide": [slide("x1", "t1", 1.0), slide("x1", "t1", 2.0, cents=-500.0, ms=100.0)],
        },
    )


def many_players(*, players=12, schools=("north", "south")):
    """Players of two schools, three takes each in sessions of their own; the second school slides half as often."""
    parts = []
    for n in range(players):
        school = schools[n % 2]
        parts.append(
            {
                "player": [{"player_id": f"p{n}", "name": f"P{n}", "born": str(1860 + 3 * n)}],
                "school_membership": [{"player_id": f"p{n}", "school_id": school}],
            }
        )
        for k in range(3):
            take = f"t{n}-{k}"
            count = (8 + n % 3 + k) // (1 if school == "north" else 2)
            parts += [
                side(take, take),
                chances(take, take, [float(i) for i in range(20)]),
                {
                    "take": [{"take_id": take, "recorded": str(1900 + n + 5 * k), "process": "acoustic"}],
                    "performance": [{"take_id": take, "player_id": f"p{n}", "certainty": "certain"}],
                    "solo_span": [solo(take, take, f"p{n}", to=120.0)],
                    "slide": [slide(take, take, float(i)) for i in range(count)],
                },
            ]
    return joined(
        {
            "school": [{"school_id": s, "scheme": "towns", "name": s} for s in schools],
            "period": small()["period"],
        },
        *parts,
    )


SHA, OTHER_SHA = "a" * 64, "b" * 64


def verdict(at, heard, listener, *, end=None, day="2026-01-01", kind=None, sha=SHA):
    return {
        "transfer_id": "x1", "transfer_start_s": at, "transfer_end_s": end or at + 0.2, "verdict": heard,
        "listener": listener, "judged_on": day, "kind": kind, "samples_sha256": sha,
    }  # fmt: skip
