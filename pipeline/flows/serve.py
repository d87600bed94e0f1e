"""A private Prefect server that dies with the run that started it.

Started as ``python -m pipeline.flows.serve`` in a session of its own, so that Ctrl-C in the terminal does not
reach it before the run has told it how things ended. It prints its port, and ends when its standard input does:
that is a pipe held by the run alone, so even a run that is killed leaves nothing behind.

Half of its start would go into carrying an empty database through all of Prefect's migrations. That is done once for a
version of Prefect; the outcome, which holds nothing of anyone's, is kept beside the compiled code.
"""

import asyncio
import contextlib
import gc
import os
import socket
import sqlite3
import sys
import threading
import time
from importlib.metadata import version
from pathlib import Path


def main() -> None:
    """Serves until standard input ends."""
    gc.disable()  # all that is loaded stays, and looking for what does not takes a sixth of the time
    path = Path(os.environ["PREFECT_HOME"]) / "prefect.db"
    empty = Path(__file__).parent / "__pycache__" / f"prefect-{version('prefect')}.db"
    if not path.exists():
        make(path, empty=empty)
    if revision(path) == revision(empty) != "":
        os.environ["PREFECT_SERVER_DATABASE_MIGRATE_ON_START"] = "false"

    import uvicorn
    from prefect.server.api.server import create_app

    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    config = uvicorn.Config(create_app, factory=True, log_level="critical", lifespan="on")
    server = uvicorn.Server(config)

    def wait_for_end() -> None:
        sys.stdin.buffer.read()
        server.should_exit = server.force_exit = True
        time.sleep(3.0)
        os._exit(0)

    threading.Thread(target=wait_for_end, daemon=True).start()
    print(listener.getsockname()[1], flush=True)
    gc.freeze()
    gc.enable()
    server.run(sockets=[listener])
    os._exit(0)


def make(path: Path, *, empty: Path) -> None:
    """Makes the server's database: a copy of ``empty``, which is made first if need be and can be written."""
    if not empty.exists():
        from prefect.server.database import provide_database_interface

        asyncio.run(provide_database_interface().create_db())  # at ``path``, where Prefect looks for it
        path, empty = empty, path
    with contextlib.suppress(OSError, sqlite3.Error):
        path.parent.mkdir(exist_ok=True)  # a system that keeps no compiled code has none yet
        part = path.with_name(f".{path.name}.{os.getpid()}.tmp")
        try:
            with contextlib.closing(sqlite3.connect(empty)) as old, contextlib.closing(sqlite3.connect(part)) as new:
                old.backup(new)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)


def revision(path: Path) -> str:
    """How far a database has been carried through Prefect's migrations; empty if that cannot be told."""
    try:
        with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
            return "".join(row[0] for row in database.execute("select version_num from alembic_version"))
    except sqlite3.Error:
        return ""


if __name__ == "__main__":
    main()
