"""The same corpus on every engine gives the same bytes; a run stops cleanly and leaves nothing behind."""

import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline.environment import ONE_THREAD
from pipeline.errors import UsageError
from pipeline.flows import prefect_home
from pipeline.flows.engines import is_elsewhere
from pipeline.flows.local import LocalPool
from pipeline.flows.run import run
from pipeline.flows.stages import Work
from pipeline.processes import pool
from tests.helpers import quick_steps
from tests.helpers.programs import environment, program
from tests.helpers.quick_run import quick_run
from tests.helpers.tone_corpus import make_corpus, tables

ALL_THREE = ("s00-a", "s01-a", "s02-a")


def through_prefect(
    root: Path, *, engine: str, workers: int, api_url: str | None = None
) -> subprocess.CompletedProcess[str]:
    """A run as a flow, in a process of its own as a user has it, with a Prefect server of hers or without."""
    theirs = {"PREFECT_API_URL": api_url} if api_url else {}
    return subprocess.run(
        program("quick_run", root, workers, engine),
        env={name: value for name, value in environment().items() if name != "PREFECT_API_URL"} | theirs,
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


@contextmanager
def cluster(folder: Path, *, workers: int) -> Iterator[str]:
    """Address of a Dask cluster whose workers have no folder in common: neither home, nor place for passing files."""
    with ExitStack() as running:

        def start(name: str, *words: str) -> subprocess.Popen[bytes]:
            own = {"HOME": folder / name / "home", "TMPDIR": folder / name / "tmp"}
            for path in own.values():
                path.mkdir(parents=True)
            process = subprocess.Popen(
                [sys.executable, "-m", "dask", *words, "--no-dashboard"],
                cwd=folder / name,
                env=environment(**{variable: str(path) for variable, path in own.items()}),
                stderr=subprocess.DEVNULL,
            )
            running.enter_context(process)
            running.callback(process.terminate)
            return process

        told = folder / "scheduler.json"
        start("scheduler", "scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(told))
        until = time.monotonic() + 120
        while not told.exists():
            assert time.monotonic() < until
            time.sleep(0.1)
        address = json.loads(told.read_text())["address"]
        for number in range(workers):
            start(f"worker-{number}", "worker", address, "--nworkers", "1", "--nthreads", "1")
        yield address


@pytest.mark.long
def test_workers_that_share_the_folder_alone_give_the_same_bytes(tmp_path: Path, measured_once: Path) -> None:
    from distributed import Client

    root = tmp_path / "here" / "c"
    shutil.copytree(measured_once, root, ignore=shutil.ignore_patterns("derived"))
    # a side at a time, else one worker would have them all
    program = "import pipeline.flows.corpus as c; c.BATCH = 1; from pipeline.cli import main; main()"
    with cluster(tmp_path, workers=2) as address:
        client = Client(address)
        client.wait_for_workers(2, timeout=120)
        line = [sys.executable, "-P", "-c", program, "run", "c", "--engine", "dask", "--address", address]
        done = subprocess.run(line, cwd=root.parent, env=environment(), capture_output=True, text=True, check=False)
        tasks = client.run(lambda dask_worker: dask_worker.state.executed_count)
        client.close()
    assert done.returncode == 0, done.stderr
    assert len(tasks) == 2
    assert all(tasks.values()), tasks
    assert tables(root) == tables(measured_once)


@pytest.mark.long
def test_only_what_may_succeed_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = make_corpus(tmp_path / "c", sides=3, session_of=1)
    monkeypatch.setenv("QUICK_STEPS", "s00-a stumbles,s01-a full")
    monkeypatch.setenv("QUICK_STEPS_TRIES", str(tmp_path / "tries"))
    done = through_prefect(root, engine="local", workers=1)
    assert done.returncode == 1, done.stderr  # the full disk is full still
    assert sorted((tmp_path / "tries").read_text().split()) == ["s00-a", "s00-a", "s01-a", "s02-a"]
    assert {name: (root / "derived" / "tables" / "melody" / f"{name}.parquet").exists() for name in ALL_THREE} == {
        "s00-a": True,
        "s01-a": False,
        "s02-a": True,
    }


@pytest.mark.long
def test_a_users_own_server_shows_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    root = make_corpus(tmp_path / "c", sides=2)
    with prefect_home.server(tmp_path / "hers") as hers:
        hers.wait()
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


LOST_THEN_FOUND = """
import signal, sys, threading, time
from pathlib import Path
import pipeline.flows.run as runs
from pipeline.flows import prefect_home

def lose(root, process, how):
    while not list((root / "derived" / "tables" / "run").glob("*.parquet")):
        time.sleep(0.05)
    process.send_signal(getattr(signal, how))

if __name__ == "__main__":
    runs.ORDER, runs.ALONE_S = "tests.helpers.quick_steps", 0.0
    root, address = Path(sys.argv[1]), prefect_home._address
    if (how := sys.argv[3]) != "keep":
        prefect_home._address = lambda p: (address(p), threading.Thread(target=lose, args=(root, p, how)).start())[0]
    first = runs.run(root, workers=1, quiet=False)
    print([step for _, step, _ in first.failed], first.did["detect"], first.database_built)
    prefect_home._address = address
    Path(sys.argv[2]).rename(root / "audio" / "s01.wav")
    summary = runs.run(root, workers=1)
    print(summary.failed, summary.did["detect"])
"""


@pytest.mark.long
@pytest.mark.parametrize("server", ["keep", "SIGKILL", "SIGSTOP"])  # SIGSTOP: it is there, but silent
def test_a_run_goes_on_without_a_server_lost_on_the_way_and_the_next_has_its_own(tmp_path: Path, server: str) -> None:
    """Prefect keeps the address of the first server for the whole process, unless told otherwise."""
    root = make_corpus(tmp_path / "c", sides=2)
    (root / "audio" / "s01.wav").rename(tmp_path / "late.wav")  # something is left for the second run
    slow = "1" if server == "keep" else "3"  # else the run may end before anyone asks for the server again
    variables = environment(QUICK_STEPS_SLEEP_S=slow)
    variables.pop("PREFECT_API_URL", None)
    command = [sys.executable, "-c", LOST_THEN_FOUND, str(root), str(tmp_path / "late.wav"), server]
    done = subprocess.run(command, env=variables, capture_output=True, text=True, timeout=600, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == ["['intake'] {'done': 1} True", "[] {'done': 2}"]
    without = [line for line in done.stderr.splitlines() if "goes on without" in line]
    assert len(without) == (server != "keep")
    for line in without:
        assert line.startswith("The Prefect server at http://127.0.0.1:")
        assert line.endswith(": the run goes on without it.")
    assert "Traceback" not in done.stderr


def test_a_program_whose_workers_cannot_start_blames_no_side(tmp_path: Path) -> None:
    """Each worker loads the program once more; without a guard it would run the run again."""
    root = make_corpus(tmp_path / "c", sides=2)
    unguarded = tmp_path / "program.py"
    unguarded.write_text(
        "import sys\n"
        "from tests.helpers import quick_run\n"
        "from pipeline.errors import DataError\n"
        "try:\n"
        "    quick_run.quick_run(__import__('pathlib').Path(sys.argv[1]), workers=1)\n"
        "except DataError as error:\n"
        "    sys.exit(str(error))\n"
    )
    command = [sys.executable, str(unguarded), str(root)]
    done = subprocess.run(command, env=environment(), capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 1
    assert "worker processes cannot start" in done.stderr.splitlines()[-1]
    assert '__name__ == "__main__"' in done.stderr
    assert not list((root / "derived" / "tables").glob("*/*"))


@pytest.mark.parametrize("trouble", ["ends at once", "never answers"])
def test_a_run_goes_on_without_a_server_that_does_not_start(
    tmp_path: Path, trouble: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    monkeypatch.setattr("pipeline.flows.run.ORDER", "tests.helpers.quick_steps")
    monkeypatch.setattr("pipeline.flows.run.ALONE_S", 0.0)
    monkeypatch.setattr(prefect_home, "START_WITHIN_S", 1.0)
    program = {"ends at once": "", "never answers": "import time; time.sleep(1000)"}[trouble]
    monkeypatch.setattr(
        prefect_home,
        "_started",
        lambda log: subprocess.Popen([sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE),
    )
    root = make_corpus(tmp_path / "c", sides=1)
    assert run(root, quiet=False).failed == []
    said = " ".join(capsys.readouterr().err.split())
    assert "Prefect cannot be started (its server ended without a word): the run goes on without it." in said
    plain = make_corpus(tmp_path / "plain", sides=1)
    quick_run(plain)
    assert tables(root) == tables(plain)


def test_what_is_in_hand_when_the_server_is_lost_is_done_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The loss comes while workers are busy; a stand-in for the flow spares the loading of Prefect."""
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    monkeypatch.setattr("pipeline.flows.run.ORDER", "tests.helpers.quick_steps")
    monkeypatch.setenv("QUICK_STEPS_SLEEP_S", "1.5")  # longer than the pool looks away
    monkeypatch.setenv("QUICK_STEPS_TRIES", str(tmp_path / "tries"))
    monkeypatch.setattr(prefect_home, "_started", lambda log: None)
    monkeypatch.setattr(prefect_home, "users_server", lambda: "http://127.0.0.1:9/api")

    def run_here(work: Work, *, pool: LocalPool, server: prefect_home.Server) -> None:
        def watch() -> None:
            pool.watch = lambda: None
            raise prefect_home.lost("its process has ended")

        pool.watch = watch
        work.stage(0, pool.run_batches)

    monkeypatch.setitem(sys.modules, "pipeline.flows.corpus", SimpleNamespace(run_here=run_here))
    root = make_corpus(tmp_path / "c", sides=2)
    assert run(root, workers=1, quiet=False).failed == []
    said = capsys.readouterr().err
    lost = "The Prefect server at http://127.0.0.1:9/api can no longer be reached (its process has ended)"
    assert f"{lost}: the run goes on without it.\n" in said
    assert sorted((tmp_path / "tries").read_text().split()) == ["s00-a", "s01-a"]
    plain = make_corpus(tmp_path / "plain", sides=2)
    quick_run(plain)
    assert tables(root) == tables(plain)


def test_what_is_in_hand_when_prefect_is_turned_to_is_done_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The run has taken long enough while workers are busy; there is no server, so all the rest is done without."""
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    monkeypatch.setattr("pipeline.flows.run.ORDER", "tests.helpers.quick_steps")
    monkeypatch.setattr("pipeline.flows.run.ALONE_S", 0.1)
    monkeypatch.setenv("QUICK_STEPS_SLEEP_S", "0.3")
    monkeypatch.setenv("QUICK_STEPS_TRIES", str(tmp_path / "tries"))
    monkeypatch.setattr(prefect_home, "_started", lambda log: None)
    monkeypatch.setitem(sys.modules, "pipeline.flows.corpus", SimpleNamespace())
    root = make_corpus(tmp_path / "c", sides=4)
    assert run(root, workers=1, quiet=False).failed == []
    assert "Prefect cannot be started" in " ".join(capsys.readouterr().err.split())
    assert sorted((tmp_path / "tries").read_text().split()) == ["s00-a", "s01-a", "s02-a", "s03-a"]
    plain = make_corpus(tmp_path / "plain", sides=4)
    quick_run(plain)
    assert tables(root) == tables(plain)


# Proxies at a port where nobody is; settings that Prefect cannot take, or that lead to what is not ours.
HOSTILE = {
    "http_proxy": "http://127.0.0.1:9",
    "https_proxy": "http://127.0.0.1:9",
    "ALL_PROXY": "socks5://127.0.0.1:9",
    "no_proxy": "localhost",
    "PREFECT_SERVER_DATABASE_CONNECTION_URL": "postgresql+asyncpg://nobody@127.0.0.1:9/none",
    "PREFECT_LOGGING_LEVEL": "SHOUT",
    "PREFECT_PROFILES_PATH": "/nowhere/profiles.toml",
    "PREFECT_API_KEY": "secret",
}


@pytest.mark.long
def test_proxies_and_settings_of_the_users_own_do_not_touch_the_private_server(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = make_corpus(tmp_path / "c", sides=2)
    for name, value in HOSTILE.items():
        monkeypatch.setenv(name, value)
    done = through_prefect(root, engine="local", workers=1)
    assert (done.returncode, done.stderr) == (0, "")
    assert (root / "derived" / ".prefect" / "prefect.db").stat().st_size > 0
    assert "going on without" not in done.stdout


@pytest.mark.slow
def test_settings_that_prefect_cannot_read_cost_only_prefect(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file in the folder where the user is, which Prefect reads as it is loaded."""
    root = make_corpus(tmp_path / "c", sides=1)
    (tmp_path / "prefect.toml").write_text("[server\n")
    monkeypatch.chdir(tmp_path)
    done = through_prefect(root, engine="local", workers=1)
    assert done.returncode == 0, done.stderr
    assert len(tables(root)) == 6


@pytest.mark.slow
def test_a_lost_server_is_not_a_killed_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import httpx

    from pipeline.engine.jobs import Job
    from pipeline.flows import corpus as flow_module
    from pipeline.flows.work import Batch
    from pipeline.settings import Settings

    class Lost:
        def wait(self) -> None:
            pass

        def result(self, *, raise_on_failure: bool) -> object:
            return httpx.ConnectError("refused")

    class Task:
        def submit(self, batch: Batch) -> Lost:
            return Lost()

    monkeypatch.setattr(flow_module, "batch_task", Task())
    batch = Batch(
        str(tmp_path), Settings(), "tests.helpers.quick_steps", (Job("s00-a", 0, (), ("s00-a",), {}, {}, {}),)
    )
    with pytest.raises(httpx.ConnectError):
        flow_module._singly(batch)


def test_a_worker_uses_one_thread_and_the_parent_keeps_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ONE_THREAD:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    with pool(1) as one:
        assert set(one.submit(quick_steps.threads).result()) == {1}
    assert {name: os.environ[name] for name in ONE_THREAD if name in os.environ} == {"OMP_NUM_THREADS": "7"}


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
    assert done.stderr == ""
    assert tables(root) == plain


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Windows has no process groups that hear SIGINT")
def test_ctrl_c_stops_within_seconds_and_says_how_to_go_on(tmp_path: Path) -> None:
    root = make_corpus(tmp_path / "c", sides=30)
    code = (
        "import pipeline.flows.run as run, sys\n"
        "run.ORDER, run.ALONE_S = 'tests.helpers.quick_steps', 0.0\n"
        "sys.argv = ['glideline', 'run', sys.argv[1], '--workers', '2']\n"
        "from pipeline.cli import main\n"
        "main()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(root)],
        env=environment(QUICK_STEPS_SLEEP_S="2"),
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


@pytest.mark.parametrize("measured", [True, False])
def test_a_run_with_little_or_nothing_to_do_starts_no_scheduler(tmp_path: Path, measured: bool) -> None:
    root = make_corpus(tmp_path / "c", sides=2)
    if measured:
        quick_run(root)
    code = (
        "import sys, json, pipeline.flows.run as run\n"
        "run.ORDER = 'tests.helpers.quick_steps'\n"
        "summary = run.run(sys.argv[1])\n"
        "print(json.dumps([summary.nothing_to_do, summary.failed, 'prefect' in sys.modules]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(root)],
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(done.stdout) == [measured, [], False]
    assert not (root / "derived" / ".prefect").exists()


def test_asking_loads_no_compiled_code(tmp_path: Path) -> None:
    """It takes seconds to load, and only those who measure need it."""
    root = make_corpus(tmp_path / "c", sides=1)
    code = (
        "import sys, json, pipeline.flows.status as status, pipeline.flows.run as run\n"
        "waiting = (status.status(sys.argv[1]).steps['state'] == 'waiting').sum()\n"
        "explained = run.run(sys.argv[1], explain_only=True).explained\n"
        "heavy = ('numba', 'scipy', 'statsmodels', 'prefect', 'soxr')\n"
        "print(json.dumps([waiting > 0, len(explained) > 0, [name for name in heavy if name in sys.modules]]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(root)], env=environment(), capture_output=True, text=True, check=True
    )
    assert json.loads(done.stdout) == [True, True, []]
