"""How long views take on 10,000 sides, 4 million slides, 2,000 players and 6,000 links of teaching.

Run with: python -m tests.benchmarks.queries [FOLDER]
Prints seconds of wall time and of processor time for building the database, for summarising, and for each view.
"""

import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from pipeline.answers.open_corpus import OpenCorpus
from pipeline.steps.summarise.results import result_tables
from pipeline.store import schema
from pipeline.store.database import views

SIDES, SLIDES_PER_SIDE, TRANSITIONS_PER_SIDE, PLAYERS, LINKS = 10_000, 400, 600, 2_000, 6_000

# Made rows, drawn by hashing their numbers, so that they are the same each time.
ROWS = {
    "player": f"""select 'p' || i as player_id, 'Player ' || i as name, (1820 + i // 20)::varchar as born,
        make_date(1820 + (i // 20)::int, 1, 1) as born_earliest, make_date(1820 + (i // 20)::int, 12, 31) as born_latest
        from range({PLAYERS}) as t(i)""",
    # Each student has four or five teachers, ten to thirty-five years older: some eight generations.
    "teaching": f"""select distinct 'p' || s - 200 - hash(s, k) % 500 as teacher_id, 'p' || s as student_id,
        ['certain', 'probable', 'possible'][1 + (hash(s, k, 7) % 3)::int] as certainty
        from range(700, {PLAYERS}) as a(s), range(5) as b(k) order by hash(s, k) limit {LINKS}""",
    "school": "select 's' || i as school_id, 'main' as scheme, 'School ' || i as name from range(12) as t(i)",
    "school_membership": f"""select 'p' || i as player_id, 's' || hash(i) % 12 as school_id, 'study' as basis
        from range({PLAYERS}) as t(i) where i % 10 <> 0""",
    "period": """select 'd' || i as period_id, 'decades' as scheme, 'Decade ' || i as name,
        (1900 + 10 * i) || '/' || (1909 + 10 * i) as span, make_date(1900 + 10 * i::int, 1, 1) as span_earliest,
        make_date(1909 + 10 * i::int, 12, 31) as span_latest from range(6) as t(i)""",
    "work": "select 'w' || i as work_id, 'Work ' || i as title, 'D major' as key from range(900) as t(i)",
    "session": f"select 'z' || i as session_id from range({SIDES} // 3) as t(i)",
    "take": f"""select 't' || i as take_id, 'w' || hash(i, 1) % 900 as work_id, 'z' || i // 3 as session_id,
        (1900 + y)::varchar as recorded, make_date(1900 + y, 1, 1) as recorded_earliest,
        make_date(1900 + y + (i % 20 = 0)::int, 12, 31) as recorded_latest,
        if(y < 25, 'acoustic', 'electrical') as process, if(i % 3 = 0, 'none', 'piano') as accompaniment
        from (select i, (hash(i, 2) % 50)::int as y from range({SIDES}) as t(i))""",
    "side": f"select 't' || i as side_id from range({SIDES}) as t(i)",
    "side_take": f"select 't' || i as side_id, 't' || i as take_id from range({SIDES}) as t(i)",
    "transfer": f"""select 't' || i as transfer_id, 't' || i as side_id, 't' || i || '.flac' as file
        from range({SIDES}) as t(i)""",
    "performance": f"""select 't' || i as take_id, 'p' || hash(i // 3) % {PLAYERS} as player_id,
        'violin' as instrument, 'certain' as certainty from range({SIDES}) as t(i)""",
    "speed": f"select 't' || i as transfer_id, 'estimated' as state, 1.0 as speed_ratio from range({SIDES}) as t(i)",
    "solo_span": f"""select 't' || i as transfer_id, 't' || i as take_id, 'p' || hash(i // 3) % {PLAYERS} as player_id,
        0.0 as transfer_start_s, 200.0 as transfer_end_s, 0.0 as start_s, 200.0 as end_s, 'solo' as content,
        'default' as source, true as counted from range({SIDES}) as t(i)""",
    "note": f"""select 't' || i || '-n' || k as note_id, 't' || i as transfer_id, 't' || i as take_id,
        k * 200.0 / {TRANSITIONS_PER_SIDE + 1} as transfer_start_s
        from range({SIDES}) as t(i), range({TRANSITIONS_PER_SIDE + 1}) as n(k)""",
    "transition": f"""select 't' || i || '-t' || k as transition_id, 't' || i as transfer_id, 't' || i as take_id,
        't' || i || '-n' || k as from_note_id, 't' || i || '-n' || k + 1 as to_note_id,
        100.0 * (1 + hash(i, k) % 12) * (1 - 2 * (hash(k, i) % 2)::int) as interval_cents, 0.0 as gap_ms,
        (hash(i, k, 3) % 100) / 100.0 as slurred_probability, true as exposure
        from range({SIDES}) as t(i), range({TRANSITIONS_PER_SIDE}) as n(k)""",
    "slide": f"""select 't' || i || '-s' || k as slide_id, 't' || i as transfer_id, 't' || i as take_id,
        't' || i || '-n' || k as from_note_id, 't' || i || '-n' || k + 1 as to_note_id,
        k * 200.0 / {SLIDES_PER_SIDE + 1} as transfer_audible_start_s,
        k * 200.0 / {SLIDES_PER_SIDE + 1} + 0.15 as transfer_audible_end_s,
        100.0 * (1 + hash(i, k) % 12) * (1 - 2 * (hash(k, i) % 2)::int) as interval_cents,
        50.0 + hash(i, k, 4) % 300 as duration_ms, 1.0 * (hash(i, k, 5) % 4000) as gradient_cents_per_s,
        ['same_finger', 'departing_finger', 'arriving_finger', 'into_note'][1 + (hash(i, k, 6) % 4)::int] as kind,
        0.9 as confidence from range({SIDES}) as t(i), range({SLIDES_PER_SIDE}) as n(k)""",
}  # fmt: skip


