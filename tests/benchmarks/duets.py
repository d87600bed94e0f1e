"""Several bowed players at once: rendered duets and quartets with exact truth, and real violinists over each other.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.duets [--pairs 12] [--quartets 6] [--folder FOLDER]
    OMP_NUM_THREADS=1 python -m tests.benchmarks.duets --learn 36

Rendered: pairs of 24 s, electrical, surface noise 20 dB below the solo; in one pair of two both play in one register,
in the other the second lies lower. The other sounds 12, 6 and 0 dB below the solo. Of frames in which both
sound: where the soloist's line is on the solo, as followed once and as assigned. Behind the slide finder, by least
probability 0.9: slides of the solo that are found and kept, of those found at all; slides of the other, by the truth,
that are credited to the soloist, the line being on them, in those found on either line; the same in the solo's rests.
Of duets the same once more where the soloist's part is known, notes on a grid of quarter beats. Quartets: a violin, a
viola and a cello beside the solo, each at these levels. Real: single lines of ``solo_violin`` of two players, 24 s
each, whose truth is each followed alone.

``--learn`` prints the weights of ``voices.certain`` from so many other pairs, at 6 and 0 dB, and how they do on pairs
held out.
"""

import argparse
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from pipeline.overlap import SAME_SLIDE, overlap
from pipeline.signal.line.follow import MelodyLine, follow
from pipeline.signal.passages.part import Part
from pipeline.signal.slides.detect import find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.synth.degrade import random_chain
from pipeline.signal.synth.plan import Truth
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.player import random_player
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice
from pipeline.signal.voices import certain
from pipeline.signal.voices import two_lines as two_lines_module
from pipeline.signal.voices.two_lines import TwoLines, two_lines
from pipeline.steps.detect.voices import SURE, Sureness
from pipeline.units import Floats, gain_of_db, semitones_of_ratio
from tests.benchmarks import real_sound

RATE = 16_000
LENGTH_S = 24.0
SEED, SEED_TO_LEARN = 1732, 9907
BEATS_PER_S = 2.0  # of the part: notes of a quarter of a second are quavers
BELOW_DB = (12.0, 6.0, 0.0)
LOWER = 5.0
"""Semitones by which the second lies below the solo in every other pair, at least."""


@dataclass(frozen=True)
class Pair:
    """A solo and what sounds beside it, each voice of equal level while it sounds.

    ``solo_hz`` (n,) and ``other_hz`` (voices, n) are their pitches on a grid of 1 ms, NaN where silent.
    """

    solo: Floats
    other: Floats
    solo_hz: Floats
    other_hz: Floats
    truths: tuple[Truth, ...] = ()


def pairs(count: int, *, below: tuple[str, ...] = (), seed: int = SEED) -> Iterator[Pair]:
    """Rendered pairs; every third soloist rests for three seconds first, another in the middle.

    With ``below`` so many further instruments play beside them.
    """
    for number in range(count):
        rng = np.random.default_rng([seed, number, len(below)] if below else [seed, number])
        rests: dict[str, Any] = ({"introduction_s": 3.0}, {"interlude_s": 2.5}, {})[number % 3]
        shared: dict[str, Any] = {"length_s": LENGTH_S, "reference_pitch_hz": 440.0}
        player = replace(random_player(rng), rest_share=0.1)
        while True:
            plan = random_plan(rng, instrument="violin", **shared, slide_share=0.4, player=player, **rests)
            second = random_plan(rng, instrument="violin", **shared, slide_share=0.4, key=plan.key)
            lower = float(np.subtract(*(np.median([note.midi for note in part.notes]) for part in (plan, second))))
            if lower >= LOWER if number % 2 else abs(lower) <= LOWER:
                break
        plans = [plan, second]
        plans += [random_plan(rng, instrument=name, **shared, slide_share=0.4, key=plan.key) for name in below]
        chain = random_chain(rng, band="electrical")
        sounds, truths = [], []
        for part, instrument in zip(plans, ("violin", "violin", *below), strict=True):
            samples, truth = render_side(
                part,
                rng=rng,
                sample_rate_hz=RATE,
                voice=random_voice(rng, instrument=instrument),
                snr_db=None if sounds else 20.0,
                piano_below_db=None,
                band="electrical",
                speed=SpeedPlan(),
                chain=chain,
            )
            sounds.append(_levelled(samples.astype(np.float64), truth.f0_hz))
            truths.append(truth)
        size = min(sound.size for sound in sounds)
        beside = sum(sound[:size] for sound in sounds[1:])
        yield Pair(sounds[0][:size], beside, truths[0].f0_hz, _stacked(truth.f0_hz for truth in truths[1:]), (*truths,))


