"""Decides what must run, and why, from hashes alone: nothing is decoded and nothing is written here.

The planner keeps a short form of every row of ``run`` and is told of each finished job, so that the next stage
is planned on what is true by then.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from pipeline.engine.damage import Files, Table
from pipeline.engine.decision import (
    DAMAGED,
    GONE,
    NEW,
    Reads,
    blocked_key,
    group_values,
    input_hashes,
    outputs_of,
    why,
)
from pipeline.engine.jobs import Brief, Job, Report, Seen, SoundSpec
from pipeline.errors import GlidelineError
from pipeline.settings import Settings
from pipeline.steps.base import AnyStep
from pipeline.steps.scopes import CORPUS, WHOLE, session_units, transfer_ids
from pipeline.store.audio.channels import channel_rule_of
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.corpus import Corpus
from pipeline.store.provenance import hash_bytes_of, hash_value

COPIED = "its file was copied or touched; the next run compares it and keeps what still holds"
AUDIO = "the audio file is new or has changed on disk"
PERHAPS = "its input tables may change"

Book = dict[str, dict[str, Brief]]
Perhaps = dict[str, set[str]]


@dataclass(frozen=True)
class Due:
    """A step that must run for a unit; ``sure`` is False where it depends on what an earlier step will give."""

    unit_id: str
    step: str
    transfers: tuple[str, ...]
    why: str
    sure: bool = True


@dataclass
class Planner:
    """What a run must do.

    Attributes
    ----------
    stages : steps of scope transfer and session, grouped as they are done; see ``jobs.stages``.
    corpus_steps : steps of scope corpus, in order.
    book : by transfer and step, the rows of ``run`` in short.
    seen : by file, what is known of the audio.
    files : by table and transfer, size and time of the files that exist.
    damaged : tables (name, transfer) whose files are not what their rows say.
    only : the transfers asked for; None for all. A session is settled as a whole all the same.
    blocked : why a transfer must not be measured, by transfer id; filled by ``prepare``.
    absent : why a transfer's audio cannot be reached, by transfer id; filled by ``prepare``.
    touched : transfers whose file is as long as it was, but of another time or place; filled by ``prepare``.
    idle : whether no step on a transfer or session must run, as is known without asking each.
    """

    corpus: Corpus
    settings: Settings
    stages: Sequence[tuple[AnyStep, ...]]
    corpus_steps: Sequence[AnyStep]
    book: Book
    seen: dict[str, Seen]
    files: Files
    damaged: set[Table] = field(default_factory=set)
    only: frozenset[str] | None = None
    again: bool = False
    rehash: bool = False
    blocked: dict[str, str] = field(default_factory=dict)
    absent: dict[str, str] = field(default_factory=dict)
    sounds: dict[str, SoundSpec] = field(default_factory=dict)
    known: dict[str, Seen] = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)
    idle: bool = False
    _done: set[tuple[int, str]] = field(default_factory=set)
    _asked: set[int] = field(default_factory=set)
    _plain_settings: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    _held: dict[str, dict[str, str]] = field(default_factory=dict)

    @cached_property
    def catalogue(self) -> Catalogue:
        """The catalogue as transfers and sessions are planned by; ``asked`` tells which of its tables they hang on."""
        return self.corpus.catalogue.asked_anew()

    def prepare(self) -> None:
        """Looks at the catalogue and at size and time of each audio file."""
        catalogue = self.catalogue
        wrong = any(problem.severity == "error" for problem in catalogue.problems())
        for transfer_id in transfer_ids(catalogue):
            spec = sound_spec(catalogue.row("transfer", transfer_id) or {})
            self.sounds[transfer_id] = spec
            if wrong and (problems := catalogue.blocking(transfer_id)):
                self.blocked[transfer_id] = "; ".join(str(problem) for problem in problems)
                continue
            try:
                path = self.corpus.audio_path(spec.file)
                seen = self.seen.get(spec.file)
                with path.open("rb"):
                    if seen is not None and not self.rehash:
                        if seen.still(path):
                            self.known[transfer_id] = seen
                        elif seen.size == path.stat().st_size:
                            self.touched.add(transfer_id)
            except GlidelineError as error:
                self.blocked[transfer_id] = str(error)
            except OSError as error:
                self.absent[transfer_id] = f"{error.strerror or error}: audio/{spec.file}".lower()

    def due(self, stage: int, perhaps: Perhaps | None = None) -> Iterator[tuple[str, tuple[str, ...], list[Due]]]:
        """Units of a stage with the steps that must run for them.

        ``perhaps``: by transfer, tables that earlier stages may still change; those of this stage are added.
        """
        if self.idle:
            return
        steps = self.stages[stage]
        perhaps = {} if perhaps is None else perhaps
        if steps[0].scope == "session":
            units = session_units(self.catalogue)
        else:
            units = {transfer_id: (transfer_id,) for transfer_id in self.sounds}
        for unit_id, members in units.items():
            if (stage, unit_id) in self._done or not (self.only is None or not self.only.isdisjoint(members)):
                continue
            transfers = tuple(t for t in members if t not in self.blocked)
            if transfers:
                found = self._unit(unit_id, transfers, stage, perhaps)
            else:
                transfers = members
                new = stage == 0 and self._blocked_anew(unit_id)
                found = [Due(unit_id, steps[0].name, members, self.blocked[unit_id])] if new else []
            if found:
                yield unit_id, transfers, found
        self._asked.add(stage)

    @property
    def has_asked_all(self) -> bool:
        """Whether it is known of all transfers and sessions what must run: each was asked, or none need be."""
        return self.idle or len(self._asked) == len(self.stages)

    def has_due(self, stage: int) -> bool:
        """Whether anything must run in a stage, as things stand."""
        return any(True for _ in self.due(stage))

    def outlook(self) -> Iterator[Due]:
        """All that must run, in order, as far as it can be told before running; steps for the corpus last."""
        perhaps: Perhaps = {}
        for stage in range(len(self.stages)):
            for _, _, found in self.due(stage, perhaps):
                yield from found
        for step in self.corpus_steps:
            unsure = any(not tables.isdisjoint(step.reads) for tables in perhaps.values())
            reason = PERHAPS if unsure else self.why(step, *WHOLE)
            if reason:
                yield Due(CORPUS, step.name, WHOLE[1], reason, sure=not unsure)

    def _blocked_anew(self, transfer_id: str) -> bool:
        row = self.book.get(transfer_id, {}).get(self.stages[0][0].name)
        return row is None or (row.outcome == "failed" and row.key != blocked_key(self.blocked[transfer_id]))

    def _unit(self, unit_id: str, transfers: Sequence[str], stage: int, perhaps: Perhaps) -> list[Due]:
        found: list[Due] = []
        steps = self.stages[stage]
        unheard = stage == 0 and transfers[0] not in self.known
        if unheard and transfers[0] in self.absent:
            new = steps[0].name not in self.book.get(transfers[0], {})
            return [Due(unit_id, steps[0].name, tuple(transfers), self.absent[transfers[0]])] if new else []
        for step in steps:
            ready = [t for t in transfers if self._has(t, step.reads, perhaps)]
            if not ready:
                break
            unsure = any(t in perhaps and not perhaps[t].isdisjoint(step.reads) for t in ready)
            if unheard:
                looked = COPIED if unit_id in self.touched else AUDIO
                reason = looked if step.name in self.book.get(unit_id, {}) else NEW
            else:
                reason = PERHAPS if unsure else self.why(step, unit_id, ready)
            if reason:
                found.append(Due(unit_id, step.name, tuple(ready), reason, sure=not unsure))
                for t in ready:
                    perhaps.setdefault(t, set()).update(step.writes)
            elif self.book[ready[0]][step.name].outcome == "failed":
                break
        return found

    def _has(self, transfer_id: str, tables: Sequence[str], perhaps: Perhaps) -> bool:
        """Whether tables of a transfer are there, or will be."""
        outputs, coming = self._outputs(transfer_id), perhaps.get(transfer_id, ())
        return all(table in outputs or table in coming for table in tables)

    def _outputs(self, transfer_id: str) -> dict[str, str]:
        held = self._held.get(transfer_id)
        if held is None:
            held = self._held[transfer_id] = outputs_of(self.book.get(transfer_id, {}).values())
        return held

    def why(self, step: AnyStep, unit_id: str, transfers: Sequence[str]) -> str:
        """Why a step whose inputs are settled must run; empty if it need not."""
        rows = {t: self.book.get(t, {}).get(step.name) for t in transfers}
        if None in rows.values():
            return NEW  # before anything is hashed
        return why(self.reads(step, unit_id, transfers), rows, again=self.again, amiss=self._amiss)

    def _amiss(self, transfer_id: str, row: Brief) -> str:
        """What is wrong with the tables of a row; empty if they stand."""
        for table, sha256 in row.outputs.items():
            if transfer_id not in self.files.get(table, ()):
                return f"{GONE}: {table}"
            changed = self.rehash and hash_bytes_of(self.corpus.path(table, transfer_id)) != sha256
            if changed or (table, transfer_id) in self.damaged:
                return f"{DAMAGED}: {table}"
        return ""

    def reads(self, step: AnyStep, unit_id: str, transfers: Sequence[str]) -> Reads:
        """What the step would read for a unit now."""
        heard = list(self.sounds) if step.scope == "corpus" else transfers
        return Reads(
            step,
            settings=self._settings(step.name),
            facts=step.facts(self.corpus.catalogue if step.scope == "corpus" else self.catalogue, unit_id),
            samples={t: sha for t in heard if (sha := self.samples(t))},
            sounds={t: self.sounds[t] for t in transfers if t in self.sounds},
            files={t: self.known[t].file_sha256 for t in transfers if t in self.known},
            inputs=self._inputs(step, transfers),
        )

    def _settings(self, step: str) -> Mapping[str, Any]:
        if step not in self._plain_settings:
            self._plain_settings[step] = group_values(self.settings, step)
        return self._plain_settings[step]

    def _inputs(self, step: AnyStep, transfers: Sequence[str]) -> dict[str, str]:
        """Hashes of the step's input tables as they stand; for the corpus one over the tables of all transfers."""
        if step.scope != "corpus":
            return input_hashes(step, transfers, {t: self._outputs(t) for t in transfers})
        held = {t: self._outputs(t) for t in self.sounds}
        return {
            table: hash_value({t: outputs[table] for t, outputs in held.items() if table in outputs})
            for table in step.reads
        }

    def samples(self, transfer_id: str) -> str | None:
        """Hash of the transfer's samples as far as known."""
        if transfer_id in self.known:
            return self.known[transfer_id].samples_sha256
        rows = self.book.get(transfer_id, {}).values()
        return next((row.samples for row in rows if row.samples), None)

    def job(self, stage: int, unit_id: str, transfers: tuple[str, ...]) -> Job:
        """The job for a unit that is due."""
        steps = self.stages[stage]
        hears = stage == 0
        problem = self.blocked.get(unit_id, "") if hears else ""
        facts: dict[str, Mapping[str, Any]] = {}
        try:
            facts = {s.name: {} if problem else s.facts(self.catalogue, unit_id) for s in steps}
        except GlidelineError as error:
            problem = str(error)
        return Job(
            unit_id,
            stage,
            tuple(step.name for step in steps),
            transfers,
            facts,
            {t: self.sounds[t] for t in transfers},
            {t: self.known[t] for t in transfers if t in self.known},
            again=self.again,
            rehash=self.rehash,
            hears=hears,
            problem=problem,
        )

    def learn(self, report: Report) -> None:
        """Takes in what a job has done."""
        self._done.add((report.stage, report.unit_id))
        for transfer_id, rows in report.rows.items():
            self.book[transfer_id] = dict(rows)
            self._held.pop(transfer_id, None)
        for transfer_id, seen in report.seen.items():
            self.seen[self.sounds[transfer_id].file] = seen
            self.known[transfer_id] = seen

    def try_again(self, stage: int, unit_id: str) -> None:
        """Lets a unit come up once more in this run."""
        self._done.discard((stage, unit_id))

    def corpus_job(self, step: AnyStep) -> Job:
        """The job of a step on the whole corpus."""
        reads = self.reads(step, *WHOLE)
        return Job(
            CORPUS,
            len(self.stages),
            (step.name,),
            WHOLE[1],
            {step.name: reads.facts},
            {},
            {},
            again=self.again,
            inputs=reads.inputs,
            samples=reads.samples,
        )


def sound_spec(transfer: Mapping[str, Any]) -> SoundSpec:
    """Which samples are a transfer's."""
    return SoundSpec(
        transfer["file"],
        channel_rule_of(channel_rule=transfer["channel_rule"], groove=transfer["groove"]),
        transfer["file_start_s"],
        transfer["file_end_s"],
    )
