"""``glideline speed``."""

import sys
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from pipeline.cli.ids import completing, whole_id


def speed(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus.")],
    transfer_id: Annotated[
        str | None,
        typer.Argument(
            metavar="[ID]",
            help="One transfer, by its id or the beginning of it; without it, the ledger of all.",
            autocompletion=completing("transfer"),
        ),
    ] = None,
    render: Annotated[
        bool,
        typer.Option("--render", help="Write corrected audio, and what was done to it, into derived/audio/."),
    ] = False,
    picture: Annotated[
        Path | None, typer.Option("--picture", help="With ID: write the curve and its evidence as SVG.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="The file of --picture may be there, and is replaced.")
    ] = False,
    output: Annotated[Literal["table", "csv", "json"], typer.Option("--as", help="How to print.")] = "table",
) -> None:
    """Show how fast each side should play, how sure that is, what else is possible, and why.

    Example: glideline speed glideline-demo owl-1007-a-t1 --render
    """
    from pipeline.answers.speed_ledger import speed as ledger
    from pipeline.errors import UsageError

    if picture is not None and transfer_id is None:
        raise UsageError("--picture draws one transfer", "write its id after DIR")
    if transfer_id is not None:
        transfer_id = whole_id(folder, transfer_id, "transfer")
    frame = ledger(folder, transfer_id)
    if output == "csv":
        sys.stdout.write(frame.write_csv())
    elif output == "json":
        print(frame.write_json())
    elif transfer_id is None:
        _print_ledger(frame)
    else:
        _print_side(folder, frame.row(0, named=True))
    if picture is not None and transfer_id is not None:
        _draw(folder, transfer_id, picture, replace=replace)
    if render:
        _render(folder, frame.filter(frame["state"] != "not measured")["transfer_id"].to_list())


def _print_ledger(frame: Any) -> None:
    from rich.table import Table

    from pipeline.answers.number_words import given_words, ledger_remark, over_all_words, probability_words
    from pipeline.cli.console import console

    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in ("transfer", "state"):
        table.add_column(head)
    for head in ("rpm", "correction", "given A4, key", "over all", "A4 Hz", "sure", "drift", "wow"):
        table.add_column(head, justify="right")
    for head in ("key", "remark"):
        table.add_column(head, overflow="fold")
    for row in frame.iter_rows(named=True):
        table.add_row(
            row["transfer_id"],
            row["state"],
            _number(row["playing_rpm"], "{:.2f}"),
            _number(row["offset_cents"], "{:+.1f}"),
            given_words(row["offset_se_cents"]),
            over_all_words(row["offset_low_cents"], row["offset_high_cents"]),
            _number(row["reference_pitch_hz"], "{:.4g}"),
            "–" if row["probability"] is None else probability_words(row["probability"]),
            _number(row["drift_range_cents"], "{:.0f}"),
            _number(row["wow_cents"], "{:.1f}"),
            row["key"] or "–",
            _safe(ledger_remark(row)),
        )
    console().print(table)
    print(
        "correction, limits, drift and wow in cents; limits are of 95 %, given key and A4 as shown, and over all "
        "readings of key, A4 and intonation; `glideline speed DIR ID` says why",
        file=sys.stderr,
    )


def _print_side(folder: Path, row: dict[str, Any]) -> None:
    from rich.table import Table

    from pipeline.answers.number_words import probability_words
    from pipeline.answers.speed_ledger import speed_alternatives
    from pipeline.cli.console import console

    out = console()
    for name, words in _facts(row):
        out.print(f"{name:18}{_safe(words)}", highlight=False)
    found = speed_alternatives(folder, row["transfer_id"])
    if found.is_empty():
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in ("", "rpm", "correction", "A4 Hz", "sure"):
        table.add_column(head, justify="right")
    table.add_column("key")
    table.add_column("what speaks for it and against it", overflow="fold")
    for reading in found.iter_rows(named=True):
        table.add_row(
            f"{reading['rank']}.",
            _number(reading["playing_rpm"], "{:.2f}"),
            _number(reading["offset_cents"], "{:+.1f}"),
            f"{reading['reference_pitch_hz']:.4g}",
            probability_words(reading["probability"]),
            reading["key"] or "–",
            _safe(reading["reason"]),
        )
    out.print()
    out.print(table)


def _facts(row: dict[str, Any]) -> list[tuple[str, str]]:
    from pipeline.answers.number_words import given_words, over_all_words

    facts = [("transfer", row["transfer_id"] + (f" (takes {row['takes']})" if row["takes"] else ""))]
    if row["session_id"]:
        facts.append(("settled with", f"session {row['session_id']}"))
    state = row["state"] + (f" by {row['decided_by']}: {row['decision_reason']}" if row["decided_by"] else "")
    facts.append(("state", state))
    if row["offset_cents"] is not None:
        a4 = f"A4 = {row['reference_pitch_hz']:.4g} Hz"
        if row["offset_se_cents"] is None:
            facts.append(("correction", f"{row['offset_cents']:+.1f} cents, at {a4}"))
        else:
            size = f"{row['offset_cents']:+.1f} {given_words(row['offset_se_cents'])} cents (95 %)"
            facts.append(("correction", f"{size}, if key and {a4} are as shown"))
    if row["offset_low_cents"] is not None and not row["decided_by"]:
        limits = over_all_words(row["offset_low_cents"], row["offset_high_cents"])
        a4 = f"{row['reference_pitch_low_hz']:.1f} to {row['reference_pitch_high_hz']:.1f} Hz"
        facts.append(("over all readings", f"{limits} cents (95 %), A4 {a4}"))
    if row["playing_rpm"] is not None:
        turned = _number(row["turntable_rpm"], "{:g}")
        limits = ""
        if row["playing_rpm_low"] is not None:
            limits = f", {row['playing_rpm_low']:.2f} to {row['playing_rpm_high']:.2f} over all readings"
        facts.append(("plays at", f"{row['playing_rpm']:.2f} rpm{limits} (transferred at {turned})"))
    if row["decided_by"]:
        facts.append(("would have been", f"{row['estimated_offset_cents']:+.1f} cents, {row['estimated_state']}"))
    if row["drift_range_cents"] is not None:
        within = ", the sudden change included" if row["jump_s"] is not None else ""
        facts.append(("drift", f"{row['drift_range_cents']:.1f} cents along the side{within}"))
    if row["jump_s"] is not None:
        bounds = f"between {row['jump_from_s']:.2f} and {row['jump_to_s']:.2f} s (95 %)"
        bounds += f", the greatest of {row['jump_count']}" if row["jump_count"] > 1 else ""
        facts.append(("sudden change", f"{row['jump_cents']:+.1f} cents at {row['jump_s']:.2f} s, {bounds}"))
    if row["wow_cents"] is not None:
        turning = f"once per turn of a turntable at {60.0 * row['wow_hz']:.2f} rpm"
        facts.append(("wow", f"{row['wow_cents']:.1f} cents at {row['wow_hz']:.3f} Hz, {turning}"))
    facts.append(("measured on", row["measured_on"] or "not measured yet"))
    return [*facts, *((("remark", row["remark"]),) if row["remark"] else ())]


def _draw(folder: Path, transfer_id: str, picture: Path, *, replace: bool) -> None:
    from pipeline.errors import DataError
    from pipeline.pages.speed_picture import speed_picture
    from pipeline.store.corpus import Corpus
    from pipeline.store.files.outputs import output

    drawn = speed_picture(Corpus(folder), transfer_id)
    if drawn is None:
        raise DataError(f"{transfer_id}: its tuning could not be measured, so there is no curve to draw")
    with output(picture, replace=replace) as part:
        part.write_text(drawn + "\n", encoding="utf-8")
    print(f"wrote {picture}", file=sys.stderr)


def _render(folder: Path, transfer_ids: list[str]) -> None:
    from pipeline.answers.speed_ledger import render
    from pipeline.errors import DataError

    failed = []
    for transfer_id in transfer_ids:
        try:
            made = render(folder, transfer_id)
        except DataError as error:
            failed.append(str(error))
            continue
        turned = f", turned down by {-made.gain_db:.1f} dB" if made.gain_db < 0 else ""
        print(f"wrote {made.path} ({made.length_s:.1f} s{turned}) and what was done to it", file=sys.stderr)
    if failed:
        raise DataError("\n".join(failed))


def _number(value: float | None, form: str) -> str:
    return "–" if value is None else form.format(value)


def _safe(text: str) -> str:
    return text.replace("[", "\\[")
