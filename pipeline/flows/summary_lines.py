"""The end of a run in words."""

from collections.abc import Iterator

from pipeline.counted import counted
from pipeline.flows.progress import clock
from pipeline.flows.stages import Summary

SHOWN = 20  # failures and moved sides listed one by one; the rest is counted


def summary_lines(summary: Summary) -> Iterator[str]:
    """Lines for people."""
    if summary.nothing_to_do:
        yield f"Nothing to do; up to date: {counted(summary.transfers, 'transfer')}."
    elif summary.transfers == 0:
        yield "No transfers yet: `glideline add` drafts catalogue rows for audio files."
    for step, counts in summary.did.items():
        parts = [f"{count} {result.replace('_', ' ')}" for result, count in sorted(counts.items())]
        yield f"{step}: {', '.join(parts)}"
    if summary.sound_s:
        yield f"{clock(summary.sound_s)} of sound heard."
    if summary.moved:
        moved = counted(len(summary.moved), "transfer")
        yield f"{moved} moved in speed although nothing of their own changed:"
        yield from _listed(summary.moved)
    if summary.failed:
        failing = len({transfer_id for transfer_id, _, _ in summary.failed})
        yield f"{failing} {'transfer fails' if failing == 1 else 'transfers fail'}:"
        yield from _listed([f"{t}, {step}: {message}" for t, step, message in summary.failed])
    if summary.condemned:
        found = "1 error was found" if summary.condemned == 1 else f"{summary.condemned} errors were found"
        yield f"{found} in catalogue and reviews, and rows or cells left out for it: `glideline check` names all."
    if summary.database_built:
        yield "The database derived/corpus.duckdb is built anew."


def _listed(lines: list[str]) -> Iterator[str]:
    for line in lines[:SHOWN]:
        yield f"  {line}"
    if len(lines) > SHOWN:
        yield f"  and {len(lines) - SHOWN} more; `glideline status` lists all"
