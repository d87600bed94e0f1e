"""Named suites of rendered sides, with truth: what the benchmarks and the slower tests measure on.

``F``: violin, solo at 20, 10 and 5 dB and with a piano 12, 6 and 0 dB below, acoustic and electrical, additive and
sampled voices. ``H``: piano equal or 6 dB louder, 5-10 dB. ``viola``, ``cello``: their like. ``speed``: longer
sides with offset, drift, wow and sudden changes. ``scoops``: without slides, but with two notes in five beginning
60 to 120 cents low. Seeds of a suite are fixed; ``offset`` gives fresh sides.

Run ``python -m tests.benchmarks.scenes F /some/folder`` to write a suite's audio.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.signal.synth.plan import Plan, Truth
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan, random_speed
from pipeline.signal.synth.voice import random_voice
from tests.benchmarks.soundfont import sampled_voice


@dataclass(frozen=True)
class Scene:
    """One side to render; everything that matters is said here, everything else follows from ``seed``."""

    name: str
    seed: int
    instrument: str = "violin"
    length_s: float = 60.0
    snr_db: float | None = 20.0
    piano_below_db: float | None = None
    band: str = "acoustic"
    sampled: bool = False
    offset_sd_cents: float = 0.0
    drift_max_cents: float = 0.0
    wow_max_cents: float = 0.0
    step_share: float = 0.0
    slide_share: float = 0.28
    low_cents: float = 0.0
    reference_pitch_hz: float = 440.0
    sample_rate_hz: int = 44_100

    def render(self) -> tuple[npt.NDArray[np.float32], Truth]:
        """Samples and truth."""
        rng = np.random.default_rng(self.seed)
        plan = random_plan(
            rng,
            instrument=self.instrument,
            length_s=self.length_s,
            reference_pitch_hz=self.reference_pitch_hz,
            with_piano=self.piano_below_db is not None,
            slide_share=self.slide_share,
        )
        if self.low_cents:
            plan = beginning_low(plan, rng=rng, cents=self.low_cents)
        make = sampled_voice if self.sampled else random_voice
        moving = self.offset_sd_cents or self.drift_max_cents or self.wow_max_cents or self.step_share
        speed = (
            random_speed(
                rng,
                offset_sd_cents=self.offset_sd_cents,
                drift_max_cents=self.drift_max_cents,
                wow_max_cents=self.wow_max_cents,
                step_share=self.step_share,
            )
            if moving
            else SpeedPlan()
        )
        return render_side(
            plan,
            rng=rng,
            sample_rate_hz=self.sample_rate_hz,
            voice=make(rng, instrument=self.instrument),
            snr_db=self.snr_db,
            piano_below_db=self.piano_below_db,
            band=self.band,
            speed=speed,
        )


def beginning_low(
    plan: Plan, *, rng: np.random.Generator, cents: float, share: float = 0.4, seconds: float = 0.14
) -> Plan:
    """The plan with a share of the notes that no slide leads into beginning so low; they come in within ``seconds``."""
    into = {slide.to_note for slide in plan.slides}
    notes = [
        replace(note, approach_cents=-cents, approach_s=seconds * float(rng.uniform(0.8, 1.2)))
        if i not in into and note.ornament is None and note.end_s - note.start_s > 0.2 and rng.random() < share
        else note
        for i, note in enumerate(plan.notes)
    ]
    return replace(plan, notes=tuple(notes))


_SOLO = tuple((snr, None) for snr in (20.0, 10.0, 5.0))
_PIANO = tuple((snr, below) for below in (12.0, 6.0, 0.0) for snr in (20.0, 10.0))
_HARD = tuple((snr, below) for below in (0.0, -6.0) for snr in (10.0, 5.0))
_BASES = {"F": 1000, "H": 2000, "viola": 3000, "cello": 4000, "speed": 5000, "scoops": 6000}


def suite(name: str, *, offset: int = 0, length_s: float = 60.0) -> list[Scene]:
    """The sides of a suite; ``offset`` (a multiple of 10,000, say) gives other seeds.

    Raises
    ------
    ValueError
        If there is no such suite.
    """
    if name not in _BASES:
        raise ValueError(f"no suite {name!r}: use one of {', '.join(_BASES)}")
    seed = _BASES[name] + offset
    if name == "speed":
        return _speed(seed, max(length_s, 60.0))
    if name == "scoops":
        return _scoops(seed, length_s)
    conditions = {"F": _SOLO + _PIANO, "H": _HARD}.get(name, (*_SOLO, (20.0, 12.0), (20.0, 0.0), (10.0, 0.0)))
    instrument = name if name in ("viola", "cello") else "violin"
    return [
        Scene(
            name=f"{name} {band[:2]} {'sampled' if sampled else 'additive'} "
            + (f"solo {snr:g} dB" if below is None else f"piano {-below:+g} dB, noise {snr:g} dB"),
            seed=seed + i,
            instrument=instrument,
            length_s=length_s,
            snr_db=snr,
            piano_below_db=below,
            band=band,
            sampled=sampled,
        )
        for i, (snr, below, band, sampled) in enumerate(
            (snr, below, band, sampled)
            for snr, below in conditions
            for band, sampled in (("acoustic", False), ("electrical", True))
        )
    ]


def _scoops(seed: int, length_s: float) -> list[Scene]:
    return [
        Scene(
            name=f"scoops {instrument} {cents:g} cents",
            seed=seed + i,
            instrument=instrument,
            length_s=length_s,
            snr_db=18.0,
            slide_share=0.0,
            low_cents=cents,
        )
        for i, (cents, instrument) in enumerate(
            (cents, instrument)
            for cents in (60.0, 70.0, 80.0, 100.0, 120.0)
            for instrument in ("violin", "violin", "viola", "cello")
        )
    ]


def _speed(seed: int, length_s: float) -> list[Scene]:
    return [
        Scene(
            name=f"speed {band[:2]} {'solo' if below is None else 'piano'} {snr:g} dB #{i}",
            seed=seed + i,
            instrument="cello" if i % 6 == 5 else "violin",
            length_s=length_s,
            snr_db=snr,
            piano_below_db=below,
            band=band,
            offset_sd_cents=45.0,
            drift_max_cents=35.0,
            wow_max_cents=0.0 if i % 3 == 2 else 9.0,
            step_share=0.25,
        )
        for i, (snr, below, band) in enumerate(
            (snr, below, band)
            for snr in (30.0, 20.0, 10.0)
            for below in (None, 6.0)
            for band in ("acoustic", "electrical")
            for _ in range(3)
        )
    ]


def rendered(scenes: list[Scene]) -> Iterator[tuple[Scene, npt.NDArray[np.float32], Truth]]:
    """Render one side after another."""
    for scene in scenes:
        yield scene, *scene.render()


def main() -> None:
    """Write the audio of a suite into a folder."""
    import soundfile

    folder = Path(sys.argv[2])
    folder.mkdir(parents=True, exist_ok=True)
    for scene, samples, truth in rendered(suite(sys.argv[1])):
        soundfile.write(folder / f"{scene.seed}.flac", samples, scene.sample_rate_hz)
        print(f"{scene.seed}.flac  {scene.name}: {len(truth.slides)} slides")


if __name__ == "__main__":
    main()
