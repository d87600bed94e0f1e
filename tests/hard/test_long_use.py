"""A corpus in use for long, edited, broken, crashed and mended at random, keeps the tables of a fresh build.

Without a scheduler; sides last three seconds. The short version takes the quick steps of the tests of runs, the long
one the real steps on a violin that slides, and its last five rounds go through the command.
"""

import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.engine.up_to_date import note_path
from pipeline.flows.run import ORDER
from pipeline.flows.stages import Summary
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice
from pipeline.store import corpus as corpus_module
from tests.helpers.quick_run import quick_run
from tests.helpers.tone_corpus import hand_kept, tables, write_csv, write_tone

SECONDS = 3.0
Sound = Callable[[Path, int], None]
Run = Callable[[Path], object]


def tone(path: Path, seed: int) -> None:
    write_tone(path, seed=seed, seconds=SECONDS)


def violin(path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    samples, _ = render_side(
        random_plan(rng, instrument="violin", length_s=SECONDS, reference_pitch_hz=440.0, slide_share=0.6),
        rng=rng,
        sample_rate_hz=22_050,
        voice=random_voice(rng, instrument="violin"),
        snr_db=20.0,
        piano_below_db=None,
        band="electrical",
        speed=SpeedPlan(offset_cents=20.0),
    )
    soundfile.write(path, samples, 22_050)


class Crash(BaseException):
    """Stands for the end of the process."""


@dataclass
class Side:
    """One side as its owner has it now."""

    seed: int
    file: str
    session: str = "x0"
    pitch: float | None = None
    entered: bool = True
    broken: bool = False


@dataclass
class Owner:
    """Somebody who changes one thing after another; the model from which the corpus is written."""

    root: Path
    rng: random.Random
    sound: Sound
    sides: dict[str, Side] = field(default_factory=dict)
    player: str = "A. Player"
    scoring: str = "network"
    done: list[str] = field(default_factory=list)

    def begin(self, number: int) -> None:
        for folder in ("audio", "catalogue", "reviews"):
            (self.root / folder).mkdir(parents=True)
        for _ in range(number):
            self.new_side()
        self.write()

    def act(self) -> None:
        """One change at random."""
        acts: list[Callable[[], None]] = [
            self.new_side, self.other_sound, self.touch, self.rename, self.remove, self.bring_back, self.regroup,
            self.other_pitch, self.other_player, self.other_setting, self.break_sound, self.mend_sound, self.lose_table,
            self.spoil_table, self.lose_folder, self.lose_all,
        ]  # fmt: skip
        weights = [1, 3, 2, 3, 2, 2, 3, 4, 2, 1, 2, 3, 3, 3, 1, 1]
        act = self.rng.choices(acts, weights)[0]
        self.done.append(act.__name__)
        act()
        self.write()

    def write(self) -> None:
        """Writes catalogue and settings."""
        here = {name: side for name, side in self.sides.items() if side.entered}
        write_csv(self.root, "transfer", "transfer_id,side_id,file,turntable_rpm",
                  [f"{n}-a,{n},{s.file},78.26" for n, s in here.items()])  # fmt: skip
        write_csv(self.root, "side", "side_id", list(here))
        write_csv(self.root, "side_take", "side_id,take_id", [f"{n},t-{n}" for n in here])
        write_csv(self.root, "take", "take_id,session_id", [f"t-{n},{s.session}" for n, s in here.items()])
        write_csv(self.root, "session", "session_id", ["x0", "x1", "x2"])
        write_csv(self.root, "player", "player_id,name", [f"p,{self.player}"])
        write_csv(self.root, "performance", "take_id,player_id,instrument,certainty",
                  [f"t-{n},p,violin,certain" for n in here])  # fmt: skip
        pitches = [f"t-{n},{s.pitch:g}" for n, s in here.items() if s.pitch]
        write_csv(self.root, "reference_pitch", "take_id,reference_pitch_hz", pitches)
        (self.root / "settings.toml").write_text(f'[follow]\nscoring = "{self.scoring}"\n', encoding="utf-8")

    def _one(self, *, entered: bool = True, broken: bool = False) -> Side | None:
        fit = [side for side in self.sides.values() if (side.entered, side.broken) == (entered, broken)]
        return self.rng.choice(fit) if fit else None

    def new_side(self) -> None:
        if len(self.sides) > 9:
            return
        name = f"s{len(self.sides):02d}"
        side = Side(self.rng.randrange(10_000), f"{name}.wav", self.rng.choice(["x0", "x1"]))
        self.sides[name] = side
        self.sound(self.root / "audio" / side.file, side.seed)

    def other_sound(self) -> None:
        if side := self._one():
            side.seed = self.rng.randrange(10_000)
            self.sound(self.root / "audio" / side.file, side.seed)

    def touch(self) -> None:
        if side := self._one():
            os.utime(self.root / "audio" / side.file, (10**9 + len(self.done),) * 2)

    def rename(self) -> None:
        if side := self._one():
            new = f"box/{side.file[-7:-4].strip('/')}{len(self.done)}.wav"
            (self.root / "audio" / "box").mkdir(exist_ok=True)
            (self.root / "audio" / side.file).rename(self.root / "audio" / new)
            side.file = new

    def remove(self) -> None:
        if (side := self._one()) and sum(s.entered for s in self.sides.values()) > 2:
            side.entered = False

    def bring_back(self) -> None:
        if side := self._one(entered=False):
            side.entered = True

    def regroup(self) -> None:
        if side := self._one():
            side.session = self.rng.choice(["x0", "x1", "x2"])

    def other_pitch(self) -> None:
        if side := self._one():
            side.pitch = self.rng.choice([None, 435.0, 440.0, 452.5])

    def other_player(self) -> None:
        self.player = self.rng.choice(["A. Player", "B. Player", "C. Player"])

    def other_setting(self) -> None:
        self.scoring = self.rng.choice(["network", "comb"])

    def break_sound(self) -> None:
        if side := self._one():
            side.broken = True
            (self.root / "audio" / side.file).write_bytes(b"RIFF no sound any more")

    def mend_sound(self) -> None:
        if side := self._one(broken=True):
            side.broken = False
            self.sound(self.root / "audio" / side.file, side.seed)

    def lose_table(self) -> None:
        if files := sorted((self.root / "derived" / "tables").rglob("*.parquet")):
            self.rng.choice(files).unlink()

    def spoil_table(self) -> None:
        """Cut short, or with other bytes in the middle."""
        if files := sorted((self.root / "derived" / "tables").rglob("*.parquet")):
            file = self.rng.choice(files)
            content = file.read_bytes()
            cut = self.rng.randrange(200)
            file.write_bytes(content[:cut] if cut % 2 else content[:cut] + bytes(20) + content[cut + 20 :])

    def lose_folder(self) -> None:
        if folders := sorted((self.root / "derived" / "tables").glob("*")):
            shutil.rmtree(self.rng.choice(folders))

    def lose_all(self) -> None:
        shutil.rmtree(self.root / "derived", ignore_errors=True)


def crash(root: Path, rng: random.Random, run: Run, monkeypatch: pytest.MonkeyPatch) -> bool:
    """A run that ends at some write, sometimes leaving half a file or a full disk behind; whether it did end."""
    left = rng.choice((1, 2, 3, 5, 8, 13, 21))  # a run in use writes few tables, so mostly early
    full = rng.random() < 0.3
    write = corpus_module.write_parquet

    def failing(table: object, path: Path) -> None:
        nonlocal left
        left -= 1
        if left > 0:
            write(table, path)  # type: ignore[arg-type]
        elif full:
            raise OSError(errno.ENOSPC, "No space left on device")
        else:
            path.with_name(f".{path.name}.1.tmp").write_bytes(b"PAR1 half")
            raise Crash

    with monkeypatch.context() as patch:
        patch.setattr(corpus_module, "write_parquet", failing)
        try:
            run(root)
        except Crash:
            return True
        except OSError:
            return full
    return left <= 0


def fresh(root: Path, into: Path, run: Run) -> dict[str, bytes]:
    """The tables of a build from the same inputs where nothing was ever before."""
    shutil.copytree(root, into, ignore=shutil.ignore_patterns("derived"))
    run(into)
    made = tables(into)
    shutil.rmtree(into)
    return made


def use(
    root: Path, sound: Sound, run: Callable[[Path], Summary], *, rounds: int, seed: int, compare_every: int,
    monkeypatch: pytest.MonkeyPatch,
) -> Owner:  # fmt: skip
    """So many rounds of changes, crashes and runs, each run held against what must come of it."""
    owner = Owner(root, random.Random(seed), sound)
    owner.begin(5)
    crashes = 0
    for number in range(1, rounds + 1):
        for _ in range(owner.rng.randrange(3) if number > 1 else 0):
            owner.act()
        if owner.rng.random() < 0.4:
            owner.other_sound()  # so that there is something to be in the middle of
            owner.act()
            crashes += crash(root, owner.rng, run, monkeypatch)
            if owner.rng.random() < 0.5:
                owner.act()
        last = number % compare_every == 0 or number == rounds
        while last and owner._one(broken=True):
            owner.mend_sound()
        kept = hand_kept(root)
        summary = run(root)
        broken = {f"{name}-a" for name, side in owner.sides.items() if side.entered and side.broken}
        assert {transfer_id for transfer_id, _, _ in summary.failed} <= broken, (summary.failed, owner.done[-5:])
        assert hand_kept(root) == kept
        if last:
            assert tables(root) == fresh(root, root.with_name("fresh"), run), (number, owner.done[-9:])
            note_path(root / "derived").unlink(missing_ok=True)  # believed until here; now every key is worked out
            assert run(root).nothing_to_do
    assert crashes >= rounds // 5
    return owner


@pytest.mark.long
def test_twenty_rounds_leave_the_tables_of_a_fresh_build(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = partial(quick_run, say=lambda _: None, noted=True)
    owner = use(tmp_path / "c", tone, run, rounds=20, seed=78, compare_every=10, monkeypatch=monkeypatch)
    assert len(owner.done) >= 15


@pytest.mark.long
def test_two_hundred_rounds_leave_the_tables_of_a_fresh_build(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """195 rounds through the real steps without a scheduler, then five through the command, one of them killed."""
    root = tmp_path / "c"
    steps = partial(quick_run, say=lambda _: None, noted=True, steps=ORDER)
    owner = use(root, violin, steps, rounds=195, seed=7826, compare_every=5, monkeypatch=monkeypatch)
    assert len(set(owner.done)) == 16
    command = [sys.executable, "-c", "from pipeline.cli import main; main()", "run", "--workers", "1"]

    def run(folder: Path) -> None:
        done = subprocess.run([*command, str(folder)], capture_output=True, text=True, check=False)
        assert "Traceback" not in done.stderr
        assert done.returncode == 0, done.stdout + done.stderr

    for number in range(5):
        owner.act()
        while owner._one(broken=True):
            owner.mend_sound()
        owner.write()
        if number == 2 and os.name != "nt":
            process = subprocess.Popen([*command, str(root)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            time.sleep(15.0)
            process.send_signal(signal.SIGKILL)
            process.wait()
        run(root)
    assert tables(root) == fresh(root, tmp_path / "fresh", run)
