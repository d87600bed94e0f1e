"""Makes the demo's audio from ``recipe.toml``, and what was planted in it as tables.

Everything follows from the recipe's seeds: the same recipe gives the same samples.
"""

import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from pipeline.demonstration.players import Habits
from pipeline.demonstration.scores import Score, read_scores
from pipeline.demonstration.works import Work, read_works
from pipeline.processes import pool
from pipeline.signal.synth.beside import Beside, BowedPart
from pipeline.signal.synth.known_melody import Line
from pipeline.signal.synth.plan import Plan, Truth
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import Samples, render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.units import hz_of_rpm


@dataclass(frozen=True)
class Other:
    """A second bowed player beside the soloist, ``below_db`` softer, in the same key and on the same instrument."""

    habits: Habits
    performance: int
    slide_share: float
    below_db: float


@dataclass(frozen=True)
class SideRecipe:
    """One transfer of the demo; see ``demo_corpus/recipe.toml``. Wow turns with the turntable."""

    transfer_id: str
    file: str
    player: str
    habits: Habits
    performance: int
    transfer: int
    key: str
    reference_pitch_hz: float
    length_s: float
    slide_share: float
    snr_db: float
    band: str
    turntable_rpm: float
    offset_cents: float
    drift_cents: float
    instrument: str = "violin"
    drift_shape: str = "line"
    wow_cents: float = 0.0
    step_fraction: float = 0.0
    step_cents: float = 0.0
    piano_below_db: float | None = None
    introduction_s: float = 0.0
    interlude_s: float = 0.0
    sample_rate_hz: int = 44_100
    subtype: str | None = None
    stereo: bool = False
    line: Line | None = None
    score: Score | None = None
    other: Other | None = None

    def render(self) -> tuple[Samples, Truth]:
        """Samples and truth of this transfer; the truth is that of the solo line, of chords the highest notes."""
        _, voice = self.habits.drawn(self.instrument)
        plan, *lower = self.plans()
        below_db = 0.0 if self.other is None else self.other.below_db
        other = voice if self.other is None else self.other.habits.drawn(self.instrument)[1]
        beside = Beside(tuple(BowedPart(part, other, below_db) for part in lower)) if lower else None
        rng = np.random.default_rng(self.transfer)
        speed = SpeedPlan(
            offset_cents=self.offset_cents,
            drift_cents=self.drift_cents,
            drift_shape=self.drift_shape,
            wow_hz=hz_of_rpm(self.turntable_rpm),
            wow_cents=self.wow_cents,
            wow_phase_rad=float(rng.uniform(0.0, 2.0 * np.pi)),
            radius_ratio=1.3,
            step_fraction=self.step_fraction,
            step_cents=self.step_cents,
        )
        return render_side(
            plan,
            rng=rng,
            sample_rate_hz=self.sample_rate_hz,
            voice=voice,
            snr_db=self.snr_db,
            piano_below_db=self.piano_below_db,
            band=self.band,
            speed=speed,
            beside=beside,
        )

    def plans(self) -> tuple[Plan, ...]:
        """What is played: the solo line, then the lower notes of its chords, or the other player's line."""
        player, _ = self.habits.drawn(self.instrument)
        if self.score is not None:
            return self.score.plans(
                np.random.default_rng(self.performance),
                player=player,
                length_s=self.length_s,
                reference_pitch_hz=self.reference_pitch_hz,
            )
        plan = random_plan(
            np.random.default_rng(self.performance),
            instrument=self.instrument,
            length_s=self.length_s,
            reference_pitch_hz=self.reference_pitch_hz,
            with_piano=self.piano_below_db is not None,
            slide_share=self.slide_share,
            negative_share=0.06,
            kind_shares=self.habits.kind_shares(),
            key=self.key,
            player=player,
            introduction_s=self.introduction_s,
            interlude_s=self.interlude_s,
            fingers=self.habits.fingers(self.instrument),
            line=self.line,
        )
        return (plan,) if self.other is None else (plan, self._beside(self.other))

    def _beside(self, other: Other) -> Plan:
        player, _ = other.habits.drawn(self.instrument)
        return random_plan(
            np.random.default_rng(other.performance),
            instrument=self.instrument,
            length_s=self.length_s,
            reference_pitch_hz=self.reference_pitch_hz,
            slide_share=other.slide_share,
            negative_share=0.0,
            kind_shares=other.habits.kind_shares(),
            key=self.key,
            player=player,
            fingers=other.habits.fingers(self.instrument),
        )


@dataclass(frozen=True)
class Recipe:
    """All transfers of the demo, and the files that are broken on purpose."""

    sides: tuple[SideRecipe, ...]
    broken: tuple[str, ...] = field(default=())


def read_recipe(path: Path) -> Recipe:
    """The recipe of the file at ``path``."""
    values = tomllib.loads(path.read_text(encoding="utf-8"))
    players: dict[str, Any] = values["players"]
    works, scores = read_works(values), read_scores(values)
    sides = tuple(_side(side, players, works, scores) for side in values["side"])
    return Recipe(sides, tuple(item["file"] for item in values["broken"]))


def _side(
    side: dict[str, Any], players: Mapping[str, Any], works: Mapping[str, Work], scores: Mapping[str, Score]
) -> SideRecipe:
    player = players[side["player"]]
    plays = {name: side.pop(name, usual) for name, usual in (("repeats", True), ("cut", None), ("semitones", 0))}
    name, other = side.pop("work", ""), side.pop("other", None)
    line = works[name].played(**plays, sliding=player["sliding"]) if name in works else None
    if other is not None:
        other = Other(habits=Habits.of(players[other.pop("player")]), **other)
    return SideRecipe(**side, habits=Habits.of(player), line=line, score=scores.get(name), other=other)


def write_side(side: SideRecipe, *, folder: Path) -> str:
    """Render one transfer into its file under ``folder``; returns its id."""
    samples, _ = side.render()
    sound = np.column_stack((samples, samples)) if side.stereo else samples
    rate = side.sample_rate_hz
    with soundfile.SoundFile(
        folder / side.file, "w", rate, channels=2 if side.stereo else 1, subtype=side.subtype
    ) as file:
        # In parts of a second: the Vorbis encoder overflows its stack on whole sides.
        for start in range(0, len(sound), rate):
            file.write(sound[start : start + rate])
    return side.transfer_id


def write_broken(path: Path) -> None:
    """A FLAC file that begins as one should and then holds nothing but a few bytes of its first block."""
    path.write_bytes(b"fLaC\x00\x00\x00\x22" + bytes(range(20)))


def write_audio(recipe: Recipe, *, folder: Path, workers: int, on_done: Callable[[str], None]) -> None:
    """Render all transfers into ``folder``, ``workers`` at one time; ``on_done`` hears of each."""
    folder.mkdir(parents=True, exist_ok=True)
    for file in recipe.broken:
        write_broken(folder / file)
    for transfer_id in _rendered(recipe, folder, workers):
        on_done(transfer_id)


def _rendered(recipe: Recipe, folder: Path, workers: int) -> Iterator[str]:
    longest_first = sorted(recipe.sides, key=lambda side: (-side.length_s * side.sample_rate_hz, side.file))
    if workers == 1:
        yield from (write_side(side, folder=folder) for side in longest_first)
        return
    with pool(workers) as crew:
        waiting = [crew.submit(write_side, side, folder=folder) for side in longest_first]
        yield from (job.result() for job in waiting)
