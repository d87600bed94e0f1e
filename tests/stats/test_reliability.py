"""How alike listeners' measures of the same slides are."""

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.reliability import over_items


def test_limits_of_a_mean_over_items_as_scipys_bootstrap():
    values = np.random.default_rng(3).gamma(2, size=80)
    made = over_items(lambda taken: float(values[taken].mean()), 80, seed=(1,), replicates=4000)
    other = stats.bootstrap((values,), np.mean, method="percentile", n_resamples=4000, rng=np.random.default_rng(1))
    assert (made.low, made.high) == pytest.approx(tuple(other.confidence_interval), abs=0.03)
