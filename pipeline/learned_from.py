"""What stored weights were learned from: they know a feature by its place alone, so its name is stored with them."""

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt


def names_array(names: Sequence[str]) -> npt.NDArray[np.str_]:
    """Names in the form in which they stand beside weights in an npz file."""
    return np.array(names, dtype=np.str_)


def check_names(path: Path, part: str, stored: Iterable[object] | None, names: Sequence[str]) -> None:
    """Hold the names stored with one part of a file of weights against those of the features in use.

    Raises
    ------
    ValueError
        If they are not the same, in the same order.
    """
    if stored is None:
        raise ValueError(f"{path.name}: {part} does not say what it was learned from; {_CURE}")
    known = [str(name) for name in stored]
    if known != list(names):
        apart = [name for name in names if name not in known] + [name for name in known if name not in names]
        what = f"these differ: {', '.join(apart[:6])}" if apart else "their order differs"
        raise ValueError(f"{path.name}: {part} was learned from other features than those measured; {what}; {_CURE}")


_CURE = "learn it anew by `python -m pipeline.training`"
