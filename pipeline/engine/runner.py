"""Carries out one job: hashes its audio, decides step by step whether each must run, runs it, writes it.

Needs no Prefect and no pool: ``do_job`` is a plain function of the corpus folder, the settings and the job.
Tables are written first and their rows of ``run`` last, at the end of the job, and an old row goes before its tables
are touched, so a row that stands always tells the truth about the tables beside it, whenever the process is killed.
"""

import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.engine.decision import DAMAGED, Reads, blocked_key, group_values, input_hashes, outputs_of, why
from pipeline.engine.failures import Failure, TableDamagedError, WorkerKilledError, explain_failure
from pipeline.engine.jobs import Brief, Did, Job, Report, Seen, SoundSpec
from pipeline.engine.run_rows import RunRows
from pipeline.errors import DataError, GlidelineError
from pipeline.settings import Settings
from pipeline.steps.base import AnyStep, Sound, StepInput, StepOutput, Tables
from pipeline.store.audio.whole_sound import file_hash, hash_and_sound, read_sound
from pipeline.store.corpus import Corpus
from pipeline.store.database.compaction import current
from pipeline.store.provenance import (
    Cause,
    Outcome,
    RunRow,
    hash_bytes_of,
    libraries,
    shortened,
)

MOVED_CENTS = 1.0  # a speed that moves by less is not worth a word


def do_job(corpus: Corpus, job: Job, *, settings: Settings, steps: tuple[AnyStep, ...]) -> Report:
    """Do what a job needs; nothing that its rows of ``run`` show to be done. Never raises for the job's sake."""
    return _Doing(corpus, job, settings, steps).report()


