"""Standard errors of tuning curves against the spread of errors over many made sides."""

import numpy as np
import pytest

from pipeline.signal.tuning.spline import Fit, fit_curve, spline_columns, spline_count
from pipeline.signal.tuning.standard_error import level_scale, posterior
from pipeline.signal.tuning.steady_tones import ACCOMPANIMENT, SOLO, Tracks

LENGTH_S = 90.0


def tones(
    rng: np.random.Generator, *, count: int, source: int, level_cents: float, chord: int = 1, heavy: bool = False
) -> Tracks:
    """Tones of three points; those of a chord begin together and err alike."""
    start_s = np.repeat(np.sort(rng.uniform(0.0, LENGTH_S - 1.0, count // chord)), chord)
    error = rng.standard_t(3, count // chord) * 3.5 if heavy else rng.normal(0.0, 6.0, count // chord)
    cents = level_cents + np.repeat(error, chord)
    track = np.repeat(np.arange(start_s.size), 3)
    return Tracks(
        time_s=start_s[track] + 0.18 * np.tile([0.5, 1.5, 2.5], start_s.size),
        cents=cents[track] + rng.normal(0.0, 2.0, track.size),
        weight=np.ones(track.size),
        window_s=np.full(track.size, 0.18),
        track=track,
        source=np.full(start_s.size, source),
        anchor=np.ones(start_s.size, dtype=np.bool_),
    )


def fitted(tracks: Tracks) -> Fit:
    """The curve through the tones, no more columns than the spline's."""
    none = np.empty((tracks.time_s.size, 0))
    return fit_curve(tracks, start=np.zeros(tracks.time_s.size), length_s=LENGTH_S, extra=none, extra_sd=np.empty(0))


@pytest.mark.parametrize("heavy", [False, True])
def test_errors_stated_are_those_made(heavy: bool) -> None:
    rng = np.random.default_rng(51)
    mean = spline_columns(np.linspace(0.0, LENGTH_S, 200), length_s=LENGTH_S).mean(axis=0)
    shares = []
    for _ in range(80):
        tracks = tones(rng, count=60, source=SOLO, level_cents=0.0, heavy=heavy)
        coefficient, covariance = posterior(tracks, fitted(tracks), size=spline_count(LENGTH_S))
        shares.append(float(mean @ coefficient / np.sqrt(mean @ covariance @ mean)))
    # the spread of 80 errors over their own standard errors is 1, known to 8 %
    assert np.sqrt(np.mean(np.square(shares))) == pytest.approx(1.0, abs=0.18)


def test_partials_of_one_chord_count_as_one() -> None:
    rng = np.random.default_rng(52)
    single = [tones(rng, count=200, source=ACCOMPANIMENT, level_cents=0.0) for _ in range(12)]
    chords = [tones(rng, count=200, source=ACCOMPANIMENT, level_cents=0.0, chord=4) for _ in range(12)]
    alone, together = (
        np.median([level_scale(tracks, fitted(tracks))[ACCOMPANIMENT] for tracks in some]) for some in (single, chords)
    )
    assert together / alone == pytest.approx(4.0, rel=0.25)
