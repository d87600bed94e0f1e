"""One side from its file to corrected slides and the hand: CPU time of each step, × real time, and memory.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.chain [--seconds 240] [--instrument violin]

The side is rendered with a piano and noise in a process of its own; then, after a side of 20 s that loads all
compiled code, the same functions that a worker calls run on it one after another; as in a worker, the garbage collector
does not look through what is loaded. Memory is the most that the process has held at any time, its libraries and
compiled code included.
"""

import argparse
import gc
import multiprocessing
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl
import soundfile

from pipeline.answers.sound import read
from pipeline.engine.planner import sound_spec
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice
from pipeline.steps.base import StepInput
from pipeline.steps.order import STEPS
from pipeline.steps.scopes import session_units
from pipeline.store.corpus import Corpus
from tests.helpers.tone_corpus import change, make_corpus

RATE_HZ = 44_100
WARM_S = 20.0


def make(root: Path, lengths_s: list[float], instrument: str) -> None:
    """A corpus of one side of each length, played on the instrument."""
    make_corpus(root, sides=len(lengths_s), session_of=1, seconds=0.1)
    change(root, "performance", ",violin,", f",{instrument},")
    for seed, (path, length_s) in enumerate(zip(sorted((root / "audio").iterdir()), lengths_s, strict=True)):
        rng = np.random.default_rng(seed)
        samples, _ = render_side(
            random_plan(rng, instrument=instrument, length_s=length_s, reference_pitch_hz=440.0, with_piano=True),
            rng=rng,
            sample_rate_hz=RATE_HZ,
            voice=random_voice(rng, instrument=instrument),
            snr_db=15.0,
            piano_below_db=6.0,
            band="electrical",
            speed=SpeedPlan(offset_cents=20.0),
        )
        soundfile.write(path, samples, RATE_HZ, subtype="PCM_16")


def run_one(corpus: Corpus, transfer_id: str) -> tuple[dict[str, float], dict[str, pl.DataFrame]]:
    """All that is computed of one side, in memory: CPU seconds of decoding and of each step, and the tables."""
    row = corpus.catalogue.row("transfer", transfer_id) or {}
    session = next(unit for unit, members in session_units(corpus.catalogue).items() if transfer_id in members)
    tables: dict[str, pl.DataFrame] = {}
    start = time.process_time()
    sound = read(corpus, sound_spec(row))
    spent = {"decode": time.process_time() - start}
    for step in STEPS:
        if step.name in ("intake", "summarise"):
            continue
        unit = session if step.scope == "session" else transfer_id
        start = time.process_time()
        given = StepInput(
            unit,
            step.facts(corpus.catalogue, unit),
            getattr(corpus.settings, step.name),
            {transfer_id: {name: tables[name] for name in step.reads}},
            lambda _: sound,
        )
        tables |= step.run(given).tables[transfer_id]
        spent[step.name] = time.process_time() - start
    return spent, tables


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--instrument", default="violin")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "corpus"
        maker = multiprocessing.get_context("spawn").Process(
            target=make, args=(root, [WARM_S, given.seconds], given.instrument)
        )
        maker.start()
        maker.join()
        corpus = Corpus(root)
        warm, side = sorted(row["transfer_id"] for row in corpus.catalogue.frame("transfer").to_dicts())
        run_one(corpus, warm)
        gc.collect()
        gc.freeze()
        spent, _ = run_one(corpus, side)
    for name, cpu_s in spent.items():
        print(f"{name:10s} {cpu_s:7.3f} s  {given.seconds / max(cpu_s, 1e-9):9.0f} x real time")
    whole_s = sum(spent.values())
    slides_s = whole_s - spent["hand"]
    print(f"decode to corrected slides {given.seconds / slides_s:.0f} x, with the hand {given.seconds / whole_s:.0f} x")
    print(f"memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000:.0f} MB")


if __name__ == "__main__":
    main()
