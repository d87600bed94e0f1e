"""The Prefect flow of a run. Only this module and ``flows.engines`` import Prefect.

One flow a run; one task a stage for the local engine, which drives its own processes; one task a batch of sides
for Dask and Ray. Prefect's cache is off: what is up to date is decided by content, in the corpus.
"""

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import httpx
from prefect import flow, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.context import SettingsContext, get_settings_context
from prefect.events.worker import EventsWorker
from prefect.settings import Settings
from prefect.states import Completed

from pipeline.engine.jobs import Did, Report
from pipeline.flows.engines import task_runner
from pipeline.flows.local import LocalPool
from pipeline.flows.prefect_home import Server, lost
from pipeline.flows.stages import Work
from pipeline.flows.summary_lines import summary_lines
from pipeline.flows.work import Batch, do_batch

RETRIES = 2
BATCH = 8  # units that travel to a worker of a cluster together
RETRY_AFTER_S = [2.0, 10.0]


class TryAgainError(Exception):
    """Some units failed in a way that another try may mend."""

    def __init__(self, failed: list[Did]) -> None:
        super().__init__("; ".join(f"{did.transfer_id}: {did.message}" for did in failed[:5]))


def run_here(work: Work, *, pool: LocalPool, server: Server) -> None:
    """The flow on this machine, in a pool that may have begun with the work.

    Raises
    ------
    UnusableError
        If the Prefect server can no longer be reached; no side fails for that.
    """

    def watch() -> None:
        if server.has_ended():
            raise lost("its process has ended")

    pool.watch, before = watch, pool.watch
    try:
        with _reaching(server):
            run_local(work, pool=pool)
    finally:
        pool.watch = before


def run_elsewhere(work: Work, *, engine: str, address: str | None, workers: int, server: Server) -> None:
    """The flow on Dask or Ray; raises like ``run_here``."""
    with _reaching(server):
        run_on_cluster(work, engine=engine, address=address, workers=workers)


@contextmanager
def _reaching(server: Server) -> Iterator[None]:
    """Prefect reads its environment once, as it is imported; a later run of the same process has another server."""
    logging.getLogger("EventsWorker").setLevel(logging.CRITICAL)
    settings = Settings()
    # Asking a server that is gone again and again would take a minute. Prefect's settings are frozen.
    server.when_ended(lambda: settings.client.__dict__.update(max_retries=0))
    with SettingsContext(profile=get_settings_context().profile, settings=settings):
        try:
            yield
        except httpx.HTTPError as error:
            raise lost(str(error).partition("\n")[0] or type(error).__name__) from error
        finally:
            EventsWorker.drain_all(timeout=5.0)  # else it goes on asking for the server that has ended


def run_local(work: Work, *, pool: LocalPool) -> None:
    """The flow on this machine."""

    @flow(name="glideline run", flow_run_name=work.corpus.root.name, validate_parameters=False)
    def corpus_flow() -> Any:
        for stage in range(len(work.planner.stages)):
            if work.planner.has_due(stage):
                _stage_task(work, stage, pool.run_batches)()
        _finish_task(work, pool)()
        return _state(work)

    corpus_flow()


def run_on_cluster(work: Work, *, engine: str, address: str | None, workers: int) -> None:
    """The flow on Dask or Ray: a task for each batch of units, placed by Prefect's task runner."""
    work.batch_size = BATCH
    here = _Here(work)

    def run_batches(batches: Iterator[Batch], on_report: Callable[[Report], None]) -> None:
        waiting = list(batches)
        futures = [batch_task.submit(batch) for batch in waiting]
        for batch, future in zip(waiting, futures, strict=True):
            future.wait()
            reports = future.result(raise_on_failure=False)
            for report in reports if isinstance(reports, list) else _singly(batch):
                on_report(report)

    @flow(
        name="glideline run",
        flow_run_name=work.corpus.root.name,
        validate_parameters=False,
        task_runner=task_runner(engine, address=address, workers=workers),
    )
    def corpus_flow() -> Any:
        work = here.work
        for stage in range(len(work.planner.stages)):
            for _ in range(RETRIES + 1):
                if not work.planner.has_due(stage) or not work.stage(stage, run_batches):
                    break
        work.finish(run_batches)
        return _state(work)

    corpus_flow()


class _Here:
    """Work that stays in this process: Prefect sends a flow along with each of its tasks, and all that it holds."""

    def __init__(self, work: Work) -> None:
        self.work = work

    def __reduce__(self) -> tuple[Any, ...]:
        return object, ()


@task(name="batch", cache_policy=NO_CACHE, persist_result=False)
def batch_task(batch: Batch) -> list[Report]:
    """A batch of units, in a worker of the cluster."""
    return do_batch(batch)


def _singly(batch: Batch) -> list[Report]:
    """Does a batch whose worker was lost unit by unit; what loses its worker again is noted as killed."""
    reports: list[Report] = []
    for job in batch.jobs:
        future = batch_task.submit(replace(batch, jobs=(replace(job, alone=True),)))
        future.wait()
        result = future.result(raise_on_failure=False)
        if isinstance(result, httpx.TransportError):
            raise result  # the server was lost, not the worker
        if not isinstance(result, list):
            result = do_batch(replace(batch, jobs=(replace(job, killed=True),)))
        reports += result
    return reports


def _may_mend(task: Any, run: Any, state: Any) -> bool:
    return isinstance(state.result(raise_on_failure=False), TryAgainError)


def _stage_task(work: Work, stage: int, run_batches: Any) -> Any:
    tries = iter(range(RETRIES + 1))

    @task(
        name=work.label(stage),
        retries=RETRIES,
        retry_delay_seconds=RETRY_AFTER_S,
        retry_condition_fn=_may_mend,
        cache_policy=NO_CACHE,
        persist_result=False,
    )
    def do_stage() -> None:
        last = next(tries) == RETRIES
        failed = work.stage(stage, run_batches)
        if failed and not last:
            raise TryAgainError(failed)

    return do_stage


def _finish_task(work: Work, pool: LocalPool) -> Any:
    @task(name="summaries and database", cache_policy=NO_CACHE, persist_result=False)
    def finish() -> None:
        work.finish(pool.run_batches, spread=pool.spread, release=pool.release)

    return finish


def _state(work: Work) -> Any:
    lines = list(summary_lines(work.conclude()))
    create_markdown_artifact(
        key="glideline-run",
        markdown="\n".join(f"- {line.strip()}" for line in lines),
        description="What the run did",
    )
    return Completed(message="; ".join(lines)[:1000])
