"""The answer of a view as sentences, each with its caution, made from the numbers alone."""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from itertools import combinations
from typing import Any

import polars as pl

from pipeline.answers.number_words import can_tell, count_words, p_words, rounded, signed, with_limits
from pipeline.answers.said import Said, in_words, said
from pipeline.answers.short_sentences import SAY as SHORT
from pipeline.answers.short_sentences import of_players, short_sentences
from pipeline.counted import counted
from pipeline.stats.correction import RECOVERY, UNCORRECTED

Row = Mapping[str, Any]
MEASURES = {
    "slides_per_minute": "slides per minute",
    "slides_per_100_transitions": "slides per 100 transitions",
    "observed_over_expected": "slides over those expected of such transitions",
    "slides_per_bar": "slides per bar",
}
_NAMED = 6  # pairs that are named; of more their number
CANNOT_SAY = "this is a table for other programs, or of rows for each take and place: it has no sentences"


def sentences(view: str, frame: pl.DataFrame) -> list[str] | None:
    """What the rows of a view of ``summary`` say; None where a view has no sentences.

    Parameters
    ----------
    view : the name without its layer.
    """
    say = _SAY.get(view) or (partial(short_sentences, view) if view in SHORT else None)
    if view == "comparison":
        return in_words(_comparisons(frame))
    if say is not None:
        return in_words(each for row in frame.iter_rows(named=True) for each in say(row))
    if "typical_player_per_minute" in frame.columns:
        return in_words(each for row in frame.iter_rows(named=True) for each in _rates(row)) + _opposed(frame)
    return None


def _opposed(frame: pl.DataFrame) -> list[str]:
    """Which groups a minute and 100 transitions set the other way round."""
    told = frame.drop_nulls(["slides_per_minute", "slides_per_100_transitions"])
    pairs = list(combinations(told.iter_rows(named=True), 2))
    opposed = [
        (one, other)
        for one, other in pairs
        if (one["slides_per_minute"] - other["slides_per_minute"])
        * (one["slides_per_100_transitions"] - other["slides_per_100_transitions"])
        < 0
    ]
    if not opposed:
        return []
    named = "; ".join(f"{_name(one)} and {_name(other)}" for one, other in opposed[:_NAMED])
    more = f"; and {len(opposed) - _NAMED} more" if len(opposed) > _NAMED else ""
    return [
        f"By the minute and by 100 transitions {len(opposed)} of {counted(len(pairs), 'pair')} stand the other way "
        f"round, as some play more notes a minute: {named}{more}."
    ]


def _rates(row: Row) -> Iterator[Said]:
    if row["slides_per_minute"] is None:
        return
    told = [f"a minute of this music has {_limits(row, 'slides_per_minute')} slides"]
    told += of_players(row, "per_minute", whose="its players")
    if row["standardised_per_100_transitions"] is not None:
        recorded = f"(as recorded {_limits(row, 'slides_per_100_transitions')})"
        if can_tell(row["standardised_per_100_transitions"], row["standardised_per_100_transitions_high"]):
            rate = _limits(row, "standardised_per_100_transitions")
            told.append(f"with everybody's repertoire it would have {rate} per 100 transitions {recorded}")
        else:
            told.append(
                f"how many per 100 transitions it would have with everybody's repertoire cannot be told {recorded}"
            )
    told += _per_bar(row)
    if row.get("expected_from_birth_per_minute") is not None:
        told.append(
            f"birth alone would give {rounded(row['expected_from_birth_per_minute'])}: rates may fall down a lineage "
            "with birth date alone"
        )
    maybe = (row.get("takes_possible") or 0) - (row.get("takes") or 0)
    if row.get("drawn_per_minute") is not None and maybe > 0:
        told.append(
            f"with the uncertain dates of {counted(maybe, 'other take')} drawn, {_limits(row, 'drawn_per_minute')}; "
            f"whatever their dates, between {rounded(row['least_per_minute'])} and {rounded(row['most_per_minute'])}"
        )
    told.append(_mended(row, "slides_per_minute", f"{{}} {MEASURES['slides_per_minute']}"))
    told += _unheard(row)
    people = ""
    if row.get("players") is not None:
        people = f" ({counted(row['players'], 'player')}, {counted(row['takes'], 'take')})"
    yield said(f"{_name(row)}: {'; '.join(told)}{people}", row["warning"])


def _per_bar(row: Row) -> Iterator[str]:
    """The rate of the takes that are laid on a written part, which may be few, with its own caution."""
    if row.get("slides_per_bar") is not None:
        rests_on = [row["slides_per_bar_warning"]] if row["slides_per_bar_warning"] else []
        if row.get("bars") is not None:
            rests_on.insert(0, f"{counted(row['bars'], 'bar')} in {counted(row['takes_with_bars'], 'take')}")
        yield f"a bar has {_limits(row, 'slides_per_bar')}" + (f" ({'; '.join(rests_on)})" if rests_on else "")


