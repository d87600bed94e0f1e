"""What is used once beforehand is all that a side needs: it compiles nothing more, and no thread has been started."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.environment import ONE_THREAD
from tests.benchmarks.chain import make
from tests.helpers.programs import environment

PROGRAM = """
import json, os, sys
from pathlib import Path
from numba.core.dispatcher import Dispatcher
import pipeline.signal.loaded

def signatures():
    modules = [module for name, module in list(sys.modules.items()) if name.startswith("pipeline.signal.")]
    found = {kernel for module in modules for kernel in vars(module).values() if isinstance(kernel, Dispatcher)}
    return {f"{k.py_func.__module__}.{k.py_func.__name__} {s}" for k in found for s in k.signatures}

threads = len(os.listdir("/proc/self/task")) if sys.platform == "linux" else 1
before = signatures()
from pipeline.store.corpus import Corpus
from tests.benchmarks.chain import run_one
for instrument in ("violin", "cello"):
    corpus = Corpus(Path(sys.argv[1]) / instrument)
    run_one(corpus, corpus.catalogue.frame("transfer")["transfer_id"][0])
print(json.dumps([threads, len(before), sorted(signatures() - before)]))
"""


@pytest.mark.slow
def test_a_side_compiles_nothing_after_the_first_use(tmp_path: Path) -> None:
    for instrument in ("violin", "cello"):
        make(tmp_path / instrument, [12.0], instrument)
    line = [sys.executable, "-c", PROGRAM, str(tmp_path)]
    done = subprocess.run(line, env=environment(**ONE_THREAD), capture_output=True, text=True, check=True)
    threads, count, new = json.loads(done.stdout)
    assert threads == 1
    assert count > 50
    assert new == []