class _Doing:
    """One job being done; one unit's sound and rows at a time."""

    def __init__(self, corpus: Corpus, job: Job, settings: Settings, steps: tuple[AnyStep, ...]) -> None:
        self.corpus = corpus
        self.job = job
        self.settings = settings
        self.steps = {step.name: step for step in steps}
        self.run_rows = RunRows(corpus, steps)
        self.rows: dict[str, dict[str, RunRow]] = {}
        self._unkept: set[str] = set()  # transfers with rows that are not on disk yet
        self.seen: dict[str, Seen] = {}
        self.did: list[Did] = []
        self._sounds: dict[str, Sound] = {}
        self._fresh: dict[tuple[str, str], tuple[str, Any]] = {}  # hash and table
        self.heard_s: dict[str, float] = {}

    def report(self) -> Report:
        started, transfers = time.perf_counter(), list(self.job.transfers)
        try:
            self.rows = {transfer_id: self.run_rows.rows(transfer_id) for transfer_id in transfers}
            if self.job.problem:
                self._blocked()
                transfers = []
            if self.job.hears:
                transfers = [transfer_id for transfer_id in transfers if self._identified(transfer_id)]
            for name in self.job.steps if transfers else ():
                transfers = self._step(self.steps[name], transfers)
            for transfer_id in sorted(self._unkept):
                rows, self.rows[transfer_id] = self.rows[transfer_id], {}
                self.run_rows.keep(transfer_id, rows)
                self.rows[transfer_id] = rows
        except Exception as error:  # a fault of ours, or of the disk under the rows
            failure = explain_failure(error, doing="reading or writing the rows of run")
            self.did += [said(t, self.job.steps[0], failure) for t in transfers]
        briefs = {t: {name: brief(row) for name, row in rows.items()} for t, rows in self.rows.items()}
        did, heard_s, took = tuple(self.did), sum(self.heard_s.values()), time.perf_counter() - started
        return Report(self.job.unit_id, self.job.stage, did, briefs, self.seen, heard_s, took_s=took)

    def _blocked(self) -> None:
        """Notes that the catalogue forbids to measure; older results stay for after the mending."""
        first = self.steps[self.job.steps[0]]
        failure = Failure(self.job.problem, "input")
        for t in self.job.transfers:
            row = self.rows[t].get(first.name)
            if row is None or row.outcome == "failed":
                self._failed(t, first, failure, key=blocked_key(self.job.problem), inputs={})
            else:
                self.did.append(said(t, first.name, failure))

    def _identified(self, transfer_id: str) -> bool:
        """Hashes the transfer's audio, unless it is known; sets old results aside if its samples have changed."""
        try:
            spec = self.job.sounds[transfer_id]
            path = self.corpus.audio_path(spec.file)
            known = self.job.seen.get(transfer_id)
            if known is None or self.job.rehash or not known.still(path):
                known, sound = look_at(path, decode=not self.job.killed, spec=spec)
                self._sounds = {transfer_id: sound} if sound else {}
                if self.job.killed:
                    known = self._as_decoded_before(transfer_id, known)
            self.seen[transfer_id] = known
            if known.samples_sha256 is None:
                raise GlidelineError(known.problem)
        except Exception as error:
            first = self.steps[self.job.steps[0]]
            failure = explain_failure(error, doing="reading the audio file")
            self._failed(transfer_id, first, failure, key=self._reads(first, [transfer_id], {}).key, inputs={})
            return False
        old = {row.samples_sha256 for row in self.rows[transfer_id].values() if row.samples_sha256}
        if old - {known.samples_sha256}:
            self.run_rows.set_aside(transfer_id, label=sorted(old)[0][:12])
            self.rows[transfer_id] = {}
        return True

    def _as_decoded_before(self, transfer_id: str, seen: Seen) -> Seen:
        """The worker that was killed may have got past the decoding; then its rows tell the samples."""
        for row in self.rows[transfer_id].values():
            if row.file_sha256 == seen.file_sha256 and row.samples_sha256:
                return replace(seen, samples_sha256=row.samples_sha256, problem="")
        return seen

    def _step(self, step: AnyStep, transfers: list[str]) -> list[str]:
        """Does one step for the job's unit; returns the transfers that can go on."""
        if self.job.inputs is not None:
            ready, inputs = transfers, dict(self.job.inputs)
        else:
            outputs = {t: outputs_of(map(brief, rows.values())) for t, rows in self.rows.items()}
            ready = [t for t in transfers if all(table in outputs[t] for table in step.reads)]
            inputs = input_hashes(step, ready, outputs)
        if not ready:
            return []
        reads = self._reads(step, ready, inputs)
        rows = {t: brief(row) if (row := self.rows[t].get(step.name)) else None for t in ready}
        if not why(reads, rows, again=self.job.again, amiss=lambda t, _: self._amiss(step, t)):
            self.did += [Did(t, step.name, "unchanged") for t in ready]
            return [t for t in ready if self.rows[t][step.name].outcome != "failed"]
        try:
            if self.job.killed:
                raise WorkerKilledError
            given = StepInput(
                self.job.unit_id,
                self.job.facts[step.name],
                getattr(self.settings, step.name),
                {} if step.scope == "corpus" else {t: self._tables(step, t, inputs) for t in ready},
                self._sound if step.needs_sound else _no_sound,
                self._file if step.needs_file else None,
                self._all_samples(ready),
                self._files(step) if step.scope == "corpus" else {},
            )
            output = step.run(given)
        except Exception as error:
            failure = explain_failure(error, doing=f"step {step.name}")
            for t in ready:
                self._failed(t, step, failure, key=reads.key, inputs=inputs)
            return []
        return [t for t in ready if self._written(step, t, output, key=reads.key, inputs=inputs)]

    def _amiss(self, step: AnyStep, transfer_id: str) -> str:
        row = self.rows[transfer_id][step.name]
        return "" if self.run_rows.intact(row, thorough=self.job.rehash) else DAMAGED

    def _reads(self, step: AnyStep, transfers: list[str], inputs: Mapping[str, str]) -> Reads:
        return Reads(
            step,
            settings=group_values(self.settings, step.name),
            facts=self.job.facts.get(step.name, {}),
            samples=self._all_samples(transfers),
            sounds={t: self.job.sounds[t] for t in transfers if t in self.job.sounds},
            files={t: self.seen[t].file_sha256 for t in transfers if t in self.seen},
            inputs=inputs,
        )

    def _all_samples(self, transfers: Sequence[str]) -> Mapping[str, str]:
        return self.job.samples or {t: sha for t in transfers if (sha := self._samples(t))}

    def _samples(self, transfer_id: str) -> str | None:
        if transfer_id in self.seen:
            return self.seen[transfer_id].samples_sha256
        return next((row.samples_sha256 for row in self.rows[transfer_id].values() if row.samples_sha256), None)

    def _sound(self, transfer_id: str) -> Sound:
        if transfer_id not in self._sounds:
            self._sounds.clear()  # one side in memory at a time
            spec = self.job.sounds[transfer_id]
            path = self.corpus.audio_path(spec.file)
            heard = read_sound(path, channel_rule=spec.channel_rule, start_s=spec.start_s, end_s=spec.end_s)
            self._sounds[transfer_id] = Sound.of(heard)
        sound = self._sounds[transfer_id]
        self.heard_s[transfer_id] = sound.samples.size / sound.sample_rate_hz
        return sound

    def _file(self, transfer_id: str) -> Any:
        return self.corpus.audio_path(self.job.sounds[transfer_id].file)

    def _files(self, step: AnyStep) -> Mapping[str, Sequence[Path]]:
        """The compacted files of the tables that a step for the corpus reads."""
        generation = current(self.corpus)
        return {} if generation is None else {table: generation.paths(table) for table in step.reads}

    def _tables(self, step: AnyStep, transfer_id: str, inputs: Mapping[str, str]) -> Tables:
        """The tables that a step reads; one that is not what its row says goes, so that the next run makes it."""
        tables = {}
        for table in step.reads:
            frame = self._table(table, transfer_id, sha256=inputs[f"{transfer_id}/{table}"])
            if frame is None:
                self.rows[transfer_id] = self.run_rows.disown(self.rows[transfer_id], transfer_id, table)
                raise TableDamagedError(
                    f"the table {table} of {transfer_id} is gone or damaged; run again to make it anew"
                )
            tables[table] = frame
        return tables

    def _table(self, table: str, transfer_id: str, *, sha256: str) -> pl.DataFrame | None:
        """A table as it stands on disk; one that this job wrote need not be read again."""
        hash_of, written = self._fresh.get((transfer_id, table), ("", None))
        if hash_of == sha256:
            return pl.DataFrame(pl.from_arrow(written))
        return self.corpus.read(table, transfer_id, sha256=sha256)

    def _written(
        self, step: AnyStep, transfer_id: str, output: StepOutput, *, key: str, inputs: Mapping[str, str]
    ) -> bool:
        outcome, message = output.outcomes.get(transfer_id, ("done", ""))
        try:
            moved = self._moved(step, transfer_id, output, inputs)
            self.rows[transfer_id] = self.run_rows.forget(self.rows[transfer_id], transfer_id, step.name)
            tables = {table: output.tables[transfer_id][table] for table in step.writes}
            hashes = self._write(transfer_id, tables)
            row = self._row(step, transfer_id, outcome, message, key, inputs, hashes)
            rows = {**self.rows[transfer_id], step.name: row}
            if self.job.alone or step.name == self.job.steps[-1]:
                self.run_rows.keep(transfer_id, rows)
                self._unkept.discard(transfer_id)
            else:
                self._unkept.add(transfer_id)
            self.rows[transfer_id] = rows
        except Exception as error:
            failure = explain_failure(error, doing=f"writing the tables of step {step.name}")
            self._failed(transfer_id, step, failure, key=key, inputs=inputs)
            return False
        self.did.append(Did(transfer_id, step.name, outcome, message, moved=moved))
        return True

    def _write(self, transfer_id: str, tables: Tables) -> dict[str, str]:
        """Writes tables; gives their hashes."""
        try:
            written = self.corpus.write_all(transfer_id, tables)
        except DataError as error:  # not the user's data: a step gave what the schema forbids
            raise RuntimeError(str(error).partition("\n")[0]) from error
        hashes = {table: hash_bytes_of(self.corpus.path(table, transfer_id)) for table in written}
        self._fresh |= {(transfer_id, table): (hashes[table], written[table]) for table in written}
        return hashes

    def _moved(self, step: AnyStep, transfer_id: str, output: StepOutput, inputs: Mapping[str, str]) -> str:
        """In words, how a side's speed moved although nothing of its own changed: its session moved it."""
        before = self.rows[transfer_id].get(step.name)
        if "speed" not in step.writes or step.scope != "session" or before is None or before.outcome == "failed":
            return ""
        own = {name: sha for name, sha in inputs.items() if name.startswith(f"{transfer_id}/")}
        if not own.items() <= before.input_hashes.items():
            return ""
        if own_part(before.facts, transfer_id) != own_part(self.job.facts[step.name], transfer_id):
            return ""
        # Another version's table may lack columns: then it is not read at all.
        if before.settings != group_values(self.settings, step.name) or before.step_version != step.version:
            return ""
        old, new = self.corpus.read("speed", transfer_id), output.tables[transfer_id]["speed"]
        if old is None:
            return ""
        was, now = old["offset_cents"][0], new["offset_cents"][0]
        if was is None or now is None or abs(now - was) < MOVED_CENTS:
            return ""
        return f"speed moved from {was:+.1f} to {now:+.1f} cents with its session"

    def _failed(
        self, transfer_id: str, step: AnyStep, failure: Failure, *, key: str, inputs: Mapping[str, str]
    ) -> None:
        """Notes a failure. What stood before is kept if only the machine failed; else it is out of date."""
        standing = self.rows[transfer_id].get(step.name)
        if failure.cause != "machine" or standing is None or standing.outcome == "failed":
            try:
                row = self._row(step, transfer_id, "failed", failure.message, key, inputs, {}, cause=failure.cause)
                self.rows[transfer_id] = self.run_rows.fail(self.rows[transfer_id], row)
                self._unkept.discard(transfer_id)
            except (OSError, GlidelineError) as error:
                more = explain_failure(error, doing="noting the failure in the table run")
                failure = replace(failure, message=f"{failure.message}; {more.message}")
        self.did.append(said(transfer_id, step.name, failure))

    def _row(
        self,
        step: AnyStep,
        transfer_id: str,
        outcome: Outcome,
        message: str,
        key: str,
        inputs: Mapping[str, str],
        outputs: Mapping[str, str],
        cause: Cause | None = None,
    ) -> RunRow:
        seen = self.seen.get(transfer_id)
        return RunRow(
            transfer_id=transfer_id,
            step=step.name,
            unit_id=self.job.unit_id,
            step_version=step.version,
            outcome=outcome,
            cause=cause,
            message=message,
            samples_sha256=self._samples(transfer_id),
            file_sha256=seen.file_sha256 if seen and step.needs_file else None,
            key_sha256=key,
            settings=group_values(self.settings, step.name),
            facts=shortened(self.job.facts.get(step.name, {})),
            input_hashes=inputs,
            output_hashes=outputs,
            libraries=libraries(),
        )


