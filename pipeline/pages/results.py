"""The results of listening checks as a page: error rates, corrected rates, agreement, and a picture of calibration."""

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.answers.error_rates import ListeningResults
from pipeline.answers.number_words import with_limits
from pipeline.pages import charts, render
from pipeline.stats.intervals import Interval
from pipeline.store.corpus import Corpus

POPULATIONS = {
    "slide": "slides found",
    "transition": "changes of note without one",
    "stretch": "stretches of solo without one",
}


def results_page(root: Path | str, results: ListeningResults) -> Path:
    """Write ``derived/listen/results.html``; gives its path."""
    corpus = Corpus(root)
    target = corpus.derived / "listen"
    target.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(render.ASSETS / "style.css", target / "style.css")
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
        rates=[
            {
                "who": "whole corpus" if rate.player_id is None else names.get(rate.player_id, rate.player_id),
                "found": rate_words(rate.found),
                "corrected": rate_words(rate.corrected),
                "used": "the player's own" if rate.own_errors else "the corpus's",
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


def agreement_words(results: ListeningResults) -> list[str]:
    """What is said of listeners' agreement; nothing of what could not be worked out."""
    words = []
    if results.kappa is not None:
        words.append(f"Agreement of the two listeners: Cohen's kappa {results.kappa:.2f}.")
    if results.alpha is not None:
        words.append(f"Agreement of the listeners: Krippendorff's alpha {results.alpha:.2f} (nominal).")
    if results.self_agreement is not None:
        words.append(f"Excerpts heard twice and judged alike: {share_words(results.self_agreement)}.")
    if results.kinds_right is not None:
        words.append(f"Kinds heard as found: {share_words(results.kinds_right)}.")
    return words


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
