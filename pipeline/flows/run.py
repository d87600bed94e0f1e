"""``run``: everything that needs doing, for all transfers, then the database.

The order is: clear up, plan, then stage by stage (steps per transfer, per session, per transfer again), then
compaction, the steps on the whole corpus, and the database. What to do is decided by content alone; a scheduler
only carries it out, and a run with nothing to do never starts one.
"""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Literal

from pipeline.errors import UsageError
from pipeline.flows import prefect_home
from pipeline.flows.journal import Journal
from pipeline.flows.local import LocalPool
from pipeline.flows.progress import Display
from pipeline.flows.stages import Summary, Work
from pipeline.flows.work import usable_cores
from pipeline.steps.base import Step
from pipeline.steps.explain import explain
from pipeline.steps.housekeeping import SeenFile, clear_up, drop_unowned, read_book, table_files
from pipeline.steps.jobs import stages
from pipeline.steps.order import STEPS
from pipeline.steps.planner import Planner
from pipeline.store.compaction import compact
from pipeline.store.corpus import Corpus
from pipeline.store.database import is_current
from pipeline.store.lock import locked
from pipeline.store.problems import did_you_mean

Engine = Literal["local", "dask", "ray"]


def run(
    corpus: Path | str | Corpus,
    *,
    workers: int | None = None,
    engine: Engine = "local",
    address: str | None = None,
    transfers: Iterable[str] = (),
    until: str | None = None,
    explain_only: bool = False,
    again: bool = False,
    rehash: bool = False,
    quiet: bool = True,
) -> Summary:
    """Run all steps for all transfers that need it, then build the database.

    Parameters
    ----------
    corpus : the corpus, or its folder.
    workers : processes at work at one time; None for one a core.
    engine, address : where the work is done; address of a Dask or Ray cluster that is already up.
    transfers : only these (a session is settled as a whole all the same); none for all.
    until : name of the last step to run; None for all.
    explain_only : say why each step would run, and run nothing.
    again : run even what is up to date.
    rehash : hash all audio again, and hold computed tables against their hashes.
    quiet : show nothing on stderr.

    Raises
    ------
    DataError
        If the folder is not a corpus, its settings are wrong, or another run holds it.
    UsageError
        If a transfer, step or engine is not known.
    """
    corpus = corpus if isinstance(corpus, Corpus) else Corpus(corpus)
    wanted = frozenset(transfers)
    steps = _steps_until(until)
    _check_names(corpus, wanted, workers, engine)
    display = Display(quiet=quiet)
    if explain_only:
        planner = _plan(corpus, steps, wanted, again=again, rehash=rehash)
        return Summary(transfers=len(planner.sounds), explained=list(explain(planner)))
    with locked(corpus.derived, say=display.say):
        for said in clear_up(corpus, steps=STEPS):
            display.say(said[0].upper() + said[1:] + ".")
        planner = _plan(corpus, steps, wanted, again=again, rehash=rehash)
        drop_unowned(corpus, STEPS, planner.book)
        work = Work(corpus, planner, display)
        if any(planner.has_due(stage) for stage in range(len(planner.stages))):
            names = [step.name for step in steps]
            work.journal = Journal(corpus.derived)
            work.journal.write("begin", engine=engine, transfers=len(planner.sounds), steps=names)
            with prefect_home.server(corpus.derived):
                from pipeline.flows.corpus import run_local

                run_local(work, workers=workers or usable_cores())
        elif not _finished(corpus, planner):
            with LocalPool(workers=1, derived=corpus.derived) as pool:
                work.finish(pool.run_batches)
        else:
            work.summary.nothing_to_do = True
        return work.conclude()


def carry_out(work: Work, *, workers: int) -> None:
    """Does all stages in processes of this machine, without a scheduler."""
    with LocalPool(workers=workers, derived=work.corpus.derived) as pool:
        for stage in range(len(work.planner.stages)):
            work.stage(stage, pool.run_batches)
        work.finish(pool.run_batches)


def _plan(corpus: Corpus, steps: Sequence[Step], wanted: frozenset[str], *, again: bool, rehash: bool) -> Planner:
    planner = Planner(
        corpus,
        corpus.settings,
        stages([step for step in steps if step.scope != "corpus"]),
        [step for step in steps if step.scope == "corpus"],
        read_book(corpus),
        SeenFile(corpus).read(),
        table_files(corpus, STEPS),
        only=wanted or None,
        again=again,
        rehash=rehash,
    )
    planner.prepare()
    return planner


def _finished(corpus: Corpus, planner: Planner) -> bool:
    if any(planner.corpus_why(step) for step in planner.corpus_steps):
        return False
    return is_current(corpus, compact(corpus))


def _steps_until(until: str | None) -> tuple[Step, ...]:
    names = [step.name for step in STEPS]
    if until is None:
        return STEPS
    if until not in names:
        cure = did_you_mean(until, names, otherwise=f"the steps are {', '.join(names)}")
        raise UsageError(f"no step {until!r}; {cure}")
    return STEPS[: names.index(until) + 1]


def _check_names(corpus: Corpus, wanted: frozenset[str], workers: int | None, engine: str) -> None:
    known = corpus.catalogue.frame("transfer")["transfer_id"].to_list()
    for transfer_id in sorted(wanted - set(known)):
        cure = did_you_mean(transfer_id, known, otherwise="`glideline status` lists all transfers")
        raise UsageError(f"no transfer {transfer_id!r} in transfer.csv; {cure}")
    if workers is not None and workers < 1:
        raise UsageError(f"--workers {workers}: give 1 or more")
    if engine not in ("local", "dask", "ray"):
        raise UsageError(f"--engine {engine}: give local, dask or ray")