@contextmanager
def timed(what: str) -> Iterator[None]:
    """Print how long a block takes."""
    wall, cpu = time.perf_counter(), time.process_time()
    yield
    print(f"{what:44} {time.perf_counter() - wall:7.2f} s   processor {time.process_time() - cpu:7.2f} s", flush=True)


def write_tables(folder: Path) -> dict[str, list[Path]]:
    """Parquet files of every table, as a run leaves them."""
    paths: dict[str, list[Path]] = {}
    with duckdb.connect() as con:
        for name, rows in ROWS.items():
            relation = schema.load(name)
            empty = relation.empty()
            con.register("empty", empty)
            path = folder / f"{name}.parquet"
            con.execute(f"create table made as select * from empty; insert into made by name {rows}").fetchall()
            con.execute(f"copy made to '{path}' (format parquet)").fetchall()
            con.execute("drop table made").fetchall()
            con.unregister("empty")
            paths[name] = [path]
    return paths


def main(folder: Path) -> None:
    """Make, build, summarise, ask."""
    derived = folder / "derived"
    derived.mkdir(parents=True, exist_ok=True)
    with timed("making rows"):
        paths = write_tables(folder)
    (derived / "corpus.duckdb").unlink(missing_ok=True)
    con = duckdb.connect(config={"threads": 2})
    con.execute(f"attach '{derived / 'corpus.duckdb'}' as corpus (storage_version 'v1.5.0')").fetchall()
    con.execute("use corpus").fetchall()
    with timed("building the database"):
        views.create_layers(con, paths, layers=("base", "stage", "fact", "tally"), stored=views.STORED)
        con.execute("checkpoint corpus").fetchall()
    with timed("summarising (2,000 resamples)"):
        results = result_tables(con, seed=1902, replicates=2000)
    views.create_layers(con, results, layers=("result", "summary", "check"))
    con.execute("checkpoint corpus").fetchall()
    con.close()
    print(f"{(derived / 'corpus.duckdb').stat().st_size / 1e6:.0f} MB")
    with OpenCorpus(folder) as corpus:
        for path in views.query_files("summary"):
            with timed(f"summary.{path.stem}"):
                height = corpus.view(f"summary.{path.stem}").height
            print(f"    {height} rows")
        with timed("slides_by_school of two periods, recounted"):
            corpus.view("slides_by_school", period=["d0", "d1"])
        with timed("slides_by_player of one school, recounted"):
            corpus.view("slides_by_player", school="s3")
        with timed("paths up from one player"):
            print(len(corpus.nearest_common_teachers("p1990", "p1850")), "nearest paths")
        with timed("stage.ancestor, from the links"):
            text = views.query(("stage", "ancestor"))
            print(corpus.sql(f"select count(*) from ({text})").rows()[0][0], "ancestors")


def deep() -> None:
    """Lineages where every player stands some thirty generations below the first teachers, by very many paths."""
    generations, each = 30, 67
    rows = {
        "player": f"select 'p' || i as player_id, 'Player ' || i as name from range({generations * each}) as t(i)",
        "teaching": f"""select distinct 'p' || (g - 1) * {each} + hash(s, g, k) % {each} as teacher_id,
            'p' || g * {each} + s as student_id, ['certain', 'probable'][1 + (hash(s, k, 7) % 2)::int] as certainty
            from range(1, {generations}) as a(g), range({each}) as b(s), range(3) as c(k)""",
    }
    with duckdb.connect(config={"threads": 2}) as con:
        con.execute("set enable_progress_bar = false").fetchall()
        made = {name: con.sql(text).pl() for name, text in rows.items()}
        views.create_layers(con, {}, layers=("base",))
        for name, frame in made.items():
            con.register("made", frame)
            con.execute(f"insert into base.{name} by name select * from made").fetchall()
        with timed("stage, deep lineage"):
            views.create_layers(con, {}, layers=("stage", "fact", "tally"), stored=views.STORED)
        views.create_layers(con, {}, layers=("result", "summary"))
        print(con.sql("select count(*), max(generations), max(paths) from stage.ancestor").fetchall())
        for name in ("lineage_by_player", "lineage_by_generation"):
            with timed(f"summary.{name}, deep lineage"):
                height = con.sql(f"select * from summary.{name}").to_arrow_table().num_rows
            print(f"    {height} rows")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made:
            main(Path(made))
    deep()
