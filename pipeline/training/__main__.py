"""Learns all small learned parts anew, from start to end: run ``python -m pipeline.training``.

First the networks that follow the line (``melody``), then, on lines followed by them, the one that looks again at what
lies between notes (``glides``, which needs PyTorch) and the trees that accept slides (``slides``), then, on the slides
found by those, what tells new bow strokes (``bowing``) and whose stroke carries a slide (``stroke``); and, from mixes
of their own, the judges of what sounds at once (``chords``, by window). Weights and records are written where the
program reads them. Needs the extra ``train``; where PyTorch can be imported the networks learn by it, on the
accelerator if there is one, else by numpy in some hours. Equal numbers of sides give equal sides; weights then differ
by no more than the order of sums.

``--only`` names parts to learn, where a run was broken off or only some are wanted; ``--scale 0.01`` rehearses.
"""

import argparse
import os
import time

from pipeline.signal.chords.judge import WINDOWS
from pipeline.signal.line.network import STAGES
from pipeline.training import bowing, chords, glides, slides, stroke
from pipeline.training.crew import Crew
from pipeline.training.melody import learn_line


def main() -> None:
    """Learn what was asked for, in the order in which it builds on one another."""
    chord_parts = {f"chords_{kind}": kind for kind in WINDOWS}
    parts = (*STAGES, "glides", "slides", "bowing", "stroke", *chord_parts)
    parser = argparse.ArgumentParser(prog="python -m pipeline.training")
    parser.add_argument("--only", nargs="*", default=list(parts), choices=parts)
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args()
    began = time.monotonic()
    with Crew(given.workers) as crew:
        stages = tuple(stage for stage in STAGES if stage in given.only)
        if stages:
            learn_line(crew, scale=given.scale, stages=stages)
            print(f"line: {time.monotonic() - began:.0f} s", flush=True)
        for part in (glides, slides, bowing, stroke):
            name = part.__name__.rpartition(".")[2]
            if name in given.only:
                part.learn(crew, scale=given.scale)
                print(f"{name}: {time.monotonic() - began:.0f} s", flush=True)
        kinds = [kind for part, kind in chord_parts.items() if part in given.only]
        if kinds:
            chords.learn(crew, scale=given.scale, kinds=kinds)
            print(f"chords: {time.monotonic() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
