"""The same corpus on every engine gives the same bytes; a run stops cleanly and leaves nothing behind."""

import importlib.util
import json
import os
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from made_corpus import make_corpus, tables
from quick_run import quick_run

from pipeline.errors import UsageError
from pipeline.flows import prefect_home
from pipeline.flows.engines import is_elsewhere
from pipeline.flows.run import run

HERE = Path(__file__).parent


def through_prefect(
    root: Path, *, engine: str, workers: int, api_url: str | None = None
) -> subprocess.CompletedProcess[str]:
    """A run as a flow, in a process of its own as a user has it, with a Prefect server of hers or without."""
    theirs = {"PREFECT_API_URL": api_url} if api_url else {}
    path = os.pathsep.join([str(HERE), os.environ.get("PYTHONPATH", "")])
    return subprocess.run(
        [sys.executable, str(HERE / "quick_run.py"), str(root), str(workers), engine],
        env={name: value for name, value in os.environ.items() if name != "PREFECT_API_URL"}
        | {"PYTHONPATH": path}
        | theirs,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    root = make_corpus(tmp_path_factory.mktemp("plain") / "c", sides=9)
    quick_run(root)
    return tables(root)


@pytest.mark.parametrize(
    "engine", [pytest.param("local", marks=pytest.mark.long), pytest.param("dask", marks=pytest.mark.slow)]
)
def test_engines_give_the_same_bytes(tmp_path: Path, plain: dict[str, bytes], engine: str) -> None:
    root = make_corpus(tmp_path / "c", sides=9)
    (root / "audio" / "s08.wav").write_bytes(b"")
    done = through_prefect(root, engine=engine, workers=2)
    assert done.returncode == 1, done.stderr  # one side fails, the others do not
    assert done.stderr == ""
    made = tables(root)
    for name, content in made.items():
        if "s08-a" not in name and "s07-a" not in name and "s06-a" not in name:  # s06 to s08 are one session
            assert content == plain[name], name
    assert len(made) == 8 * 6 + 1
    assert (root / "derived" / "corpus.duckdb").stat().st_size > 0
    assert not (root / "derived" / "run.holder.json").exists()


@pytest.mark.long
def test_a_users_own_server_shows_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    root = make_corpus(tmp_path / "c", sides=2)
    with prefect_home.server(tmp_path / "hers"):
        api_url = os.environ["PREFECT_API_URL"]
        done = through_prefect(root, engine="local", workers=1, api_url=api_url)
        runs = _asked(f"{api_url}/flow_runs/filter")
        artifacts = _asked(f"{api_url}/artifacts/filter")
    assert done.returncode == 0, done.stderr
    assert [(run["name"], run["state_name"]) for run in runs] == [("c", "Completed")]
    assert "detect: 2 done" in artifacts[0]["data"]
    assert not (root / "derived" / ".prefect").exists()  # no server of ours


def _asked(url: str) -> list[dict[str, str]]:
    request = urllib.request.Request(url, data=b"{}", headers={"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=60) as answer:
        found: list[dict[str, str]] = json.load(answer)
    return found


def test_engines_and_addresses_that_cannot_work_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    root = make_corpus(tmp_path / "c", sides=1)
    with pytest.raises(UsageError, match="set PREFECT_API_URL"):
        run(root, engine="dask", address="tcp://cluster.example:8786")
    with pytest.raises(UsageError, match="goes with --engine dask"):
        run(root, address="tcp://127.0.0.1:8786")
    with pytest.raises(UsageError, match="did you mean s00-a"):
        run(root, transfers=["s0-a"])
    assert not is_elsewhere("tcp://127.0.0.1:8786")
    assert not is_elsewhere("auto")


@pytest.mark.long
@pytest.mark.skipif(importlib.util.find_spec("prefect_ray") is None, reason="glideline[ray] is not installed")
def test_ray_gives_the_same_bytes(tmp_path: Path, plain: dict[str, bytes]) -> None:
    root = make_corpus(tmp_path / "c", sides=9)
    done = through_prefect(root, engine="ray", workers=2)
    assert done.returncode == 0, done.stderr
    assert tables(root) == plain


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Windows has no process groups that hear SIGINT")
def test_ctrl_c_stops_within_seconds_and_says_how_to_go_on(tmp_path: Path) -> None:
    root = make_corpus(tmp_path / "c", sides=30)
    program = (
        "import quick_steps, pipeline.flows.run as run, sys\n"
        "run.ORDER = 'quick_steps'\n"
        "sys.argv = ['glideline', 'run', sys.argv[1], '--workers', '2']\n"
        "from pipeline.cli import main\n"
        "main()\n"
    )
    environment = os.environ | {"QUICK_STEPS_SLEEP_S": "2", "PYTHONPATH": str(HERE)}
    process = subprocess.Popen(
        [sys.executable, "-c", program, str(root)],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    for _ in range(1200):
        if list((root / "derived" / "tables" / "run").glob("*.parquet")):
            break
        time.sleep(0.1)
    asked = time.monotonic()
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the whole group
    _, said = process.communicate(timeout=60)
    assert time.monotonic() - asked < 30  # seconds on a quiet machine; without the cure it hangs for ever
    assert process.returncode == 130
    assert "glideline run" in said
    assert "Traceback" not in said
    assert not (root / "derived" / "run.holder.json").exists()
    with_pid = [p for p in Path("/proc").glob("[0-9]*") if _environment(p).find(str(root).encode()) >= 0]
    assert with_pid == []


def _environment(process: Path) -> bytes:
    try:
        return (process / "environ").read_bytes()
    except OSError:
        return b""


def test_a_run_with_nothing_to_do_starts_no_scheduler(tmp_path: Path) -> None:
    root = make_corpus(tmp_path / "c", sides=2)
    quick_run(root)
    program = (
        "import sys, json, pipeline.flows.run as run\n"
        "run.ORDER = 'quick_steps'\n"
        "summary = run.run(sys.argv[1])\n"
        "print(json.dumps([summary.nothing_to_do, 'prefect' in sys.modules]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(root)],
        env=os.environ | {"PYTHONPATH": str(HERE)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(done.stdout) == [True, False]
