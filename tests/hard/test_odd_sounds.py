"""Any finite sound goes down the whole road: it is measured, or it is said why it cannot be; nothing breaks."""

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import AudioError
from tests.helpers.all_steps import road

RATE = 22_050
Samples = npt.NDArray[np.float64]


# Of a file that is clipped or shows two levels only, nothing can be measured.
REFUSED = {"steps of a constant", "clipped music", "the last bit only", "alternating samples"}
REFUSALS = ("is silent", "too short", "is clipped")


def tone(hz: float, length_s: float, *, vibrato: float = 0.0, rate: int = RATE) -> Samples:
    t = np.arange(round(length_s * rate)) / rate
    phase = 2 * np.pi * hz * t + vibrato * np.sin(2 * np.pi * 6 * t)
    count = max(1, min(12, int(0.45 * rate / hz)))
    return np.asarray(0.1 * sum(np.sin(h * phase) / h for h in range(1, count + 1)))


def tune(length_s: float, *, seed: int = 1, rate: int = RATE) -> Samples:
    """Held notes of a scale, each of half a second."""
    rng = np.random.default_rng(seed)
    steps = np.cumsum(rng.choice((-2, -1, 1, 2), size=int(np.ceil(length_s / 0.5))))
    notes = [tone(440.0 * 2 ** (int(np.clip(k, -8, 15)) / 12), 0.5, vibrato=1.0, rate=rate) for k in steps]
    return np.concatenate(notes)[: round(length_s * rate)]


def noise(length_s: float, level: float = 0.05) -> Samples:
    return level * np.random.default_rng(3).standard_normal(round(length_s * RATE))


ODD: dict[str, Callable[[], Samples]] = {
    "music, then seven seconds of digital silence": lambda: np.concatenate((tune(10.0), np.zeros(7 * RATE))),
    "digital silence before and inside music": lambda: np.concatenate(
        (np.zeros(6 * RATE), tune(4.0), np.zeros(3 * RATE), tune(4.0))
    ),
    "one tone": lambda: tone(440.0, 8.0),
    "two tones": lambda: np.concatenate((tone(440.0, 5.0), tone(660.0, 5.0))),
    "a pure sine": lambda: 0.3 * np.sin(2 * np.pi * 441.0 * np.arange(8 * RATE) / RATE),
    "steps of a constant": lambda: np.where(np.arange(8 * RATE) < 4 * RATE, 0.4, -0.2) + 0.0,
    "music on a constant": lambda: 0.5 + 0.5 * tune(8.0),
    "clipped music": lambda: np.clip(40.0 * tune(8.0), -0.999, 0.999) + noise(8.0, 1e-4),
    "one click": lambda: np.bincount([30000], [0.9], 8 * RATE),
    "a click every half second": lambda: (np.arange(8 * RATE) % (RATE // 2) == 0) * 0.9,
    "white noise": lambda: noise(8.0),
    "nothing above 500 Hz": lambda: 0.2 * np.sin(2 * np.pi * 110.0 * np.arange(8 * RATE) / RATE),
    "very soft music": lambda: 2e-3 * tune(8.0),
    "the last bit only": lambda: np.round(np.random.default_rng(5).random(8 * RATE)) * 2.0**-14,
    "alternating samples": lambda: 0.5 * (-1.0) ** np.arange(8 * RATE),
    "full scale": lambda: np.sign(tone(330.0, 8.0)) * np.linspace(0.5, 1.0, 8 * RATE),
}


Answer = tuple[dict[str, pl.DataFrame], dict[str, tuple[str, str]]]


def answer(samples: Samples, *, instrument: str | None = "violin", rate: int = RATE) -> Answer | str:
    """Tables and outcomes of the whole road; or in words, why ``intake`` refuses the sound."""
    try:
        return road(samples, rate, instrument=instrument)
    except AudioError as error:
        return error.message


def amiss(given: Answer | str, *, length_s: float) -> list[str]:
    """What an answer lacks: words of a refusal; else each step's outcome and why, and stretches over all seconds."""
    if isinstance(given, str):
        return [] if any(words in given for words in REFUSALS) else [f"refused without a known reason: {given}"]
    tables, outcomes = given
    known = ("done", "cannot_tell")
    said = [f"{step}: {outcome} {why}" for step, (outcome, why) in outcomes.items() if outcome not in known]
    said += [f"{step} says nothing" for step, (_, why) in outcomes.items() if not why and step != "intake"]
    spans = tables["solo_span"].sort("transfer_start_s")
    bounds = [0.0, *spans["transfer_end_s"]]
    if spans["transfer_start_s"].to_list() != pytest.approx(bounds[:-1]) or bounds[-1] != pytest.approx(length_s):
        said.append(f"stretches do not cover the side: {spans['transfer_start_s'].to_list()}, {bounds[1:]}")
    return said


@pytest.mark.parametrize("name", ODD)
def test_odd_sounds_are_measured_or_it_is_said_why_not(name: str) -> None:
    samples = ODD[name]()
    given = answer(samples)
    assert amiss(given, length_s=samples.size / RATE) == []
    assert isinstance(given, str) == (name in REFUSED)


@pytest.mark.parametrize("length_s", [1.0, 2.0, 3.0, 5.0, 6.9, 7.1, 8.0])
def test_short_sides_go_through(length_s: float) -> None:
    given = answer(tune(length_s))
    assert amiss(given, length_s=length_s) == []
    assert isinstance(given, str) == (length_s < 2.0)


@pytest.mark.parametrize("rate", [8_000, 11_025, 96_000])
def test_rates_go_through(rate: int) -> None:
    samples = tune(6.0, rate=rate)
    given = answer(samples, rate=rate)
    assert not isinstance(given, str)
    assert amiss(given, length_s=samples.size / rate) == []


def test_an_unknown_instrument_goes_through() -> None:
    given = answer(np.concatenate((tune(6.0), np.zeros(RATE))), instrument=None)
    assert not isinstance(given, str)
    assert amiss(given, length_s=7.0) == []


PIECES: dict[str, Callable[[float, int], Samples]] = {
    "digital silence": lambda s, k: np.zeros(round(s * RATE)),
    "noise": lambda s, k: noise(s, 10.0 ** -(k % 5)),
    "tune": lambda s, k: tune(s, seed=k),
    "tone": lambda s, k: tone(80.0 * 2 ** (k % 60 / 12), s),
    "constant": lambda s, k: np.full(round(s * RATE), 0.1 * (k % 9 - 4)),
    "sweep": lambda s, k: 0.2 * np.sin(2 * np.pi * np.cumsum(np.geomspace(100, 3000, round(s * RATE))) / RATE),
    "clicks": lambda s, k: (np.arange(round(s * RATE)) % (200 + 37 * k) == 0) * 0.7,
}
piece = st.tuples(st.sampled_from(sorted(PIECES)), st.floats(0.05, 3.0), st.integers(0, 30))


@settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(pieces=st.lists(piece, min_size=1, max_size=5), gain=st.sampled_from((1e-3, 1.0, 1.0, 30.0)), clip=st.booleans())
def test_whatever_is_finite_breaks_nothing(pieces: list[tuple[str, float, int]], gain: float, clip: bool) -> None:
    samples: Any = gain * np.concatenate([PIECES[name](length_s, k) for name, length_s, k in pieces])
    samples = np.clip(samples, -1.0, 1.0) if clip else samples
    assert amiss(answer(samples), length_s=samples.size / RATE) == []
