"""A corpus that comes from a stranger cannot run code, read or write outside its folder, or reach the network."""

import json
import re
import socket
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import duckdb
import numpy as np
import pytest

import pipeline
from pipeline.errors import DataError
from pipeline.pages.render import _environment, data_block
from pipeline.store.adding import sheet
from pipeline.store.corpus import Corpus
from pipeline.store.database.compaction import _generation, current
from pipeline.store.database.read import open_read_only
from pipeline.store.parts.read import read_part
from tests.helpers.made_rows import corpus_folder, facts, rows, small
from tests.helpers.programs import environment, program
from tests.helpers.spoilt_corpus import glideline, hand_kept, sound_corpus
from tests.helpers.tone_corpus import make_corpus

PACKAGE = Path(pipeline.__file__).parent
SOURCES = sorted(PACKAGE.rglob("*.py"))
NASTY = "</script><script>alert(1)</script><img src=x onerror=alert(1)> ' \" & {{ 7*7 }} {% raw %}"


@pytest.fixture
def corpus(tmp_path: Path) -> Path:
    return sound_corpus(tmp_path / "corpus")


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return corpus_folder(tmp_path_factory.mktemp("asked") / "corpus", **small())


@pytest.fixture
def no_network(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[object]]:
    """Lets every connection but those to this machine fail, and notes who tried."""
    tried: list[object] = []
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: object) -> None:
        host = address[0] if isinstance(address, tuple) else "local"
        if host not in ("127.0.0.1", "::1", "localhost", "local"):
            tried.append(address)
            raise OSError("no network here")
        connect(self, address)  # type: ignore[arg-type]

    def unknown(*address: object, **_: object) -> None:
        tried.append(address)
        raise OSError("no network here")

    monkeypatch.setattr(socket.socket, "connect", guarded)
    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    yield tried
    assert tried == []


# --- code


def test_nothing_that_is_read_can_hold_code() -> None:
    """No pickle, no eval, no YAML, no templates from elsewhere; trained weights are plain arrays."""
    forbidden = re.compile(
        r"\bimport (pickle|shelve|marshal|dill|joblib|yaml)\b|\bfrom (pickle|shelve|marshal|dill|joblib|yaml)\b"
        r"|allow_pickle=True|(?<![\w.])eval\(|(?<![\w.])exec\(|os\.system|shell=True|read_pickle|from_string\("
    )
    found = [f"{path.name}: {m[0]}" for path in SOURCES for m in forbidden.finditer(path.read_text(encoding="utf-8"))]
    assert len(SOURCES) > 100
    assert found == []
    weights = sorted(PACKAGE.rglob("*.npz"))
    assert weights
    for path in weights:
        with np.load(path, allow_pickle=False) as held:
            assert all(held[name].dtype != object for name in held.files)


def test_names_are_imported_from_fixed_lists_only() -> None:
    """``import_module`` is never given a word that a corpus could hold."""
    calls = {path.name: path.read_text(encoding="utf-8").count("import_module(") for path in SOURCES}
    assert {name for name, count in calls.items() if count} <= {"__init__.py", "work.py"}


def test_a_corpus_cannot_bring_its_own_views_or_schemas(corpus: Path) -> None:
    """Folders named like ours, beside the catalogue, are not looked at; nor is code."""
    for name in (
        "queries/summary/slides_by_player.sql",
        "schemas/base/player.toml",
        "pipeline/__init__.py",
        "conftest.py",
        "demo_corpus/recipe.toml",
    ):
        (corpus / name).parent.mkdir(parents=True, exist_ok=True)
        (corpus / name).write_text("raise SystemExit(7); drop table", encoding="utf-8")
    before = hand_kept(corpus)
    code = "from pipeline.cli import main, __file__; print(__file__); main()"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code, "check", "."],
        cwd=corpus,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.stderr == ""
    assert done.returncode == 0
    assert str(corpus) not in done.stdout
    assert hand_kept(corpus) == before


