"""Why a step must run, in words: compares what it would read now with what its row of ``run`` says it read."""

from collections import Counter
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Any

from pipeline.engine.decision import CHANGED
from pipeline.engine.planner import Due, Planner
from pipeline.steps.base import AnyStep
from pipeline.steps.words import FACTS
from pipeline.store.database.compaction import frames
from pipeline.store.provenance import HASHED, RunRow, hash_value, row_of, shortened

FEW = 50


def explain(planner: Planner) -> Iterator[str]:
    """One line for each step and unit that must run, and one for all that may have to, as what they read changes."""
    steps = {step.name: step for stage in planner.stages for step in stage}
    steps |= {step.name: step for step in planner.corpus_steps}
    found = list(planner.outlook())
    rows = _rows(planner, {(due.transfers[0], due.step) for due in found if due.why == CHANGED})
    for due in (due for due in found if due.sure):
        row = rows.get((due.transfers[0], due.step)) if due.why == CHANGED else None
        why = "; ".join(_differences(planner, due, row, steps[due.step])) if row else ""
        yield f"{due.step} of {due.unit_id}: {why or due.why}"
    follow = Counter(due.step for due in found if not due.sure)
    if follow:
        yield "then, as far as what they read changes: " + ", ".join(
            f"{step} ({number})" for step, number in follow.items()
        )


def _rows(planner: Planner, wanted: set[tuple[str, str]]) -> dict[tuple[str, str], RunRow]:
    """Whole rows of ``run``, by transfer and step: one by one if they are few, else out of the compacted files."""
    transfers = sorted({transfer_id for transfer_id, _ in wanted})
    few = len(transfers) <= FEW
    read = (planner.corpus.read("run", t) for t in transfers) if few else frames(planner.corpus, "run")
    return {
        (row["transfer_id"], row["step"]): row_of(row)
        for frame in read
        if frame is not None
        for row in frame.iter_rows(named=True)
        if (row["transfer_id"], row["step"]) in wanted
    }


def _differences(planner: Planner, due: Due, row: RunRow, step: AnyStep) -> Iterator[str]:
    now = planner.reads(step, due.unit_id, due.transfers)
    if row.step_version != step.version:
        yield f"version of the step changed {row.step_version} → {step.version}"
    yield from changes(row.settings, now.settings, what="setting ")
    yield from changes(row.facts, shortened(now.facts), words=FACTS)
    if row.samples_sha256 != now.samples.get(due.transfers[0]):
        yield "the samples of the audio changed"
    if step.needs_file and due.unit_id in now.files and row.file_sha256 != now.files[due.unit_id]:
        yield "the audio file changed (tags, or samples too)"
    yield from changes(row.input_hashes, now.inputs, what="input table ", values=False)


def changes(
    old: Any,
    new: Any,
    *,
    what: str = "",
    path: str = "",
    values: bool = True,
    words: Mapping[str, str] = MappingProxyType({}),
) -> Iterator[str]:
    """Differences of two nested plain values, one in each text: ``side-1, key changed from D major to E major``.

    ``words`` are those for names that are not to be told as they stand.
    """
    if hash_value(old) == hash_value(new):
        return
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for name in sorted({*old, *new}):
            said = words.get(name, str(name))
            inside = f"{path}, {said}" if path else said
            if name not in old:
                yield f"{what}{inside} is new" + (f": {short(new[name])}" if values else "")
            elif name not in new:
                yield f"{what}{inside} is gone" + (f": {short(old[name])}" if values else "")
            else:
                yield from changes(old[name], new[name], what=what, path=inside, values=values, words=words)
    elif values and _is_said(old) and _is_said(new):
        yield f"{what}{path} changed from {short(old)} to {short(new)}"
    else:
        yield f"{what}{path} changed"


def _is_said(value: Any) -> bool:
    # whole rows are too much to say, and a hash says nothing
    rows = isinstance(value, list) and any(isinstance(each, Mapping | list) for each in value)
    return not rows and not str(value).startswith(HASHED)


def short(value: Any) -> str:
    """A value in few characters."""
    if value is None or value in ("", []):
        return "nothing"
    if isinstance(value, Mapping):
        return ", ".join(f"{FACTS.get(name, name)} {short(inside)}" for name, inside in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list) and len(value) == 1:
        return short(value[0])
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 60 else text[:57] + "…"
