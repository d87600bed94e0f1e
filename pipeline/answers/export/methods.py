"""Words that go out with an export: what was done, how to cite it, and how to begin."""

import json
from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from pipeline import __version__
from pipeline.answers.counts import counts, with_soloists
from pipeline.answers.export.pseudonyms import pseudonyms
from pipeline.answers.listening.error_rates import listening_results
from pipeline.answers.listening.words import agreement_words, told_share
from pipeline.answers.number_words import with_limits
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.counted import counted
from pipeline.errors import DataError
from pipeline.stats.correction import BOTH, LISTENING, RECOVERY, pooled
from pipeline.stats.detection import of_draws
from pipeline.stats.rates import BOOTSTRAP, SMALL
from pipeline.store.corpus import Corpus

_FOLLOWED = {
    "network": "by its partials with the help of a small trained network",
    "comb": "by its partials alone, with a comb",
}
_JUDGED = {"learned": "boosted trees trained on rendered sides", "rules": "plain rules"}


def paragraph(
    opened: OpenCorpus, corpus: Corpus, *, tables: Mapping[str, pl.DataFrame], withheld: Mapping[str, str]
) -> str:
    """A methods paragraph with the counts, versions and exclusions of this export, as Markdown."""
    take = tables["take"]
    judged = take.filter(pl.col("judged"))
    speed = opened.sql("select state, count(*) as sides from base.speed group by state order by state").to_dicts()
    states = ", ".join(f"{row['sides']} {row['state']}" for row in speed) or "none"
    performances = opened.view("base.performance").to_dicts()
    whole = counts(with_soloists(take.select("take_id", "player_id").iter_rows(), performances))
    doubtful = take.filter(pl.col("certainty").is_in(["possible", "probable"]))["take_id"].n_unique()
    minutes = float(judged["minutes"].sum() or 0.0)
    found, accepted = (int(judged[name].sum() or 0) for name in ("found_slides", "slides"))
    reasons = take.filter(~pl.col("judged")).unique("take_id")["reason"].drop_nulls().value_counts(sort=True).to_dicts()
    lines = [
        "# Methods",
        "",
        "Adapt this paragraph for an article; the figures are those of this export.",
        "",
        f"Slides were found and measured with glideline {__version__} ({_steps(opened)}). For each transfer the speed "
        "was settled first: the deviation of sounding pitches from equal temperament was followed along the side, "
        "with once-per-turn wow and sudden changes where significant, and the semitone, with A4 where none is stated, "
        f"was chosen by the evidence listed in the table `speed_alternative` (states: {states}). Times and pitches "
        "below are corrected by the likeliest reading; the table `speed` has 95 % limits given that, and over all. "
        f"The solo line was followed {_FOLLOWED[corpus.settings.follow.scoring]}, divided into notes and glides by a "
        "fitted model, and each change of note (transition) was judged by "
        f"{_JUDGED[corpus.settings.detect.acceptance]}; slides of a confidence of "
        f"{corpus.settings.detect.least_confidence:g} and more are given. "
        f"Slides carry a confidence{_recalibration(opened)} and probabilities of their kind; what was audible is "
        "bounded by 10 and 90 % of the interval. No real disc on which every slide is known has been measured.",
        "",
        f"Of {whole.words()}, {counts(judged.select('take_id', 'player_id').iter_rows()).takes} could be judged: "
        f"{counted(found, 'slide')} found{'' if found == accepted else f' ({accepted:,} accepted by listeners)'} in "
        f"{counted(int(judged['transitions'].sum() or 0), 'transition')} and {minutes:.1f} minutes of solo. Takes "
        f"without a slide count with zero. {_doubt(doubtful)}{_listening(opened, corpus)}",
        "",
        f"Rates start from what was found, whatever listeners said of single slides. {_correction(opened)}",
        "",
        "Three rates answer three questions. Music as recorded is all slides over all exposure, what a random "
        f"minute sounds like; {_intervals(opened, corpus)} The average player is the mean of players' rates by a "
        "modified Cox interval (Olsson 2005), the typical player their geometric mean by Student's t on "
        "logarithms; with fewer than ten slides a player both are summed over a grid of spreads, the typical one "
        "by Jeffreys' prior (Welch and Peers 1963). Limits per minute include the error of the speeds over all "
        "their readings, alike within a recording session. Exact Poisson intervals are given for contrast. "
        "Quartiles are of type 7 (Hyndman and Fan 1996).",
        "",
        "Periods hold takes certainly dated to them; beside these stand rates with the other dates drawn at "
        "random within their spans, weighted by the takes' slides, and the bounds that any dates could give. "
        "Groups are compared within players who stand in both (Paule and Mandel 1982; Hartung and Knapp 2001), "
        "between those who do not (Welch 1947), and by both (Meier 1953; Birge 1932) where they are not known to "
        "differ; p values include the error of the speeds, as limits do. Beside each p stands one adjusted for "
        "all that is asked at once: pairs of a scheme, terms of a regression, rates of a lineage (Holm 1979). "
        "Regressions are generalised estimating equations with the errors of Mancl and DeRouen (2001), with "
        "negative binomial ones beside them where the variance of takes grows with the square of their means "
        "(Cameron and Trivedi 1990). Rates that hold repertoire equal rest on a logistic model of each "
        f"transition by size, direction, slur, note lengths and instrument.{_bars(opened)}",
        "",
        "## Left out",
        "",
        f"- {counted(len(withheld), 'take')} withheld for rights or privacy; all rates are counted without them.",
    ]
    lines += [f"- {counted(row['count'], 'take')} not judged: {row['reason']}" for row in reasons]
    lines += ["", "## Settings that differ from the default", ""]
    changed = _changed(corpus)
    lines += [f"- `{name}` = {value}" for name, value in changed] or ["None."]
    return "\n".join(lines) + "\n"