def _rate_per_bar(row: Row) -> Iterator[Said]:
    for text in _per_bar(row):
        yield said(f"{_name(row)}: {text}")


def _unheard(row: Row) -> Iterator[str]:
    """What the rate would be if the takes that could not be judged, as long as the others, held less or more: noisy
    ones may be of one time."""
    takes, gone = row.get("takes") or 0, row.get("takes_not_judged") or 0
    if 0 < gone < takes:
        least, most = (
            rounded(row["slides_per_minute"] * (takes - gone + times * gone) / takes) for times in (0.5, 2.0)
        )
        yield (
            f"with half to twice as many slides in the {count_words(gone)} of {count_words(takes)} takes that could "
            f"not be judged, {least} to {most}"
        )


_NO_PERIOD = {
    "uncertain": "takes that may be of several periods",
    "undated": "takes without a date",
    "outside": "takes outside all periods",
}


def _name(row: Row) -> str:
    names = (
        "player",
        "school",
        "period",
        "cohort",
        "ancestor",
        "work",
        "process",
        "accompaniment",
        "instrument",
        "year",
    )
    named = {**row, "period": _NO_PERIOD.get(str(row.get("period_id")), row.get("period"))}
    parts = [str(named[name]) for name in names if named.get(name) is not None]
    if row.get("grouping") is not None:
        parts.append(f"{row['grouping'].replace('_', ' ')} {row['group_key']}")
    if row.get("generation") is not None:
        parts.append(f"generation {row['generation']}")
    return ", ".join(parts) or "the corpus"


_EVIDENCE = {
    "music_as_recorded": "in the music as recorded, {first} has {ratio} times the {measure} of {other}",
    "within_players": "{players} players stand in both: they themselves made {ratio} times as many in {first} as in "
    "{other}",
    "between_players": "of {players} players who stand in one only, the typical one of {first} made {ratio} times as "
    "many as that of {other}",
    "joined": "both taken together, {ratio} times as many in {first}",
    "dates_drawn": "with the uncertain dates drawn, {ratio} times as many in {first}; whatever the dates, between "
    "{least} and {most}",
}


_UNTOLD = {
    "within_players": "whether the same players changed cannot be told",
    "between_players": "whether other players came cannot be told",
}
_SAID_FIRST = ("school", "period", "process")


def _comparisons(frame: pl.DataFrame) -> Iterator[Said]:
    """Schools and periods first; that there is no number once for all measures, which are named where they differ."""
    rows = sorted(frame.iter_rows(named=True), key=lambda row: row["grouping"] not in _SAID_FIRST)
    measures, untold = defaultdict(set), defaultdict(list)
    for row in rows:
        pair = _pair(row)
        measures[pair].add(row["measure"])
        if row["ratio"] is None:
            untold[*pair, row["warning"]].append(row["measure"])
    for row in rows:
        pair = _pair(row)
        if row["ratio"] is not None:
            yield _comparison(row)
        elif alike := untold.pop((*pair, row["warning"]), None):
            text = f"{' against '.join(_compared(row))}: {_UNTOLD.get(row['evidence'], 'no ratio')}"
            named = "" if len(alike) == len(measures[pair]) else f"{', '.join(MEASURES[each] for each in alike)}: "
            yield said(named + text, row["warning"])


def _pair(row: Row) -> tuple[str, ...]:
    """Which groups are compared, and by which evidence."""
    return tuple(row[name] for name in ("grouping", "group_key", "other_key", "evidence"))


def _compared(row: Row) -> list[str]:
    return [f"{row['grouping']} {row[name].rpartition('/')[2]}" for name in ("group_key", "other_key")]


def _comparison(row: Row) -> Said:
    first, other = _compared(row)
    bounds = [rounded(row[name]) if row[name] is not None else "any" for name in ("ratio_least", "ratio_most")]
    text = _EVIDENCE[row["evidence"]].format(
        first=first,
        other=other,
        measure=MEASURES[row["measure"]],
        players=row["players"],
        ratio=_limits(row, "ratio"),
        least=bounds[0],
        most=bounds[1],
    )
    if row["p"] is not None:
        text += f"; {_p_of(row, 'pair')}"
    text += f"; {_mended(row, 'ratio', '{} times')}"
    if row["recall_to_equal"] is not None:
        text += f"; nothing is left of it if {_times(row['recall_to_equal'])} as large a share is found in one"
        text += " as in the other" + (" beyond that" if row["ratio_corrected"] is not None else "")
        if row["recall_to_doubt"] > 1:
            text += f", and it is in doubt from {_times(row['recall_to_doubt'])}"
    apart = row["changed_or_replaced_p"]
    if row["evidence"] == "within_players" and apart is not None and apart < 0.05:
        text += f"; those who stand in one only tell otherwise ({p_words(apart)}): no joined number is given"
    return said(f"{MEASURES[row['measure']]}: {text}", row["warning"])


