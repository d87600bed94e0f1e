"""Keeps Prefect private and quiet: its home inside the corpus, its own server, no telemetry.

A user who has a Prefect server sets PREFECT_API_URL; then that server is used and none is started.
"""

import os
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import DataError, typed
from pipeline.flows.environment import environment

START_WITHIN_S = 180.0

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
    "RAY_USAGE_STATS_ENABLED": "0",
    "DASK_LOGGING__DISTRIBUTED": "critical",
}


def users_server() -> str | None:
    """Address of the Prefect server that the user has named, if any; inside ``server``, of the one in use."""
    return os.environ.get("PREFECT_API_URL") or None


@contextmanager
def server(derived: Path) -> Iterator[None]:
    """Sets Prefect's environment, and runs a server for as long as the block lasts unless the user has one.

    Raises
    ------
    DataError
        If the server does not start.
    """
    values = {name: value for name, value in _QUIET.items() if name not in os.environ}
    if users_server():
        with environment(values):
            yield
        return
    home = (derived / ".prefect").resolve()
    home.mkdir(parents=True, exist_ok=True)
    own = {"PREFECT_HOME": str(home), "PREFECT_CLIENT_MAX_RETRIES": "2"}  # refused here means that it has ended
    with environment(values | own):
        log_path = derived / "log" / "prefect-server.log"
        log_path.parent.mkdir(exist_ok=True)
        with log_path.open("wb") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "pipeline.flows.serve"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                start_new_session=True,
            )
        try:
            url = _address(process)
            if url is None:
                raise DataError(
                    "the Prefect server that schedules the work did not start; its messages are in "
                    "derived/log/prefect-server.log; delete derived/.prefect and run again"
                )
            with environment({"PREFECT_API_URL": url}):
                yield
        finally:
            _end(process)


def lost(root: Path, *, reason: str) -> DataError:
    """What is said when the server cannot be reached any more in the middle of a run."""
    return DataError(
        f"the Prefect server at {users_server()}, which schedules the work, can no longer be reached ({reason}); "
        f"no side fails for that, and what is finished is kept; go on with: glideline run {typed(root)}"
    )


def _address(process: subprocess.Popen[bytes]) -> str | None:
    assert process.stdout is not None
    port = process.stdout.readline().strip().decode()
    end = time.monotonic() + START_WITHIN_S
    while port and time.monotonic() < end and process.poll() is None:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/health", timeout=5):
                return f"http://127.0.0.1:{port}/api"
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    return None


def _end(process: subprocess.Popen[bytes]) -> None:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.close()
    process.stdout.close()
    try:
        process.wait(timeout=10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
