"""``glideline status``."""

import json
import sys
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

_LISTED = 20
_NEVER_RUN = "never run"


def status(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    output: Annotated[
        Literal["text", "csv", "json"], typer.Option("--as", help="How to print; csv and json give every step.")
    ] = "text",
    everything: Annotated[bool, typer.Option("--all", help="List every transfer and step.")] = False,
) -> None:
    """Show how each transfer stands at each step: done, unchanged, failed and why, cannot tell, waiting.

    Example: glideline status my-corpus
    """
    from pipeline.cli.console import print_text
    from pipeline.flows.status import STATES
    from pipeline.flows.status import status as find_status
    from pipeline.store.checks.changed_audio import TWIN_CURE

    found = find_status(folder)
    if output == "csv":
        sys.stdout.write(found.steps.write_csv())
        return
    if output == "json":
        print(json.dumps(found.steps.to_dicts(), ensure_ascii=False, indent=1))
        return
    if found.running:
        print_text(found.running.words())
    counts = found.counts()
    print(f"{'':12}" + "".join(f"{state:>13}" for state in STATES))
    for row in counts.iter_rows(named=True):
        print(f"{row['step']:12}" + "".join(f"{row[state]:>13}" for state in STATES))
    for state in STATES if everything else ("failed", "cannot tell", "waiting"):
        rows = found.steps.filter(found.steps["state"] == state)
        if state == "waiting" and not everything:
            rows = _waiting(found.steps)
        if not rows.height:
            continue
        print(f"\n{state.capitalize()}:")
        shown = rows if everything else rows.head(_LISTED)
        for transfer_id, step, _, message in shown.iter_rows():
            name = transfer_id if message == _NEVER_RUN else f"{transfer_id}, {step}"
            print_text(f"  {name}" + (f": {message}" if message else ""))
        if shown.height < rows.height:
            print(f"  and {rows.height - shown.height} more; --all lists them")
    if found.twins:
        print("\nThe same sound under two names:")
        for line in found.twins if everything else found.twins[:_LISTED]:
            print_text(f"  {line}")
        print_text(f"  {TWIN_CURE}")
    if found.touched:
        what = "1 file was" if found.touched == 1 else f"{found.touched} files were"
        print()
        print_text(f"{what} copied or touched since; the next run only looks whether the sound is still the same.")
    if found.confidence:
        print()
        print_text(found.confidence)
    if found.unmatched:
        print(f"\nVerdicts that match nothing any more ({len(found.unmatched)}):")
        for line in found.unmatched if everything else found.unmatched[:_LISTED]:
            print_text(f"  {line}")


def _waiting(steps: Any) -> Any:
    """Of each transfer that waits the first step that does, which says why; of one that failed its failure says it."""
    import polars as pl

    from pipeline.engine.decision import NEW

    state, transfer = pl.col("state"), pl.col("transfer_id")
    failed, begun = (steps.filter(which)["transfer_id"].to_list() for which in (state == "failed", state != "waiting"))
    rows = steps.filter((state == "waiting") & ~transfer.is_in(failed))
    new = ~transfer.is_in(begun) & (pl.col("message") == NEW)
    return rows.unique("transfer_id", keep="first", maintain_order=True).with_columns(
        message=pl.when(new).then(pl.lit(_NEVER_RUN)).otherwise(pl.col("message"))
    )
