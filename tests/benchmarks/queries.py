"""How long the database, the summary and every view take on a large corpus, and the memory that the summary needs.

Run with: python -m tests.benchmarks.queries [SIDES [FOLDER]] [--slides 400] [--unsummarised] [--threads 1]
10,000 sides unless others are named: 400 slides and half as many transitions more each, a player for five of them
(4,000 at most), three teachers for each player, slides planted in a quarter and a listening check.
``--unsummarised`` puts a made-up rate where the summary would be, for corpora that take it hours. ``--threads`` are for
making rows and building, which a run does with one. Prints seconds of wall time and of processor time.
"""

import argparse
import resource
import tempfile
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import duckdb
import polars as pl

from pipeline.answers.open_corpus import OpenCorpus
from pipeline.environment import ONE_THREAD, environment
from pipeline.settings import SummariseSettings
from pipeline.steps.base import StepInput, Tables
from pipeline.steps.summarise.step import COMPUTED, STEP
from pipeline.store import schema
from pipeline.store.database import views
from pipeline.store.database.build import memory_limit

SIDES, SLIDES_PER_SIDE = 10_000, 400
MOST_PLAYERS = 4000
PLANTED, JUDGED = 20, 1200
SHA = "a" * 64


LARGE, PART = ("note", "transition", "slide"), 10_000
"""Tables whose rows are made side by side, by so many sides."""


