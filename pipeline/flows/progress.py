"""How a run shows itself: a live line on a terminal, plain lines elsewhere, nothing at all when quiet."""

import sys
import threading
import time
from dataclasses import dataclass, field
from typing import Any

from pipeline.engine.jobs import Report

PLAIN_EVERY_S = 10.0
QUIET_TIMES = 3  # where nothing has ended since, a line comes only so many times later

# The first jobs to end are the shortest; they tell little of the others.
ENOUGH = 3


@dataclass
class Tally:
    """Counts of one stage."""

    label: str
    total: int
    started: float = field(default_factory=time.monotonic)
    ended: int = 0
    failed: int = 0
    sound_s: float = 0.0
    announced: bool = False

    def add(self, report: Report) -> None:
        """Takes in one job."""
        self.ended += 1
        self.failed += any(did.result == "failed" for did in report.did)
        self.sound_s += report.sound_s

    @property
    def done(self) -> int:
        """Jobs that ended well."""
        return self.ended - self.failed

    def words(self) -> str:
        """Done, failed, left, rate and time left, in words; no rate or time before enough is known."""
        took = max(time.monotonic() - self.started, 1e-6)
        parts = [f"{self.done} of {self.total} done", f"{self.failed} failed", f"{self.total - self.ended} left"]
        if self.sound_s and self.ended >= ENOUGH:
            rate = self.sound_s / took
            parts.append(f"{rate:.0f} × real time" if rate >= 10 else f"{rate:.1f} × real time")
        left_s = time_left_s(took, ended=self.ended, total=self.total)
        if left_s is not None:
            parts.append(f"about {clock(left_s)} to go")
        return ", ".join(parts)


def time_left_s(took_s: float, *, ended: int, total: int) -> float | None:
    """Time that the other jobs will take; None before enough have ended, or when all have."""
    return took_s * (total - ended) / ended if min(ENOUGH, max(total - 1, 1)) <= ended < total else None


def clock(seconds: float) -> str:
    """A duration as people read it: 8 s, 12 min, 3 h 20 min."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds // 3600:.0f} h {seconds % 3600 / 60:.0f} min"


class Display:
    """Shows stages as they go, on stderr; ``quiet`` shows nothing. Plain lines come even while no job ends."""

    def __init__(self, *, quiet: bool = False) -> None:
        self.quiet = quiet
        self.live = not quiet and sys.stderr.isatty()
        self._bar: Any = None
        self._task: Any = None
        self._ended = threading.Event()

    def say(self, message: str) -> None:
        """One line."""
        if self.quiet:
            return
        if self._bar is not None:
            self._bar.console.print(message, markup=False, highlight=False)
        else:
            print(message, file=sys.stderr, flush=True)

    def doing(self, words: str) -> None:
        """What goes on now, where nothing can be counted."""
        self.say(f"{words[:1].upper()}{words[1:]}.")

    def start(self, tally: Tally) -> None:
        """A stage begins, or goes on."""
        if self.live:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn

            self._bar = Progress(
                SpinnerColumn(),
                TextColumn("{task.description}"),
                BarColumn(bar_width=30),
                TextColumn("{task.fields[words]}"),
                console=Console(stderr=True),
                refresh_per_second=4,
                transient=True,
            )
            self._bar.start()
            self._task = self._bar.add_task(tally.label, total=tally.total, words=tally.words())
        elif not self.quiet:
            if not tally.announced:
                self.say(f"{tally.label}: {tally.total} to do")
                tally.announced = True
            self._ended = threading.Event()
            threading.Thread(target=self._tell, args=(tally, self._ended), daemon=True).start()

    def update(self, tally: Tally) -> None:
        """A job of the stage has ended."""
        if self._bar is not None:
            self._bar.update(self._task, completed=tally.ended, words=tally.words())

    def _tell(self, tally: Tally, ended: threading.Event) -> None:
        last, quiet = -1, 0
        while not ended.wait(PLAIN_EVERY_S):
            quiet += 1
            if tally.ended != last or quiet == QUIET_TIMES:
                last, quiet = tally.ended, 0
                first = "" if tally.ended else "; the first take longest, code may have to be compiled"
                self.say(f"{tally.label}: {tally.words()}{first}")

    def stop(self, tally: Tally | None = None) -> None:
        """The stage has ended, or was interrupted."""
        self._ended.set()
        if self._bar is not None:
            self._bar.stop()
            self._bar = None
        if tally is not None:
            took = clock(time.monotonic() - tally.started)
            self.say(f"{tally.label}: {tally.done} done, {tally.failed} failed, {took}")
