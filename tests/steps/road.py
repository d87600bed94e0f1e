"""The steps of one transfer run one after another on samples, as the runner does it."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.settings import Settings
from pipeline.steps.base import Sound, StepInput
from pipeline.steps.order import STEPS
from pipeline.store import schema

TRANSFER = "t-1"
TAKE = {
    "take_id": "take-1",
    "accompaniment": None,
    "soloists": [{"instrument": "violin", "player_id": "player-1"}],
}
KNOWN = {
    "turntable_rpm": 78.26,
    "already_corrected": "no",
    "copy": False,
    "process": None,
    "key": None,
    "key_remark": "",
    "references": [[440.0, 0.75, "assumed"], [435.0, 0.25, "if the diapason normal"]],
    "labels": [],
    "decision": None,
}


def facts(instrument: str | None) -> dict[str, Mapping[str, Any]]:
    """What the catalogue says, by step: one take of one player."""
    of_take = {"instruments": [instrument] if instrument else [], "tuning": None, "printed": []}
    return {
        "intake": {"length_s": None},
        "follow": {"instrument": instrument},
        "measure": {},
        "settle": {TRANSFER: KNOWN},
        "detect": {"file_start_s": 0.0, "takes": [TAKE], "passages": []},
        "hand": {"instrument": instrument, "takes": {"take-1": of_take}},
    }


def road(
    samples: npt.NDArray[Any], rate: int, *, instrument: str | None = "violin"
) -> tuple[dict[str, pl.DataFrame], dict[str, tuple[str, str]]]:
    """Tables by name, each checked against its schema, and how each step went.

    Raises
    ------
    AudioError
        If ``intake`` refuses the sound.
    """
    sound = Sound(np.asarray(samples, dtype=np.float32), rate)
    known, settings = facts(instrument), Settings()
    tables: dict[str, pl.DataFrame] = {}
    outcomes: dict[str, tuple[str, str]] = {}
    for step in STEPS:
        if step.scope == "corpus" or not set(step.reads) <= set(tables):
            continue
        given = StepInput(
            unit_id=TRANSFER,
            facts=known[step.name],
            settings=getattr(settings, step.name),
            tables={TRANSFER: {name: tables[name] for name in step.reads}},
            sound=lambda _: sound,
            samples_sha256={TRANSFER: "0" * 64},
        )
        output = step.run(given)
        outcomes[step.name] = output.outcomes[TRANSFER]
        for name in step.writes:
            tables[name] = schema.load(name).checked(output.tables[TRANSFER][name])
    return tables, outcomes