def _steps(opened: OpenCorpus) -> str:
    rows = opened.sql("select step, max(step_version) as version from base.run group by step order by step").to_dicts()
    return "steps " + ", ".join(f"{row['step']} {row['version']}" for row in rows) if rows else "no step was run"


def _bars(opened: OpenCorpus) -> str:
    row = opened.sql("select count(*) as bars, count(distinct take_id) as takes from fact.bar_played").to_dicts()[0]
    if row["bars"] == 0:
        return ""
    return (
        f" Rates per bar rest on {counted(row['bars'], 'bar')} of written parts, as the reference editions bar them, "
        f"that {counted(row['takes'], 'take')} play whole as counted solo; bars may be of unlike length."
    )


def _doubt(takes: int) -> str:
    if not takes:
        return "All players are named as certain. "
    said = "take of a player named" if takes == 1 else "takes of players named"
    return f"{takes} {said} as possible or probable only {'counts' if takes == 1 else 'count'} like the others. "


_FITTED = {
    "shift": "the share of slides among the candidates (Saerens, Latinne and Decaestecker 2002)",
    "shift and line": "the share of slides among the candidates (Saerens, Latinne and Decaestecker 2002) and a line "
    "fitted to the verdicts (Platt 1999)",
}


def _recalibration(opened: OpenCorpus) -> str:
    used = opened.sql("select used, verdicts from result.recalibration").to_dicts()
    if not used or used[0]["used"] not in _FITTED:
        return ""
    by = _FITTED[used[0]["used"]]
    return f", fitted to this corpus by {counted(used[0]['verdicts'], 'verdict')} through {by},"


def _listening(opened: OpenCorpus, corpus: Corpus) -> str:
    row = opened.sql("select count(*) as n, count(distinct listener) as listeners from base.review").to_dicts()[0]
    if row["n"] == 0:
        return "No listening check has been made."
    said = (
        f"{counted(row['n'], 'verdict')} of {counted(row['listeners'], 'listener')} are included. What more "
        "listeners heard than anything else overrides the program in what is shown of single slides; where they are "
        "divided or cannot tell, what the program found stands. Both answers are kept."
    )
    try:
        heard = listening_results(corpus.root)
    except DataError:
        return said  # verdicts, but none on a drawn excerpt
    said += (
        f" By {counted(heard.items, 'drawn excerpt')} judged by ear the program's precision is "
        f"{told_share(heard.errors.precision)}, its recall {told_share(heard.errors.recall)}."
    )
    called = pseudonyms(corpus)
    return " ".join([said, *agreement_words(heard, lambda listener: called[listener])])


_CORRECTED = {
    LISTENING: "by drawn excerpts judged by ear (double sampling: Tenenbein 1970)",
    RECOVERY: "for slides missed, not for those invented, by slides planted in the sides' own sound and looked for "
    "again (weights: Horvitz and Thompson 1952)",
    BOTH: "by drawn excerpts judged by ear (double sampling: Tenenbein 1970), and between sides and lengths by slides "
    "planted in the sides' own sound and looked for again (weights: Horvitz and Thompson 1952)",
}


