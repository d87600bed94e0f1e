"""Questions of the user's own have bounds, and every kind of column can be given in every form."""

import codecs
import io
import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.cli.answers import ROWS_SHOWN, Answer, answer, give
from pipeline.cli.console import console
from pipeline.cli.rows import as_csv, as_json, first_rows, write_parquet
from pipeline.cli.streams import _spelt as spelt_by
from pipeline.errors import DataError, UsageError
from pipeline.store.corpus import Corpus
from pipeline.store.database.asking import PIECE_ROWS, attended
from pipeline.store.database.read import lock, run_sql, sql_pieces
from pipeline.store.schema import load

EVERY_KIND = (
    "select i::int as i, 'ab'::blob as bytes, {'x': 1, 'y': 'q'::blob} as pair, [1, 2] as list, [['a'], null] as deep, "
    "map {'k': 1} as map, 1.5::decimal(9, 2) as number, null as none, 'x'::enum('x', 'y') as word from range(2) t(i)"
)


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect(config={"memory_limit": "200MB"})
    lock(con)
    return con


def test_every_kind_of_column_is_given_as_csv(con: duckdb.DuckDBPyConnection) -> None:
    heading, first, second = "".join(as_csv(sql_pieces(con, EVERY_KIND))).splitlines()
    assert heading == "i,bytes,pair,list,deep,map,number,none,word"
    assert first == (
        '0,6162,"{""x"": 1, ""y"": ""71""}",1; 2,"[[""a""], null]","{""k"": 1}",1.5,,x'  # 6162: ASCII of ab
    )
    assert second[1:] == first[1:]


def test_every_kind_of_column_is_given_as_json(con: duckdb.DuckDBPyConnection) -> None:
    rows = json.loads("".join(as_json(sql_pieces(con, EVERY_KIND))))
    assert [row["i"] for row in rows] == [0, 1]
    assert rows[0]["bytes"] == "6162"
    assert (rows[0]["list"], rows[0]["deep"], rows[0]["map"]) == ([1, 2], [["a"], None], {"k": 1})
    assert json.loads("".join(as_json(sql_pieces(con, "select 1 as a where false")))) == []


def test_every_kind_of_column_is_given_as_parquet(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    write_parquet(sql_pieces(con, EVERY_KIND), tmp_path / "x.parquet")
    kept = pl.read_parquet(tmp_path / "x.parquet")
    assert kept["bytes"].to_list() == [b"ab", b"ab"]
    assert kept["pair"].to_list()[0] == {"x": 1, "y": b"q"}


def test_every_kind_of_column_is_given_as_a_table(
    con: duckdb.DuckDBPyConnection, capsys: pytest.CaptureFixture[str]
) -> None:
    give(Answer([run_sql(con, EVERY_KIND)]))
    assert "1.5" in capsys.readouterr().out


def test_long_answers_come_in_pieces_and_lose_nothing(con: duckdb.DuckDBPyConnection) -> None:
    rows = 2 * PIECE_ROWS + 7
    pieces = list(sql_pieces(con, f"select range as i from range({rows})"))
    assert len(pieces) > 3
    read = pl.read_csv(io.StringIO("".join(as_csv(pieces))))
    assert read["i"].to_list() == list(range(rows))
    assert json.loads("".join(as_json(pieces)))[-1] == {"i": rows - 1}
    assert first_rows(pieces, most=5)[0]["i"].to_list() == [0, 1, 2, 3, 4]
    assert [first_rows([pieces[1]], most=most)[1] for most in (PIECE_ROWS - 1, PIECE_ROWS)] == [True, False]


def test_a_table_shows_so_many_rows_and_says_so(
    con: duckdb.DuckDBPyConnection, capsys: pytest.CaptureFixture[str]
) -> None:
    give(Answer(sql_pieces(con, "select range as i from range(30000000)")))
    said = capsys.readouterr()
    assert len(said.out.splitlines()) == ROWS_SHOWN + 1  # and the heading
    assert said.err == "only the first 1,000 rows are shown; all: --as csv\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("select list(a.range) from range(100000) a, range(100000) b", "needs more than 3GB of memory; ask for less"),
        ("select interval 1 day as t", "the answer cannot be shown (t is an interval); cast its columns"),
        ("select union_value(k := 1) u", "the answer cannot be shown (u holds a union); cast its columns"),
        ("select {'a': [interval 1 day]} s", "the answer cannot be shown (s holds an interval); cast its columns"),
        ("select [union_value(k := 1)] l", "the answer cannot be shown (l holds a union); cast its columns"),
    ],
)
def test_what_cannot_be_given_is_said(con: duckdb.DuckDBPyConnection, text: str, said: str) -> None:
    with pytest.raises(UsageError) as raised:
        run_sql(con, text)
    assert said in str(raised.value)


