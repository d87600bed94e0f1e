"""What a question takes, in a process of its own as a user has it, on corpora of growing size.

    python -m tests.benchmarks.ask [18 1000]

The corpora are made, not measured (``planned_corpus``): forty rows a transfer in each table. Prints for each command
the best of three on each corpus, seconds of processor time and of the clock, and the former as a multiple of ``--help``
in the same run.
"""

import resource
import subprocess
import sys
import tempfile
import time
from multiprocessing import get_context
from pathlib import Path

from tests.benchmarks.planned_corpus import FIRST, make_asked
from tests.helpers.programs import as_a_user_has_it

TURNS = 3
PROGRAM = "from pipeline.cli import main; main()"
ENVIRONMENT = as_a_user_has_it()
ASKED = (
    ("status",),
    ("check",),
    ("run",),
    ("query", "slides_by_player"),
    ("speed",),
    ("speed", FIRST),
    ("trace", FIRST),
    ("hand", FIRST),
    ("dictionary",),
)


def cost(*words: str) -> tuple[float, float]:
    """Processor time of one command, and time by the clock."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run([sys.executable, "-c", PROGRAM, *words], env=ENVIRONMENT, capture_output=True, check=False)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode == 0 or words[0] == "check", done.stderr  # the made corpus is not without fault
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall


def main() -> None:
    """Run and print."""
    with tempfile.TemporaryDirectory() as folder:
        roots = {}
        for size in map(int, sys.argv[1:] or ("18", "1000")):
            roots[size] = Path(folder) / str(size)
            # in a process of its own: what is forked from a large one takes longer to come
            maker = get_context("spawn").Process(target=make_asked, args=(roots[size],), kwargs={"transfers": size})
            maker.start()
            maker.join()
        least, _ = min(cost("--help") for _ in range(TURNS))
        print(f"{'--help':24} {least:6.2f} s")
        for name, *more in ASKED:
            spent = {}
            for _ in range(TURNS):
                for size, root in roots.items():
                    words = (name,) if name == "dictionary" else (name, str(root), *more)
                    spent[size] = min(cost(*words), spent.get(size, (float("inf"), 0.0)))
            told = "   ".join(f"{n}: {s:5.2f} s ({w:5.2f}), {s / least:4.1f} x" for n, (s, w) in spent.items())
            print(f"{' '.join((name, *more)):24} {told}", flush=True)


if __name__ == "__main__":
    main()
