"""The log of runs, ``derived/log/run-<time>.jsonl``: one line for each thing that happened, with its time.

Here stand the clock, the attempts and the tracebacks that tables must not hold.
"""

import contextlib
import json
import os
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from pipeline.engine.jobs import Report

KEEP = 30  # logs of earlier runs that stay
_TIME = "%Y%m%dT%H%M%S.%fZ"


class Journal:
    """The log of one run; one line a call."""

    def __init__(self, derived: Path) -> None:
        folder = derived / "log"
        folder.mkdir(parents=True, exist_ok=True)
        for old in sorted(folder.glob("run-*.jsonl"))[: -(KEEP - 1)]:
            old.unlink(missing_ok=True)
        now = datetime.now(UTC)
        if last := latest(derived):  # a clock that was set back must not put this run before it
            now = max(now, _begun(last) + timedelta(microseconds=1))
        self.path = folder / f"run-{now.strftime(_TIME)}-{os.getpid()}.jsonl"

    def write(self, event: str, **values: Any) -> None:
        """Adds a line."""
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        # A full disk must not stop the run, which says so itself.
        with contextlib.suppress(OSError), self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps({"time": now, "event": event, **values}, ensure_ascii=False) + "\n")

    def report(self, report: Report) -> None:
        """Adds a line for a job, and one for each step that ran or failed in it."""
        for did in report.did:
            if did.result != "unchanged":
                said: Mapping[str, Any] = {
                    name: value for name in ("message", "cause", "moved", "traceback") if (value := getattr(did, name))
                }
                self.write("step", transfer_id=did.transfer_id, step=did.step, result=did.result, **said)
        self.write(
            "job",
            unit_id=report.unit_id,
            stage=report.stage,
            took_s=round(report.took_s, 3),
            sound_s=round(report.sound_s, 2),
        )


def latest(derived: Path) -> Path | None:
    """The log of the last run, or of the one going on."""
    found = sorted((derived / "log").glob("run-*.jsonl"))
    return found[-1] if found else None


def _begun(path: Path) -> datetime:
    """When the run of a log began, by its name."""
    try:
        return datetime.strptime(path.name.split("-")[1], _TIME).replace(tzinfo=UTC)
    except (IndexError, ValueError):
        return datetime.min.replace(tzinfo=UTC)


def events(path: Path) -> Iterator[dict[str, Any]]:
    """The lines of a log; one cut short is passed over."""
    with path.open(encoding="utf-8") as file:
        for line in file:
            try:
                yield json.loads(line)
            except ValueError:
                continue
