"""The line beside a learned general tracker on the same side, by turns in one run, one thread each.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.race [--seconds 60] [--instrument violin] [--turns 4]

Prints the best processor time of each and their ratio; how well each follows is what ``peers`` tells.
"""

import argparse
import tempfile
import time
from pathlib import Path

import soundfile

from tests.benchmarks.chain import make
from tests.benchmarks.peers import Tracker, ours, swift


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.race")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--instrument", default="violin")
    parser.add_argument("--turns", type=int, default=4)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        make(Path(folder) / "corpus", [given.seconds], given.instrument)
        samples, rate = soundfile.read(next((Path(folder) / "corpus" / "audio").iterdir()), dtype="float32")
    racers: dict[str, Tracker] = {"ours": ours("network"), "swift-f0": swift}
    best = dict.fromkeys(racers, float("inf"))
    for turn in range(given.turns + 1):
        for name, track in racers.items():
            began = time.process_time()
            track(samples, rate, given.instrument)
            if turn:  # the first loads
                best[name] = min(best[name], time.process_time() - began)
    for name, spent in best.items():
        print(f"{name:10} {spent:7.3f} s  {given.seconds / spent:6.0f} x real time")
    print(f"ours is {best['swift-f0'] / best['ours']:.2f} times as fast")


if __name__ == "__main__":
    main()
