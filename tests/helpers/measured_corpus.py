"""A small measured corpus for tests of what reads one: four short rendered sides, people, schools, odd text."""

from pathlib import Path

import numpy as np
import soundfile

from pipeline.flows.progress import Display
from pipeline.flows.run import begin, carry_out, plan
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice
from pipeline.steps import order
from pipeline.store.corpus import Corpus

RATE_HZ = 22_050
STEPS = "pipeline.steps.order"
# Catalogue text that would run in a page or a spreadsheet if nobody took care.
NASTY = '<script>alert("x")</script> & "Träumerei"'


def measured_corpus(root: Path) -> Path:
    """Write, measure and summarise the corpus below ``root``, in this process and without a scheduler."""
    for folder in ("audio", "catalogue", "reviews"):
        (root / folder).mkdir(parents=True)
    (root / "settings.toml").write_text('title = "Made for tests"\n', encoding="utf-8")
    keys = [_side(root, number) for number in range(4)]
    write(root, "player", "player_id,name,born", ["ada,Ada Quill,1870", "bo,Bo Fernwood,1892~", "cy,Cy Tarn,1901"])
    write(root, "teaching", "teacher_id,student_id,kind,certainty", ["ada,bo,private,certain"])
    write(root, "school", "school_id,scheme,name", ["mill,trade,Mill Lane", "weir,trade,Weir Road"])
    write(root, "school_membership", "player_id,school_id,basis", ["ada,mill,study", "bo,weir,study"])
    nasty = '"' + NASTY.replace('"', '""') + '"'
    titles = [nasty, "=1+1", "Plain Air", "Plain Air no. 2"]
    write(root, "work", "work_id,title,key", [f"w{n},{titles[n]},{keys[n]}" for n in range(4)])
    write(
        root,
        "take",
        "take_id,work_id,matrix_number,take_number,recorded,process,accompaniment,note",
        [
            "t0,w0,0123,2,1907,acoustic,none,",
            'm1,w1,B7,1,191X,acoustic,none,"two\nlines, and ""quotes"""',
            f"t2,w2,0007,1,1926/1927,electrical,none,{'long ' * 600}",
            "t3,w3,Q1,1,,electrical,none,-5 % louder",
        ],
    )
    write(root, "side", "side_id,label", [f"d{n},Larkline" for n in range(4)])
    takes = ("t0", "m1", "t2", "t3")
    write(root, "side_take", "side_id,take_id", [f"d{n},{take}" for n, take in enumerate(takes)])
    write(
        root,
        "performance",
        "take_id,player_id,instrument,role,certainty",
        [f"{take},{'ada' if n < 2 else 'bo'},violin,soloist,certain" for n, take in enumerate(takes)],
    )
    write(
        root,
        "transfer",
        "transfer_id,side_id,file,turntable_rpm,visibility",
        [f"x{n},d{n},s{n}.flac,78.26,{'private' if n == 3 else 'public'}" for n in range(4)],
    )
    measure(root)
    return root


def measure(root: Path) -> None:
    """All steps over the corpus."""
    corpus = Corpus(root)

    def planned(files):
        planner = plan(corpus, order.STEPS, until=None, only=None, files=files)
        planner.prepare()
        return planner

    work = begin(corpus, planned, Display(quiet=True), steps_from=STEPS)
    carry_out(work, workers=1)
    work.conclude()


def _side(root: Path, number: int) -> str:
    rng = np.random.default_rng([31, number])
    plan_ = random_plan(rng, instrument="violin", length_s=14.0, reference_pitch_hz=440.0, slide_share=0.35)
    samples, _ = render_side(
        plan_,
        rng=rng,
        sample_rate_hz=RATE_HZ,
        voice=random_voice(rng, instrument="violin"),
        snr_db=25.0,
        piano_below_db=None,
        band="electrical",
        speed=SpeedPlan(offset_cents=20.0),
    )
    soundfile.write(root / "audio" / f"s{number}.flac", samples, RATE_HZ)
    return plan_.key


def write(root: Path, table: str, header: str, rows: list[str]) -> None:
    """One hand-kept table."""
    (root / "catalogue" / f"{table}.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