def _stacked(pitches: Iterable[Floats]) -> Floats:
    """Pitches of several voices on one grid, NaN beyond the end of each."""
    each = list(pitches)
    out = np.full((len(each), max(hz.size for hz in each)), np.nan)
    for row, hz in zip(out, each, strict=True):
        row[: hz.size] = hz
    return out


def real_pairs(folder: Path) -> Iterator[Pair]:
    """Single lines of different players, each way round."""
    lines = [sound for read in real_sound.movements(folder, most_s=60.0) if (sound := read()).single]
    players = [sound.name.split("_")[0] for sound in lines]
    for one, first in zip(players, lines, strict=True):
        for other, second in zip(players, lines, strict=True):
            if one == other:
                continue
            sounds, pitches = [], []
            for sound in (first, second):
                samples = sound.samples[: round(LENGTH_S * real_sound.RATE)]
                line = follow(samples, sample_rate_hz=real_sound.RATE, instrument="violin")
                at = np.arange(round(1000 * LENGTH_S)) / 1000.0
                near = np.clip(np.rint(at / line.hop_s).astype(int), 0, line.time_s.size - 1)
                pitches.append(np.where(line.confidence[near] > 0.8, line.f0_hz[near], np.nan))
                sounds.append(_levelled(samples.astype(np.float64), np.ones(1)))
            yield Pair(sounds[0], sounds[1], pitches[0], pitches[1][np.newaxis])


