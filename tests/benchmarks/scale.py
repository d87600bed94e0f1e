"""What the orchestration costs, with steps that compute little or nothing. Prints figures; asserts nothing about time.

python -m tests.benchmarks.scale runs 10000 [2]  so many transfers of a tenth of a second, so many workers
python -m tests.benchmarks.scale asking 10000    what looking costs where so many transfers are up to date
python -m tests.benchmarks.scale memory          sides of 4 and 12 minutes, up to 96 kHz, two channels

``overhead.py`` compares a run of sides that sound with the bare functions.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path
from typing import Self

from pipeline.engine.up_to_date import note_path
from pipeline.flows import run as run_module
from pipeline.flows import status as status_module
from pipeline.flows.journal import events, latest
from tests.benchmarks.planned_corpus import make_planned
from tests.helpers.programs import environment
from tests.helpers.tone_corpus import change, make_corpus

WORKERS = 2
# Minutes and rates of sides whose memory is measured; the peak of a process never falls, so the greatest comes last.
SIDES = ((4, 44_100), (4, 96_000), (12, 96_000))


def timed(name: str, work: Callable[[], object]) -> float:
    """Does the work; prints wall and CPU time of this process and the children that have ended, and peak memory."""
    before, children = time.process_time(), resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    work()
    wall = time.perf_counter() - start
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    below = ended.ru_utime + ended.ru_stime - children.ru_utime - children.ru_stime
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{name:34} {wall:8.1f} s wall {time.process_time() - before:8.1f} s CPU here {below:8.1f} s in children "
        f"{peak:7.0f} MB peak here",
        flush=True,
    )
    return wall


class Watch:
    """Resident memory of this process while a block runs, taken every second."""

    def __enter__(self) -> Self:
        self.megabytes: list[float] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()
        return self

    def _look(self) -> None:
        while not self._over.wait(1.0):
            pages = int(Path("/proc/self/statm").read_text().split()[1])
            self.megabytes.append(pages * resource.getpagesize() / 2**20)

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def words(self) -> str:
        """Memory at five moments, evenly spread."""
        last = len(self.megabytes) - 1
        return ", ".join(f"{self.megabytes[last * k // 10]:.0f}" for k in (1, 3, 5, 7, 9)) + " MB"


def runs(folder: Path, transfers: int, workers: int) -> None:
    """A first run, what asking costs then, and one changed reference pitch; real flow, facts, tables and summary."""
    root = folder / "c"
    make_corpus(root, sides=transfers, session_of=4, seconds=0.1)
    run_module.ORDER = status_module.ORDER = "tests.benchmarks.simulated_steps"
    with Watch() as watch:
        wall = timed(f"first run of {transfers}", lambda: run_module.run(root, workers=workers))
    print(f"  memory here after 10, 30, 50, 70, 90 % of the time: {watch.words()}")
    stages(root, wall=wall, workers=workers)
    asking(root)


def stages(root: Path, *, wall: float, workers: int) -> None:
    """Per stage: time of workers that no job took."""
    log = list(events(latest(root / "derived") or root))
    begun = [number for number, event in enumerate(log) if event["event"] == "stage"]
    for first, end in zip(begun, [*begun[1:], len(log)], strict=True):
        jobs = [event for event in log[first:end] if event["event"] == "job" and event["unit_id"] != "corpus"]
        took_s = sum(job["took_s"] for job in jobs)
        times = [datetime.fromisoformat(event["time"]) for event in (log[first], jobs[-1])]
        spent_s = (times[1] - times[0]).total_seconds()
        idle_ms = 1000 * (workers * spent_s - took_s) / len(jobs)
        print(
            f"  {log[first]['label']}: {len(jobs)} jobs, {spent_s:.1f} s, {1000 * took_s / len(jobs):.1f} ms each in a "
            f"worker; the rest, start of the workers included, {idle_ms:.1f} ms a job"
        )
    print(f"  whole run: {1000 * wall * workers / len(list((root / 'audio').iterdir())):.1f} ms of a worker a transfer")


def asking(root: Path) -> None:
    """What asking costs, in processes of their own as a user has it."""
    command(root, "status", "status")
    command(root, "run with nothing to do", "run")
    command(root, "--explain with nothing to do", "run", "--explain")
    change(root, "reference_pitch", "440", "435")
    command(root, "--explain, one pitch changed", "run", "--explain")
    command(root, "run, one pitch changed", "run", "--workers", str(WORKERS))
    shutil.rmtree(root / "derived" / "compacted")
    command(root, "status without compacted tables", "status")


def looking(root: Path, transfers: int) -> None:
    """``status`` and a run with nothing to do, each in a process of its own, with its greatest memory.

    As a run leaves a corpus; ``status`` where only a player was edited, which no transfer hangs on; and without what a
    run notes, as after other edits, when every key is worked out.
    """
    # in a process of its own: what is forked from a large one counts its memory too
    maker = get_context("spawn").Process(target=make_planned, args=(root,), kwargs={"transfers": transfers})
    maker.start()
    maker.join()
    print(f"{transfers} transfers, all up to date")
    for word in ("status", "run"):
        look(root, word, "")
    players = root / "catalogue" / "player.csv"
    written = players.read_text(encoding="utf-8")
    change(root, "player", "A. Player", "Another Player")
    look(root, "status", "a player edited")
    players.write_text(written, encoding="utf-8")
    for word in ("status", "run"):
        note_path(root / "derived").unlink(missing_ok=True)
        look(root, word, "every key anew")


def look(root: Path, word: str, how: str) -> None:
    """Times one command."""
    line = [sys.executable, "-c", "from pipeline.cli import main; main()", word, str(root)]
    start = time.perf_counter()
    with subprocess.Popen(line, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    wall, cpu = time.perf_counter() - start, used.ru_utime + used.ru_stime
    told = f"{wall:8.1f} s wall {cpu:8.1f} s CPU {used.ru_maxrss / 1024:7.0f} MB peak"
    print(f"  {word:7} {how:24} {told}, exit {process.returncode}", flush=True)


def command(root: Path, name: str, *words: str) -> None:
    """Times one command of the command line."""
    program = (
        "import sys; import pipeline.flows.run as r; r.ORDER = 'tests.benchmarks.simulated_steps'\n"
        "if 'status' in sys.argv: import pipeline.flows.status as s; s.ORDER = 'tests.benchmarks.simulated_steps'\n"
        "from pipeline.cli import main; main()"
    )
    line = [sys.executable, "-c", program, words[0], str(root), *words[1:]]
    timed(name, lambda: subprocess.run(line, env=environment(), stdout=subprocess.DEVNULL, check=True))


def memory(folder: Path) -> None:
    """Peak memory of a worker that hears a usual side, and the longest at the highest rate in use."""
    for minutes, rate in SIDES:
        print(f"{minutes} minutes at {rate} Hz, two channels")
        hear(folder / f"{minutes}-{rate}", minutes=minutes, rate=rate)


def hear(root: Path, *, minutes: int, rate: int) -> None:
    """All steps on one side, in this process."""
    import numpy as np
    import soundfile

    from pipeline.engine.runner import do_job
    from pipeline.flows.run import plan
    from pipeline.steps.order import STEPS
    from pipeline.store.corpus import Corpus

    make_corpus(root, sides=1)
    rng = np.random.default_rng(0)
    with soundfile.SoundFile(root / "audio" / "s00.wav", "w", rate, 2, "PCM_24") as file:
        for second in range(60 * minutes):
            time_s = second + np.arange(rate) / rate
            tone = 0.2 * np.sin(2 * np.pi * 440 * 2 ** (np.floor(time_s * 2) % 12 / 12) * time_s)
            file.write(np.column_stack([tone, tone]) + rng.normal(0, 0.01, (rate, 2)))
    corpus = Corpus(root)
    planner = plan(corpus, STEPS, until=None, only=None)
    planner.prepare()
    for stage in range(len(planner.stages)):
        for unit_id, transfers, _ in list(planner.due(stage)):
            job = planner.job(stage, unit_id, transfers)
            names = ", ".join(job.steps)
            timed(names, lambda job=job: planner.learn(do_job(corpus, job, settings=corpus.settings, steps=STEPS)))


def main() -> None:
    """Does what the arguments ask for."""
    what, *numbers = sys.argv[1:] or ["runs", "10000"]
    folder = Path(tempfile.mkdtemp())
    try:
        if what == "runs":
            runs(folder, int(numbers[0]), int(numbers[1]) if numbers[1:] else WORKERS)
        elif what == "asking":
            for transfers in map(int, numbers):
                looking(folder / str(transfers), transfers)
        else:
            memory(folder)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
