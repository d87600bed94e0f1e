"""Kills every writer of hand-kept files at each of its steps on the disk, and runs pairs of writers at once.

As a program, since it forks: ``python -m tests.helpers.kill_writers kill WRITER FOLDER`` or
``… pairs FOLDER ROUNDS``. It prints what came of it as JSON. The parent must never use polars: its
threads do not survive a fork.
"""

import json
import os
import shutil
import signal
import sys
import traceback
from collections.abc import Callable
from pathlib import Path

from pipeline.answers.written_parts import add as add_part
from pipeline.errors import GlidelineError
from pipeline.store.adding.add import add
from pipeline.store.adding.merge import merge, new_from
from pipeline.store.adding.new import new
from pipeline.store.adding.reviews import take_in
from pipeline.store.corpus import Corpus
from tests.helpers.small_catalogue import CATALOGUE
from tests.helpers.tones import write_tone

HASH = "0" * 64
VERDICTS = (
    "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id,comment\n"
    "t1,{hash},{second},{second}.5,slide,,{listener},2026-01-05,,\n"
    "t2,{hash},{second},{second}.5,no_slide,,{other},2026-01-05,,\n"
)
PART = "note,string,finger\nA4,A,0\nB4,A,1\n"


def corpus(root: Path) -> None:
    """A corpus with a catalogue."""
    for folder in ("catalogue", "audio", "reviews"):
        (root / folder).mkdir(parents=True)
    for name, text in CATALOGUE.items():
        (root / "catalogue" / f"{name}.csv").write_text(text, encoding="utf-8")
    (root / "settings.toml").write_text('title = "Made"\n', encoding="utf-8")


def given(folder: Path) -> None:
    """What the writers are given: audio, sheets, verdicts, a package, a printed part."""
    for number in range(3):
        write_tone(folder / "in" / f"{'abc'[number]} side.wav", hz=300.0 + 50 * number)
    (folder / "one.csv").write_text("file,player,work,year\na side.wav,Dora New,Reel,1911\n", encoding="utf-8")
    (folder / "two.csv").write_text("file,player,work,year\nb side.wav,Emil Ash,Jig,1912\n", encoding="utf-8")
    for number, names in enumerate((("lea", "max"), ("max", "lea"))):
        text = VERDICTS.format(hash=HASH, second=number + 1, listener=names[0], other=names[1])
        (folder / f"verdicts-{number}.csv").write_text(text, encoding="utf-8")
    package = folder / "package"
    (package / "catalogue").mkdir(parents=True)
    (package / "reviews").mkdir()
    (package / "datapackage.json").write_text('{"title": "Lent"}', encoding="utf-8")
    rows = {"player": "player_id,name\ncy,Cy Tarn\n", "work": "work_id,title\nreel-2,Reel\n"}
    for name, text in rows.items():
        (package / "catalogue" / f"{name}.csv").write_text(text, encoding="utf-8")
    (package / "reviews" / "review.csv").write_text(
        VERDICTS.format(hash=HASH, second=7, listener="eve", other="fay"), encoding="utf-8"
    )
    (folder / "part.csv").write_text(PART, encoding="utf-8")


Writer = Callable[[Path, Path], object]
# What each is begun on, and what it does with the corpus and the folder of what is given.
WRITERS: dict[str, tuple[Callable[[Path], None], Writer]] = {
    "new": (lambda root: None, lambda root, given: new(root)),
    "new_from": (lambda root: None, lambda root, given: new_from(root, given / "package")),
    "add": (corpus, lambda root, given: add(root, [given / "in" / "a side.wav"], sheet=given / "one.csv")),
    "add_other": (corpus, lambda root, given: add(root, [given / "in" / "b side.wav"], sheet=given / "two.csv")),
    "add_bare": (corpus, lambda root, given: add(root, [given / "in"])),
    "merge": (corpus, lambda root, given: merge(Corpus(root), given / "package", mapping={})),
    "take_in": (corpus, lambda root, given: take_in(Corpus(root), given / "verdicts-0.csv")),
    "take_in_other": (corpus, lambda root, given: take_in(Corpus(root), given / "verdicts-1.csv")),
    "part": (corpus, lambda root, given: add_part(root, "air", given / "part.csv", edition="Made 1900")),
}
# What refuses to do again what is wholly done.
ONCE = ("new", "new_from", "part")
PAIRS = [
    ("add", "add_other"),
    ("take_in", "take_in_other"),
    ("add", "merge"),
    ("add", "take_in"),
    ("merge", "part"),
    ("add_bare", "add_bare"),
]


