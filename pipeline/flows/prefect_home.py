"""Keeps Prefect private and quiet: its home inside the corpus, its own server, no telemetry.

A user who has a Prefect server sets PREFECT_API_URL; then that server is used, with the user's settings and proxies,
and none is started. To the private one, neither the user's settings of Prefect nor a proxy mean anything.
"""

import contextlib
import os
import shutil
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.environment import environment
from pipeline.errors import DataError

START_WITHIN_S = 180.0
SAY_AFTER_S = 10.0
ANSWER_WITHIN_S = 20.0  # a request, of which each is tried three times

# Services that look for what a run of ours never has: schedules, deployments, workers, triggers.
_UNUSED = ("CANCELLATION_CLEANUP", "DB_VACUUM", "FOREMAN", "LATE_RUNS", "PAUSE_EXPIRATIONS", "SCHEDULER", "TRIGGERS")

_QUIET = {
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "DO_NOT_TRACK": "1",
    "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
    "PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS": "false",
    "PREFECT_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_INTERNAL_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
    "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_CLIENT_SERVER_VERSION_CHECK_ENABLED": "false",
    "PREFECT_SERVER_REGISTER_BLOCKS_ON_START": "false",
    "PREFECT_SERVER_UI_ENABLED": "false",
    **dict.fromkeys((f"PREFECT_SERVER_SERVICES_{name}_ENABLED" for name in _UNUSED), "false"),
    "RAY_USAGE_STATS_ENABLED": "0",
    "DASK_LOGGING__DISTRIBUTED": "critical",
}


def users_server() -> str | None:
    """Address of the Prefect server that the user has named, if any; inside ``server``, of the one in use."""
    return os.environ.get("PREFECT_API_URL") or None


class UnusableError(DataError):
    """Prefect cannot be used for a run, or no longer."""


class Server:
    """A Prefect server on its way up; or the user's own, which is up, while Prefect itself is being loaded."""

    def __init__(self, process: subprocess.Popen[bytes] | None, load: Callable[[], object], log: Path) -> None:
        self.process = process
        self._load = load
        self._log = log
        self._fault = ""
        self.url = users_server()
        self.environment = contextlib.ExitStack()
        self._coming = threading.Thread(target=self._come, daemon=True)
        self._coming.start()

    def _come(self) -> None:
        try:
            self._load()
            if self.process is not None:
                self.url = _address(self.process)
        except Exception as error:  # whatever settings and packages may bring about; the run can do without
            self._fault = f"{type(error).__name__}: {error}".strip().partition("\n")[0]
            self.url = None

    def has_come(self) -> bool:
        """Whether it is up, or will never be."""
        return not self._coming.is_alive()

    def wait(self, say: Callable[[str], None] = lambda _: None) -> None:
        """Waits until it is up, and sets its address for Prefect; ``say`` gets a word if that takes long.

        Raises
        ------
        UnusableError
            If it does not start.
        """
        self._coming.join(SAY_AFTER_S)
        if self._coming.is_alive():
            say(f"Waiting for the Prefect server of this run, at most {START_WITHIN_S:.0f} s.")
        self._coming.join()
        if self.url is None:
            reason = self._fault or _last_line(self._log) or "its server ended without a word"
            raise UnusableError(f"Prefect cannot be started ({reason})")
        self.environment.enter_context(environment({"PREFECT_API_URL": self.url}))

    def has_ended(self) -> bool:
        """Whether our own server is gone."""
        return self.process is not None and self.process.poll() is not None

    def when_ended(self, do: Callable[[], None]) -> None:
        """Calls ``do``, in a thread, as soon as our own server is gone."""
        if (process := self.process) is None:
            return

        def watch() -> None:
            process.wait()
            do()

        threading.Thread(target=watch, daemon=True).start()

    def end(self) -> None:
        """Ends our own server."""
        self.environment.close()
        if self.process is None:
            self._coming.join()
            return
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        if not self.has_come():
            self.process.kill()
        try:
            self.process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self._coming.join()
        self.process.stdout.close()


@contextmanager
def server(derived: Path, load: Callable[[], object] = lambda: None) -> Iterator[Server]:
    """Sets Prefect's environment, and starts a server that lasts as long as the block unless the user has one.

    ``load`` is called in the meantime.
    """
    log = derived / "log" / "prefect-server.log"
    home = Path(os.environ.get("PREFECT_HOME", "~/.prefect")).expanduser()
    values: dict[str, str | None] = {
        name: value for name, value in (_QUIET | _not_from_here(home)).items() if name not in os.environ
    }
    if not users_server():
        home = _emptied((derived / ".prefect").absolute())
        own = {"PREFECT_HOME": str(home), "NO_PROXY": "*", "no_proxy": "*"}
        own |= {"PREFECT_CLIENT_MAX_RETRIES": "2", "PREFECT_API_REQUEST_TIMEOUT": f"{ANSWER_WITHIN_S:.0f}"}
        values = {name: None for name in os.environ if name.startswith("PREFECT_")}
        values |= _QUIET | own | _not_from_here(home)
    with environment(values):
        started = Server(None if users_server() else _started(log), load, log)
        try:
            yield started
        finally:
            started.end()


def _emptied(home: Path) -> Path:
    """An empty folder: a stranger's corpus might hold settings there that name code to run."""
    try:
        if home.exists():
            shutil.rmtree(home)
        home.mkdir(parents=True)
    except OSError as error:
        raise UnusableError(f"{home}: cannot be emptied ({error.strerror or error})") from error
    return home


def _not_from_here(home: Path) -> dict[str, str]:
    """Where Prefect's settings lie, so that none is read from the folder where the user happens to be.

    ``prefect.toml``, ``.env`` and ``pyproject.toml`` there may be a stranger's, and a file for logging may name code.
    What the environment says stands above them.
    """
    named = {"PREFECT_PROFILES_PATH": "profiles.toml", "PREFECT_LOGGING_CONFIG_PATH": "logging.yml"}
    return {name: str(home / file) for name, file in named.items()}


def _started(log_path: Path) -> subprocess.Popen[bytes]:
    log_path.parent.mkdir(exist_ok=True)
    with log_path.open("wb") as log:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "pipeline.flows.serve"],
            cwd=os.environ["PREFECT_HOME"],  # see ``_not_from_here``
            env=os.environ | {"PYTHONPATH": os.pathsep.join(map(os.path.abspath, filter(None, sys.path)))},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=log,
            start_new_session=True,
        )


def lost(reason: str) -> UnusableError:
    """What is said when the server cannot be reached any more in the middle of a run."""
    return UnusableError(f"the Prefect server at {users_server()} can no longer be reached ({reason})")


def _address(process: subprocess.Popen[bytes]) -> str | None:
    """The server's address once it answers; None, and the server ended, if it does not in time."""
    assert process.stdout is not None
    too_late = threading.Timer(START_WITHIN_S, process.kill)
    too_late.daemon = True
    too_late.start()
    directly = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        port = process.stdout.readline().strip().decode()
        while port and process.poll() is None:
            try:
                with directly.open(f"http://127.0.0.1:{port}/api/health", timeout=5):
                    return f"http://127.0.0.1:{port}/api"
            except (urllib.error.URLError, OSError):
                time.sleep(0.1)
        return None
    finally:
        too_late.cancel()


def _last_line(log: Path) -> str:
    try:
        lines = log.read_text(encoding="utf-8", errors="replace").split("\n")
    except OSError:
        return ""
    return next((line.strip() for line in reversed(lines) if line.strip()), "")
