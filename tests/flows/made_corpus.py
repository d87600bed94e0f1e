"""Makes small corpora for the tests of runs: short rendered sides in sessions, with a player each."""

from pathlib import Path

import numpy as np
import soundfile

from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice

RATE_HZ = 22_050


def make_corpus(root: Path, *, sides: int, length_s: float = 6.0, session_of: int = 3) -> Path:
    """A corpus of ``sides`` rendered sides named side-00-a…, ``session_of`` of them to a session."""
    (root / "audio").mkdir(parents=True)
    (root / "catalogue").mkdir()
    (root / "reviews").mkdir()
    (root / "settings.toml").write_text('title = "made"\n')
    names = [f"s{number:02d}" for number in range(sides)]
    for number, name in enumerate(names):
        rng = np.random.default_rng([7, number])
        plan = random_plan(rng, instrument="violin", length_s=length_s, reference_pitch_hz=440.0)
        samples, _ = render_side(
            plan,
            rng=rng,
            sample_rate_hz=RATE_HZ,
            voice=random_voice(rng, instrument="violin"),
            snr_db=25.0,
            piano_below_db=None,
            band="electrical",
            speed=SpeedPlan(offset_cents=20.0),
        )
        soundfile.write(root / "audio" / f"{name}.wav", samples, RATE_HZ, subtype="PCM_16")
    write_csv(
        root, "transfer", ["transfer_id,side_id,file,turntable_rpm"], [f"{n}-a,{n},{n}.wav,78.26" for n in names]
    )
    write_csv(root, "side", ["side_id"], names)
    write_csv(root, "side_take", ["side_id,take_id"], [f"{n},t-{n}" for n in names])
    write_csv(root, "take", ["take_id,session_id"], [f"t-{n},x{i // session_of}" for i, n in enumerate(names)])
    write_csv(root, "session", ["session_id"], [f"x{i}" for i in range(-(-sides // session_of))])
    write_csv(root, "player", ["player_id,name"], ["p,A. Player"])
    write_csv(root, "performance", ["take_id,player_id,instrument"], [f"t-{n},p,violin" for n in names])
    write_csv(root, "reference_pitch", ["take_id,reference_pitch_hz"], [f"t-{names[0]},440"])
    return root


def write_csv(root: Path, table: str, header: list[str], rows: list[str]) -> None:
    """Writes one hand-kept table."""
    (root / "catalogue" / f"{table}.csv").write_text("\n".join([*header, *rows]) + "\n", encoding="utf-8")


def change(root: Path, table: str, old: str, new: str) -> None:
    """Replaces a piece of text in a hand-kept table; it must be there."""
    path = root / "catalogue" / f"{table}.csv"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def bytes_of_tables(root: Path) -> dict[str, bytes]:
    """Every computed table's bytes, by path below ``derived/tables``."""
    tables = root / "derived" / "tables"
    return {p.relative_to(tables).as_posix(): p.read_bytes() for p in sorted(tables.rglob("*")) if p.is_file()}