def said(transfer_id: str, step: str, failure: Failure) -> Did:
    """A failure as a report tells it."""
    return Did(
        transfer_id,
        step,
        "failed",
        failure.message,
        cause=failure.cause,
        transient=failure.transient,
        traceback=failure.traceback,
    )


def brief(row: RunRow) -> Brief:
    """What the planner keeps of a row."""
    return Brief(row.key_sha256, row.outcome, row.cause, row.message, row.samples_sha256, row.output_hashes)


def look_at(path: Path, *, decode: bool, spec: SoundSpec) -> tuple[Seen, Sound | None]:
    """Hashes an audio file and its decoded samples; a file that changes meanwhile is looked at again.

    Gives the sound as well where it is the whole file. ``decode`` is False for a file whose decoding has killed its
    worker.
    """
    rule = spec.channel_rule if spec.start_s is None and spec.end_s is None else None
    while True:
        before = path.stat()
        file_sha256 = file_hash(path)
        problem, samples_sha256, sound = "", None, None
        try:
            if decode:
                samples_sha256, sound = hash_and_sound(path, channel_rule=rule)
            else:
                problem = explain_failure(WorkerKilledError(), doing="decoding the audio file").message
        except GlidelineError as error:
            if isinstance(error.__cause__, OSError):
                raise
            problem = str(error)
        seen = Seen(before.st_size, before.st_mtime_ns, before.st_ino, file_sha256, samples_sha256, problem)
        if seen.still(path):
            return seen, Sound.of(sound) if sound else None


def own_part(facts: Any, transfer_id: str) -> Any:
    """What facts on a session say of one transfer: the values under its id, wherever they stand."""
    if not isinstance(facts, Mapping):
        return None
    if transfer_id in facts:
        return facts[transfer_id]
    return [part for value in facts.values() if (part := own_part(value, transfer_id)) is not None]


def _no_sound(transfer_id: str) -> Sound:
    raise RuntimeError(f"a step asked for the sound of {transfer_id} without declaring needs_sound")
