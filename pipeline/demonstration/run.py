"""``demo``: writes the invented corpus, makes its audio, runs everything, and prints what came of it."""

import shutil
import sys
import tomllib
from dataclasses import dataclass
from math import exp
from pathlib import Path
from statistics import mean

import polars as pl
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from pipeline import resources
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.demonstration import story, together
from pipeline.demonstration.audio import read_recipe, write_audio
from pipeline.demonstration.compare import (
    HandCounts,
    SlideCounts,
    compare_hands,
    compare_slides,
    compare_speeds,
    read_truth,
)
from pipeline.errors import UsageError, typed
from pipeline.flows.progress import Display
from pipeline.flows.run import prepare, run
from pipeline.processes import usable_cores
from pipeline.signal import first_use
from pipeline.store.files.outputs import refuse_inside_a_corpus

# Columns where the output is no terminal.
WIDE = 116
SCHOOLS = ("saltmarrow", "mossgate")
FOUNDERS = ["quillfeather", "brackwhistle"]
PARTS = ("settings.toml", "recipe.toml", "catalogue", "reviews", "truth")


@dataclass(frozen=True)
class DemoResult:
    """Where the demo lies, and found against planted.

    ``speeds`` has a row per transfer with ``error_cents``; ``lineage`` the rates by founder and generation;
    ``failures`` the transfers that could not be measured, with the reason; ``hands`` the fingerings of
    all notes and of those after a shift that is heard; ``planted_odds_ratio`` is how much higher, at the same place,
    the odds are that players of the first of ``SCHOOLS`` let a shift be heard; ``chords`` and ``duet`` are those of
    the sides of a violin alone and of two.
    """

    folder: Path
    slides: SlideCounts
    speeds: pl.DataFrame
    lineage: list[story.Row]
    failures: list[tuple[str, str]]
    hands: dict[str, HandCounts]
    planted_odds_ratio: float
    chords: together.Chords
    duet: together.Duet


def demo(
    folder: Path | str = Path("glideline-demo"),
    *,
    workers: int | None = None,
    quiet: bool = False,
    with_report: bool = True,
) -> DemoResult:
    """Write the demo corpus into ``folder``, run everything, and print a summary on stdout.

    Parameters
    ----------
    folder : a folder that is empty or does not exist.
    workers : processes at work at one time; None for one a core.
    quiet : print nothing.
    with_report : also build the report's pages.

    Raises
    ------
    UsageError
        If the folder holds anything, or lies among a corpus's own files.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} is not empty", "name a new folder, as in: glideline demo another-folder")
    refuse_inside_a_corpus(folder, cure="choose another place, as in: glideline demo another-folder")
    workers = usable_cores() if workers is None else workers
    out = Console(quiet=quiet, highlight=False, width=None if sys.stdout.isatty() else WIDE)
    messages = Console(stderr=True, quiet=quiet, highlight=False)
    write_corpus(folder)
    prepare(Display(quiet=quiet), tuple(first_use.PARTS))
    _make_audio(folder, workers=workers, messages=messages)
    summary = run(folder, workers=workers, quiet=quiet)
    failures = [(transfer_id, message) for transfer_id, _, message in summary.failed]
    pages = _report(folder, workers=workers) if with_report else None
    with OpenCorpus(folder) as corpus:
        result = _result(folder, corpus, failures)
        _print(corpus, result, out)
    _say_where(folder, pages, out)
    return result


def _report(folder: Path, *, workers: int) -> Path:
    from pipeline.pages.report import report

    return report(folder, workers=workers).overview


def write_corpus(folder: Path) -> None:
    """Copy the demo's catalogue, settings, recipe and truth into ``folder``."""
    source = resources.folder("demo_corpus")
    folder.mkdir(parents=True, exist_ok=True)
    for part in PARTS:
        if (source / part).is_dir():
            shutil.copytree(source / part, folder / part)
        elif (source / part).exists():
            shutil.copyfile(source / part, folder / part)


def _make_audio(folder: Path, *, workers: int, messages: Console) -> None:
    recipe = read_recipe(folder / "recipe.toml")
    minutes = sum(side.length_s for side in recipe.sides) / 60.0
    messages.print(f"Making {minutes:.0f} minutes of invented recordings in {folder}")
    columns = (TextColumn("{task.description}"), BarColumn(bar_width=30), MofNCompleteColumn())
    with Progress(*columns, console=messages, transient=True, disable=not messages.is_terminal) as progress:
        task = progress.add_task("audio", total=len(recipe.sides))
        write_audio(recipe, folder=folder / "audio", workers=workers, on_done=lambda _: progress.advance(task))


def _result(folder: Path, corpus: OpenCorpus, failures: list[tuple[str, str]]) -> DemoResult:
    planted = read_truth(folder, "slide")
    speeds = compare_speeds(corpus.view("base.speed"), read_truth(folder, "speed"))
    notes = read_truth(folder, "note").filter(pl.col("ornament").is_null())
    hands = {
        which: compare_hands(corpus.view("base.note"), corpus.view("base.note_hand"), chosen)
        for which, chosen in (
            ("notes after a shift", notes.filter(pl.col("after_shift") == 1)),
            ("all notes", notes),
        )
    }
    doubtful = corpus.view("base.other_glide")["slide_id"].drop_nulls()
    found = corpus.view("base.slide").filter(~pl.col("slide_id").is_in(doubtful.implode()))
    return DemoResult(
        folder=folder,
        slides=compare_slides(found, planted),
        speeds=speeds,
        lineage=story.lineage_rows(corpus, founders=FOUNDERS),
        failures=failures,
        hands=hands,
        planted_odds_ratio=_planted_odds_ratio(folder, corpus),
        chords=together.compare_chords(corpus, read_truth(folder, "chord")),
        duet=together.compare_duet(corpus, folder),
    )


def _planted_odds_ratio(folder: Path, corpus: OpenCorpus) -> float:
    recipe = tomllib.loads((folder / "recipe.toml").read_text(encoding="utf-8"))
    sliding = {name: player["sliding"] for name, player in recipe["players"].items() if "sliding" in player}
    members = corpus.view("base.school_membership").select("school_id", "player_id").rows()
    first, other = (mean(sliding[p] for s, p in members if s == school and p in sliding) for school in SCHOOLS)
    return exp(first - other)


def _print(corpus: OpenCorpus, result: DemoResult, out: Console) -> None:
    out.print("\nEverything here is invented: players, schools, labels, works; the audio was made from a recipe.\n")
    story.print_rates(corpus, out)
    story.print_lineage(corpus, out, founders=FOUNDERS)
    story.print_places(corpus, out, school=SCHOOLS[0], other=SCHOOLS[1], planted=result.planted_odds_ratio)
    story.print_speeds(result.speeds, corpus.view("base.speed_alternative"), out)
    story.print_found(result.slides, result.hands, out)
    together.print_together(corpus, result.chords, result.duet, out)
    out.print("\n[bold]One file is broken on purpose; it fails alone, with its reason[/bold]")
    for transfer_id, reason in result.failures:
        out.print(f"  {transfer_id}: {reason}", markup=False)


def _say_where(folder: Path, pages: Path | None, out: Console) -> None:
    out.print()
    if pages is not None:
        out.print(f"Report    {pages}", soft_wrap=True)
    out.print(f"Database  {folder / 'derived' / 'corpus.duckdb'}", soft_wrap=True)
    out.print(f"Go on     glideline query {typed(folder)} slides_by_school_and_period", soft_wrap=True)
    out.print(f"          glideline speed {typed(folder)}", soft_wrap=True)
    out.print(f"          glideline status {typed(folder)}", soft_wrap=True)
