"""Variables of this process's environment, set for a while and put back."""

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager


@contextmanager
def environment(values: Mapping[str, str]) -> Iterator[None]:
    """The environment with ``values``; at the end of the context each variable is what it was before."""
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
