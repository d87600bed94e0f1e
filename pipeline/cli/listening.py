"""Prints the results of listening checks."""

from pathlib import Path

import typer
from rich.console import Console
from rich.table import Table

from pipeline.stats.intervals import Interval
from pipeline.steps.listening import ListeningResults, listening_results

_POPULATIONS = {
    "slide": "slides found",
    "transition": "changes of note without one",
    "stretch": "stretches without one",
}


def show_results(folder: Path) -> None:
    """Error rates by stratum, corrected rates, agreement and calibration, as tables."""
    results = listening_results(folder)
    console = Console()
    console.print(
        f"{results.items} items of {', '.join(results.samples)} judged by {', '.join(results.listeners)}.", style="bold"
    )
    console.print(_strata(results))
    errors = results.errors
    console.print(
        f"Precision {_share(errors.precision)}: finds that are slides. "
        f"Recall {_share(errors.recall)}: slides that are found. (95 % intervals)"
    )
    console.print(_rates(results))
    if results.kappa is not None:
        console.print(f"Agreement of the two listeners: Cohen's kappa {results.kappa:.2f}.")
    if results.alpha is not None:
        console.print(f"Agreement of the listeners: Krippendorff's alpha {results.alpha:.2f} (nominal).")
    if results.kinds_right is not None:
        console.print(f"Kinds heard as found: {_share(results.kinds_right)}.")
    console.print(_calibration(results))
    typer.echo("Corrected rates start from finds before verdicts; do not correct the rates of `query` again.", err=True)


def _strata(results: ListeningResults) -> Table:
    table = Table(title="Heard as slide, by stratum", title_justify="left")
    for head in ("drawn from", "stratum"):
        table.add_column(head)
    for head in ("in corpus", "judged", "heard as slide", "cannot tell", "share (95 %)"):
        table.add_column(head, justify="right")
    for s in results.strata:
        counts = (s.judged.population, s.judged.judged, s.judged.slides, s.cannot_tell)
        table.add_row(_POPULATIONS[s.drawn_from], s.name, *map(str, counts), _share(s.share))
    return table


def _rates(results: ListeningResults) -> Table:
    table = Table(title="Slides per 100 transitions (95 %)", title_justify="left")
    table.add_column("player")
    for head in ("as found", "corrected"):
        table.add_column(head, justify="right")
    table.add_column("error rates used")
    for rate in results.rates:
        name = rate.player_id or "whole corpus"
        used = "the player's own" if rate.own_errors else "the corpus's"
        table.add_row(name, _rate(rate.found), _rate(rate.corrected), used)
    return table


def _calibration(results: ListeningResults) -> Table:
    table = Table(title=f"Confidence (expected error {results.calibration_error:.2f})", title_justify="left")
    for head in ("stated", "heard as slide (95 %)", "judged"):
        table.add_column(head, justify="right")
    for each in results.calibration:
        table.add_row(f"{each.mean_confidence:.2f}", _share(each.observed), str(each.judged))
    return table


def _share(interval: Interval) -> str:
    if interval.estimate != interval.estimate:
        return "–"
    return f"{interval.estimate:.0%} ({interval.low:.0%}–{interval.high:.0%})"


def _rate(interval: Interval) -> str:
    return f"{interval.estimate:.1f} ({interval.low:.1f}–{interval.high:.1f})"
