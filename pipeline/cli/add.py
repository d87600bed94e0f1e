"""``add``: audio into a corpus, with or without a sheet."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.counted import counted
from pipeline.errors import DataError, UsageError, typed

if TYPE_CHECKING:
    from pipeline.store.adding.add import AddPlan
    from pipeline.store.files.changes import Change


def add(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    audio: Annotated[
        list[Path] | None,
        typer.Argument(metavar="AUDIO…", help="Audio files, or folders of them; without any, those in audio/."),
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option("--sheet", help="A CSV or XLSX file with a line for each recording, under your own headings."),
    ] = None,
    package: Annotated[
        Path | None,
        typer.Option("--package", help="Instead of audio: a colleague's export (or its zip), merged into this corpus."),
    ] = None,
    new_ids: Annotated[
        Path | None,
        typer.Option(
            "--new-ids", help="CSV with table,id,new_id for ids of the package that mean something else here."
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Write without asking.")] = False,
) -> None:
    """Draft catalogue rows for audio files, from their names or your own sheet; show the difference, and ask.

    Example: glideline add my-corpus *.mp3 --sheet discs.xlsx
    """
    if package is not None:
        _merge(folder, package, new_ids, yes=yes)
        return
    from pipeline.store.adding.add import plan_add
    from pipeline.store.corpus import Corpus
    from pipeline.store.files.changes import changing

    with changing(Corpus(folder).root, doing="add") as change:
        plan = plan_add(folder, audio or [], sheet=sheet)
        kept = None
        if plan.mapping:
            print("Headings of the sheet:")
            for heading, meant in plan.mapping.items():
                print(f"  {heading} → {meant or '(left out)'}")
            kept = plan.keep_mapping(change)
            change.carry_out()
            print(f"Kept in {kept}; mend a match there and add again.\n")
        left_out = _show(plan)
        if plan.offers:
            drafted = _offer(plan, change)
            if not yes and sys.stdin.isatty() and typer.confirm("Enter these as well?", err=True):
                plan = plan_add(folder, audio or [], sheet=drafted)
                left_out = _show(plan)
        second = sum(bool(file.namesake) for file in plan.files)
        what = f"Write this, with {counted(second, 'file')} beside another of its name?" if second else "Write this?"
        if not plan.empty and not yes and not _agreed(what):
            raise DataError("nothing was written" + (f" but {kept}" if plan.mapping else ""))
        plan.enter(change)
    if left_out:
        what = "1 file or line was" if left_out == 1 else f"{left_out} files or lines were"
        raise DataError(f"{what} left out, see above", "then add again")
    if not plan.empty:
        print(f"Next: glideline check {typed(folder)}", file=sys.stderr)


def _offer(plan: "AddPlan", change: "Change") -> Path:
    """Prints what names and tags say, and keeps it as a sheet; nothing of it is entered by that."""
    from pipeline.cli.console import print_text

    print("\nNames and tags say more, which is offered and not entered:")
    for file in dict.fromkeys(offer.file for offer in plan.offers):
        print_text(f"  {file}")
        for offer in plan.offers:
            if offer.file == file:
                print_text(f"    {offer.field} = {offer.value} ({offer.source})")
    path = plan.keep_offers(change)
    change.carry_out()
    print(f"As a sheet, to be mended and given with --sheet: {path}", file=sys.stderr)
    return path


def _show(plan: "AddPlan") -> int:
    """Prints what would be done; gives the number of files and lines that are left out."""
    from pipeline.cli.console import print_text
    from pipeline.store.adding.add import difference

    for line in difference(plan):
        print_text(line)
    for problem in plan.problems:
        print_text(f"! {problem}", file=sys.stderr)
    counts = {row.table: sum(other.table == row.table for other in plan.draft.new) for row in plan.draft.new}
    left_out = sum(problem.severity == "error" for problem in plan.problems)
    if plan.empty:
        same = not left_out and not plan.draft.kept
        print("Nothing new: the catalogue already says all this." if same else "Nothing new.", file=sys.stderr)
    else:
        said = ", ".join(f"{table} {count}" for table, count in counts.items())
        gone = f"; rows to be taken out: {len(plan.draft.gone)}" if plan.draft.gone else ""
        cells = f"changed cells: {len(plan.draft.changes)}{gone}"
        print_text(f"Rows to be added: {said or 'none'}; {cells}.", file=sys.stderr)
    return left_out


def _merge(folder: Path, package: Path, new_ids: Path | None, *, yes: bool) -> None:
    from pipeline.cli.console import print_text
    from pipeline.store.adding.merge import add_planned, plan_merge
    from pipeline.store.adding.package_ids import clash_report, read_new_ids
    from pipeline.store.corpus import Corpus
    from pipeline.store.files.changes import changing

    corpus = Corpus(folder)
    mapping = read_new_ids(new_ids) if new_ids is not None else {}
    with changing(corpus.root, doing="add") as change:
        plan = plan_merge(corpus, package, mapping=mapping)
        for difference in plan.differences:
            print_text(f"! {difference}", file=sys.stderr)
        for cure in dict.fromkeys(difference.cure for difference in plan.differences):
            print_text(f"  {cure[0].upper()}{cure[1:]}.", file=sys.stderr)
        if plan.clashes:
            for clash in plan.clashes:
                print_text(f"! {clash}", file=sys.stderr)
            for line in clash_report(plan.clashes):
                print(line)
            raise DataError(
                "ids mean different things here and there, and nothing was written",
                "where both are the same thing, make "
                "the rows alike; for the others save the lines above as CSV and give it with --new-ids",
            )
        if plan.differences:
            raise DataError("rows say one thing here and another there, and nothing was written", "see above")
        for remark in plan.remarks:
            print_text(remark, file=sys.stderr)
        for table, rows in plan.rows.items():
            print(f"{table}: {len(rows)} new rows")
        print(f"{plan.known} rows are here already.", file=sys.stderr)
        if plan.rows and not yes and not _agreed():
            raise DataError("nothing was written")
        add_planned(change, plan, mapping)
    if "transfer" in plan.rows:
        print(f"Next: put the audio of the new transfers below {folder / 'audio'}", file=sys.stderr)


def _agreed(question: str = "Write this?") -> bool:
    if not sys.stdin.isatty():
        raise UsageError("nobody is here to be asked", "look at the difference above and add --yes to write it")
    return typer.confirm(question, err=True)
