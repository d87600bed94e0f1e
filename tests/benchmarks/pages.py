"""What a side's page costs: processor time for 3 minutes of solo, weight of the page and of its sound.

Run with: python tests/benchmarks/pages.py [FOLDER]
Measures one rendered side of 3 minutes in FOLDER (a new one if none is given), draws its page three times in this
process, and prints the times. The first drawing compiles and loads; the others are what each further side costs.
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from pipeline.flows.run import run
from pipeline.pages.report import draw_side
from pipeline.pages.side import Neighbours
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice

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


def main() -> None:
    root = Path(sys.argv[1] if len(sys.argv) > 1 else tempfile.mkdtemp()) / "corpus"
    if not root.exists():
        made(root)
    target = root / "derived" / "report"
    for number in range(3):
        began = time.process_time()
        problem = draw_side(root, "x0", target, Neighbours(None, None), {})
        print(f"drawing {number + 1}: {time.process_time() - began:.2f} s of processor time {problem}")
    page = target / "side" / "x0.html"
    slides = page.read_text(encoding="utf-8").count("slide-card")
    print(f"page {page.stat().st_size / 1e6:.2f} MB, {slides} slides")
    for path in sorted((target / "sound").iterdir()):
        print(f"{path.name} {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