def rows(sides: int, slides: int) -> Mapping[str, str]:
    """A query for the rows of each table, drawn by hashing their numbers, so that they are the same each time.

    Those of ``LARGE`` read a range of sides, ``{part}``.
    """
    players = _players(sides)
    return {
        "player": f"""select 'p' || i as player_id, 'Player ' || i as name, y::varchar as born,
            make_date(y, 1, 1) as born_earliest, make_date(y, 12, 31) as born_latest
            from (select i, 1820 + (i * 100 // {players})::int as y from range({players}) as t(i))""",
        # Each student has four or five teachers, ten to thirty-five years older: some eight generations.
        "teaching": f"""select distinct 'p' || s - {players} // 10 - hash(s, k) % ({players} // 4) as teacher_id,
            'p' || s as student_id, ['certain', 'probable', 'possible'][1 + (hash(s, k, 7) % 3)::int] as certainty
            from range({players} * 7 // 20, {players}) as a(s), range(5) as b(k)
            order by hash(s, k) limit 3 * {players}""",
        "school": "select 's' || i as school_id, 'main' as scheme, 'School ' || i as name from range(12) as t(i)",
        "school_membership": f"""select 'p' || i as player_id, 's' || hash(i) % 12 as school_id, 'study' as basis
            from range({players}) as t(i) where i % 10 <> 0""",
        "period": """select 'd' || i as period_id, 'decades' as scheme, 'Decade ' || i as name,
            (1900 + 10 * i) || '/' || (1909 + 10 * i) as span, make_date(1900 + 10 * i::int, 1, 1) as span_earliest,
            make_date(1909 + 10 * i::int, 12, 31) as span_latest from range(6) as t(i)""",
        "work": f"select 'w' || i as work_id, 'Work' as title, 'D major' as key from range({_works(sides)}) as t(i)",
        "session": f"select 'z' || i as session_id from range({sides} // 3 + 1) as t(i)",
        "take": f"""select 't' || i as take_id, 'w' || hash(i, 1) % {_works(sides)} as work_id,
            'z' || i // 3 as session_id, (1900 + y)::varchar as recorded,
            make_date(1900 + y, 1, 1) as recorded_earliest,
            make_date(1900 + y + (i % 20 = 0)::int, 12, 31) as recorded_latest,
            if(y < 25, 'acoustic', 'electrical') as process, if(i % 3 = 0, 'none', 'piano') as accompaniment
            from (select i, (hash(i, 2) % 50)::int as y from range({sides}) as t(i))""",
        "side": f"select 't' || i as side_id from range({sides}) as t(i)",
        "side_take": f"select 't' || i as side_id, 't' || i as take_id from range({sides}) as t(i)",
        "transfer": f"""select 't' || i as transfer_id, 't' || i as side_id, 't' || i || '.flac' as file
            from range({sides}) as t(i)""",
        "performance": f"""select 't' || i as take_id, 'p' || hash(i // 3) % {players} as player_id,
            'violin' as instrument, 'certain' as certainty from range({sides}) as t(i)""",
        "speed": f"""select 't' || i as transfer_id, 'estimated' as state, 1.0 as speed_ratio
            from range({sides}) as t(i)""",
        "solo_span": f"""select 't' || i as transfer_id, 't' || i as take_id,
            'p' || hash(i // 3) % {players} as player_id,
            0.0 as transfer_start_s, 200.0 as transfer_end_s, 0.0 as start_s, 200.0 as end_s, 'solo' as content,
            'default' as source, true as counted from range({sides}) as t(i)""",
        "note": f"""select 't' || i || '-n' || k as note_id, 't' || i as transfer_id, 't' || i as take_id,
            k * 200.0 / {slides * 3 // 2 + 1} as transfer_start_s, transfer_start_s + 0.3 as transfer_end_s,
            transfer_start_s as start_s, transfer_start_s + 0.1 + 0.2 * (hash(i, k, 8) % 4) as end_s
            from {{part}} as t(i), range({slides * 3 // 2 + 1}) as n(k)""",
        "transition": f"""select 't' || i || '-t' || k as transition_id, 't' || i as transfer_id, 't' || i as take_id,
            't' || i || '-n' || k as from_note_id, 't' || i || '-n' || k + 1 as to_note_id,
            100.0 * (1 + hash(i, k) % 12) * (1 - 2 * (hash(k, i) % 2)::int) as interval_cents, 0.0 as gap_ms,
            (hash(i, k, 3) % 100) / 100.0 as slurred_probability, true as exposure,
            (hash(i, k, 9) % 90) / 10.0 - 8 as slide_score
            from {{part}} as t(i), range({slides * 3 // 2}) as n(k)""",
        "slide": f"""select 't' || i || '-s' || k as slide_id, 't' || i as transfer_id, 't' || i as take_id,
            't' || i || '-n' || k as from_note_id, 't' || i || '-n' || k + 1 as to_note_id,
            k * 200.0 / {slides + 1} as transfer_audible_start_s,
            k * 200.0 / {slides + 1} + 0.15 as transfer_audible_end_s,
            100.0 * (1 + hash(i, k) % 12) * (1 - 2 * (hash(k, i) % 2)::int) as interval_cents,
            50.0 + hash(i, k, 4) % 300 as duration_ms, 1.0 * (hash(i, k, 5) % 4000) as gradient_cents_per_s,
            ['same_finger', 'departing_finger', 'arriving_finger', 'into_note'][1 + (hash(i, k, 6) % 4)::int] as kind,
            0.9 as confidence from {{part}} as t(i), range({slides}) as n(k)""",
        "recovery": f"""select 't' || i || '-r' || k as recovery_id, 't' || i as transfer_id,
            30.0 + hash(i, k, 1) % 300 as duration_ms, 300.0 as interval_cents, 'same_finger' as kind, 3.0 as fall_db,
            hash(i, k, 2) % 100 < 85 as found, if(found, duration_ms * (0.8 + hash(i, k, 3) % 40 / 100), null)
            as found_duration_ms from range(0, {sides}, 4) as t(i), range({PLANTED}) as n(k)""",
        "drawn_item": f"select * exclude (verdict) from ({_judged(sides, slides)})",
        "review": f"""select sample_id, item_id, transfer_id, samples_sha256, transfer_start_s, transfer_end_s, verdict,
            'lee' as listener, date '2026-01-01' as judged_on from ({_judged(sides, slides)})""",
    }  # fmt: skip


