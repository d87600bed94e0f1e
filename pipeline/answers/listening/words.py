"""What listening checks say, in words: the same on the terminal, on the page and in print."""

from collections.abc import Callable, Mapping

from pipeline.answers.listening.alike import MarkedByBoth
from pipeline.answers.listening.error_rates import ListeningResults
from pipeline.answers.number_words import signed, with_limits, with_minus
from pipeline.counted import counted
from pipeline.stats.intervals import Interval
from pipeline.units import ms_of_s

POPULATIONS = {
    "slide": "slides found",
    "transition": "changes of note without one",
    "stretch": "stretches of solo without one",
}
WIDEST = 0.3
"""A share or an agreement whose 95 % limits lie this far apart or further is not told, only its limits (National Center
for Health Statistics, Data Presentation Standards for Proportions, Vital and Health Statistics 2 (175), 2017)."""
TOO_FEW = f"Too few: the 95 % limits lie {100 * WIDEST:.0f} points or more apart."


def too_few(interval: Interval) -> bool:
    """Whether too few verdicts stand behind a figure for it to be told."""
    return not interval.high - interval.low < WIDEST


def share_words(interval: Interval) -> str:
    """A share in per cent with its limits; a dash if it is unknown."""
    if interval.estimate != interval.estimate:
        return "–"
    return with_limits(100 * interval.estimate, 100 * interval.low, 100 * interval.high, unit=" %")


def told_share(interval: Interval, few: str = "too few to say") -> str:
    """A share as by ``share_words`` if enough verdicts stand behind it; else that they are too few, and the limits."""
    if interval.estimate == interval.estimate and too_few(interval):
        return f"{few} ({100 * interval.low:.0f}–{100 * interval.high:.0f} %)"
    return share_words(interval)


def share_cell(interval: Interval) -> str:
    """``told_share`` in the cell of a table, where ``TOO_FEW`` stands below it."""
    return told_share(interval, "too few")


def rate_words(interval: Interval) -> str:
    """A rate with its limits."""
    return with_limits(interval.estimate, interval.low, interval.high)


def confidence_words(confidence: float) -> str:
    """A mean confidence; close ones are to be told apart."""
    return f"{100 * confidence:.1f} %"


def calibration_error_words(results: ListeningResults) -> str:
    """The expected error of stated confidences, if any range of them holds enough verdicts."""
    enough = any(not too_few(each.observed) for each in results.calibration)
    return f"{results.calibration_error:.2f}" if enough else "too few to say"


def group_words(stratum: str, names: Mapping[str, str]) -> str:
    """What a stratum is, with players by name: Ada Quill, same finger."""
    return ", ".join(names.get(part, part.replace("_", " ")) for part in stratum.split(" · "))


def not_in_words(results: ListeningResults) -> str:
    """What is said of verdicts that came in after the rates were made; nothing if there are none."""
    number = results.new_verdicts
    if not number:
        return ""
    verb = "is" if number == 1 else "are"
    return f"{counted(number, 'new verdict')} {verb} not in these rates yet: run the corpus first."


def agreement_words(results: ListeningResults, name: Callable[[str], str] = str) -> list[str]:
    """What is said of listeners' agreement; nothing of what could not be worked out.

    ``name`` gives what a listener is called.
    """
    alike = results.alike
    named = {
        "Verdicts of the two listeners, Cohen's kappa": alike.kappa,
        "Verdicts of the listeners, Krippendorff's alpha, nominal": alike.alpha,
        "Verdicts in the order no slide, cannot tell, slide, Krippendorff's alpha, ordinal": alike.ordinal,
        "Kinds heard, Krippendorff's alpha, nominal": alike.kinds,
    }
    words = [f"{what}: {_told(value)}." for what, value in named.items() if value is not None]
    words += [
        f"{name(each.listener)} heard {counted(each.twice, 'excerpt')} twice and judged alike: {told_share(each.same)}."
        for each in alike.themselves
    ]
    words += [_bounds_words(each, name) for each in alike.bounds]
    if results.kinds_right is not None:
        words.append(f"Kinds heard as found: {told_share(results.kinds_right)}.")
    return words


def _bounds_words(both: MarkedByBoth, name: Callable[[str], str]) -> str:
    first, second = map(name, both.listeners)
    said = (
        f"{counted(both.slides, 'slide')} marked by {first} and {second}: lengths ICC(2,1): {_told(both.length)}, "
        f"error of one {100 * both.length_error:.0f} %; "
    )
    if both.size is not None:
        said += f"sizes ICC(2,1): {_told(both.size)}, error of one {both.size_error:.0f} cents; "
    late = [
        f"{what} {_ms(each.mean.estimate)} ms (95 % of them {_ms(each.low)} to {_ms(each.high)})"
        for what, each in (("starts", both.starts), ("ends", both.ends))
    ]
    return f"{said}{second}'s {' and '.join(late)}."


def _ms(seconds: float) -> str:
    return signed(round(ms_of_s(seconds)))


def _told(value: Interval) -> str:
    limits = f"({value.low:.2f} to {value.high:.2f})"
    return with_minus(f"too few to say {limits}" if too_few(value) else f"{value.estimate:.2f} {limits}")
