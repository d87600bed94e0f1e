"""Variables of this process's environment, set for a while and put back."""

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

# Read by the numeric libraries when they are loaded, so set before workers start.
_THREADS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "NUMBA_NUM_THREADS",
    "POLARS_MAX_THREADS",
    "RAYON_NUM_THREADS",
)
ONE_THREAD = dict.fromkeys(_THREADS, "1")
# numba reads settings from the folder where the user happens to be, which may be a stranger's; kept compiled code is
# loaded as it lies there. What the environment says, even nothing, stands above them.
NOT_FROM_HERE = {"NUMBA_CACHE_DIR": "", "NUMBA_CACHE_LOCATOR_CLASSES": ""}


@contextmanager
def environment(values: Mapping[str, str | None]) -> Iterator[None]:
    """The environment with ``values``, None for without; at the end each variable is what it was before."""
    before = {name: os.environ.get(name) for name in values}
    _set(values)
    try:
        yield
    finally:
        _set(before)


def _set(values: Mapping[str, str | None]) -> None:
    for name, value in values.items():
        if value is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = value