def _players(sides: int) -> int:
    return min(sides // 5, MOST_PLAYERS)


def _works(sides: int) -> int:
    return max(sides * 9 // 100, 1)


def _judged(sides: int, slides: int) -> str:
    """Finds and plain changes, one of each in turn, of sides drawn evenly, nine in ten judged to be what they seem."""
    return f"""select 'first' as sample_id, 'i' || k as item_id, 't' || i as transfer_id, 't' || i as take_id,
        '{SHA}' as samples_sha256, if(k % 2 = 0, 'slide', 'transition') as drawn_from,
        if(k % 2 = 0, {slides // 4} * 200.0 / {slides + 1}, {slides * 5 // 4} * 200.0 / {slides * 3 // 2 + 1} + 0.25)
            as transfer_start_s,
        transfer_start_s + 0.15 as transfer_end_s, 'all' as stratum, 10 as stratum_size, 5 as stratum_drawn,
        if((k % 2 = 0) = (hash(k) % 10 > 0), 'slide', 'no_slide') as verdict
        from (select k, hash(k, 3) % {sides} as i from range({JUDGED}) as t(k))"""


@contextmanager
def timed(what: str) -> Iterator[None]:
    """Print how long a block takes."""
    wall, cpu = time.perf_counter(), time.process_time()
    yield
    print(f"{what:44} {time.perf_counter() - wall:7.2f} s   processor {time.process_time() - cpu:7.2f} s", flush=True)


def write_tables(folder: Path, sides: int, slides: int, *, threads: int) -> dict[str, list[Path]]:
    """Parquet files of every table, as a run leaves them; those of the large ones side by side, some sides each.

    DuckDB counts a range in one thread, and keeps the order of what it puts into a table: one copy of all rows would
    take one core, however many there are.
    """
    paths: dict[str, list[Path]] = {}
    config: dict[str, Any] = {"memory_limit": "2GB", "threads": threads}
    with duckdb.connect(config=config) as con, ThreadPoolExecutor(threads) as crew:
        for name, query in rows(sides, slides).items():
            parts = (
                [(first, min(first + PART, sides)) for first in range(0, sides, PART)] if name in LARGE else [(0, 0)]
            )
            paths[name] = [folder / f"{name}-{first}.parquet" for first, _ in parts]
            texts = [query.replace("{part}", f"range({first}, {end})") for first, end in parts]
            list(crew.map(partial(_write, con, name), texts, paths[name]))
    return paths


def _write(con: duckdb.DuckDBPyConnection, name: str, query: str, path: Path) -> None:
    """Rows of a table with the types of its schema; columns that the query leaves out are empty."""
    with con.cursor() as own:
        made = {row[0] for row in own.execute(f"describe {query}").fetchall()}
        own.register("empty", schema.load(name).empty())
        types = own.execute("describe from empty").fetchall()
        cells = ", ".join(f"{n if n in made else 'null'}::{kind} as {n}" for n, kind, *_ in types)
        own.execute(f"copy (select {cells} from ({query})) to '{path}' (format parquet)").fetchall()


def summarise(paths: Mapping[str, list[Path]]) -> Tables:
    """The step ``summarise`` over the tables, as a worker does it; prints its time and memory."""
    kept = SimpleNamespace(
        frame=lambda name: pl.read_parquet(paths[name]) if name in paths else schema.load(name).empty()
    )
    sounds = dict.fromkeys(pl.read_parquet(paths["transfer"])["transfer_id"].to_list(), SHA)
    with timed("summarising (2,000 resamples)"):
        given = StepInput(
            "corpus",
            STEP.facts(kept, "corpus"),
            SummariseSettings(),
            {},
            lambda _: None,
            samples_sha256=sounds,
            files={name: files for name, files in paths.items() if name in COMPUTED},
        )
        made = STEP.run(given).tables["corpus"]
    print(f"    {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB at most", flush=True)
    return made


# A rate for every group, where nobody has summarised.
MADE_UP = """
insert into result.estimate by name
select
    grouping, group_key, measure, estimand, 5.0 as rate, 4.0 as low, 6.0 as high, 'uncorrected' as correction,
    'session' as cluster_unit, 9 as clusters, 9.0 as effective_clusters, 0 as replicates
from tally.takes_by_group, unnest($measures) as m(measure), unnest($estimands) as e(estimand)
"""


def main(folder: Path, sides: int, slides: int, *, summarised: bool, threads: int) -> None:
    """Make, summarise, build, ask."""
    derived = folder / "derived"
    derived.mkdir(parents=True, exist_ok=True)
    with timed("making rows"):
        paths = write_tables(folder, sides, slides, threads=threads)
    results: Mapping[str, views.Source] = {}
    if summarised:
        with environment(ONE_THREAD), get_context("spawn").Pool(1) as worker:
            results = worker.apply(summarise, (paths,))
    (derived / "corpus.duckdb").unlink(missing_ok=True)
    con = duckdb.connect(
        config={"threads": threads, "memory_limit": memory_limit(sides), "temp_directory": str(derived / "spill")}
    )
    con.execute("set enable_progress_bar = false").fetchall()
    con.execute(f"attach '{derived / 'corpus.duckdb'}' as corpus (storage_version 'v1.5.0')").fetchall()
    con.execute("use corpus").fetchall()
    with timed("building the database"):
        con.execute("begin").fetchall()
        views.create_layers(con, {**paths, **results}, stored=views.STORED)
        if not summarised:
            allowed = {column.name: list(column.values) for column in schema.load("estimate", "result").columns}
            con.execute(MADE_UP, {"measures": allowed["measure"], "estimands": allowed["estimand"]}).fetchall()
        views.describe(con)
        con.execute("commit").fetchall()
        con.execute("checkpoint corpus").fetchall()
    con.close()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{(derived / 'corpus.duckdb').stat().st_size / 1e6:.0f} MB, {peak:.0f} MB of memory at most")
    with OpenCorpus(folder) as corpus:
        for path in views.query_files("summary"):
            with timed(f"summary.{path.stem}"):
                height = corpus.view(f"summary.{path.stem}").height
            print(f"    {height} rows")
        # Tables of whole corpora, a row a slide among them: in pieces, as ``query --as csv`` reads them.
        for path in views.query_files("export"):
            with timed(f"export.{path.stem}, whole"):
                height = sum(piece.height for piece in corpus.sql_pieces(f"from export.{path.stem}"))
            print(f"    {height} rows")
        if summarised:
            with timed("slides_by_school of two periods, recounted"):
                corpus.view("slides_by_school", period=["d0", "d1"])
            with timed("slides_by_player of one school, recounted"):
                corpus.view("slides_by_player", school="s3")
        last = _players(sides) - 1
        with timed("paths up from one player"):
            print(len(corpus.nearest_common_teachers(f"p{last}", f"p{last - 1}")), "nearest paths")
        with timed("stage.ancestor, from the links"):
            text = views.query(("stage", "ancestor"))
            print(corpus.sql(f"select count(*) from ({text})").rows()[0][0], "ancestors")
    print(f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB of memory at most")


def deep() -> None:
    """Lineages where every player stands some thirty generations below the first teachers, by very many paths."""
    generations, each = 30, 67
    links = {
        "player": f"select 'p' || i as player_id, 'Player ' || i as name from range({generations * each}) as t(i)",
        "teaching": f"""select distinct 'p' || (g - 1) * {each} + hash(s, g, k) % {each} as teacher_id,
            'p' || g * {each} + s as student_id, ['certain', 'probable'][1 + (hash(s, k, 7) % 2)::int] as certainty
            from range(1, {generations}) as a(g), range({each}) as b(s), range(3) as c(k)""",
    }
    with duckdb.connect(config={"threads": 2}) as con:
        con.execute("set enable_progress_bar = false").fetchall()
        made = {name: con.sql(text).pl() for name, text in links.items()}
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
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.queries")
    parser.add_argument("sides", nargs="?", type=int, default=SIDES)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--slides", type=int, default=SLIDES_PER_SIDE)
    parser.add_argument("--unsummarised", action="store_true")
    parser.add_argument("--threads", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        main(
            given.folder or Path(made),
            given.sides,
            given.slides,
            summarised=not given.unsummarised,
            threads=given.threads,
        )
    deep()
