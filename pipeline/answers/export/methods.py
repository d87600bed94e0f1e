"""Words that go out with an export: what was done, how to cite it, and how to begin."""

import json
from collections.abc import Mapping, Sequence

import polars as pl

from pipeline import __version__
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.store.corpus import Corpus


def paragraph(
    opened: OpenCorpus, corpus: Corpus, *, tables: Mapping[str, pl.DataFrame], withheld: Mapping[str, str]
) -> str:
    """A methods paragraph with the counts, versions and exclusions of this export, as Markdown."""
    take = tables["take"]
    judged = take.filter(pl.col("judged"))
    speed = opened.sql("select state, count(*) as sides from base.speed group by state order by state").to_dicts()
    states = ", ".join(f"{row['sides']} {row['state']}" for row in speed) or "none"
    minutes = float(judged["minutes"].sum() or 0.0)
    reasons = take.filter(~pl.col("judged"))["reason"].drop_nulls().value_counts(sort=True).to_dicts()
    lines = [
        "# Methods",
        "",
        "Adapt this paragraph for an article; the figures are those of this export.",
        "",
        f"Slides were found and measured with glideline {__version__} ({_steps(opened)}). For each transfer the speed "
        "was settled first: the deviation of sounding pitches from equal temperament was followed along the side, "
        "with once-per-turn wow and sudden changes where significant, and the semitone was chosen by the evidence "
        f"listed in the table `speed_alternative` (states: {states}). Times and pitches below are corrected for it. "
        "The solo line was followed by its partials with the help of a small trained network, divided into notes and "
        "glides by a fitted model, and each change of note was judged by boosted trees trained on rendered sides. "
        "Slides carry a confidence and probabilities of their kind; what was audible is bounded by 10 and 90 % of the "
        "interval.",
        "",
        f"Of {take.height} takes {judged.height} could be judged: {int(judged['slides'].sum() or 0)} slides in "
        f"{int(judged['transitions'].sum() or 0)} transitions and {minutes:.1f} minutes of solo. Takes without a slide "
        f"count with zero. {_listening(opened)}",
        "",
        "Three rates answer three questions. Music as recorded is all slides over all exposure, what a random "
        "minute sounds like; its intervals (95 %) come from resampling whole clusters (sessions for one "
        f"player's rate, players for rates over players; {corpus.settings.summarise.replicates} replicates, "
        f"seed {corpus.settings.summarise.seed}), or with fewer than ten clusters from a negative binomial "
        "distribution with the corpus's spread. The average player is the mean of players' rates by a "
        "modified Cox interval (Olsson 2005), the typical player their median by Student's t on logarithms; "
        "with fewer than ten slides a player both are summed over a grid of spreads. Exact Poisson intervals "
        "are given for contrast. Quartiles are of type 7 (Hyndman and Fan 1996).",
        "",
        "Periods hold takes certainly dated to them; beside these stand rates with the other dates drawn "
        "given the takes' slides, and the bounds that any dates could give. Groups are compared within "
        "players who stand in both (Paule and Mandel 1982; Hartung and Knapp 2001), between those who do not "
        "(Welch 1947), and by both (Meier 1953) where they agree; p values are adjusted for all pairs of a "
        "scheme (Holm 1979). Regressions are generalised estimating equations with the errors of Mancl and "
        "DeRouen (2001). Rates that hold repertoire equal rest on a logistic model of each change of note by "
        "size, direction, slur, note lengths and instrument.",
        "",
        "## Left out",
        "",
        f"- {len(withheld)} takes withheld for rights or privacy; all rates are counted without them.",
    ]
    lines += [f"- {row['count']} takes not judged: {row['reason']}" for row in reasons]
    lines += ["", "## Settings that differ from the default", ""]
    changed = _changed(corpus)
    lines += [f"- `{name}` = {value}" for name, value in changed] or ["None."]
    return "\n".join(lines) + "\n"


def _steps(opened: OpenCorpus) -> str:
    rows = opened.sql("select step, max(step_version) as version from base.run group by step order by step").to_dicts()
    return "steps " + ", ".join(f"{row['step']} {row['version']}" for row in rows) if rows else "no step was run"


def _listening(opened: OpenCorpus) -> str:
    row = opened.sql("select count(*) as n, count(distinct listener) as listeners from base.review").to_dicts()[0]
    if row["n"] == 0:
        return "No listening check has been made, so error rates on this corpus are unknown."
    return (
        f"{row['n']} verdicts of {row['listeners']} listeners are included; a majority of listeners overrides the "
        "program, and both answers are kept."
    )


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
