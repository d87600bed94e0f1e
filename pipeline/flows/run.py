"""``run``: everything that needs doing, for all transfers, then the database.

The order is: take the lock, finish or undo changes that were cut short, clear up, plan, then stage by stage (steps per
transfer, per session, per transfer again), then compaction, the steps on the whole corpus, and the database. What to do
is decided by content alone; a scheduler only carries it out, and a run that is over within a minute never starts one.
"""

import gc
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Literal

from pipeline.engine.clear_up import SeenFile, clear_up, drop_unowned, read_book, say_damaged
from pipeline.engine.damage import MOST_TO_ASK, Files, damaged, table_files, take_away
from pipeline.engine.explain import explain
from pipeline.engine.jobs import stages
from pipeline.engine.planner import Planner
from pipeline.engine.ready import compiled_parts
from pipeline.engine.twins import twins
from pipeline.engine.up_to_date import recall
from pipeline.errors import DataError, UsageError
from pipeline.flows import prefect_home
from pipeline.flows.engines import is_elsewhere
from pipeline.flows.local import LocalPool
from pipeline.flows.progress import Display, Tally
from pipeline.flows.stages import Summary, Work
from pipeline.flows.work import load_steps
from pipeline.processes import start_loading, usable_cores
from pipeline.steps.base import AnyStep
from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.catalogue.recording import bowed_beside
from pipeline.store.checks.changed_audio import TWIN_CURE
from pipeline.store.corpus import Corpus
from pipeline.store.database.build import build_beside
from pipeline.store.files.changes import mend
from pipeline.store.files.lock import locked

ORDER = "pipeline.steps.order"
ALONE_S = 60.0
"""How long a run on this machine goes on by itself: Prefect takes as much work to start as a side of some minutes."""
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
    _check_names(corpus, frozenset(transfers), workers)
    _check_engine(engine, address)
    display = Display(quiet=quiet)

    def planned(corpus: Corpus, files: Files | None = None) -> Planner:
        most = MOST_TO_ASK if explain_only else None
        chosen = frozenset(transfers) or None
        planner = plan(corpus, load_steps(ORDER), until=until, only=chosen, files=files, most=most)
        planner.again, planner.rehash = again, rehash
        planner.prepare()
        return planner

    if explain_only:
        with uncollected():
            planner = planned(corpus)
        explained = [] if recall(planner) else list(explain(planner))
        return Summary(transfers=len(planner.sounds), explained=explained)
    with locked(corpus.derived, say=display.say):
        mend(corpus.root)
        corpus = Corpus(corpus.root)  # as it is now that nobody else can change it
        display.doing("looking at what must be done")
        work = begin(corpus, partial(planned, corpus), display, steps_from=ORDER)
        with uncollected():
            has_due = work.has_due()
            is_finished = not has_due and work.is_finished()
        if has_due:
            for said in twins(work.planner, unheard=True):
                display.say(f"{said}: {TWIN_CURE}.")
            if engine == "local":
                prepare(display, parts_for(corpus))
            orchestrate(work, engine=engine, address=address, workers=workers or usable_cores())
        elif is_finished:
            work.summary.nothing_to_do = True
        else:
            with LocalPool(workers=1, derived=corpus.derived) as pool:
                work.finish(pool.run_batches)
        return work.conclude()


def prepare(display: Display, parts: Sequence[str]) -> None:
    """Has workers ready when they are wanted; before the first run that takes some fifteen seconds, once.

    ``parts``: of what is compiled, those that the work needs.
    """
    if not compiled_parts().issuperset(parts):
        from pipeline.engine.make_ready import make_ready

        tally = Tally("compiling (once)", len(parts))

        def told() -> None:
            tally.ended += 1
            display.update(tally)

        display.say("Before its first run the program is compiled for this machine; later runs begin at once.")
        display.start(tally)
        try:
            make_ready(parts, told, say=display.say)
        finally:
            display.stop(tally)
    start_loading()


def parts_for(corpus: Corpus) -> list[str]:
    """What its sides need of what is compiled."""
    from pipeline.signal.first_use import EACH_SIDE

    catalogue = corpus.catalogue
    written = catalogue.frame("written_part").height > 0
    several = any(bowed_beside(catalogue, take) for take in catalogue.frame("take").to_dicts())
    return [*EACH_SIDE, *(["places"] if written else []), *(["players"] if several else [])]


