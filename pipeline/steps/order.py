"""The steps, in the order in which they run."""

from importlib import import_module
from importlib.util import find_spec

from pipeline.steps.base import Step

STEPS: tuple[Step, ...] = tuple(
    import_module(f"pipeline.steps.{name}").STEP
    for name in ("intake", "follow", "measure", "settle", "detect", "hand", "summarise")
    if find_spec(f"pipeline.steps.{name}")
)
