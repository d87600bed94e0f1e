"""Densities, held against those of scipy.stats."""

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from pipeline import densities
from tests.helpers.programs import environment

X = np.linspace(-40.0, 40.0, 401)


@pytest.mark.parametrize("sd", [0.05, 0.3, 20.0])
def test_the_normal_density_is_that_of_scipy(sd: float) -> None:
    means = np.array([[-3.0], [0.0], [12.5]])
    assert densities.normal(X, mean=means, sd=sd) == pytest.approx(stats.norm.pdf(X, means, sd), rel=1e-14, abs=1e-300)
    assert np.isnan(densities.normal(np.array([np.nan]), sd=sd))


@pytest.mark.parametrize("freedom", [1.0, 3.0, 4.5])
def test_the_density_of_t_is_that_of_scipy(freedom: float) -> None:
    expected = stats.t.pdf(X, freedom, scale=2.5)
    assert densities.student_t(X, freedom=freedom, scale=2.5) == pytest.approx(expected, rel=1e-14)


def test_workers_load_no_statistics() -> None:
    code = (
        "import sys, pipeline.steps.settle.sides; "
        "from pipeline.signal.chords import find; from pipeline.signal.hand import chord_hand, one_slide; "
        "from pipeline.signal.line import follow; from pipeline.signal.passages import lay; "
        "from pipeline.signal.slides import detect; from pipeline.signal.tuning import measure; "
        "print([m for m in ('scipy.stats', 'matplotlib', 'librosa', 'statsmodels') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment(), capture_output=True, text=True, check=True, timeout=300
    )
    assert done.stdout.strip() == "[]"
