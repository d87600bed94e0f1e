"""What a question takes, in a process of its own as a user has it, on corpora of growing size.

    python -m tests.benchmarks.ask [18 1000]

Steps compute next to nothing (``simulated_steps``); audio is a tenth of a second. Prints for each command the best of
three processor times on each corpus, in seconds and as a multiple of ``--help`` in the same run.
"""

import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from pipeline.flows import run as run_module
from pipeline.flows import status as status_module
from tests.helpers.programs import as_a_user_has_it
from tests.helpers.tone_corpus import make_corpus

STEPS, TURNS = "tests.benchmarks.simulated_steps", 3
PROGRAM = """
import sys
if sys.argv[1] == "run":
    import pipeline.flows.run as run; run.ORDER = "tests.benchmarks.simulated_steps"
if sys.argv[1] == "status":
    import pipeline.flows.status as status; status.ORDER = "tests.benchmarks.simulated_steps"
from pipeline.cli import main
main()
"""
ENVIRONMENT = as_a_user_has_it()
ASKED = (
    ("status",),
    ("check",),
    ("run",),
    ("query", "slides_by_player"),
    ("speed",),
    ("trace", "s00-a"),
    ("hand", "s00-a"),
    ("dictionary",),
)


def cost(*words: str) -> float:
    """Processor time of one command."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([sys.executable, "-c", PROGRAM, *words], env=ENVIRONMENT, capture_output=True, check=False)
    assert done.returncode == 0 or words[0] == "check", done.stderr  # the made corpus is not without fault
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Run and print."""
    run_module.ORDER = status_module.ORDER = STEPS
    with tempfile.TemporaryDirectory() as folder:
        roots = {}
        for size in map(int, sys.argv[1:] or ("18", "1000")):
            roots[size] = Path(folder) / str(size)
            make_corpus(roots[size], sides=size, session_of=4, seconds=0.1)
            run_module.run(roots[size], workers=2)
        least = min(cost("--help") for _ in range(TURNS))
        print(f"{'--help':24} {least:6.2f} s")
        for name, *more in ASKED:
            spent = {}
            for _ in range(TURNS):
                for size, root in roots.items():
                    words = (name,) if name == "dictionary" else (name, str(root), *more)
                    spent[size] = min(cost(*words), spent.get(size, float("inf")))
            told = "   ".join(f"{size}: {s:6.2f} s, {s / least:5.1f} x" for size, s in spent.items())
            print(f"{name:24} {told}", flush=True)


if __name__ == "__main__":
    main()
