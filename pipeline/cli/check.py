"""``check``: what is wrong or noteworthy in a corpus."""

import csv
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from pipeline.counted import counted

if TYPE_CHECKING:
    from pipeline.store.catalogue.problems import Problem
    from pipeline.store.checks.check import CheckResult

_SHOWN_PER_KIND = 5
_IDS_SHOWN = 3


def check(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    output: Annotated[
        Literal["text", "csv", "json"], typer.Option("--as", help="How to print what was found.")
    ] = "text",
    listen: Annotated[
        bool, typer.Option("--audio/--no-audio", help="Also decode audio that no run has decoded yet.")
    ] = True,
    all_remarks: Annotated[bool, typer.Option("--all", help="Print every remark, also where many are alike.")] = False,
) -> None:
    """Name every problem in catalogue, audio, reviews and settings, with its place and cure; exit 1 if any.

    Example: glideline check my-corpus
    """
    from pipeline.store.checks.check import check as run_check

    result = run_check(folder, listen=listen)
    if output == "json":
        print(json.dumps([asdict(problem) for problem in result.problems], ensure_ascii=False, indent=1))
    elif output == "csv":
        _print_csv(result.problems)
    else:
        _print_text(result, all_remarks=all_remarks)
    if result.errors:
        raise typer.Exit(1)


def _print_csv(problems: "Sequence[Problem]") -> None:
    writer = csv.writer(sys.stdout, lineterminator="\n")
    names = ("severity", "file", "row", "column", "value", "message", "cure")
    writer.writerow(names)
    writer.writerows([getattr(problem, name) for name in names] for problem in problems)


def _print_text(result: "CheckResult", *, all_remarks: bool) -> None:
    from pipeline.cli.console import print_text

    for title, problems in (("To mend", result.errors), ("To know", result.remarks)):
        if not problems:
            continue
        print(f"{title} ({len(problems)})")
        shorten = title == "To know" and not all_remarks
        for file in dict.fromkeys(problem.file for problem in problems):
            print(f"\n  {file}")
            for line in _lines([problem for problem in problems if problem.file == file], shorten=shorten):
                print_text(f"    {line}")
        print()
    looked = f"{result.rows:,} rows and {result.files:,} transfers looked at"
    if not result.problems:
        print(f"Nothing to mend or to know: {looked}.")
    else:
        print(f"{len(result.errors)} to mend, {len(result.remarks)} to know; {looked}.")


def _lines(problems: "Sequence[Problem]", *, shorten: bool) -> list[str]:
    if not shorten:
        return [_line(problem) for problem in problems]
    alike: dict[tuple[str, str, str], list[Problem]] = {}
    for problem in problems:
        alike.setdefault((problem.column, problem.message, problem.cure), []).append(problem)
    lines = []
    said: dict[tuple[str, str], list[int]] = {}
    for (column, message, _), rows in alike.items():
        sizes = said.setdefault((column, message), [])
        sizes.append(len(rows))
        if len(sizes) <= _SHOWN_PER_KIND:
            lines.append(_line(rows[0]) if len(rows) == 1 else _line_of_many(rows))
    for (column, message), sizes in said.items():
        if more := sum(sizes[_SHOWN_PER_KIND:]):
            lines.append(f"and {counted(more, 'more row')}: {column}: {message} (--all prints them)")
    return lines


def _line_of_many(rows: "Sequence[Problem]") -> str:
    """One remark of several rows, with the first of their ids."""
    from pipeline.store.catalogue.problems import shown

    first = ", ".join(shown(row.key or f"row {row.row}") for row in rows[:_IDS_SHOWN])
    more = ", …" if len(rows) > _IDS_SHOWN else ""
    column = f"{shown(rows[0].column)}: " if rows[0].column else ""
    return f"{counted(len(rows), 'row')} ({first}{more}): {column}{rows[0].message}; {rows[0].cure}"


def _line(problem: "Problem") -> str:
    from pipeline.store.catalogue.problems import shown

    place = f"row {problem.row}: " if problem.row is not None else ""
    column = shown(problem.column)
    value = f" = {shown(problem.value)}" if problem.value else ""
    named = f"{column}{value}: " if column or value else ""
    return f"{place}{named}{problem.message}; {problem.cure}"
