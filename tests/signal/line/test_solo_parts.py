"""Where the solo is, on rendered sides and on sounds that hold none."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.signal.line.follow import follow
from pipeline.signal.line.solo_parts import CONTENTS, SoloSpan, where_solo
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.synth.voice import random_voice

RATE = 22050


def spans_of(sound: npt.NDArray[np.float32]) -> tuple[SoloSpan, ...]:
    line = follow(sound, sample_rate_hz=RATE, instrument="violin", scoring="network")
    spans = where_solo(line, length_s=sound.size / RATE)
    assert spans[0].start_s == 0.0
    assert spans[-1].end_s == pytest.approx(sound.size / RATE)
    assert all(a.end_s == b.start_s for a, b in pairwise(spans))
    assert all(s.content in CONTENTS and 0 <= s.confidence <= 1 for s in spans)
    return spans


def seconds_of(spans: tuple[SoloSpan, ...], content: str) -> float:
    return sum(s.end_s - s.start_s for s in spans if s.content == content)


def side(seed: int, *, with_solo: bool, introduction_s: float = 0.0, piano_below_db: float | None = 3.0):
    rng = np.random.default_rng([404, seed])
    plan = random_plan(
        rng,
        instrument="violin",
        length_s=30.0,
        reference_pitch_hz=440.0,
        with_piano=piano_below_db is not None,
        introduction_s=introduction_s,
    )
    voice = random_voice(rng, instrument="violin")
    if not with_solo:
        plan = replace(plan, notes=tuple(replace(n, level_db=-90.0) for n in plan.notes))
        voice = replace(voice, noise_db=-100.0)
        piano_below_db = -80.0
    return render_side(
        plan,
        rng=rng,
        sample_rate_hz=RATE,
        voice=voice,
        snr_db=20.0 if with_solo else None,
        piano_below_db=piano_below_db,
        band="electrical",
        speed=SpeedPlan(),
    )[0]


def test_a_solo_side_is_solo() -> None:
    for seed in range(2):
        spans = spans_of(side(seed, with_solo=True, piano_below_db=None))
        assert seconds_of(spans, "solo") > 27.0


def test_an_introduction_is_accompaniment() -> None:
    for seed in range(2):
        spans = spans_of(side(seed, with_solo=True, introduction_s=8.0))
        before = [s for s in spans if s.end_s <= 9.5]
        assert seconds_of(tuple(before), "solo") == 0.0
        start = next(s.start_s for s in spans if s.content == "solo")
        assert start == pytest.approx(8.25, abs=1.5)
        assert seconds_of(spans, "solo") > 18.0


def test_a_piano_alone_is_no_solo() -> None:
    for seed in (0, 1, 10, 11):
        assert seconds_of(spans_of(side(seed, with_solo=False)), "solo") < 1.5


def test_silence_and_noise_are_not_music() -> None:
    rng = np.random.default_rng(9)
    for sound in (np.zeros(8 * RATE), 0.05 * rng.standard_normal(8 * RATE)):
        spans = spans_of(sound.astype(np.float32))
        assert seconds_of(spans, "solo") == 0.0
        assert seconds_of(spans, "not_music") > 6.0


def test_speech_like_sweeps_are_no_solo() -> None:
    # Voiced stretches of 0.2-0.5 s whose pitch never rests, 8-20 semitones a second (as in lively speech).
    rng = np.random.default_rng(11)
    parts = []
    while sum(p.size for p in parts) < 12 * RATE:
        n = int(rng.uniform(0.2, 0.5) * RATE)
        pitch = 180.0 * 2 ** ((rng.uniform(0, 9) + rng.choice((-1, 1)) * rng.uniform(8, 20) * np.arange(n) / RATE) / 12)
        phase = 2 * np.pi * np.cumsum(pitch) / RATE
        tone = sum(np.sin(h * phase) / h for h in range(1, 15)) * np.hanning(n)
        parts += [0.1 * tone, np.zeros(int(rng.uniform(0.03, 0.2) * RATE))]
    sound = np.concatenate(parts).astype(np.float32)
    assert seconds_of(spans_of(sound), "solo") < 0.15 * sound.size / RATE
