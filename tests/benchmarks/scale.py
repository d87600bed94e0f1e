"""What the orchestration costs, with steps that compute next to nothing. Prints figures; asserts nothing about time.

python tests/benchmarks/scale.py runs 10000      a corpus of so many transfers of one second
python tests/benchmarks/scale.py overhead 200 3  so many sides of so many seconds of work, against a plain pool
python tests/benchmarks/scale.py memory          one side of 12 minutes at 96 kHz, two channels
"""

import multiprocessing
import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "flows"))

from made_corpus import make_corpus
from quick_run import flow_run

WORKERS = 2


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


def runs(folder: Path, transfers: int) -> None:
    """A first run, a run with nothing to do, status, and a changed reference pitch."""
    from pipeline.flows import run as run_module
    from pipeline.flows import status as status_module

    run_module.ORDER = status_module.ORDER = "quick_steps"
    root = make_corpus(folder / "c", sides=transfers, session_of=4, seconds=0.1)
    timed(f"first run of {transfers}", lambda: flow_run(root, engine="local", workers=WORKERS))
    timed("run with nothing to do", lambda: run_module.run(root))
    timed("status", lambda: status_module.status(root))
    shutil.rmtree(root / "derived" / "compacted")
    timed("status without compacted tables", lambda: status_module.status(root))


def overhead(folder: Path, sides: int, seconds: float) -> None:
    """A run against the same work in a plain pool of processes."""
    os.environ["QUICK_STEPS_SLEEP_S"] = str(seconds)
    root = make_corpus(folder / "c", sides=sides, session_of=4)

    def plain() -> None:
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(WORKERS, mp_context=context) as pool:
            list(pool.map(time.sleep, [seconds] * sides))

    bare = timed("plain pool", plain)
    whole = timed("run as a flow", lambda: flow_run(root, engine="local", workers=WORKERS))
    print(f"run = {whole / bare:.3f} × plain, or 1.05 × plain {whole - 1.05 * bare:+.1f} s")


def memory(folder: Path) -> None:
    """Peak memory of a worker that hears the longest side at the highest rate in use."""
    import numpy as np
    import soundfile

    from pipeline.steps.order import STEPS
    from pipeline.steps.runner import do_job
    from pipeline.store.corpus import Corpus

    root = make_corpus(folder / "c", sides=1)
    rng = np.random.default_rng(0)
    with soundfile.SoundFile(root / "audio" / "s00.wav", "w", 96_000, 2, "PCM_24") as file:
        for second in range(720):
            time_s = second + np.arange(96_000) / 96_000
            tone = 0.2 * np.sin(2 * np.pi * 440 * 2 ** (np.floor(time_s * 2) % 12 / 12) * time_s)
            file.write(np.column_stack([tone, tone]) + rng.normal(0, 0.01, (96_000, 2)))
    from pipeline.flows.run import plan

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
            runs(folder, int(numbers[0]))
        elif what == "overhead":
            overhead(folder, int(numbers[0]), float(numbers[1]))
        else:
            memory(folder)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
