"""The results of listening checks as a page: error rates, corrected rates, agreement, and a picture of calibration."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.answers.listening.alike import MarkedByBoth
from pipeline.answers.listening.error_rates import ListeningResults
from pipeline.answers.number_words import signed, with_limits
from pipeline.pages import charts, render
from pipeline.stats.intervals import Interval
from pipeline.store.corpus import Corpus
from pipeline.units import ms_of_s

POPULATIONS = {
    "slide": "slides found",
    "transition": "changes of note without one",
    "stretch": "stretches of solo without one",
}


def results_page(root: Path | str, results: ListeningResults) -> Path:
    """Write ``derived/listen/results.html``; gives its path."""
    corpus = Corpus(root)
    target = corpus.derived / "listen"
    render.write_assets(target, "style.css")
    names = player_names(corpus)
    points = [
        {
            "predicted": each.mean_confidence,
            "observed": each.observed.estimate,
            "low": each.observed.low,
            "high": each.observed.high,
            "judged": each.judged,
        }
        for each in results.calibration
    ]
    text = render.page(
        "results.html.j2",
        root="",
        title="What the listening checks say",
        corpus_title=corpus.settings.title,
        items=results.items,
        samples=", ".join(results.samples),
        listeners=", ".join(results.listeners),
        precision=share_words(results.errors.precision),
        recall=share_words(results.errors.recall),
        agreement=agreement_words(results),
        populations=[
            (words, [_stratum(each, names) for each in results.strata if each.drawn_from == name])
            for name, words in POPULATIONS.items()
        ],
        not_in=not_in_words(results),
        rates=[
            {
                "who": "whole corpus" if rate.player_id is None else names.get(rate.player_id, rate.player_id),
                "found": rate_words(rate.found),
                "corrected": "–" if rate.corrected is None else rate_words(rate.corrected),
                "used": rate.correction,
            }
            for rate in results.rates
        ],
        calibration=[
            {"stated": confidence_words(e.mean_confidence), "share": share_words(e.observed), "judged": e.judged}
            for e in results.calibration
        ],
        calibration_error=f"{results.calibration_error:.2f}",
        picture=render.drawing(charts.calibration(points)),
    )
    path = target / "results.html"
    render.write_text(path, text)
    return path


def player_names(corpus: Corpus) -> dict[str, str]:
    """Player id -> name."""
    return {row["player_id"]: row["name"] for row in corpus.catalogue.rows("player")}


def group_words(stratum: str, names: Mapping[str, str]) -> str:
    """What a stratum is, with players by name: Ada Quill, same finger."""
    return ", ".join(names.get(part, part.replace("_", " ")) for part in stratum.split(" · "))


def _stratum(stratum: Any, names: Mapping[str, str]) -> dict[str, Any]:
    return {
        "name": group_words(stratum.name, names),
        "population": stratum.judged.population,
        "judged": stratum.judged.judged,
        "slides": stratum.judged.slides,
        "cannot_tell": stratum.cannot_tell,
        "share": share_words(stratum.share),
    }


def not_in_words(results: ListeningResults) -> str:
    """What is said of verdicts that came in after the rates were made; nothing if there are none."""
    number = results.new_verdicts
    if not number:
        return ""
    verb = "verdict is" if number == 1 else "verdicts are"
    return f"{number} new {verb} not in these rates yet: run the corpus first."


def agreement_words(results: ListeningResults) -> list[str]:
    """What is said of listeners' agreement; nothing of what could not be worked out."""
    alike = results.alike
    named = {
        "Verdicts of the two listeners: Cohen's kappa": alike.kappa,
        "Verdicts of the listeners: Krippendorff's alpha, nominal": alike.alpha,
        "Verdicts in the order no slide, cannot tell, slide: Krippendorff's alpha, ordinal": alike.ordinal,
        "Kinds heard: Krippendorff's alpha, nominal": alike.kinds,
    }
    words = [f"{name} {_with_limits(value)}." for name, value in named.items() if value is not None]
    words += [
        f"{each.listener} heard {each.twice} excerpts twice and judged alike: {share_words(each.same)}."
        for each in alike.themselves
    ]
    words += [_bounds_words(each) for each in alike.bounds]
    if results.kinds_right is not None:
        words.append(f"Kinds heard as found: {share_words(results.kinds_right)}.")
    return words


def _bounds_words(both: MarkedByBoth) -> str:
    first, second = both.listeners
    said = (
        f"{both.slides} slides marked by {first} and {second}: lengths ICC(2,1) {_with_limits(both.length)}, "
        f"error of one {100 * both.length_error:.0f} %; "
    )
    if both.size is not None:
        said += f"sizes ICC(2,1) {_with_limits(both.size)}, error of one {both.size_error:.0f} cents; "
    late = [
        f"{what} {_ms(each.mean.estimate)} ms (95 % of them {_ms(each.low)} to {_ms(each.high)})"
        for what, each in (("starts", both.starts), ("ends", both.ends))
    ]
    return f"{said}{second}'s {' and '.join(late)}."


def _ms(seconds: float) -> str:
    return signed(round(ms_of_s(seconds)))


def _with_limits(value: Interval) -> str:
    return f"{value.estimate:.2f} ({value.low:.2f} to {value.high:.2f})"


def confidence_words(confidence: float) -> str:
    """A mean confidence; close ones are to be told apart."""
    return f"{100 * confidence:.1f} %"


def share_words(interval: Interval) -> str:
    """A share in per cent with its limits; a dash if it is unknown."""
    if interval.estimate != interval.estimate:
        return "–"
    return with_limits(100 * interval.estimate, 100 * interval.low, 100 * interval.high, unit=" %")


def rate_words(interval: Interval) -> str:
    """A rate with its limits."""
    return with_limits(interval.estimate, interval.low, interval.high)
