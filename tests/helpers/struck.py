"""Sound of struck strings, made by formula."""

from collections.abc import Callable

import numpy as np

from pipeline.signal.tuning.partials import RATE_HZ
from pipeline.units import Floats


def piano_like(seed: int, curve: Callable[[Floats], Floats], *, length_s: float) -> np.ndarray:
    """Decaying chords of stiff strings (f_h = h f sqrt(1 + B h^2)) on a drifting turntable, in noise."""
    rng = np.random.default_rng(seed)
    at = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    ratio = 2.0 ** (curve(at) / 1200.0)
    phase = 2 * np.pi * np.cumsum(ratio) / RATE_HZ
    sound = rng.normal(0, 0.01, at.size)
    for start in np.arange(0.1, length_s - 1.0, 0.6):
        first, last = int(start * RATE_HZ), int((start + 0.55) * RATE_HZ)
        for midi in rng.choice([48, 52, 55, 57, 60, 64, 65, 67, 69, 72], 3, replace=False):
            hz = 440.0 * 2.0 ** ((midi - 69 + rng.normal(0, 0.01)) / 12.0)
            for h in range(1, 7):
                stiff = h * hz * np.sqrt(1 + 4e-4 * h * h)
                fade = np.exp(-(at[first:last] - start) * (1.5 + 0.3 * h))
                sound[first:last] += 0.1 / h * fade * np.sin(stiff * phase[first:last] + rng.uniform(0, 6))
    return sound.astype(np.float32)