def _levelled(samples: Floats, hz: Floats) -> Floats:
    sounding = np.isfinite(hz[np.minimum(np.arange(samples.size) * hz.size // samples.size, hz.size - 1)])
    return samples * (0.1 / float(np.sqrt(np.mean(samples[sounding] ** 2))))


def score(pair: Pair, below_db: float, rate_hz: float, tally: Counter[str], *, part: Part | None = None) -> None:
    """Adds what is right and wrong of one pair."""
    sound = (pair.solo + pair.other * gain_of_db(-below_db)).astype(np.float32)
    once = follow(sound, sample_rate_hz=rate_hz, instrument="violin")
    began = time.process_time()
    found = two_lines(
        sound, sample_rate_hz=rate_hz, instrument="violin", other_instrument=None, part=part, others=len(pair.other_hz)
    )
    tally["cpu_ms"] += round(1000 * (time.process_time() - began))
    tally["seconds"] += round(sound.size / rate_hz)
    solo, others = _on(once.time_s, pair.solo_hz), [_on(once.time_s, hz) for hz in pair.other_hz]
    sounds, unison, on_other, found_other = (
        np.any(each, axis=0)
        for each in (
            np.isfinite(others),
            [_near(solo, other) for other in others],
            [_near(found.solo.f0_hz, other) for other in others],
            [_near(found.other.f0_hz, other) for other in others],
        )
    )
    both, resting = np.isfinite(solo) & sounds & ~unison, np.isnan(solo) & sounds
    sure = found.sure >= SURE
    tally["both"] += int(both.sum())
    tally["once"] += int((_near(once.f0_hz, solo) & both).sum())
    tally["assigned"] += int((_near(found.solo.f0_hz, solo) & both).sum())
    tally["other"] += int((found_other & both).sum())
    tally["sure"] += int((sure & both).sum())
    tally["surely wrong"] += int((on_other & both & sure).sum())
    tally["resting"] += int(resting.sum())
    tally["not silent"] += int((resting & sure & (found.solo.confidence > 0.5)).sum())
    if pair.truths:
        _score_slides(found, pair.truths[0], pair.truths[1:], tally)


def written(truth: Truth) -> Part:
    """The part that was planned, its notes on a grid of quarter beats."""
    starts = [round(4.0 * BEATS_PER_S * note.start_s) for note in truth.plan.notes]
    beats = np.maximum.accumulate(np.array(starts, dtype=np.float64)) / 4.0 + 1e-3 * np.arange(len(starts))
    pitches = tuple((float(round(note.midi)),) for note in truth.plan.notes)
    return Part(pitches, beats, float(beats[-1]) + 1.0, np.zeros(beats.size, dtype=bool))


def _score_slides(found: TwoLines, solo: Truth, others: Sequence[Truth], tally: Counter[str]) -> None:
    """Planted slides of all players against those that the finder gives on both lines."""
    sureness = Sureness(found.solo.time_s, found.sure)
    on_solo, on_other = (_slides(line) for line in (found.solo, found.other))
    credited = [slide for slide in on_solo if sureness.of_slide(slide) >= SURE]
    for planted in solo.slides:
        wanted = [planted.transfer_audible_start_s], [planted.transfer_audible_end_s]
        if _among(wanted, planted.planned, on_solo) or _among(wanted, planted.planned, on_other):
            tally["own"] += 1
            tally["kept"] += _among(wanted, planted.planned, credited)
    for other, planted in ((one, slide) for one in others for slide in one.slides):
        wanted = [planted.transfer_audible_start_s], [planted.transfer_audible_end_s]
        if _among(wanted, planted.planned, on_solo) or _among(wanted, planted.planned, on_other):
            middle = np.add(*wanted) / 2.0
            rests = bool(np.isnan(_on(middle, solo.f0_hz))[0])
            # What the soloist plays at the same time may begin or end alike.
            at = (found.solo.time_s >= wanted[0][0]) & (found.solo.time_s <= wanted[1][0])
            its = np.mean(_near(found.solo.f0_hz, _on(found.solo.time_s, other.f0_hz))[at]) >= 0.5
            tally["in rests" if rests else "others"] += 1
            tally["taken in rests" if rests else "taken"] += its and _among(wanted, planted.planned, credited)


def _slides(line: MelodyLine) -> tuple[Any, ...]:
    speed_map = SpeedMap(np.array([0.0, LENGTH_S]), np.zeros(2))
    return find_notes_and_slides(line, speed_map=speed_map, reference_pitch_hz=440.0, spans=None).slides


def _among(wanted: tuple[list[float], list[float]], planned: Any, slides: Any) -> bool:
    """Whether one of the slides is a planted one: the same bounds, and an end near its pitches."""
    return any(
        overlap(*wanted, [slide.transfer_audible_start_s], [slide.transfer_audible_end_s])[0, 0] > SAME_SLIDE
        and min(abs(slide.from_midi - planned.from_midi), abs(slide.to_midi - planned.to_midi)) < 1.0
        for slide in slides
    )


def _on(time_s: Floats, hz: Floats) -> Floats:
    return np.asarray(hz[np.clip(np.rint(1000.0 * time_s).astype(int), 0, hz.size - 1)])


def _near(hz: Floats, true_hz: Floats) -> Any:
    return np.abs(semitones_of_ratio(hz / true_hz)) < 0.5


def learn(count: int) -> None:
    """Print the weights of ``certain`` from slides of rendered pairs, and what share of the sure is right."""
    from sklearn.linear_model import LogisticRegression

    rows, right, of = [], [], []
    for number, pair in enumerate(pairs(count, seed=SEED_TO_LEARN)):
        for below_db in (6.0, 0.0):
            sound = (pair.solo + pair.other * gain_of_db(-below_db)).astype(np.float32)
            # The odds of the chain, before they are brought home.
            with mock.patch.object(two_lines_module, "right", wraps=certain.right) as asked:
                found = two_lines(sound, sample_rate_hz=RATE, instrument="violin", other_instrument=None)
            truth = np.stack([_on(found.solo.time_s, hz) for hz in (pair.solo_hz, pair.other_hz[0])])
            # Which of the two is the soloist is another question: here each line is the player's whom it mostly is.
            on = [np.mean(_near(np.stack([found.solo.f0_hz, found.other.f0_hz]), way)) for way in (truth, truth[::-1])]
            truth = truth if on[0] >= on[1] else truth[::-1]
            for line, its, other, beside in (
                (found.solo, *truth, found.other),
                (found.other, *truth[::-1], found.solo),
            ):
                seen = certain.seen(asked.call_args.args[0], line, beside)
                for slide in _slides(line):
                    ends = slide.transfer_audible_start_s, slide.transfer_audible_end_s
                    at = (line.time_s >= ends[0]) & (line.time_s <= ends[1])
                    own, wrong = (bool(np.mean(_near(line.f0_hz, hz)[at]) >= 0.5) for hz in (its, other))
                    if at.any() and own != wrong:
                        rows.append(seen[at].mean(axis=0))
                        right.append(own)
                        of.append(number % 6)
    x, y, part = np.array(rows), np.array(right), np.array(of)
    chance = np.zeros(y.size)
    for k in range(6):
        fitted = LogisticRegression(C=1e3, max_iter=1000).fit(x[part != k], y[part != k])
        chance[part == k] = fitted.predict_proba(x[part == k])[:, 1]
    fitted = LogisticRegression(C=1e3, max_iter=1000).fit(x, y)
    print(f"{y.size} slides, weights {np.round(np.concatenate([fitted.intercept_, fitted.coef_[0]]), 4)}")
    for least, most in ((0.0, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 0.98), (0.98, 1.0)):
        inside = (chance >= least) & (chance < most)
        if inside.any():
            print(f"    said {least}-{most}: {inside.sum()}, right {y[inside].mean():.3f}")


def show(tallies: dict[float, Counter[str]]) -> None:
    """Print a line for each level."""
    for below_db, tally in tallies.items():

        def of(part: str, whole: str, tally: Counter[str] = tally) -> str:
            return f"{tally[part] / max(tally[whole], 1):.3f}"

        said = f"  -{below_db:.0f} dB: solo line right once {of('once', 'both')}, assigned {of('assigned', 'both')}"
        said += f", sure {of('sure', 'both')}, surely wrong {of('surely wrong', 'both')}, other's {of('other', 'both')}"
        said += f"; rests surely filled {of('not silent', 'resting')}; {tally['cpu_ms'] / tally['seconds']:.0f} ms/s"
        print(said)
        if tally["own"]:
            said = f"kept {of('kept', 'own')} of {tally['own']}, other's credited {of('taken', 'others')}"
            said += (
                f" of {tally['others']}, in the solo's rests {of('taken in rests', 'in rests')} of {tally['in rests']}"
            )
            print("    slides " + said)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.duets")
    parser.add_argument("--pairs", type=int, default=12)
    parser.add_argument("--quartets", type=int, default=6)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--learn", type=int, default=0)
    given = parser.parse_args()
    if given.learn:
        learn(given.learn)
        return
    sources: list[tuple[str, Iterator[Pair], float]] = [
        ("rendered duets", pairs(given.pairs), RATE),
        ("rendered quartets", pairs(given.quartets, below=("viola", "cello")), RATE),
    ]
    if given.folder:
        sources.append(("real players", real_pairs(given.folder), real_sound.RATE))
    for name, found, rate_hz in sources:
        plain: dict[float, Counter[str]] = defaultdict(Counter)
        with_part: dict[float, Counter[str]] = defaultdict(Counter)
        for pair in found:
            for below_db in BELOW_DB:
                score(pair, below_db, rate_hz, plain[below_db])
                if len(pair.truths) == 2:
                    score(pair, below_db, rate_hz, with_part[below_db], part=written(pair.truths[0]))
        print(name)
        show(plain)
        if with_part:
            print(f"{name}, the soloist's part known")
            show(with_part)


if __name__ == "__main__":
    main()
