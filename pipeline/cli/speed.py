"""``glideline speed``."""

import sys
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from pipeline.cli.console import tell_of_edits
from pipeline.cli.ids import completing, whole_id
from pipeline.units import rpm_of_hz


def speed(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
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
    replace: Annotated[bool, typer.Option("--replace", help="Replace the file of --picture if there is one.")] = False,
    rule: Annotated[
        int | None,
        typer.Option(
            "--rule",
            min=1,
            metavar="N",
            help="With ID: take reading N as listed, such as one a semitone lower.",
        ),
    ] = None,
    one_speed: Annotated[
        bool,
        typer.Option("--one-speed", help="With ID: rule that the side ran at one speed; no drift is corrected."),
    ] = False,
    reason: Annotated[str, typer.Option("--reason", metavar="WHY", help="Why you rule so.")] = "",
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who rules.")] = "",
    output: Annotated[Literal["table", "csv", "json"], typer.Option("--as", help="How to print.")] = "table",
) -> None:
    """Show how fast each side should play, how sure that is, what else is possible, and why; or rule otherwise.

    To rule otherwise, name a reading with --rule, or give --one-speed, both with --reason and --by: a row of
    catalogue/speed_decision.csv, where other speeds can be written too (correction_cents or playing_rpm, always with
    reference_pitch_hz); then run.

    Example: glideline speed glideline-demo owl-1007-a-t1 --render
    """
    from pipeline.answers.speed_ledger import speed as ledger
    from pipeline.errors import UsageError

    if picture is not None and transfer_id is None:
        raise UsageError("--picture draws one transfer", "write its id after DIR")
    if transfer_id is not None:
        transfer_id = whole_id(folder, transfer_id, "transfer")
    if rule is not None or one_speed or reason or by:
        _rule(folder, transfer_id, rank=rule, one_speed=one_speed, reason=reason, by=by)
        return
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
    tell_of_edits(folder)
    if render:
        _render(folder, frame.filter(frame["state"] != "not measured")["transfer_id"].to_list())


def _print_ledger(frame: Any) -> None:
    from pipeline.answers.number_words import ledger_remark
    from pipeline.cli.console import console, print_text
    from pipeline.cli.fitting import Column, print_columns

    rows = frame.to_dicts()
    # What to correct by and how sure that is stay; what moves along the side is left out first where it is narrow.
    hidden = print_columns(
        [
            Column("transfer", [row["transfer_id"] for row in rows], whole=True),
            Column("state, probability", [_state(row) for row in rows]),
            _numbers("correction [cent], over all readings", [_correction(row) for row in rows]),
            _numbers("given A4, key", [_given(row) for row in rows], 1),
            _numbers("[rpm]", [_number(row["playing_rpm"], "{:.2f}") for row in rows], 2),
            _numbers("A4 [Hz]", [_number(row["reference_pitch_hz"], "{:.4g}") for row in rows], 3),
            _numbers("drift [cent]", [_drift(row) for row in rows], 7),
            _numbers("wow [cent]", [_number(row["wow_cents"], "{:.1f}") for row in rows], 8),
            Column("key", [row["key"] or "–" for row in rows], rank=6),
            Column("remark", [ledger_remark(row) for row in rows], note=True),
        ],
        console(),
    )
    if hidden:
        print_text(f"{hidden} more columns: a wider terminal, or --as csv", file=sys.stderr)
    print_text(
        "limits of 95 %: given A4 and key as shown, and over all readings of key, A4 and intonation; "
        "`glideline speed DIR ID` says why, and how to rule otherwise",
        file=sys.stderr,
    )


def _state(row: dict[str, Any]) -> str:
    if row["decided_by"] or row["probability"] is None:
        return str(row["state"])
    return f"{row['state']} {_probable(row['probability'])}"


def _correction(row: dict[str, Any]) -> str:
    """The correction and its 95 % limits over all readings: −9.0 (−38 to +51)."""
    from pipeline.answers.number_words import over_all_words

    if row["state"] == "unmeasurable":
        return "cannot tell"
    size = _number(row["offset_cents"], "{:+.1f}")
    if row["offset_low_cents"] is None:
        return size
    return f"{size} ({over_all_words(row['offset_low_cents'], row['offset_high_cents'])})"


def _drift(row: dict[str, Any]) -> str:
    from pipeline.units import Z_95

    error = row["drift_se_cents"]
    if row["one_speed"]:
        return "none, ruled"
    return _number(row["drift_range_cents"], "{:.0f}") + (f" ± {Z_95 * error:.0f}" if error is not None else "")


def _given(row: dict[str, Any]) -> str:
    from pipeline.answers.number_words import given_words

    return given_words(None if row["state"] == "unmeasurable" else row["offset_se_cents"])


