"""What a side's page costs: processor time for 3 minutes of solo, weight of the page and of its sound.

Run with: python -m tests.benchmarks.pages [FOLDER [SIDES]]
Measures one rendered side of 3 minutes in FOLDER (a new one if none is given), draws its page three times in this
process, and prints the times. The first drawing compiles and loads; the others are what each further side costs.
With SIDES, copies what was found on it to so many transfers, and prints the wall and processor time of the whole
report, of the same again with nothing changed, and with the words and the notes of one side changed.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl
import soundfile

from pipeline.flows.run import run
from pipeline.pages.report import draw_side, report
from pipeline.pages.side import Heard, Neighbours
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice
from pipeline.store.corpus import Corpus
from pipeline.store.database.build import build_database
from pipeline.store.database.compaction import compact

RATE_HZ, LENGTH_S = 44_100, 180.0


def made(root: Path) -> None:
    """A corpus of one side with a slide in every third change of note."""
    (root / "audio").mkdir(parents=True)
    (root / "catalogue").mkdir()
    rng = np.random.default_rng(5)
    plan = random_plan(rng, instrument="violin", length_s=LENGTH_S, reference_pitch_hz=440.0, slide_share=0.3)
    samples, _ = render_side(
        plan,
        rng=rng,
        sample_rate_hz=RATE_HZ,
        voice=random_voice(rng, instrument="violin"),
        snr_db=20.0,
        piano_below_db=None,
        band="electrical",
        speed=SpeedPlan(offset_cents=20.0),
    )
    soundfile.write(root / "audio" / "side.flac", samples, RATE_HZ)
    (root / "settings.toml").write_text('title = "Cost of a page"\n', encoding="utf-8")
    rows = {
        "player": "player_id,name\nada,Ada Quill",
        "take": "take_id,accompaniment\nt0,none",
        "side": "side_id\nd0",
        "side_take": "side_id,take_id\nd0,t0",
        "performance": "take_id,player_id,instrument,role\nt0,ada,violin,soloist",
        "transfer": "transfer_id,side_id,file,turntable_rpm\nx0,d0,side.flac,78.26",
    }
    for table, text in rows.items():
        (root / "catalogue" / f"{table}.csv").write_text(text + "\n", encoding="utf-8")
    run(root, workers=1)


def copied(root: Path, sides: int) -> None:
    """Gives the corpus so many transfers that all sound and measure like its first."""
    tables = [folder for folder in (root / "derived" / "tables").iterdir() if (folder / "x0.parquet").is_file()]
    for number in range(1, sides):
        new = f"x{number}"
        for folder in tables:
            frame = pl.read_parquet(folder / "x0.parquet")
            ids = [name for name in frame.columns if frame.schema[name] == pl.String and name.endswith("_id")]
            renamed = frame.with_columns(pl.col(ids).str.replace("^x0", new).str.replace("^t0$", f"t{number}"))
            renamed.write_parquet(folder / f"{new}.parquet")
    rows = {
        "take": "take_id,accompaniment,place\n" + "".join(f"t{n},none,Hall {n}\n" for n in range(sides)),
        "side": "side_id\n" + "".join(f"d{n}\n" for n in range(sides)),
        "side_take": "side_id,take_id\n" + "".join(f"d{n},t{n}\n" for n in range(sides)),
        "performance": "take_id,player_id,instrument,role\n"
        + "".join(f"t{n},ada,violin,soloist\n" for n in range(sides)),
        "transfer": "transfer_id,side_id,file,turntable_rpm\n"
        + "".join(f"x{n},d{n},side.flac,78.26\n" for n in range(sides)),
    }
    for table, text in rows.items():
        (root / "catalogue" / f"{table}.csv").write_text(text, encoding="utf-8")
    remade(root)


def remade(root: Path) -> None:
    corpus = Corpus(root)
    build_database(corpus, compact(corpus))


def timed(root: Path, words: str) -> None:
    wall, cpu = time.perf_counter(), sum(os.times()[:4])
    built = report(root)
    wall, cpu = time.perf_counter() - wall, sum(os.times()[:4]) - cpu
    done = f"{len(built.made)} made, {len(built.kept)} kept, {len(built.failed)} failed"
    print(f"{words}: {wall:.1f} s wall, {cpu:.1f} s of processor time; {done}", flush=True)


def many(root: Path, sides: int) -> None:
    copied(root, sides)
    timed(root, f"report of {sides} sides")
    timed(root, "nothing changed")
    takes = root / "catalogue" / "take.csv"
    takes.write_text(takes.read_text(encoding="utf-8").replace("Hall 7\n", "Hall seven\n"), encoding="utf-8")
    notes = root / "derived" / "tables" / "note" / "x9.parquet"
    pl.read_parquet(notes).head(-1).write_parquet(notes)
    remade(root)
    timed(root, "one place and one side's notes changed")


def main() -> None:
    root = Path(sys.argv[1] if len(sys.argv) > 1 else tempfile.mkdtemp()) / "corpus"
    if not root.exists():
        made(root)
    target = root / "derived" / "report"
    for number in range(3):
        began = time.process_time()
        problem = draw_side(root, "x0", target, Neighbours(None, None), Heard())
        print(f"drawing {number + 1}: {time.process_time() - began:.2f} s of processor time {problem}")
    page = target / "side" / "x0.html"
    slides = page.read_text(encoding="utf-8").count("slide-card")
    print(f"page {page.stat().st_size / 1e6:.2f} MB, {slides} slides")
    for path in sorted((target / "sound").iterdir()):
        print(f"{path.name} {path.stat().st_size / 1e6:.2f} MB")
    if len(sys.argv) > 2:
        many(root, int(sys.argv[2]))


if __name__ == "__main__":
    main()