def test_settings_are_data_only(corpus: Path) -> None:
    (corpus / "settings.toml").write_text('title = "{{ 7*7 }} $(touch x) __import__"\n', encoding="utf-8")
    assert Corpus(corpus).settings.title == "{{ 7*7 }} $(touch x) __import__"
    (corpus / "settings.toml").write_text('[steps]\nmodule = "os"\n', encoding="utf-8")
    with pytest.raises(DataError, match="unknown setting"):
        _ = Corpus(corpus).settings


# Settings that name code: a formatter of log lines that is made by making a folder.
LOGGING = """
version: 1
formatters: {{f: {{"()": os.mkdir, path: "{sign}"}}}}
handlers: {{h: {{class: logging.StreamHandler, formatter: f}}}}
root: {{handlers: [h]}}
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    "where", ["derived/.prefect/logging.yml", "prefect.toml", ".env", "derived/.prefect/sqlite3.py"]
)
def test_a_run_obeys_no_settings_of_prefect_that_lie_in_a_corpus(tmp_path: Path, where: str) -> None:
    """Neither where an earlier run kept its own, nor where the user happens to be."""
    root, sign = make_corpus(tmp_path / "c", sides=1), tmp_path / "sign"
    kinds = {".yml": LOGGING.format(sign=sign), ".py": f"import os\nos.mkdir({str(sign)!r})\n"}
    pointing = {
        "prefect.toml": "[logging]\nconfig_path = 'evil.yml'\n",
        ".env": "PREFECT_LOGGING_CONFIG_PATH=evil.yml\n",
    }
    (root / "evil.yml").write_text(LOGGING.format(sign=sign), encoding="utf-8")
    (root / where).parent.mkdir(parents=True, exist_ok=True)
    (root / where).write_text(pointing.get(where) or kinds[Path(where).suffix], encoding="utf-8")
    variables = {name: value for name, value in environment().items() if not name.startswith("PREFECT_")}
    line = program("quick_run", ".", "1", "local")
    done = subprocess.run(line, cwd=root, env=variables, capture_output=True, text=True, timeout=300, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "goes on without it" not in done.stdout
    assert not sign.exists()


def test_compiled_code_is_not_taken_from_where_the_user_happens_to_be(tmp_path: Path) -> None:
    (tmp_path / ".numba_config.yaml").write_text(
        "cache_dir: here\ncache_locator_classes: os.system\n", encoding="utf-8"
    )
    code = (
        "from pipeline.cli.streams import prepare; prepare(); from numba.core import config; "
        "print([config.CACHE_DIR, config.CACHE_LOCATOR_CLASSES])"
    )
    variables = {name: value for name, value in environment().items() if not name.startswith("NUMBA_CACHE")}
    line = [sys.executable, "-P", "-c", code]
    done = subprocess.run(line, cwd=tmp_path, env=variables, capture_output=True, text=True, timeout=120, check=False)
    assert done.stdout == "['', '']\n", done.stderr


# --- reading and writing outside


@pytest.mark.parametrize("spoilt", ["CURRENT", "bucket"])
def test_a_generation_of_tables_lies_in_the_corpus(corpus: Path, tmp_path: Path, spoilt: str) -> None:
    """A name that leads to the tables of another corpus is no name, and a bucket that does is no bucket."""
    for name in ("corpus", "other"):
        folder = tmp_path / name / "derived" / "compacted" / ("a" * 16)
        folder.mkdir(parents=True)
        manifest = {"buckets": 1, "stamps": {"slide": {"00000": {}}}, "large": {}, "sizes": {}}
        (folder / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
        (folder.parent / "CURRENT").write_text(folder.name, encoding="utf-8")
    assert current(Corpus(corpus)) is not None
    _generation.cache_clear()
    if spoilt == "CURRENT":
        (corpus / "derived/compacted/CURRENT").write_text(
            f"../../../other/derived/compacted/{'a' * 16}", encoding="utf-8"
        )
    else:
        manifest["stamps"] = {"slide": {"../../../../../other/derived/tables/slide/x": {}}}
        (corpus / "derived/compacted" / ("a" * 16) / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    assert current(Corpus(corpus)) is None


def test_a_package_may_not_be_a_link_out_of_its_folder(tmp_path: Path) -> None:
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "datapackage.json").write_text('{"title": "secret"}', encoding="utf-8")
    for name, target in (("inner", tmp_path / "own"), ("datapackage.json", tmp_path / "own" / "datapackage.json")):
        package = tmp_path / f"package-{name}"
        package.mkdir()
        (package / name).symlink_to(target)
        said = glideline("new", tmp_path / "mine", "--from", package)
        assert said.status == 1
        assert "holds no datapackage.json" in said.words
        assert not (tmp_path / "mine").exists()


@pytest.mark.parametrize(
    "name", ["/etc/passwd", "../x.wav", "a/../../x.wav", "..", "C:\\x.wav", "a\\..\\x.wav", "\x00", ""]
)
def test_audio_stays_below_its_folder(corpus: Path, name: str) -> None:
    with pytest.raises(DataError, match="is not a path below audio/"):
        Corpus(corpus).audio_path(name)


def test_audio_may_not_be_a_link_out_and_may_be_one_within(corpus: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.wav").write_bytes(b"x")
    (corpus / "audio" / "out.wav").symlink_to(tmp_path / "secret.wav")
    (corpus / "audio" / "box").symlink_to(tmp_path)
    (corpus / "audio" / "within.wav").symlink_to(corpus / "audio" / "one.wav")
    for name in ("out.wav", "box/secret.wav"):
        with pytest.raises(DataError, match="leads out of audio/ by a link"):
            Corpus(corpus).audio_path(name)
    assert Corpus(corpus).audio_path("within.wav").is_file()


@pytest.mark.parametrize(
    "name",
    ["catalogue", "audio", "reviews", "sheet", "derived", "derived/tables", "derived/tables/slide", "derived/log",
     "derived/report", "derived/report/sound", "derived/export", "derived/audio", "derived/compacted", "derived/stale",
     "derived/corpus.duckdb"],
)  # fmt: skip
def test_no_part_of_a_corpus_may_lead_out(corpus: Path, tmp_path: Path, name: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    path = corpus / name
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists():
        path.rename(tmp_path / "own")
    path.symlink_to(outside)
    with pytest.raises(DataError, match=f"{name} is a link that leads out of the corpus"):
        Corpus(corpus)
    assert list(outside.iterdir()) == []


def test_a_score_cannot_read_files_or_swell(tmp_path: Path) -> None:
    """External and nested entities, the two usual attacks by XML (OWASP, XML External Entity Prevention)."""
    secret = tmp_path / "secret.txt"
    secret.write_text("secret words", encoding="utf-8")
    external = f'<!DOCTYPE a [<!ENTITY b SYSTEM "{secret.as_uri()}">]><score-partwise>&b;</score-partwise>'
    nested = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 12))
    bomb = f'<!DOCTYPE a [<!ENTITY e0 "x">{nested}]><score-partwise>&e11;</score-partwise>'
    for text in (external, bomb):
        path = tmp_path / "a.musicxml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(DataError, match="declares entities") as refused:
            read_part(path, strings=("G", "D", "A", "E"))
        assert "secret words" not in str(refused.value)


def test_a_workbook_that_swells_is_not_opened(corpus: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Shared strings of 40 MB in a file of 40 kB; with a lower limit than the real one, to spare the test."""
    monkeypatch.setattr(sheet, "LARGEST_BYTES", 20_000_000)
    with zipfile.ZipFile(tmp_path / "s.xlsx", "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("xl/sharedStrings.xml", bytes(40_000_000))
    assert (tmp_path / "s.xlsx").stat().st_size < 100_000
    said = glideline("add", corpus, "--sheet", tmp_path / "s.xlsx")
    assert said.status == 1
    assert (
        "s.xlsx: cannot be read as XLSX (it unpacks to more than a sheet holds); save it again, or as CSV" in said.words
    )


# --- SQL and the database


def test_a_strangers_database_cannot_read_files(tmp_path: Path) -> None:
    """Views inside the database are only text: with files switched off they cannot reach what they name."""
    secret = tmp_path / "secret.csv"
    secret.write_text("a\nsecret words\n", encoding="utf-8")
    root = tmp_path / "corpus"
    (root / "derived").mkdir(parents=True)
    with duckdb.connect(str(root / "derived" / "corpus.duckdb")) as con:
        con.execute("create schema summary").fetchall()
        con.execute(f"create view summary.slides_by_player as from read_csv('{secret}')").fetchall()
    for asked in (["slides_by_player"], ["--sql", "from summary.slides_by_player"]):
        said = glideline("query", root, *asked)
        assert said.status in (1, 2)
        assert "secret words" not in said.words
        assert "Traceback" not in said.err
    with open_read_only(root) as con, pytest.raises(duckdb.Error, match="disabled"):
        con.execute("from summary.slides_by_player").fetchall()


def test_a_database_of_another_kind_fetches_no_extension(tmp_path: Path, no_network: list[object]) -> None:
    """DuckDB would fetch its reader of SQLite files by itself, were it left to guess the kind."""
    root = tmp_path / "corpus"
    (root / "derived").mkdir(parents=True)
    with closing(sqlite3.connect(root / "derived" / "corpus.duckdb")) as con, con:
        con.execute("create table slide (a)")
    said = glideline("query", root, "slide")
    assert said.status == 1
    assert "make it anew with: glideline run" in said.words
    assert "extension" not in said.words


def test_text_of_the_catalogue_is_quoted_in_sql() -> None:
    """Names that end a string, a statement or a comment arrive as they are, and are counted."""
    name = "Robert'); drop table base.player; --"
    con = facts(player=[{"player_id": "ann", "name": name}])
    assert rows(con, "base.player", "player_id", "name") == [("ann", name)]


@pytest.mark.parametrize(
    "word", ["ann' or 1=1 --", "ann\\'; drop table base.player; --", '"ann"', "ann\x00", "%", "_nn"]
)
def test_words_of_a_question_are_quoted_in_sql(asked: Path, word: str) -> None:
    for option in ("--player", "--school", "--period"):
        said = glideline("query", asked, "slides_by_player", option, word)
        assert said.status == 2
        assert f"glideline: {option} " in said.err
    assert glideline("query", asked, "--sql", "select count(*) as n from base.player").out.split() == ["n", "2"]


# --- pages


def test_every_template_escapes_every_value() -> None:
    made = _environment()
    assert made.autoescape
    names = made.list_templates()
    assert len(names) >= 4
    for name in names:
        assert made.loader is not None
        source, _, _ = made.loader.get_source(made, name)
        assert "|safe" not in source.replace(" ", "")
        assert "autoescape false" not in source
        assert not re.search(r"""(src|href)=["']?https?:""", source)
        assert not re.search(r"\bon\w+\s*=", source)


def test_data_in_a_page_cannot_end_its_block() -> None:
    block = str(data_block({"name": NASTY, "other": "\u2028<!--"}, element_id="x"))
    inside = block.partition(">")[2].removesuffix("</script>")
    assert "<" not in inside
    assert "\u2028" not in inside


# --- the network


def test_commands_that_read_reach_no_network(corpus: Path, asked: Path, no_network: list[object]) -> None:
    assert glideline("check", corpus).status == 0
    assert glideline("run", corpus, "--explain").status == 0
    assert glideline("status", corpus).status == 0
    assert glideline("query", asked, "slides_by_player").status == 0
    assert glideline("query", asked, "--sql", "from 'https://example.org/x.parquet'").status == 2
