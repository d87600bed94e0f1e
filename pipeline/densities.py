"""Densities of the normal distribution and of Student's t, worded as scipy's and held against them.

``scipy.stats`` takes half a second to load, which every start of workers would wait for.
"""

import numpy as np
from scipy import special

from pipeline.units import Floats


def normal(x: Floats, *, mean: Floats | float = 0.0, sd: float) -> Floats:
    """Normal density at ``x``, broadcast against ``mean``."""
    z = (x - mean) / sd
    return np.asarray(np.exp(-(z**2) / 2.0) / np.sqrt(2.0 * np.pi) / sd)


def student_t(x: Floats, *, freedom: float, scale: float) -> Floats:
    """Density of Student's t around 0 at ``x``, with so many degrees of freedom."""
    t = x / scale
    height = np.log(special.poch(0.5 * freedom, 0.5)) - 0.5 * (np.log(freedom) + np.log(np.pi))
    return np.asarray(np.exp(height - (freedom + 1.0) / 2.0 * np.log1p(t * t / freedom)) / scale)