def _print_side(folder: Path, row: dict[str, Any]) -> None:
    from rich.text import Text

    from pipeline.answers.speed_ledger import beside_others, speed_alternatives
    from pipeline.cli.console import console, print_text
    from pipeline.cli.fitting import Column, print_columns

    out = console()
    others = [
        ("" if i else "beside others", words) for i, words in enumerate(beside_others(folder, row["transfer_id"]))
    ]
    for name, words in [*_facts(row), *others]:
        first, *more = Text(words).wrap(out, max(out.width - 18, 20))
        out.print(Text(f"{name:18}{first.plain}"), highlight=False)
        for line in more:
            out.print(Text(" " * 18 + line.plain), highlight=False)
    found = speed_alternatives(folder, row["transfer_id"]).to_dicts()
    if not found:
        return
    out.print()
    print_columns(
        [
            _numbers("", [f"{reading['rank']}." for reading in found]),
            _numbers("[rpm]", [_number(reading["playing_rpm"], "{:.2f}") for reading in found]),
            _numbers("correction [cent]", [_number(reading["offset_cents"], "{:+.1f}") for reading in found]),
            _numbers("A4 [Hz]", [f"{reading['reference_pitch_hz']:.4g}" for reading in found]),
            _numbers("probability", [_probable(reading["probability"]) for reading in found]),
            Column("key", [reading["key"] or "–" for reading in found]),
            Column("what speaks for it and against it", [reading["reason"] for reading in found], note=True),
        ],
        out,
    )
    if row["state"] == "ambiguous":
        print_text(
            "A probability here is of one speed with one A4. The remark adds up all readings that give the same notes, "
            "whatever A4 was; `hand` weighs those that it looks at, as shares of 100 %."
        )


def _numbers(head: str, cells: list[str], rank: int = 0) -> Any:
    from pipeline.cli.fitting import Column

    return Column(head, cells, whole=True, right=True, rank=rank)


def _probable(probability: float | None) -> str:
    from pipeline.answers.number_words import probability_words

    return "–" if probability is None else probability_words(probability)


def _facts(row: dict[str, Any]) -> list[tuple[str, str]]:
    from pipeline.answers.number_words import (
        HOW_TO_RULE,
        change_words,
        drift_words,
        given_words,
        over_all_words,
        signed,
    )

    facts = [("transfer", row["transfer_id"] + (f" (takes {row['takes']})" if row["takes"] else ""))]
    if row["session_id"]:
        facts.append(("settled with", f"session {row['session_id']}"))
    state = row["state"] + (f" by {row['decided_by']}: {row['decision_reason']}" if row["decided_by"] else "")
    facts.append(("state", state))
    if row["state"] == "unmeasurable":
        facts.append(("correction", "cannot tell; the side is taken as it plays"))
    elif row["offset_cents"] is not None:
        a4 = f"A4 = {row['reference_pitch_hz']:.4g} Hz"
        if row["offset_se_cents"] is None:
            facts.append(("correction", f"{signed(row['offset_cents'], 1)} cents, at {a4}"))
        else:
            size = f"{signed(row['offset_cents'], 1)} {given_words(row['offset_se_cents'])} cents (95 %)"
            facts.append(("correction", f"{size}, if key and {a4} are as shown"))
    if row["offset_low_cents"] is not None and not row["decided_by"]:
        limits = over_all_words(row["offset_low_cents"], row["offset_high_cents"])
        a4 = f"{row['reference_pitch_low_hz']:.1f} to {row['reference_pitch_high_hz']:.1f} Hz"
        facts.append(("over all readings", f"{limits} cents (95 %), A4 {a4}"))
    if row["playing_rpm"] is not None:
        turned = _number(row["turntable_rpm"], "{:g}")
        limits = ""
        if row["playing_rpm_low"] is not None:
            over = "as ruled (95 %)" if row["decided_by"] else "over all readings"
            limits = f", {row['playing_rpm_low']:.2f} to {row['playing_rpm_high']:.2f} {over}"
        facts.append(("plays at", f"{row['playing_rpm']:.2f} rpm{limits} (transferred at {turned})"))
    if row["decided_by"]:
        facts.append(("would have been", f"{signed(row['estimated_offset_cents'], 1)} cents, {row['estimated_state']}"))
    if row["drift_range_cents"] is not None:
        facts.append(("drift", drift_words(row)))
    if row["drift_range_cents"] is not None or row["jump_s"] is not None:
        facts.append(("sudden change", change_words(row)))
    if row["wow_cents"] is not None:
        turning = f"once per turn of a turntable at {rpm_of_hz(row['wow_hz']):.2f} rpm"
        facts.append(("wow", f"{row['wow_cents']:.1f} cents at {row['wow_hz']:.3f} Hz, {turning}"))
    facts.append(("measured on", row["measured_on"] or "not measured yet"))
    return [*facts, *((("remark", row["remark"]),) if row["remark"] else ()), ("to rule otherwise", HOW_TO_RULE)]


def _rule(folder: Path, transfer_id: str | None, *, rank: int | None, one_speed: bool, reason: str, by: str) -> None:
    import datetime

    from pipeline.cli.console import print_text
    from pipeline.errors import UsageError, typed
    from pipeline.store.adding.ruling import rule
    from pipeline.store.corpus import Corpus

    if transfer_id is None:
        raise UsageError("a ruling is on one transfer", "write its id after DIR")
    if rank is None and not one_speed:
        raise UsageError("--reason and --by go with a ruling", "add --rule N, --one-speed or both")
    if not (reason.strip() and by.strip()):
        raise UsageError("a ruling says why and by whom", "add --reason and --by")
    ruled = rule(
        Corpus(folder), transfer_id, rank=rank, one_speed=one_speed, reason=reason.strip(), by=by.strip(),
        on=datetime.date.today(),
    )  # fmt: skip
    told = ", ".join(f"{name} {value}" for name, value in ruled.items() if value and name != "samples_sha256")
    print_text(f"Ruled in catalogue/speed_decision.csv: {told}.", file=sys.stderr)
    print(f"Next: glideline run {typed(folder)}", file=sys.stderr)


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