def kept(root: Path) -> dict[str, str]:
    """All files and folders outside ``derived/``, hidden ones too."""
    found = {}
    for path in sorted(root.rglob("*")):
        name = path.relative_to(root).as_posix()
        if name.split("/")[0] != "derived":
            found[name] = "/" if path.is_dir() else path.read_bytes().hex()
    return found


def in_child(do: Callable[[], object], *, before: Callable[[], object] = lambda: None) -> int:
    """The exit status of a child that does it: 0, 1 for what is said to users, 2 for a fault, -9 if killed."""
    child = os.fork()
    if child == 0:
        status = 0
        try:
            before()
            do()
        except GlidelineError as error:
            print(error, file=sys.stderr)
            status = 1
        except BaseException:
            traceback.print_exc()
            status = 2
        sys.stderr.flush()
        os._exit(status)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def killed_at(root: Path, step: int) -> Callable[[], None]:
    """Ends the process right before it does this step on the corpus's disk."""
    left = step
    inside = str(root.resolve())

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        nonlocal left
        writes = event in ("os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "os.link", "os.truncate")
        if event == "open":
            flags = arguments[2] if isinstance(arguments[2], int) else 0
            writes = bool(flags & (os.O_WRONLY | os.O_RDWR))
        if writes and str(arguments[0]).startswith(inside):
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    return lambda: sys.addaudithook(hook)


def kill(name: str, folder: Path) -> dict[str, object]:
    """How often the writer was killed, and each step after which something was amiss."""
    begin, write = WRITERS[name]
    given(folder / "given")
    folder = folder.resolve()
    begun, whole = folder / "begun", folder / "whole"
    begun.mkdir()
    begin(begun)
    shutil.copytree(begun, whole)
    assert in_child(lambda: write(whole, folder / "given")) == 0
    before, after = kept(begun), kept(whole)
    amiss, step = [], 0
    while True:
        step += 1
        root, other = folder / "c", folder / "d"
        shutil.copytree(begun, root)
        status = in_child(lambda: write(root, folder / "given"), before=killed_at(root, step))  # noqa: B023
        if status == 0:
            break
        assert status == -signal.SIGKILL, status
        shutil.copytree(root, other)
        if name.startswith("new") and not any((root / part).exists() for part in ("catalogue", "settings.toml")):
            opened = 0  # not a corpus yet
        else:
            opened = in_child(lambda: Corpus(other))  # noqa: B023
            if kept(other) not in (before, after):
                amiss.append(f"step {step}: opened, it is neither as before nor as after")
        over = name in ONCE and kept(root) == after  # killed when all was done
        again = 0 if over else in_child(lambda: write(root, folder / "given"))  # noqa: B023
        if (opened, again) != (0, 0):
            amiss.append(f"step {step}: opened with {opened}, done again with {again}")
        if kept(root) != after:
            amiss.append(f"step {step}: done again, {sorted(set(kept(root).items()) ^ set(after.items()))[:3]}")
        shutil.rmtree(root)
        shutil.rmtree(other)
    return {"steps": step - 1, "amiss": amiss}


def pairs(folder: Path, rounds: int) -> dict[str, object]:
    """Pairs of writers at once: what is neither the one after the other nor the other way round."""
    given(folder / "given")
    amiss = []
    for pair in PAIRS:
        orders = []
        for number, order in enumerate((pair, pair[::-1])):
            root = folder / f"order-{number}"
            corpus(root)
            for name in order:
                assert in_child(lambda: WRITERS[name][1](root, folder / "given")) == 0  # noqa: B023
            orders.append(kept(root))
            shutil.rmtree(root)
        for _ in range(rounds):
            root = folder / "c"
            corpus(root)
            reader, writer = os.pipe()
            children = []
            for name in pair:
                child = os.fork()
                if child == 0:
                    os.close(writer)
                    os.read(reader, 1)  # until the parent lets both go
                    os._exit(in_child(lambda: WRITERS[name][1](root, folder / "given")))  # noqa: B023
                children.append(child)
            os.close(reader)
            os.close(writer)
            ended = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
            if ended != [0, 0] or kept(root) not in orders:
                amiss.append(f"{pair}: {ended}")
            shutil.rmtree(root)
    return {"rounds": rounds * len(PAIRS), "amiss": amiss}


if __name__ == "__main__":
    if sys.argv[1] == "kill":
        print(json.dumps(kill(sys.argv[2], Path(sys.argv[3]))))
    else:
        print(json.dumps(pairs(Path(sys.argv[2]), int(sys.argv[3]))))