@contextmanager
def uncollected() -> Iterator[None]:
    """No looking for garbage: what is read for a plan all stays, and looking through it takes a quarter of the time."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()


@uncollected()
def begin(corpus: Corpus, planned: Callable[[Files], Planner], display: Display, *, steps_from: str) -> Work:
    """Clears up a corpus that is locked, and plans what to do."""
    corpus.catalogue.require_whole()  # before anything is set aside for want of its row
    files = table_files(corpus, load_steps(steps_from))
    for said in clear_up(corpus, files):
        display.say(said[0].upper() + said[1:] + ".")
    planner = planned(files)
    drop_unowned(corpus, planner.files, planner.book)
    if planner.damaged:
        display.say(say_damaged(planner.damaged))
        take_away(corpus, planner.damaged, planner.files)
    return Work(corpus, planner, display, steps_from=steps_from)


def orchestrate(work: Work, *, engine: str, address: str | None, workers: int) -> None:
    """Has everything done as a Prefect flow.

    On this machine the work begins without it, and goes on while its server starts, once the run has taken
    ``ALONE_S`` or something is to be tried again; with a server of the user's, at once. It goes on without Prefect,
    and says so, if its server does not start or is lost on the way.

    Raises
    ------
    DataError
        If that happens with another engine.
    """

    def load() -> None:
        import pipeline.flows.corpus  # noqa: F401  (loads Prefect, which takes seconds too)

    if engine == "local":
        corpus = work.corpus
        with LocalPool(workers=workers, derived=corpus.derived) as pool, build_beside(corpus) as work.build:
            late = time.monotonic() + (0.0 if prefect_home.users_server() else ALONE_S)
            if _is_done(work, pool, until=lambda: time.monotonic() >= late):
                return
            try:
                with prefect_home.server(work.corpus.derived, load) as server:
                    work.ahead(partial(pool.run_batches, leave=server.has_come), until=server.has_come)
                    server.wait(work.display.say)
                    from pipeline.flows.corpus import run_here

                    run_here(work, pool=pool, server=server)
            except prefect_home.UnusableError as error:
                said = str(error)
                work.display.say(f"{said[0].upper()}{said[1:]}: the run goes on without it.")
                _all_stages(work, pool)
        return
    try:
        with prefect_home.server(work.corpus.derived, load) as server:
            server.wait(work.display.say)
            from pipeline.flows.corpus import run_elsewhere

            run_elsewhere(work, engine=engine, address=address, workers=workers, server=server)
    except prefect_home.UnusableError as error:
        raise DataError(
            f"--engine {engine} needs Prefect: {error}; no side fails for that, and what is finished is kept",
            "set right what it names and run again, or go on with --engine local, which can do without",
        ) from error


def _is_done(work: Work, pool: LocalPool, *, until: Callable[[], bool]) -> bool:
    """Does what it can without a scheduler, and says whether that was all."""
    work.ahead(partial(pool.run_batches, leave=until), until=until)
    if work.has_due():
        return False
    work.finish(pool.run_batches, spread=pool.spread, release=pool.release)
    return True


def carry_out(work: Work, *, workers: int) -> None:
    """Does all stages in processes of this machine, without a scheduler."""
    with LocalPool(workers=workers, derived=work.corpus.derived) as pool:
        _all_stages(work, pool)


def _all_stages(work: Work, pool: LocalPool) -> None:
    for stage in range(len(work.planner.stages)):
        work.stage(stage, pool.run_batches)
    work.finish(pool.run_batches, spread=pool.spread, release=pool.release)


def plan(
    corpus: Corpus,
    steps: Sequence[AnyStep],
    *,
    until: str | None,
    only: frozenset[str] | None,
    files: Files | None = None,
    most: int | None = None,
) -> Planner:
    """A planner for the steps up to ``until``; call ``prepare`` before asking it.

    ``files``: tables as they stand, if they have been looked at. ``most``: see ``damage.damaged``.

    Raises
    ------
    DataError
        If a table of the catalogue cannot be read as a whole.
    UsageError
        If there is no step ``until``.
    """
    corpus.catalogue.require_whole()
    names = [step.name for step in steps]
    if until is not None and until not in names:
        cure = did_you_mean(until, names, otherwise=f"the steps are {', '.join(names)}")
        raise UsageError(f"no step {until!r}", cure)
    chosen = steps if until is None else steps[: names.index(until) + 1]
    book, files = read_book(corpus), files or table_files(corpus, steps)
    return Planner(
        corpus,
        corpus.settings,
        stages([step for step in chosen if step.scope != "corpus"]),
        [step for step in chosen if step.scope == "corpus"],
        book,
        SeenFile(corpus).read(),
        files,
        damaged(corpus, book, files, most=most),
        only=only,
    )


def _check_names(corpus: Corpus, wanted: frozenset[str], workers: int | None) -> None:
    known = corpus.catalogue.frame("transfer")["transfer_id"].to_list() if wanted else []
    for transfer_id in sorted(wanted - set(known)):
        cure = did_you_mean(transfer_id, known, otherwise="`glideline status` lists all transfers")
        raise UsageError(f"no transfer {transfer_id!r} in transfer.csv", cure)
    if workers is not None and workers < 1:
        raise UsageError(f"--workers {workers}: give 1 or more")


def _check_engine(engine: str, address: str | None) -> None:
    if engine not in ("local", "dask", "ray"):
        raise UsageError(f"--engine {engine}: give local, dask or ray")
    if engine == "local" and address is not None:
        raise UsageError(f"--address {address}: goes with --engine dask or --engine ray")
    if is_elsewhere(address) and not prefect_home.users_server():
        raise UsageError(
            f"--address {address}: workers on other machines cannot reach this run's own Prefect server",
            "start one that they can reach (prefect server start --host …) and set PREFECT_API_URL to it",
        )
