"""Numbers as people read them: the same rounding in tables on the terminal and on pages."""

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

from pipeline.units import Z_95, ms_of_s


def probability_words(probability: float) -> str:
    """A probability in per cent; never quite 0 or 1, since none of ours is: >99 %, 70 %, 0.4 %, <0.1 %."""
    if probability > 0.99:
        return ">99 %"
    if probability < 0.001:
        return "<0.1 %"
    return f"{100 * probability:.1f} %" if probability < 0.01 else f"{100 * probability:.0f} %"


def ratio_words(ratio: float) -> str:
    """A ratio with two digits: 12, 0.35; nearer to 1 than these tell, on which side it lies: >1, <1.

    Beyond a thousand to one, either way, its size says no more: >1000, <0.001.
    """
    if ratio > 1000.0:
        return ">1000"
    if ratio < 0.001:
        return "<0.001"
    if ratio != 1.0 and f"{ratio:.2g}" == "1":
        return ">1" if ratio > 1.0 else "<1"
    return f"{ratio:.0f}" if ratio >= 10.0 else f"{ratio:.2g}"


def near_one_caution(texts: Iterable[str]) -> str:
    """What is to be added where a ratio is given as >1 or <1; nothing elsewhere."""
    if not any(re.search(r"[<>]1(?![0-9])", text) for text in texts):
        return ""
    return (
        " A limit of >1 or <1 lies within 5 % of 1, too near to say that 1 is outside: drawn anew, it may lie on the "
        "other side."
    )


def ratio_of_log_words(log10: float) -> str:
    """``ratio_words`` of a ratio given as its logarithm to base 10, however large."""
    return ratio_words(10.0**log10 if log10 < 300.0 else math.inf)


def p_words(p: float) -> str:
    """A p value with three places: p = .048, p below .001."""
    return "p below .001" if p < 0.001 else f"p = {p:.3f}".replace("0.", ".", 1)


def signed(value: float, places: int = 0) -> str:
    """A number with its sign, which is a minus and no hyphen, and of what rounds to nothing a plus: −12.3, +4.0, +0."""
    return with_minus(f"{value:+z.{places}f}")


def with_minus(text: str) -> str:
    """A text in which a hyphen that stands before a figure, and behind no word, is a minus: −12.3 to +4 cents."""
    return _HYPHEN_FOR_MINUS.sub("−", text)


_HYPHEN_FOR_MINUS = re.compile(r"(?<![\w.,–-])-(?=[0-9])")


def clock_words(seconds: float) -> str:
    """A place in time as m:ss.mmm, to the millisecond: 1:02.345."""
    ms = round(ms_of_s(abs(seconds)))
    return f"{'−' if seconds < 0 and ms else ''}{ms // 60_000}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def both_clocks(corrected_s: float, transfer_s: float) -> str:
    """A place in corrected and in transfer time."""
    return f"{clock_words(corrected_s)} (in the transfer {clock_words(transfer_s)})"


def ledger_remark(row: Mapping[str, Any]) -> str:
    """The remark of a line of the speed ledger, with a sudden change that is corrected; it has columns of its own."""
    said = [row["remark"]] if row["remark"] else []
    if row["jump_s"] is not None and not row["one_speed"]:
        said.append(f"speed changes suddenly at {row['jump_s']:.2f} s, correction {signed(row['jump_cents'])} cents")
    return "; ".join(said)


def given_words(standard_error: float | None) -> str:
    """95 % limits of a correction given its reading: ± 1.2; a dash where none are stated."""
    return "–" if standard_error is None else f"± {Z_95 * standard_error:.1f}"


HOW_TO_RULE = (
    "glideline speed DIR ID --rule N takes reading N as listed, and --one-speed in its place corrects no drift (each "
    "with --reason and --by); or fill a row of catalogue/speed_decision.csv; then run"
)
"""How a person rules on a speed, told wherever one is shown."""


def drift_words(row: Mapping[str, Any]) -> str:
    """How far the speed drifts along a side, with 95 % limits, and that it may be none where these hold 0, or that a
    person ruled it out."""
    size, error = row["drift_range_cents"], row["drift_se_cents"]
    said = f"{size:.1f} cents" if error is None else f"{size:.1f} {given_words(error)} cents (95 %)"
    if error is not None and size <= Z_95 * error:
        said += ", which may be none,"
    said += " along the side" + (", the sudden change included" if row["jump_s"] is not None else "")
    return f"{_RULED_OUT} {said}" if row["one_speed"] else said


