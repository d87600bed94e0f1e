"""Glideline: slides between notes on 78 rpm-era string recordings, with the turntable speed settled first.

Each command of the command line is also a function here, loaded when first asked for, so that importing
the package costs nothing and has no effects.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

# Public name -> the module that holds it.
_PUBLIC: dict[str, str] = {
    "add": "pipeline.store.add",
    "check": "pipeline.store.check",
    "compare": "pipeline.store.compare",
    "compare_marks": "pipeline.steps.marking",
    "demo": "pipeline.demonstration.run",
    "dictionary": "pipeline.store.dictionary",
    "hand": "pipeline.steps.passage",
    "new": "pipeline.store.new",
    "open_corpus": "pipeline.steps.open_corpus",
    "prov": "pipeline.store.prov",
    "query": "pipeline.steps.open_corpus",
    "run": "pipeline.flows.run",
    "speed": "pipeline.steps.ledger",
    "status": "pipeline.flows.status",
    "trace": "pipeline.store.tracing",
}

__all__ = sorted(_PUBLIC)  # pyright: ignore


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'pipeline' has no attribute {name!r}")
