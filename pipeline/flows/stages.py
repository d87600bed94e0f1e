"""The stages of a run, whoever carries out their jobs: what is due, what came of it, and the end of it all."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import takewhile

from pipeline.engine.clear_up import SeenFile
from pipeline.engine.jobs import Did, Report
from pipeline.engine.planner import Planner
from pipeline.engine.up_to_date import note, recall
from pipeline.flows.journal import Journal
from pipeline.flows.progress import Display, Tally
from pipeline.flows.work import Batch, batches
from pipeline.steps.scopes import WHOLE
from pipeline.steps.words import DOING
from pipeline.store.corpus import Corpus
from pipeline.store.database.build import build_database, is_current
from pipeline.store.database.compaction import Generation, Spread, compact
from pipeline.store.database.edited import note_kept
from pipeline.store.database.report_notice import BEFORE_THE_RUN, tell_pages

RunBatches = Callable[[Iterator[Batch], Callable[[Report], None]], None]


@dataclass
class Summary:
    """What a run did.

    Attributes
    ----------
    transfers : how many there are.
    did : by step, how many results of each kind.
    failed : what fails now, whether in this run or an earlier one: transfer (or "corpus"), step, message.
    condemned : how many errors ``check`` would name in the hand-kept files; rows or cells were left out for each.
    moved : sides whose speed moved with their session although nothing of their own had changed, in words.
    nothing_to_do : True if everything was up to date.
    database_built : whether the database was built anew.
    """

    transfers: int = 0
    did: dict[str, dict[str, int]] = field(default_factory=dict)
    failed: list[tuple[str, str, str]] = field(default_factory=list)
    condemned: int = 0
    moved: list[str] = field(default_factory=list)
    nothing_to_do: bool = False
    database_built: bool = False
    sound_s: float = 0.0
    explained: list[str] = field(default_factory=list)


class Work:
    """One run on a locked corpus."""

    def __init__(self, corpus: Corpus, planner: Planner, display: Display, *, steps_from: str) -> None:
        self.corpus = corpus
        self.empty_batch = Batch(str(corpus.root.absolute()), planner.settings, steps_from, ())
        self.planner = planner
        self.display = display
        self.journal: Journal | None = None
        self.seen_file = SeenFile(corpus)
        self.summary = Summary(transfers=len(planner.sounds))
        self.batch_size = 1
        self.failed_now: dict[tuple[str, str], str] = {}
        # A side is read anew in each stage, and counts once.
        self.heard_s: dict[str, float] = {}
        self.cut_short: Tally | None = None
        self.noted = recall(planner)
        self.is_whole = False  # as far as this run knows
        self.build: Callable[[Generation], object] = lambda generation: build_database(corpus, generation)

    def has_due(self) -> bool:
        """Whether any step on transfers or sessions must run, as things stand."""
        return not self.noted and any(self.planner.has_due(stage) for stage in range(len(self.planner.stages)))

    def is_finished(self) -> bool:
        """Whether the steps on the whole corpus and the database are up to date as well."""
        if not self.noted and any(self.planner.why(step, *WHOLE) for step in self.planner.corpus_steps):
            return False
        self.is_whole = is_current(self.corpus, compact(self.corpus, seen=self.planner.files))
        if self.is_whole:
            note_kept(self.corpus)
        return self.is_whole

    def label(self, stage: int) -> str:
        """What the steps of a stage do, from the first to the last; short, since the time left stands behind it."""
        doing = [DOING.get(step.name, step.name) for step in self.planner.stages[stage]]
        return " … ".join(doing[:: max(len(doing) - 1, 1)])

    def ahead(self, run_batches: RunBatches, *, until: Callable[[], bool]) -> None:
        """Begins with the stages, and stops beginning jobs when ``until`` says so."""
        for stage in range(len(self.planner.stages)):
            if until() or self.stage(stage, run_batches, until=until):
                return

    def stage(self, stage: int, run_batches: RunBatches, *, until: Callable[[], bool] = lambda: False) -> list[Did]:
        """Does what is due in a stage; returns the failures that trying again may mend."""
        todo = [(unit_id, transfers) for unit_id, transfers, _ in self.planner.due(stage)]
        again: list[Did] = []
        if not todo:
            return again
        if self.journal is None:
            self.journal = Journal(self.corpus.derived)
        tally = self.cut_short
        if tally is None:
            tally = Tally(self.label(stage), len(todo))
            self.journal.write("stage", stage=stage, label=tally.label, units=len(todo))

        def on_report(report: Report) -> None:
            self.learn(report)
            tally.add(report)
            self.display.update(tally)
            transient = [did for did in report.did if did.transient]
            if transient:
                again.extend(transient)
                self.planner.try_again(stage, report.unit_id)

        self.display.start(tally)
        try:
            jobs = (self.planner.job(stage, unit_id, transfers) for unit_id, transfers in todo)
            work = batches(takewhile(lambda _: not until(), jobs), like=self.empty_batch, size=self.batch_size)
            run_batches(work, on_report)
        finally:
            self.cut_short = tally if tally.ended < tally.total and until() else None
            self.display.stop(None if self.cut_short else tally)
        return again

    def finish(
        self, run_batches: RunBatches, *, spread: Spread = map, release: Callable[[], None] = lambda: None
    ) -> None:
        """Compaction, which ``spread`` may share out, the steps on the whole corpus, and the database.

        ``release`` is called when no more is asked of the workers.
        """
        generation = compact(self.corpus, spread=spread)
        for step in self.planner.corpus_steps:
            if not self.planner.why(step, *WHOLE):
                continue
            self.display.doing(DOING.get(step.name, step.name))
            job = self.planner.corpus_job(step)
            run_batches(batches([job], like=self.empty_batch, size=1), self.learn)
            generation = compact(self.corpus, spread=spread)
        release()
        if not is_current(self.corpus, generation):
            self.display.doing("building the database")
            self.build(generation)
            tell_pages(self.corpus.root, BEFORE_THE_RUN)
            self.summary.database_built = True
        note_kept(self.corpus)
        # As the compaction has just looked at them; what is up to date by now need not be worked out by the next run.
        self.planner.files = {table: generation.stamps(table) for table in self.planner.files}
        self.is_whole = not self.failed_now

    def learn(self, report: Report) -> None:
        """Takes in one job."""
        files = {self.planner.sounds[t].file: seen for t, seen in report.seen.items()}
        self.seen_file.add({file: seen for file, seen in files.items() if self.planner.seen.get(file) != seen})
        self.planner.learn(report)
        self.heard_s[report.unit_id] = max(report.sound_s, self.heard_s.get(report.unit_id, 0.0))
        for did in report.did:
            counts = self.summary.did.setdefault(did.step, {})
            counts[did.result] = counts.get(did.result, 0) + 1
            self.failed_now.pop((did.transfer_id, did.step), None)
            if did.result == "failed":
                self.failed_now[did.transfer_id, did.step] = did.message
            if did.moved:
                self.summary.moved.append(f"{did.transfer_id}: {did.moved}")
        if self.journal:
            self.journal.report(report)

    def conclude(self) -> Summary:
        """The summary, with everything that fails now, whenever it failed."""
        summary, planner = self.summary, self.planner
        failed = {
            (transfer_id, step): row.message
            for transfer_id, rows in planner.book.items()
            for step, row in rows.items()
            if row.outcome == "failed"
        }
        first = planner.stages[0][0].name if planner.stages else ""
        for standing in (planner.blocked, planner.absent):
            failed |= {(transfer_id, first): why for transfer_id, why in standing.items()}
        failed |= self.failed_now
        summary.condemned = sum(p.severity == "error" for p in self.corpus.catalogue.problems())
        summary.failed = sorted((t, step, message) for (t, step), message in failed.items())
        summary.sound_s = sum(self.heard_s.values())
        self.seen_file.rewrite(planner.seen)
        if self.is_whole and not self.noted:
            note(planner)
        return summary
