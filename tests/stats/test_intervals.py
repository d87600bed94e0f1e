"""Intervals at the edges."""

import numpy as np

from pipeline.stats.intervals import Interval, ratio_of


def test_ratio_of_rates_whose_lower_limit_is_zero_is_open_below():
    open_below = ratio_of(Interval(2.0, 0.0, 6.0), Interval(1.0, 0.5, 2.0))
    assert (open_below.estimate, open_below.low) == (2.0, 0.0)
    assert np.isfinite(open_below.high)
