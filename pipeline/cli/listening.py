"""Prints the results of listening checks, and of marks compared with finds."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import typer
from rich.table import Table

from pipeline.answers.listening.error_rates import ListeningResults, listening_results
from pipeline.answers.listening.plan import planned
from pipeline.answers.listening.words import (
    POPULATIONS,
    TOO_FEW,
    agreement_words,
    calibration_error_words,
    confidence_words,
    group_words,
    not_in_words,
    rate_words,
    share_cell,
    share_words,
    told_share,
)
from pipeline.answers.marks import MarkComparison, compare_marks
from pipeline.answers.number_words import signed
from pipeline.cli.console import console
from pipeline.errors import typed
from pipeline.pages.results import player_names, results_page
from pipeline.stats.marks import Differences
from pipeline.store.corpus import Corpus
from pipeline.units import ms_of_s


def show_results(folder: Path) -> None:
    """Error rates by stratum, corrected rates, agreement and calibration, as tables and as a page."""
    results = listening_results(folder)
    out = console()
    out.print(
        f"{results.items} excerpts of {', '.join(results.samples)} judged by {', '.join(results.listeners)}.",
        style="bold",
    )
    names = player_names(Corpus(folder))
    out.print(_strata(results, names))
    out.print(TOO_FEW)
    errors = results.errors
    out.print(
        f"Precision {told_share(errors.precision)}: of what is found, so much is slides. "
        f"Recall {told_share(errors.recall)}: of the slides there are, so many are found. (95 %)"
    )
    out.print(_rates(results, names))
    if late := not_in_words(results):
        out.print(late)
    for words in agreement_words(results):
        out.print(words)
    out.print(_calibration(results))
    typer.echo(f"Open {results_page(folder, results)}")
    typer.echo("These rates are those of `query`, and start from finds before verdicts.", err=True)


def show_plan(folder: Path, *, by: Sequence[str], within: float) -> None:
    """What numbers of excerpts would tell, and how many are needed."""
    made = planned(folder, by=by, within=within)
    out = console()
    basis = (
        f"Expected as the {made.judged} excerpts judged so far say"
        if made.judged
        else "Nothing has been judged yet; expected as confidences state it, which need not hold for real discs"
    )
    table = _table("What so many excerpts, judged by one listener, would tell (95 %)")
    for head in ("excerpts", "precision [%]", "recall [%]", "slides\nper find", "within"):
        table.add_column(head, justify="right")
    needed = () if made.needed is None else (made.needed,)
    for each in sorted({*made.outlooks, *needed}, key=lambda one: one.number):
        errors = each.errors
        shares = [share_words(share).replace(" %", "") for share in (errors.precision, errors.recall)]
        table.add_row(
            str(each.number),
            *shares,
            rate_words(errors.true_per_find),
            _within(each.within),
            style="bold" if each in needed else None,
        )
    out.print(f"{basis}.")
    out.print(table)
    if made.needed is None:
        out.print(f"Even all excerpts of this corpus would not tell slides per find to within {_within(within)}.")
        return
    out.print(
        f"Slides per find, which rates are corrected by, to within {_within(within)}: {made.needed.number} excerpts. "
        "The page says when that is reached; ask again once some are judged."
    )
    options = f"--n {made.needed.number} --by {','.join(by)} --within {100 * within:g}"
    typer.echo(f"Next: glideline listen {typed(folder)} {options}", err=True)


def _within(share: float) -> str:
    return f"{100 * share:.0f} %"


def show_marks(folder: Path, listener: str | None) -> None:
    """A listener's own marks (None: everybody's) beside the slides found."""
    out = console()
    for made in compare_marks(folder, listener=listener):
        within = made.tolerances
        out.print(
            f"{made.listener}: {made.marks} marks and {made.finds} finds in the counted solo of {made.transfers} "
            f"transfers.",
            style="bold",
        )
        out.print(
            f"A pair: starts within {ms_of_s(within.start_s):.0f} ms, ends within {ms_of_s(within.end_s):.0f} ms or "
            f"{100 * within.end_share:.0f} % of the mark's length."
        )
        out.print(_measures(made))
        out.print(f"Found starts are {_late(made.start_late)}; found ends are {_late(made.end_late)}.")
        if made.kinds:
            out.print(_kinds(made))
        if made.outside:
            out.print(f"{made.outside} marks lie outside the counted solo and are left out.")
        if made.other_sound:
            out.print(f"{made.other_sound} marks were made on other sound than the transfers hold now, and wait.")
    typer.echo("A side with marks is taken to be marked throughout; finds on other sides are left out.", err=True)


def _measures(made: MarkComparison) -> Table:
    table = _table("Marks against finds (95 %)")
    table.add_column("matched by")
    for head in ("pairs", "precision", "recall", "F"):
        table.add_column(head, justify="right")
    for each in made.measures:
        f = "–" if each.f != each.f else f"{each.f:.2f}"
        table.add_row(each.rule, str(each.pairs), share_words(each.precision), share_words(each.recall), f)
    return table


def _kinds(made: MarkComparison) -> Table:
    table = _table(f"Kinds alike: {share_words(made.kinds_right)}")
    for head in ("marked", "found"):
        table.add_column(head)
    table.add_column("pairs", justify="right")
    for marked, found, count in made.kinds:
        table.add_row(marked.replace("_", " "), found.replace("_", " "), str(count))
    return table


def _late(late: Differences) -> str:
    if late.median_s != late.median_s:
        return "not compared, for want of pairs"
    words = "later" if late.median_s >= 0 else "earlier"
    span = f"middle half {signed(ms_of_s(late.low_s))} to {signed(ms_of_s(late.high_s))} ms"
    return f"{ms_of_s(abs(late.median_s)):.0f} ms {words} than marked (median; {span})"


def _strata(results: ListeningResults, names: Mapping[str, str]) -> Table:
    """A row for each stratum below its population; each row fits 80 columns. Where listeners differ, as many say slide
    as no slide."""
    table = _table("Heard as slide, group by group")
    table.add_column("drawn from")
    for head in ("in\ncorpus", "judged", "slide", "cannot\ntell", "differ", "share\n(95 %)"):
        table.add_column(head, justify="right")
    for population, words in POPULATIONS.items():
        table.add_row(words, style="bold")
        for s in (each for each in results.strata if each.drawn_from == population):
            counts = (s.judged.population, s.judged.judged, s.judged.slides, s.cannot_tell, s.differed)
            table.add_row(f" {group_words(s.name, names)}", *map(str, counts), share_cell(s.share))
    return table


def _table(title: str) -> Table:
    return Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")


def _rates(results: ListeningResults, names: Mapping[str, str]) -> Table:
    table = _table("Slides per 100 transitions (95 %)")
    table.add_column("player")
    for head in ("as found", "corrected"):
        table.add_column(head, justify="right")
    table.add_column("corrected by")
    for rate in results.rates:
        name = "whole corpus" if rate.player_id is None else names.get(rate.player_id, rate.player_id)
        corrected = "–" if rate.corrected is None else rate_words(rate.corrected)
        table.add_row(name, rate_words(rate.found), corrected, rate.correction)
    return table


def _calibration(results: ListeningResults) -> Table:
    table = _table(f"Confidence (expected error {calibration_error_words(results)})")
    for head in ("stated", "heard as slide (95 %)", "judged"):
        table.add_column(head, justify="right")
    for each in results.calibration:
        table.add_row(confidence_words(each.mean_confidence), share_cell(each.observed), str(each.judged))
    return table