def _correction(opened: OpenCorpus) -> str:
    known = opened.sql(
        "select per_find.*, found_slides from result.slides_per_find as per_find join fact.take_tally as take on "
        "take.take_id = per_find.take_id and coalesce(take.player_id, '~') = per_find.player_key order by all"
    )
    if not known["found_slides"].sum():
        judged = opened.excerpts_judged()
        known_words = f"{counted(judged, 'excerpt')} judged by ear say too little" if judged else "nothing is known"
        return f"They are not corrected for slides missed and invented, of which {known_words} on this corpus."
    source, each = known["correction"][0], known["slides_per_find"].to_numpy()
    said = f"Beside each stands the rate corrected {_CORRECTED[source]}"
    if source != LISTENING:
        planted = opened.sql(
            "select count(*) as n, count(distinct transfer_id) as sides from stage.counted_planting"
        ).to_dicts()[0]
        said += (
            f"; it rests on {counted(planted['n'], 'slide')} planted in {counted(planted['sides'], 'side')} that "
            "count (`glideline query DIR recovery` lists them, with those on other transfers of the same takes)"
        )
    drawn = pooled(np.stack(known["draws"].to_list()), known["found_slides"].to_numpy())
    whole = of_draws(drawn)
    return said + (
        f". For each slide found there are {with_limits(whole.estimate, whole.low, whole.high)} slides in the takes "
        "together, with 95 % limits that those of the corrected rates include; from take to take it goes from "
        f"{each.min():.2f} to {each.max():.2f}."
    )


def _intervals(opened: OpenCorpus, corpus: Corpus) -> str:
    """How limits were made, of the ways used in this export."""
    used = opened.sql("select distinct method from result.estimate where estimand = 'music_as_recorded'")["method"]
    ways = []
    if BOOTSTRAP in used:
        ways.append(
            "from resampling whole clusters (sessions for one player's rate, players for rates over players; "
            f"{corpus.settings.summarise.replicates} replicates, seed {corpus.settings.summarise.seed})"
        )
    if SMALL in used:
        ways.append("with fewer than ten clusters from a negative binomial distribution with the corpus's spread")
    return f"its intervals (95 %) come {', and '.join(ways)}." if ways else "no interval could be made."


def _changed(corpus: Corpus) -> list[tuple[str, str]]:
    chosen = corpus.settings.model_dump(mode="json")
    default = type(corpus.settings)().model_dump(mode="json")
    made = []
    for group, values in chosen.items():
        if not isinstance(values, dict) or group == "export":
            continue
        made += [
            (f"{group}.{name}", json.dumps(value)) for name, value in values.items() if value != default[group][name]
        ]
    return made


def citation(*, title: str, contributors: Sequence[str], content: str, day: str) -> str:
    """How to cite the corpus and the program."""
    who = ", ".join(contributors) or "[names of the corpus's makers]"
    return (
        f"Corpus:\n  {who} ({day[:4]}). {title} [data set]. Content hash sha256:{content}. Exported {day}.\n\n"
        f"Program:\n  The Glideline authors. Glideline, version {__version__} [computer program]. MIT licence.\n"
    )


def readme(*, title: str, content: str) -> str:
    """The first page that a colleague reads."""
    return f"""# {title}

Slides between notes (portamento) measured on historical string recordings, ready for statistics.

- `csv/`, and `parquet/`, `arrow/`, `stata/`, `spss/` where asked for: the same tables. Begin with `take` (one row a
  take and player: counts, exposure, school, date) and `slide` (one row a slide).
- `codebook.md`, `codebook.html`, `codebook.csv`: what every column means.
- `methods.md`: what was done and what was left out. `CITATION.txt`: how to cite.
- `datapackage.json`: the CSV files as a Data Package (version 2), with types, units and keys.
- `catalogue/`, `reviews/`: what was kept by hand, as CSV; `glideline new DIR --from` this folder makes a corpus of it.
- `chord`, `chord_note`: chords and double stops, broken or not, and their notes with likely strings and fingers.
- `other_glide`: glides beside another bowed player that are not credited to the soloist, and how likely it is theirs.
- `school_share`, `period_share`: which schools each player, and which periods each take, may belong to.

The numbers of the views again, and the beginning of models of your own (takes of a player belong together; plain
errors would be far too sure):

    Rscript analysis/slide_rate_model.R
    python analysis/slide_rate_model.py
    Rscript analysis/place_model.R       schools at the same places of the same works (table `place`)

Slides are estimates with a stated confidence: read `methods.md` before you rely on one. Rights in recordings differ
by country, and nothing here is legal advice.

Content: sha256:{content}
"""
