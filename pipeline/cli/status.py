"""``glideline status``."""

import json
import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

_LISTED = 20


def status(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus.")],
    output: Annotated[
        Literal["text", "csv", "json"], typer.Option("--as", help="How to print; csv and json give every step.")
    ] = "text",
    everything: Annotated[bool, typer.Option("--all", help="List every transfer and step.")] = False,
) -> None:
    """Show how each transfer stands at each step: done, unchanged, failed and why, cannot tell, waiting.

    Example: glideline status my-corpus
    """
    from pipeline.flows.status import STATES
    from pipeline.flows.status import status as find_status

    found = find_status(folder)
    if output == "csv":
        sys.stdout.write(found.steps.write_csv())
        return
    if output == "json":
        print(json.dumps(found.steps.to_dicts(), ensure_ascii=False, indent=1))
        return
    if found.running:
        print(found.running.words())
    counts = found.counts()
    print(f"{'':12}" + "".join(f"{state:>13}" for state in STATES))
    for row in counts.iter_rows(named=True):
        print(f"{row['step']:12}" + "".join(f"{row[state]:>13}" for state in STATES))
    for state in STATES if everything else ("failed", "cannot tell", "waiting"):
        rows = found.steps.filter(found.steps["state"] == state)
        if not rows.height:
            continue
        print(f"\n{state.capitalize()}:")
        shown = rows if everything else rows.head(_LISTED)
        for transfer_id, step, _, message in shown.iter_rows():
            print(f"  {transfer_id}, {step}" + (f": {message}" if message else ""))
        if shown.height < rows.height:
            print(f"  and {rows.height - shown.height} more; --all lists them")
    if found.unmatched:
        print(f"\nVerdicts that match nothing any more ({len(found.unmatched)}):")
        for line in found.unmatched if everything else found.unmatched[:_LISTED]:
            print(f"  {line}")
