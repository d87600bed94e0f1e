"""Glideline: slides between notes on 78 rpm-era string recordings, with the turntable speed settled first.

Each command of the command line is also a function here, loaded when first asked for, so that importing
the package costs nothing and has no effects.
"""

from importlib import import_module
from typing import Any

__version__ = "0.2.0"

# Public name -> the module that holds it.
_PUBLIC: dict[str, str] = {
    "add": "pipeline.store.adding.add",
    "check": "pipeline.store.checks.check",
    "compare": "pipeline.answers.export.earlier",
    "compare_marks": "pipeline.answers.marks",
    "demo": "pipeline.demonstration.run",
    "dictionary": "pipeline.store.formats.dictionary",
    "hand": "pipeline.answers.passage",
    "new": "pipeline.store.adding.new",
    "open_corpus": "pipeline.answers.open_corpus",
    "prov": "pipeline.store.formats.prov",
    "query": "pipeline.answers.open_corpus",
    "run": "pipeline.flows.run",
    "speed": "pipeline.answers.speed_ledger",
    "status": "pipeline.flows.status",
    "trace": "pipeline.store.database.trace",
}

__all__ = sorted(_PUBLIC)  # pyright: ignore


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'pipeline' has no attribute {name!r}")
