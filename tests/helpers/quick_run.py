"""A run without Prefect, with the quick steps unless others are named; as a program:
``python -m tests.helpers.quick_run FOLDER WORKERS [ENGINE]``."""

import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from pipeline.engine.damage import Files
from pipeline.engine.explain import explain
from pipeline.engine.jobs import Report
from pipeline.engine.planner import Planner
from pipeline.engine.up_to_date import note_path
from pipeline.flows import run as run_module
from pipeline.flows import stages
from pipeline.flows.local import LocalPool
from pipeline.flows.progress import Display, Tally
from pipeline.flows.run import begin, carry_out, orchestrate, plan
from pipeline.flows.stages import Summary, Work
from pipeline.flows.work import Batch, do_batch, load_steps
from pipeline.store.corpus import Corpus
from pipeline.store.database.build import content_stamp, database_path
from pipeline.store.database.compaction import Generation
from pipeline.store.files.lock import locked

QUICK = "tests.helpers.quick_steps"


class Words(Display):
    """Says what a run says, but not how far it has come."""

    def __init__(self, say: Callable[[str], None]) -> None:
        super().__init__(quiet=True)
        self.say = say  # type: ignore[method-assign]

    def doing(self, words: str) -> None:
        pass

    def start(self, tally: Tally) -> None:
        pass

    def update(self, tally: Tally) -> None:
        pass

    def stop(self, tally: Tally | None = None) -> None:
        pass


def quick_run(
    root: Path,
    *,
    workers: int = 0,
    say: Callable[[str], None] = print,
    steps: str = QUICK,
    noted: bool = False,
    **options: Any,
) -> Summary:
    """One run over everything; with ``workers=0`` in this process, and without building the database.

    Every key is worked out, also after a run which noted that nothing is to do, unless that note is to be believed.
    """
    if not noted:
        note_path(root / "derived").unlink(missing_ok=True)
    if workers == 0:
        here = {"run_batches": _here, "spread": _spread_here}
        with patch.multiple(LocalPool, **here), patch.object(stages, "build_database", _no_database):
            return quick_run(root, workers=1, say=say, steps=steps, noted=noted, **options)
    corpus = Corpus(root)
    with locked(corpus.derived, say=say):
        work = begin(corpus, lambda files: planned(corpus, files, steps=steps, **options), Words(say), steps_from=steps)
        if not work.has_due() and work.is_finished():
            work.summary.nothing_to_do = True
        else:
            carry_out(work, workers=workers)
        return work.conclude()


def flow_run(root: Path, *, engine: str, workers: int) -> Summary:
    """One run over everything as a Prefect flow."""
    corpus = Corpus(root)
    with locked(corpus.derived, say=print):
        work = begin(corpus, lambda files: planned(corpus, files), Display(quiet=True), steps_from=QUICK)
        with patch.object(run_module, "ALONE_S", 0.0):
            orchestrate(work, engine=engine, address=None, workers=workers)
        return work.conclude()


def _here(self: LocalPool, batches: Iterator[Batch], on_report: Callable[[Report], None]) -> None:
    for batch in batches:
        for report in do_batch(batch):
            on_report(report)


def _spread_here(self: LocalPool, do: Callable[[Any], Any], items: Iterable[Any]) -> list[Any]:
    return [do(item) for item in items]


def _no_database(corpus: Corpus, generation: Generation) -> None:
    stamp = database_path(corpus).with_suffix(".stamp")
    stamp.write_text(content_stamp(corpus, generation))
    database_path(corpus).touch()


def planned(corpus: Corpus, files: Files | None = None, *, steps: str = QUICK, **options: Any) -> Planner:
    """A planner for the steps that a module holds; ``options`` are attributes of it."""
    planner = replace(plan(corpus, load_steps(steps), until=None, only=None, files=files), **options)
    planner.prepare()
    return planner


def explained(root: Path) -> list[str]:
    """What would run, and why."""
    return list(explain(planned(Corpus(root))))


def ran(root: Path, **options: Any) -> set[tuple[str, str]]:
    """Runs, and tells which steps ran for which transfers; fails if any failed."""
    seen: set[tuple[str, str]] = set()
    learn = Work.learn

    def listening(self: Work, report: Any) -> None:
        seen.update((did.transfer_id, did.step) for did in report.did if did.result not in ("unchanged", "failed"))
        learn(self, report)

    Work.learn = listening  # type: ignore[method-assign]
    try:
        quick_run(root, **options)
    finally:
        Work.learn = learn  # type: ignore[method-assign]
    return seen


if __name__ == "__main__":
    folder, number = Path(sys.argv[1]), int(sys.argv[2])
    done = flow_run(folder, engine=sys.argv[3], workers=number) if sys.argv[3:] else quick_run(folder, workers=number)
    sys.exit(1 if done.failed else 0)
