"""Intake: is the audio usable, and what does the file say of itself?"""

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.errors import AudioError
from pipeline.settings import IntakeSettings
from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.store import schema
from pipeline.store.audio.claims import read_claims
from pipeline.store.audio.whole_sound import Heard, check_usable
from pipeline.store.catalogue.tables import Catalogue


def facts(catalogue: Catalogue, unit_id: str) -> Mapping[str, Any]:
    """What the catalogue says of the length."""
    row = catalogue.row("transfer", unit_id) or {}
    return {"length_s": row.get("length_s")}


def run(given: StepInput[IntakeSettings]) -> StepOutput:
    """Checks the samples and writes what the file is and claims.

    Raises
    ------
    AudioError
        If nothing can be measured in the samples, or their length contradicts the catalogue.
    """
    settings = given.settings
    sound = given.sound(given.unit_id)
    check_usable(sound.samples, sample_rate_hz=sound.sample_rate_hz, shortest_s=settings.shortest_s, name=given.unit_id)
    length_s = len(sound.samples) / sound.sample_rate_hz
    stated = given.facts["length_s"]
    if stated is not None and abs(length_s - stated) > settings.length_tolerance_s:
        raise AudioError(
            f"lasts {length_s:.1f} s, but transfer.csv says length_s = {stated:g}",
            "look whether it is the right file, or mend length_s",
            where=given.unit_id,
        )
    tables = {}
    if sound.heard is not None:
        tables["sound"] = sound_frame(given.unit_id, sound.heard)
    rows: list[tuple[str, str, str, str | None]] = [("file", "length_s", f"{length_s:.3f}", "transfer.length_s")]
    rows.append(("file", "sample_rate_hz", str(sound.sample_rate_hz), None))
    if given.file is not None:
        rows.extend((c.carrier, c.field, c.value, c.about) for c in read_claims(given.file(given.unit_id)))
    tables["claim"] = claim_frame(given.unit_id, rows)
    return StepOutput({given.unit_id: tables}, {given.unit_id: ("done", "")})


def sound_frame(transfer_id: str, heard: Heard) -> pl.DataFrame:
    """The row of the table ``sound``: form of the file, and which channel is used."""
    info, use = heard.info, heard.use
    row = {
        "transfer_id": transfer_id,
        "container": info.container,
        "coding": info.coding,
        "sample_rate_hz": info.sample_rate_hz,
        "channels": info.channels,
        "length_s": len(heard.samples) / heard.sample_rate_hz,
        "file_remark": "; ".join(info.remarks) or None,
        "channel_rule": use.rule,
        "ruled_by": use.ruled_by,
        "channel_reason": use.reason,
        "shared_share": use.shared,
        "level_difference_db": use.level_db,
        "noise_difference_db": use.noise_db,
        "delay_ms": use.delay_ms,
        "inverted": use.inverted,
    }
    return pl.DataFrame([row], schema=schema.load("sound").polars_schema())


def claim_frame(transfer_id: str, rows: list[tuple[str, str, str, str | None]]) -> pl.DataFrame:
    """Rows of the claim table, each statement numbered among those of its carrier and field."""
    counts: dict[tuple[str, str], int] = {}
    numbered = []
    for carrier, field, value, about in rows:
        counts[carrier, field] = counts.get((carrier, field), 0) + 1
        numbered.append((transfer_id, carrier, field, counts[carrier, field], value, about))
    names = schema.load("claim").polars_schema()
    return pl.DataFrame(numbered, schema=names, orient="row")


STEP = Step(
    name="intake",
    version=2,
    scope="transfer",
    reads=(),
    writes=("claim", "sound"),
    facts=facts,
    run=run,
    needs_sound=True,
    needs_file=True,
)
