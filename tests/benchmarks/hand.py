"""Prints how well strings and fingers are told: by school, source of passages and instrument, and how fast.

``handbook`` and ``judged`` are scales and arpeggios (no weight was chosen by looking at the latter), ``chosen`` random
lines with the fingers of a player who knows what comes next, ``melodies`` those of one who does not; ``hand_ceiling``
tells how much anyone could know of these. Run: python -m tests.benchmarks.hand SEED
"""

import sys
import time

import numpy as np

from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.signal.hand.passage import reconstruct
from tests.helpers.fingered_passages import chosen, handbook, handbook_names, judged_names, melody
from tests.helpers.played_passages import SCHOOLS, Played, play, score


def main(seed: int) -> None:
    """All figures for one seed."""
    print("instrument school           passages  notes right  after shifts  ECE   in 90 % set  set size  notes/s")
    for instrument in ("violin", "viola", "cello"):
        board = fingerboard(instrument)
        for school in SCHOOLS:
            rng = np.random.default_rng(seed)
            made: dict[str, list[Played]] = {}
            if instrument != "viola":
                for source, names in (("handbook", handbook_names), ("judged", judged_names)):
                    made[source] = [
                        play(rng, handbook(rng, instrument=instrument, name=name), instrument=instrument, school=school)
                        for name in names(instrument) * 3
                    ]
            for source, line in (("chosen", chosen), ("melodies", melody)):
                made[source] = [
                    play(rng, line(rng, instrument=instrument, notes=100), instrument=instrument, school=school)
                    for _ in range(10)
                ]
            if instrument != "viola":
                made["all"] = [one for source in list(made) for one in made[source]]
            for name, played in made.items():
                began = time.process_time()
                found = [reconstruct(p.line, board=board, paths=1).probability for p in played]
                took = time.process_time() - began
                s = score(played, found)
                print(
                    f"{instrument:10} {school:16} {name:9} {s.notes:5} {s.right:5.2f} {s.right_after_shift:7.2f}"
                    f" ({s.shifts:3}) {s.calibration_error:5.3f}"
                    f" {s.in_set:10.2f} {s.set_size:12.1f} {s.notes / took:9.0f}"
                )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
