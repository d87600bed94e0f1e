"""The results of listening checks as a page: error rates, corrected rates, agreement, and a picture of calibration."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.answers.listening.error_rates import ListeningResults
from pipeline.answers.listening.words import (
    POPULATIONS,
    TOO_FEW,
    agreement_words,
    calibration_error_words,
    confidence_words,
    group_words,
    not_in_words,
    rate_words,
    share_cell,
    told_share,
)
from pipeline.pages import charts, render
from pipeline.store.corpus import Corpus


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
        too_few=TOO_FEW,
        precision=told_share(results.errors.precision),
        recall=told_share(results.errors.recall),
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
            {"stated": confidence_words(e.mean_confidence), "share": share_cell(e.observed), "judged": e.judged}
            for e in results.calibration
        ],
        calibration_error=calibration_error_words(results),
        picture=render.drawing(charts.calibration(points)),
    )
    path = target / "results.html"
    render.write_text(path, text)
    return path


def player_names(corpus: Corpus) -> dict[str, str]:
    """Player id -> name."""
    return {row["player_id"]: row["name"] for row in corpus.catalogue.rows("player")}


def _stratum(stratum: Any, names: Mapping[str, str]) -> dict[str, Any]:
    return {
        "name": group_words(stratum.name, names),
        "population": stratum.judged.population,
        "judged": stratum.judged.judged,
        "slides": stratum.judged.slides,
        "cannot_tell": stratum.cannot_tell,
        "differed": stratum.differed,
        "share": share_cell(stratum.share),
    }
