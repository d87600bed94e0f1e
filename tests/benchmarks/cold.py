"""A first run with nothing compiled yet, by turns with the same run where everything is; and workers that come.

    python -m tests.benchmarks.cold [--seconds 60] [--workers 2]

Each run is a process of its own, up to the hand, on a corpus of one rendered side; compiled code is kept in a folder of
its own. Prints seconds of the clock and of processor time, the ratio of both runs, and what a worker takes to come.
"""

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.chain import make
from tests.helpers.programs import as_a_user_has_it

RUN = "import sys; from pipeline.flows.run import run; run(sys.argv[1], until='hand', workers=int(sys.argv[2]))"
WORKER = """
import os, time
from pipeline.processes import pool, start_loading
if __name__ == "__main__":
    start_loading()
    with pool(1) as first:
        first.submit(os.getpid).result()
    began = time.perf_counter()
    with pool(1) as second:
        second.submit(os.getpid).result()
        print(f"{time.perf_counter() - began:.3f}")
"""


def timed(name: str, line: list[str], cache: Path) -> float:
    """Runs a program; prints and gives seconds of the clock."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(line, env=as_a_user_has_it(NUMBA_CACHE_DIR=str(cache)), check=True)
    after, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter() - start
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(f"{name:10} {wall:7.1f} s by the clock {cpu:7.1f} s of processor time", flush=True)
    return wall


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.cold")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    try:
        corpus, cache = folder / "corpus", folder / "cache"
        make(corpus, [given.seconds], "violin")
        spent = {}
        for name in ("cold", "warm"):
            spent[name] = timed(name, [sys.executable, "-P", "-c", RUN, str(corpus), str(given.workers)], cache)
            shutil.rmtree(corpus / "derived")
        print(f"cold = {spent['cold'] / spent['warm']:.1f} x warm, on {os.cpu_count()} cores")
        program = folder / "worker.py"
        program.write_text(WORKER, encoding="utf-8")
        line = [sys.executable, str(program)]
        came = subprocess.run(line, env=as_a_user_has_it(), check=True, capture_output=True, text=True).stdout.strip()
        print(f"a worker comes after {came} s")
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
