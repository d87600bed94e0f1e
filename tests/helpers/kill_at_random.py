"""Commands at random on a small corpus, killed at random: what is kept by hand and what is derived stay whole.

As a program, since it forks: ``python -m tests.helpers.kill_at_random FOLDER KILLS SEED``; prints what came of
it as JSON.
"""

import json
import random
import shutil
import signal
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

from pipeline.answers.written_parts import add as add_part
from pipeline.flows.status import status
from pipeline.store.adding.add import add
from pipeline.store.adding.merge import merge
from pipeline.store.adding.reviews import take_in
from pipeline.store.checks.check import check
from pipeline.store.corpus import Corpus
from tests.helpers import kill_writers
from tests.helpers.kill_writers import HASH, VERDICTS, given, in_child, kept, killed_at
from tests.helpers.quick_run import quick_run
from tests.helpers.tone_corpus import tables
from tests.helpers.tones import write_tone

RENEW_AFTER = 15  # commands, so that the corpus stays small
COMPARE_EVERY = 10
Do = Callable[[Path], object]


def commands(rng: random.Random, things: Path, number: int) -> tuple[str, Do]:
    """A command at random, the same whenever it is given again."""
    name = rng.choice(
        ["add", "add", "add_bare", "merge", "take_in", "take_in", "part", "run", "run", "check", "status"]
    )
    if name == "add":
        file = write_tone(things / "more" / f"n{number % 40}.wav", hz=200.0 + number % 40, length_s=2.0)
        sheet = things / f"sheet-{number}.csv"
        sheet.write_text(f"file,player,work,year\n{file.name},P {number % 5},W {number % 7},19{number % 30:02d}\n")
        return name, lambda root: add(root, [file], sheet=sheet)
    if name == "take_in":
        names = rng.sample(["lea", "max", "ira"], 2)
        verdicts = things / f"verdicts-{number}.csv"
        text = VERDICTS.format(hash=HASH, second=number % 50, listener=names[0], other=names[1])
        verdicts.write_text(text)
        return name, lambda root: take_in(Corpus(root), verdicts)
    if name == "part":
        return name, lambda root: add_part(root, "air", things / "part.csv", edition=f"Made {number}")
    made: dict[str, Do] = {
        "add_bare": lambda root: add(root, [things / "in"]),
        "merge": lambda root: merge(Corpus(root), things / "package", mapping={}),
        "run": lambda root: quick_run(root, say=lambda _: None),
        "check": lambda root: check(root, listen=False),
        "status": status,
    }
    return name, made[name]


def begun(root: Path) -> None:
    kill_writers.corpus(root)
    for number, name in enumerate(("one", "two")):
        write_tone(root / "audio" / f"{name}.wav", hz=300.0 + number, length_s=2.0)


def fresh(root: Path, into: Path) -> dict[str, bytes]:
    """The tables of a build where nothing was ever before."""
    shutil.copytree(root, into, ignore=shutil.ignore_patterns("derived"))
    assert in_child(partial(quick_run, into, say=lambda _: None)) == 0
    made = tables(into)
    shutil.rmtree(into)
    return made


def main(folder: Path, kills: int, seed: int) -> dict[str, object]:
    """So many kills, and all that was amiss after them."""
    rng, things, root = random.Random(seed), folder / "given", folder / "c"
    given(things)
    killed: dict[str, int] = {}
    amiss: list[str] = []
    number = 0
    while sum(killed.values()) < kills:
        if number % RENEW_AFTER == 0:
            shutil.rmtree(root, ignore_errors=True)
            begun(root)
        number += 1
        name, do = commands(rng, things, number)
        before = kept(root)
        whole = folder / "whole"
        shutil.copytree(root, whole)
        assert in_child(lambda: do(whole)) == 0, name  # noqa: B023
        after = kept(whole)
        shutil.rmtree(whole)
        step = int(2 ** rng.uniform(0, 8 if name == "run" else 5.5))
        ended = in_child(lambda: do(root), before=killed_at(root, step))  # noqa: B023
        if ended == -signal.SIGKILL:
            killed[name] = killed.get(name, 0) + 1
        elif ended != 0:
            amiss.append(f"{number} {name}: ended with {ended}")
        if in_child(lambda: Corpus(root)) != 0 or kept(root) not in (before, after):
            amiss.append(f"{number} {name}, killed before step {step}: neither as before nor as after")
        if in_child(lambda: do(root)) != 0 and not (name == "part" and kept(root) == after):  # noqa: B023
            amiss.append(f"{number} {name}, killed before step {step}: cannot be done again")
        if kept(root) != after:
            amiss.append(f"{number} {name}, killed before step {step}: not as an undisturbed one leaves it")
        print(killed, amiss, file=sys.stderr, flush=True)
        if number % COMPARE_EVERY == 0:
            run = partial(quick_run, root, say=lambda _: None)
            if in_child(run) != 0 or tables(root) != fresh(root, folder / "fresh"):
                amiss.append(f"{number}: the derived tables are not those of a fresh build")
    return {"kills": killed, "amiss": amiss}


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]).resolve(), int(sys.argv[2]), int(sys.argv[3]))))
