"""A run against the same pure functions in a plain pool of processes: sides that sound, measured whole.

python -m tests.benchmarks.overhead 200 60 2     so many sides of so many seconds, so many workers

Processor time is of this process and all below it, on Linux; so a busy machine can be told from a slow run.
"""

import multiprocessing
import os
import shutil
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from multiprocessing import forkserver
from pathlib import Path

import numpy as np
import soundfile

from pipeline.environment import ONE_THREAD
from pipeline.flows.run import run
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice
from pipeline.store.corpus import Corpus
from tests.benchmarks.chain import run_one
from tests.benchmarks.scale import timed
from tests.helpers.tone_corpus import make_corpus

RATE_HZ = 44_100
DIFFERENT = 4  # renderings; the others differ from them in loudness alone


def sounding(root: Path, *, sides: int, seconds: float) -> None:
    """A corpus of rendered sides."""
    make_corpus(root, sides=sides, session_of=1, seconds=0.1)
    rendered = []
    for seed in range(min(DIFFERENT, sides)):
        rng = np.random.default_rng(seed)
        plan = random_plan(rng, instrument="violin", length_s=seconds, reference_pitch_hz=440.0, with_piano=True)
        voice = random_voice(rng, instrument="violin")
        chain = {"snr_db": 20.0, "piano_below_db": 9.0, "band": "electrical", "speed": SpeedPlan()}
        rendered.append(render_side(plan, rng=rng, sample_rate_hz=RATE_HZ, voice=voice, **chain)[0])
    for number, path in enumerate(sorted((root / "audio").iterdir())):
        samples = rendered[number % len(rendered)]
        level = 0.5 * 0.999**number / np.max(np.abs(samples))
        soundfile.write(path, level * samples, RATE_HZ, subtype="PCM_16")


@cache
def _corpus(root: Path) -> Corpus:
    return Corpus(root)


def pure(transfer_id: str, *, root: Path) -> int:
    """How many slides all that is computed of one side, without a run, finds."""
    _, tables = run_one(_corpus(root), transfer_id)
    return tables["slide"].height


def compare(folder: Path, *, sides: int, seconds: float, workers: int) -> None:
    """Prints both, and what a run takes more."""
    os.environ.update(ONE_THREAD)
    root = folder / "c"
    sounding(root, sides=sides, seconds=seconds)
    names = [f"{path.stem}-a" for path in sorted((root / "audio").iterdir())]
    found = []

    def plain() -> None:
        with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
            found.extend(pool.map(partial(pure, root=root), names))

    before = cpu_s()
    bare = timed("pure functions in a plain pool", plain)
    between = cpu_s()
    whole = timed("run, up to the hand", lambda: run(root, workers=workers, until="hand"))
    after = cpu_s()
    timed("run, summaries and database", lambda: run(root))
    print(f"{sum(found)} slides on {sides} sides of {seconds:g} s, {workers} workers")
    print(f"run = {whole / bare:.3f} × plain, or 1.05 × plain {whole - 1.05 * bare:+.1f} s")
    bare, whole = between - before, after - between
    print(f"processor time {whole:.1f} and {bare:.1f} s: {whole / bare:.3f} × plain")


def cpu_s() -> float:
    """Processor seconds of this process, of its children that have ended, and of what workers are forked from."""
    now = os.times()
    ticks = 0
    if server := forkserver._forkserver._forkserver_pid:
        ticks = sum(map(int, Path(f"/proc/{server}/stat").read_text().rpartition(")")[2].split()[11:15]))
    return now.user + now.system + now.children_user + now.children_system + ticks / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    made = Path(tempfile.mkdtemp())
    try:
        compare(made, sides=int(sys.argv[1]), seconds=float(sys.argv[2]), workers=int(sys.argv[3]))
    finally:
        shutil.rmtree(made)
