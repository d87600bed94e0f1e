"""``status``: how every transfer stands at every step, and how far a run that is going on has come."""

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.counted import counted, short_of
from pipeline.engine.damage import MOST_TO_ASK
from pipeline.engine.decision import NEW
from pipeline.engine.planner import PERHAPS, Due, Planner
from pipeline.engine.twins import twins
from pipeline.engine.up_to_date import recall
from pipeline.errors import DataError
from pipeline.flows.journal import events, latest
from pipeline.flows.progress import clock, time_left_s
from pipeline.flows.run import ORDER, plan, uncollected
from pipeline.flows.work import load_steps
from pipeline.steps.scopes import CORPUS
from pipeline.store.checks.lost_verdicts import unmatched_verdicts
from pipeline.store.corpus import Corpus
from pipeline.store.database.build import database_path
from pipeline.store.files.lock import holder

STATES = ("done", "unchanged", "cannot tell", "failed", "waiting")


@dataclass(frozen=True)
class Running:
    """A run that is going on: who holds the corpus, and the stage it is in."""

    who: dict[str, Any]
    stage: str = ""
    units: int = 0
    units_done: int = 0
    left_s: float | None = None

    def words(self) -> str:
        """In one line."""
        since = f"process {self.who.get('process')} on {self.who.get('host')}, since {self.who.get('since')}"
        text = f"A run is going on ({since})"
        if self.units:
            text += f": {self.stage}, {self.units_done} of {self.units} done or failed"
        if self.left_s is not None:
            text += f", about {clock(self.left_s)} left in this stage"
        return text + "."


@dataclass(frozen=True)
class Status:
    """How a corpus stands.

    Attributes
    ----------
    steps : frame of transfer_id, step, state, message; one row per transfer and step, and for the corpus.
    twins : transfers of different files with the very same sound, in words.
    touched : files that were copied or touched: the next run looks whether they hold the same sound.
    unmatched : verdicts that match nothing any more, in words.
    confidence : whether confidences follow what listeners heard, in words; empty before the first run.
    """

    steps: pl.DataFrame
    running: Running | None = None
    twins: list[str] = field(default_factory=list)
    touched: int = 0
    unmatched: list[str] = field(default_factory=list)
    confidence: str = ""

    def counts(self) -> pl.DataFrame:
        """Number of transfers by step and state, in order of steps."""
        order = list(dict.fromkeys(self.steps["step"].to_list()))
        tally = Counter(self.steps.select("step", "state").iter_rows())
        rows = [{"step": name, **{state: tally[name, state] for state in STATES}} for name in order]
        return pl.DataFrame(rows)


@uncollected()
def status(corpus: Path | str | Corpus) -> Status:
    """How every transfer stands at every step. Reads only; may be asked while a run goes on.

    Raises
    ------
    DataError
        If the folder is not a corpus, or its settings are wrong.
    """
    corpus = corpus if isinstance(corpus, Corpus) else Corpus(corpus)
    steps = load_steps(ORDER)
    planner = plan(corpus, steps, until=None, only=None, most=MOST_TO_ASK)
    planner.prepare()
    # What is known of a file that was only copied or touched most likely still holds.
    planner.known |= {t: planner.seen[planner.sounds[t].file] for t in planner.touched}
    due: dict[tuple[str, str], Due] = {}
    for item in () if recall(planner) else planner.outlook():
        for transfer_id in item.transfers:
            due[transfer_id, item.step] = item
    log = latest(corpus.derived)
    said = list(events(log)) if log else []
    ran = {(e["transfer_id"], e["step"]): e for e in said if e["event"] == "step"}
    rows = []
    for transfer_id in planner.sounds:
        for step in steps:
            if step.scope != "corpus":
                rows.append((transfer_id, step.name, *_state(planner, due, ran, transfer_id, step.name)))
    for step in planner.corpus_steps:
        rows.append((CORPUS, step.name, *_state(planner, due, ran, CORPUS, step.name)))
    frame = pl.DataFrame(rows, schema=["transfer_id", "step", "state", "message"], orient="row")
    frame = frame.cast(pl.String)
    held = holder(corpus.derived) if (corpus.derived / "run.lock").exists() else None
    running = None if held is None else _running(held, said)
    return Status(frame, running, twins(planner), len(planner.touched), _unmatched(corpus), _confidence(corpus))


def _confidence(corpus: Corpus) -> str:
    made = corpus.read("recalibration", CORPUS)
    if made is None or made.is_empty():
        return ""
    row = made.row(0, named=True)
    verdicts = counted(row["verdicts"], "verdict")
    if row["used"] == "switched off":
        return "Confidences stand as learnt: recalibration is switched off in settings.toml."
    if row["loss_before"] is None:
        few = short_of(row["verdicts"], row["least_verdicts"], "verdict", "changing them")
        return f"Confidences stand as learnt: {few}."
    losses = f"loss {row['loss_before']:.3f}"
    if row["used"] == "as learnt":
        return f"Confidences stand as learnt: {verdicts} confirm them ({losses})."
    return (
        f"Confidences follow {verdicts} ({row['used']}): {losses} before, {row['loss_after']:.3f} after; "
        "see slide_for_models, confidence_here."
    )


def _unmatched(corpus: Corpus) -> list[str]:
    try:
        return unmatched_verdicts(corpus) if database_path(corpus).exists() else []
    except DataError:  # a database of another version, or damaged: the next run makes it anew
        return []


def _state(
    planner: Planner,
    due: dict[tuple[str, str], Due],
    ran: dict[tuple[str, str], dict[str, Any]],
    transfer_id: str,
    step: str,
) -> tuple[str, str]:
    row = planner.book.get(transfer_id, {}).get(step)
    first = planner.stages[0][0].name if planner.stages else ""
    if step == first:
        trouble = planner.blocked.get(transfer_id) or planner.absent.get(transfer_id)
        if trouble:
            kept = "; results of an earlier run are kept" if row and row.outcome != "failed" else ""
            return "failed", trouble + kept
    if row is not None and row.outcome == "failed":
        return "failed", row.message
    last = ran.get((transfer_id, step), {})
    item = due.get((transfer_id, step))
    if item is not None:
        if last.get("result") == "failed":
            return "failed", f"{last.get('message', '')}; results of an earlier run are kept"
        return "waiting", "waits for an earlier step" if item.why == PERHAPS else item.why
    if row is None:
        return "waiting", NEW
    if row.outcome == "cannot_tell":
        return "cannot tell", row.message
    return ("done" if last else "unchanged"), row.message


def _running(held: dict[str, Any], said: list[dict[str, Any]]) -> Running:
    begun = [number for number, event in enumerate(said) if event["event"] == "stage"]
    if not begun:
        return Running(held)
    stage = said[begun[-1]]
    done = sum(event["event"] == "job" for event in said[begun[-1] :])
    left = None
    if done:
        took = (datetime.now(UTC) - datetime.fromisoformat(stage["time"])).total_seconds()
        left = time_left_s(took, ended=done, total=stage["units"])
    return Running(held, stage["label"], stage["units"], done, left)
