"""Makes small corpora for the tests of runs, with sides in sessions, and reads what runs have written."""

from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 22_050


def make_corpus(root: Path, *, sides: int, session_of: int = 3, seconds: float = 1.0) -> Path:
    """A corpus of plain tones, for steps that do not listen; transfers s00-a, s01-a, …"""
    for folder in ("audio", "catalogue", "reviews"):
        (root / folder).mkdir(parents=True)
    (root / "settings.toml").write_text('title = "made"\n')
    names = [f"s{number:02d}" for number in range(sides)]
    for number, name in enumerate(names):
        write_tone(root / "audio" / f"{name}.wav", seed=number, seconds=seconds)
    write_catalogue(root, names, session_of=session_of)
    return root


def write_tone(path: Path, *, seed: int, seconds: float = 1.0) -> None:
    """A tone whose pitch and noise follow from the seed."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    samples = 0.3 * np.sin(2 * np.pi * rng.uniform(200, 800) * time_s) + rng.normal(0, 0.01, time_s.size)
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_16")


def write_catalogue(root: Path, names: list[str], *, session_of: int) -> None:
    """A side, take and transfer for each name; one player; the first take has a reference pitch."""
    transfers = [f"{n}-a,{n},{n}.wav,78.26" for n in names]
    write_csv(root, "transfer", "transfer_id,side_id,file,turntable_rpm", transfers)
    write_csv(root, "side", "side_id", names)
    write_csv(root, "side_take", "side_id,take_id", [f"{n},t-{n}" for n in names])
    write_csv(root, "take", "take_id,session_id", [f"t-{n},x{i // session_of}" for i, n in enumerate(names)])
    write_csv(root, "session", "session_id", [f"x{i}" for i in range(-(-len(names) // session_of))])
    write_csv(root, "player", "player_id,name", ["p,A. Player"])
    write_csv(root, "performance", "take_id,player_id,instrument,certainty", [f"t-{n},p,violin,certain" for n in names])
    write_csv(root, "reference_pitch", "take_id,reference_pitch_hz", [f"t-{names[0]},440"])


def write_csv(root: Path, table: str, header: str, rows: list[str]) -> None:
    """Writes one hand-kept table."""
    (root / "catalogue" / f"{table}.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")


def change(root: Path, table: str, old: str, new: str) -> None:
    """Replaces a piece of text in a hand-kept table; it must be there."""
    path = root / "catalogue" / f"{table}.csv"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def tables(root: Path) -> dict[str, bytes]:
    """Every computed table's bytes, by path below ``derived/tables``."""
    folder = root / "derived" / "tables"
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def hand_kept(root: Path) -> dict[str, bytes]:
    """Bytes of everything outside ``derived/``."""
    files = sorted(p for p in root.rglob("*") if p.is_file() and p.relative_to(root).parts[0] != "derived")
    return {p.relative_to(root).as_posix(): p.read_bytes() for p in files}