@pytest.mark.skipif(os.name == "nt", reason="signals as on Unix")
def test_ctrl_c_is_heard_while_the_database_works(con: duckdb.DuckDBPyConnection) -> None:
    endless = "select sum(sin(range)) from range(1000000000000)"  # holds nothing, so no limit of memory ends it first
    # Where the tests were started in the background, the shell has told them not to hear it.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        threading.Timer(0.5, lambda: os.kill(os.getpid(), signal.SIGINT)).start()
        with pytest.raises(KeyboardInterrupt):
            attended(con, lambda: con.execute(endless).fetchall())
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.fixture
def with_curves(tmp_path: Path) -> Path:
    """A corpus with speed curves of two transfers and nothing else."""
    (tmp_path / "c" / "catalogue").mkdir(parents=True)
    corpus = Corpus(tmp_path / "c")
    for number, name in enumerate(("t2", "t1")):
        values = {"transfer_id": [name] * 2, "transfer_time_s": [0.0, 1.0], "correction_cents": [1.0, 2.0 + number]}
        relation = load("speed_curve")
        rows = pl.DataFrame(values).with_columns(
            pl.lit(None if not column.required else 0.0).alias(column.name)
            for column in relation.columns
            if column.name not in values
        )
        corpus.write("speed_curve", name, relation.cast(rows)[0])
    return tmp_path / "c"


def test_per_transfer_tables_come_straight_from_their_files(
    with_curves: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    give(answer(with_curves, "base.speed_curve"), form="csv")
    rows = pl.read_csv(io.StringIO(capsys.readouterr().out))
    assert rows["transfer_id"].to_list() == ["t1", "t1", "t2", "t2"]
    give(answer(with_curves, "speed_curve", transfers=["t2"]), form="csv")
    rows = pl.read_csv(io.StringIO(capsys.readouterr().out))
    assert (rows["transfer_id"].to_list(), rows["correction_cents"].to_list()) == (["t2", "t2"], [1.0, 2.0])
    with pytest.raises(DataError, match="'t3' has no speed_curve"):
        give(answer(with_curves, "speed_curve", transfers=["t3"]))
    with pytest.raises(DataError, match="nothing has been measured yet"):
        give(answer(with_curves, "pitch_frame"))
    with pytest.raises(UsageError, match="choose by --transfer alone"):
        answer(with_curves, "speed_curve", where="true")
    with pytest.raises(UsageError, match="--transfer goes with pitch_frame, other_frame and speed_curve"):
        answer(with_curves, "player", transfers=["t1"])


STREAMS = "import sys; from pipeline.cli import main; main()"


def through_shell(line: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command in a shell, as ``$G``."""
    return subprocess.run(
        ["sh", "-c", line],
        env=os.environ | environment | {"PY": sys.executable, "CODE": STREAMS},
        capture_output=True,
        encoding="latin-1",
        check=False,
    )


@pytest.mark.skipif(os.name == "nt", reason="needs a Unix shell")
@pytest.mark.parametrize(
    ("line", "environment", "status", "out", "err"),
    [
        ('"$PY" -c "$CODE" dictionary review --as csv >&-', {}, 0, "", ""),
        ('"$PY" -c "$CODE" dictionary review --as csv 2>&- <&- | head -c 7', {}, 0, "layer,t", ""),
        ('"$PY" -c "$CODE" check /nowhere 2>&-', {}, 1, "", ""),
        ('"$PY" -c "$CODE" dictionary >/dev/full', {}, 1, "", "no space left on device"),
        ('"$PY" -c "$CODE" dictionary review', {"POLARS_MAX_THREADS": "0", "COLUMNS": "²"}, 0, "review", ""),
    ],
    ids=["stdout closed", "stdin and stderr closed, pipe cut", "nobody to tell", "full disk", "no threads"],
)
def test_odd_streams_end_in_one_plain_line_at_most(
    line: str, environment: dict[str, str], status: int, out: str, err: str
) -> None:
    done = through_shell(line, **environment)
    assert done.returncode == status, done.stderr
    assert err in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert out in done.stdout


@pytest.mark.parametrize(
    ("encoding", "text", "spelt"),
    [
        ("latin-1", "9.1 (4.7–21.6) → ± “ü”", '9.1 (4.7-21.6) -> ± "ü"'),
        ("ascii", "78 × 2 ± 1 … Träumerei, Łódź", "78 x 2 +- 1 ... Traumerei, ?odz"),
    ],
)
def test_what_a_stream_cannot_print_is_spelt_in_its_letters(encoding: str, text: str, spelt: str) -> None:
    codecs.register_error("glideline", spelt_by)
    assert text.encode(encoding, "glideline").decode(encoding) == spelt


@pytest.mark.parametrize(("columns", "width"), [("20", 20), ("0", 20), ("99999999", 400), ("x", 400)])
def test_columns_says_how_wide(columns: str, width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert console(io.StringIO()).width == width