def _effect(row: Row) -> Iterator[Said]:
    p = "" if row["p"] is None else f", {_p_of(row, 'term')}"
    text = f"{MEASURES[row['measure']]}, {row['term']}: {_limits(row, 'ratio')} times{p}"
    if row["ratio_negative_binomial"] is not None:
        other = _limits(row, "ratio_negative_binomial")
        text += f"; by negative binomial regression, which fits these takes, {other}"
    elif row["dates"] == "middles of spans":
        text += "; quasi-Poisson alone, since negative binomial regression does not fit these takes"
    text += f"; {_mended(row, 'ratio', '{} times')}"
    people = f"{counted(row['players'], 'player')}, {counted(row['takes'], 'take')}, dates by {_DATES[row['dates']]}"
    yield said(f"{text} ({people})", row["reading"], row["warning"])


_DATES = {"middles of spans": "the middles of their spans", "drawn given the counts": "draws given the slides"}


def _player(row: Row) -> Iterator[Said]:
    is_told = row["player_spread"] is not None
    spread = f"; players differ by {_limits(row, 'player_spread')} in log rates" if is_told else ""
    yield said(
        f"{row['player'] or row['player_id']}: {_limits(row, 'shrunken_rate')} {MEASURES[row['measure']]}, drawn from "
        f"{rounded(row['rate'])} towards the others; {_mended(row, 'shrunken_rate', '{}')}"
        f"{spread}",
        row["warning"],
    )


def _lineage(row: Row) -> Iterator[Said]:
    links = "certain links" if row["links"] == "certain" else "links, the less certain with less weight"
    rates = "rates as found" if row["correction"] == UNCORRECTED else f"rates corrected by {row['correction']}"
    likeness = "no teacher recorded"
    if row["resemblance"] is not None:
        likeness = f"resemblance in how often they slide {signed(row['resemblance'], 2)}, birth and date taken off"
    p = "" if row["p"] is None else f", {_p_of(row, 'rate')}"
    power = (
        f"with {row['pairs']} pairs an influence of half strength is found in {100 * row['power']:.0f} of 100 worlds"
    )
    yield said(
        f"{MEASURES[row['measure']]} ({rates}), {row['pairs']} pairs by {links}: {likeness}{p}, against "
        f"{row['candidates']:.1f} possible teachers a student",
        row["warning"],
        power,
        "it cannot tell teaching from choosing a like-minded teacher or a shared town",
        "where they slide is another question, which agreement_of_students asks and may answer otherwise",
    )


_SAY: Mapping[str, Callable[[Row], Iterator[Said]]] = {
    "rate_per_bar": _rate_per_bar,
    "cohort_and_period_effect": _effect,
    "player_effect": _player,
    "lineage_resemblance": _lineage,
}


def _mended(row: Row, name: str, words: str) -> str:
    """The corrected number in these words with what it rests on, or that there is none."""
    if row[f"{name}_corrected"] is None:
        return "not corrected for slides missed and invented, of which too little is known"
    counts = {("excerpt", "judged"): row["judged"], ("slide", "planted"): row["planted"]}
    rests = " and ".join(f"{counted(number, what)} {done}" for (what, done), number in counts.items() if number)
    rests = rests or "by what is known of other sounds, for nothing was planted or judged"
    misses = "slides missed" if row["correction"] == RECOVERY else "slides missed and invented"
    return f"corrected for {misses} {words.format(_limits(row, f'{name}_corrected'))} ({rests} in music of such sound)"


def _times(value: float) -> str:
    return f"{rounded(value)} times"


def _limits(row: Row, name: str) -> str:
    if not can_tell(row[name], row[f"{name}_high"]):
        return "a number that cannot be told"
    return with_limits(row[name], row[f"{name}_low"], row[f"{name}_high"])


def _p_of(row: Row, what: str) -> str:
    """p, and what is left of it where several are asked about at once: pairs, terms or rates."""
    number = row[f"{what}s_in_family"]
    return p_words(row["p"]) + (
        f" ({p_words(row['p_holm'])} allowing for {number} {what}s asked at once)" if number > 1 else ""
    )
