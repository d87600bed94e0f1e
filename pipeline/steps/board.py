"""The instrument of a take, as tuned: for the steps that ask what a hand can stop."""

import re
from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.signal.hand.fingerboard import Fingerboard, fingerboard
from pipeline.store.catalogue.recording import soloists_of
from pipeline.store.catalogue.tables import Catalogue

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_PITCH = re.compile("([A-G])(b|#)?([0-9])")


def tuning_of(catalogue: Catalogue, take: Mapping[str, Any]) -> dict[str, Any]:
    """What of a take's soloists (see ``solo_facts``) says which board it was played on."""
    tunings = sorted({r["tuning"] for r in soloists_of(catalogue, take["take_id"]) if r["tuning"]})
    return {
        "instruments": sorted({s["instrument"] for s in take["soloists"] if s["instrument"]}),
        "tuning": tunings[0] if len(tunings) == 1 else None,
    }


def open_strings(tuning: str) -> tuple[float, ...]:
    """MIDI numbers of open strings written like "G3 D4 A4 E5", lowest first; A4 is 69."""
    found = []
    for word in tuning.split():
        matched = _PITCH.fullmatch(word)
        if matched is None:
            raise ValueError(f"{word!r} is not a pitch; write open strings like G3 D4 A4 E5, lowest first")
        step, accidental, octave = matched.groups()
        found.append(12.0 * (int(octave) + 1) + _STEPS[step] + {"b": -1, "#": 1, None: 0}[accidental])
    return tuple(found)


def board_of(facts: Mapping[str, Any], melody: pl.DataFrame, take_id: str | None) -> Fingerboard:
    """The instrument of a take: the catalogue's where it names one, else what was heard.

    ``facts`` holds ``instrument`` and, by take, what ``tuning_of`` gives.
    """
    take = facts["takes"].get(take_id) or {"instruments": [], "tuning": None}
    name = take["instruments"][0] if len(take["instruments"]) == 1 else facts["instrument"]
    name = name or str(melody["instrument"][0])
    return fingerboard(name, open_midi=open_strings(take["tuning"]) if take["tuning"] else None)