def change_words(row: Mapping[str, Any]) -> str:
    """The greatest sudden change of speed, and how small a one would have been seen, or that a person ruled it out."""
    if row["jump_s"] is None:
        return f"none found; {_least_change(row, 'change')}"
    bounds = f"between {clock_words(row['jump_from_s'])} and {clock_words(row['jump_to_s'])} (95 %)"
    bounds += f", the greatest of {row['jump_count']}" if row["jump_count"] > 1 else ""
    said = f"{signed(row['jump_cents'], 1)} cents at {clock_words(row['jump_s'])}, {bounds}"
    return f"{_RULED_OUT} {said}" if row["one_speed"] else f"{said}; {_least_change(row, 'further change')}"


_RULED_OUT = "ruled out, nothing is corrected; heard:"


def _least_change(row: Mapping[str, Any], change: str) -> str:
    least = row["jump_least_cents"]
    if least is None:
        return f"a {change} of half a semitone and less could escape notice here"
    return f"a {change} of {least:g} cents would be found nine times in ten, a smaller one more rarely"


def over_all_words(low: float | None, high: float | None) -> str:
    """95 % limits of a correction over all readings: −12 to +9; a dash where none are stated."""
    return "–" if low is None or high is None else f"{signed(low)} to {signed(high)}"


def doubt_words(certainty: str | None, what: str = "attribution") -> str:
    """What stands behind a name or a link that is less than certain: `` (attribution possible)``."""
    return "" if certainty in (None, "certain") else f" ({what} {certainty})"


_STROKES = {
    "before": "the slide is on the old bow",
    "after": "the slide is on the new bow",
    "both": "one stroke carries both notes",
}


def stroke_words(slide: Mapping[str, Any]) -> str:
    """Whose bow stroke carries a slide, with its probability."""
    name = slide["stroke"]
    if name not in _STROKES:
        return "cannot tell whose stroke carries it"
    return f"{_STROKES[name]} ({probability_words(slide[f'p_stroke_{name}'])})"


def approach_words(note: Mapping[str, Any]) -> str:
    """How a note begins off its pitch; nothing where it does not."""
    if note["approach_cents"] is None:
        return ""
    side = "low" if note["approach_cents"] < 0 else "high"
    return f"begins {abs(note['approach_cents']):.0f} cents {side} and comes in within {note['approach_ms']:.0f} ms"


def count_words(count: float) -> str:
    """A count; with a decimal only where takes count in several groups by their shares."""
    return f"{count:.0f}" if abs(count - round(count)) < 0.005 else f"{count:.1f}"


def minutes_words(minutes: float) -> str:
    """Minutes with one decimal, below ten with two."""
    return f"{minutes:.1f}" if minutes >= 10 else f"{minutes:.2f}"


def can_tell(value: float, high: float | None) -> bool:
    """Whether limits tell anything: a thousand and more, and a hundredfold, does not (judgement)."""
    return high is None or high < max(1000.0, 100 * abs(value))


def with_limits(value: float, low: float | None, high: float | None, *, unit: str = "") -> str:
    """A value and its limits, with the decimals that leave two figures of the uncertainty: 31 (16–55).

    A ``unit`` stands after both: 31 % (16–55 %). Where limits tell nothing, ``cannot tell``.
    """
    if not can_tell(value, high):
        return "cannot tell"
    if low is None or high is None:
        return rounded(value) + unit
    digits = _digits((high - low) / 2)
    if value:
        digits = max(digits, min(_digits(abs(value)), 2))
    to = " to " if low < 0 else "–"
    return with_minus(f"{value:.{digits}f}{unit} ({low:.{digits}f}{to}{high:.{digits}f}{unit})")


def rounded(value: float) -> str:
    """A number with about three figures; whole numbers as they are."""
    if isinstance(value, int) or (value == int(value) and abs(value) < 1e15):
        return with_minus(f"{int(value)}")
    size = math.floor(math.log10(abs(value)))
    return with_minus(f"{value:.{min(max(2 - size, 0), 6)}f}")


def _digits(half_width: float) -> int:
    """Decimals that leave two figures of the uncertainty, at most three."""
    if not math.isfinite(half_width) or half_width <= 0:
        return 2
    return min(max(1 - math.floor(math.log10(half_width)), 0), 3)
