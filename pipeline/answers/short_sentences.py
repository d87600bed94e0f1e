"""Sentences of the views that count, list or match: one a row, with the share or the rate and what it rests on."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from pipeline.answers.note_names import printed_name
from pipeline.answers.number_words import (
    given_words,
    minutes_words,
    p_words,
    ratio_of_log_words,
    ratio_words,
    rounded,
    signed,
    with_limits,
)
from pipeline.counted import counted
from pipeline.kinds import KINDS
from pipeline.stats.planning import SIZE
from pipeline.store.parts.where import place_words

Row = Mapping[str, Any]
_FEW_PLAYERS = 3  # at least, for a share to say anything of players at large (as LEAST_PLAYERS_FOR_RATES)


def of_players(row: Row, per: str, *, whose: str) -> Iterator[str]:
    """What the average and the typical player do, where they can be told; ``per`` as in the names of columns."""
    if row.get(f"average_player_{per}") is not None:
        yield (
            f"{whose} make {_limits(row, f'average_player_{per}')} on average, the one in the middle "
            f"{_limits(row, f'typical_player_{per}')}"
        )


def _slides_of(row: Row) -> Iterator[str]:
    """Slides of a kind, a direction or an interval."""
    parts = [row[name] for name in ("kind", "direction", "group_key") if row.get(name) is not None]
    if row.get("semitones") is not None:
        parts.append(counted(row["semitones"], "semitone"))
    share = "" if row.get("share_of_slides") is None else f", {_per_cent(row['share_of_slides'])} of all"
    rate = "" if row["slides_per_minute"] is None else f"; {_limits(row, 'slides_per_minute')} a minute"
    rate += "".join(f"; {said}" for said in of_players(row, "per_minute", whose="players"))
    yield (
        f"{', '.join(map(_words, parts))}: {counted(row['slides'], 'slide')}{share}{rate} "
        f"({counted(row['players_with_slide'], 'player')}){_few(row['players_with_slide'])}"
    )


def _of_a_kind(row: Row) -> Iterator[str]:
    """Slides at changes of note of one kind."""
    group = "the corpus" if row["grouping"] == "corpus" else f"{row['grouping']} {row['group_key'].rpartition('/')[2]}"
    number = counted(row["transitions"], "such transition")
    yield (
        f"{group}, {row['direction']} by {row['semitones']} semitones, {row['slur']}: "
        f"{rounded(row['slides_per_100_transitions'])} slides per 100 of {number} "
        f"({counted(row['players'], 'player')}){_few(row['players'])}"
    )


def _bar(row: Row) -> Iterator[str]:
    warning = f". Caution: {row['slides_per_bar_warning']}" if row["slides_per_bar_warning"] else ""
    players = "".join(f"; {said}" for said in of_players(row, "per_bar", whose="players"))
    yield (
        f"{row['work'] or row['work_id']}, bar {row['bar'] or row['bar_index']}: {_limits(row, 'slides_per_bar')} "
        f"slides each time it is played{players} ({counted(row['slides'], 'slide')} in "
        f"{counted(row['times_played'], 'time')}, {counted(row['players'], 'player')}){warning}"
    )


def _one_rate(row: Row) -> Iterator[str]:
    """A player of a lineage, or a take."""
    if row["slides_per_minute"] is None:
        return
    name = row["player"] or "unknown player"
    which = (
        f", take {row['take_id']}" if row.get("take_id") else f", generation {row['generation']} from {row['ancestor']}"
    )
    ends = ("_poisson_low", "_poisson_high") if "slides_per_minute_poisson_low" in row else ("_low", "_high")
    said = with_limits(row["slides_per_minute"], *(row[f"slides_per_minute{end}"] for end in ends))
    chance = ". Caution: limits by chance alone, of this take and no other" if row.get("take_id") else ""
    yield (
        f"{name}{which}: {said} slides a minute ({minutes_words(row['minutes'])} min, "
        f"{counted(row['slides'], 'slide')}){chance}"
    )


def _taught(row: Row) -> Iterator[str]:
    if row["ratio_per_100_transitions"] is None:
        return
    yield (
        f"{row['student']} has {_limits(row, 'ratio_per_100_transitions')} times the slides per 100 transitions of "
        f"{row['teacher']}, who taught (link {row['certainty']}). Caution: a pair alone shows no influence; see "
        "lineage_resemblance"
    )


def _fingers(row: Row) -> Iterator[str]:
    shares = [f"{_words(kind)} {_per_cent(row[f'share_{kind}'])}" for kind in KINDS if row[f"share_{kind}"]]
    if shares:
        yield (
            f"{_group(row)}, {row['direction']}: of {counted(row['slides'], 'slide')} {', '.join(shares)}"
            f"{_few(row['players_with_slide'])}"
        )


TOO_MANY_SILENT = 15
"""Percentage points by which too many shifts are told as silent: 14 and 18 on real fingerings with simulated slides
(``tests.benchmarks.fingers``)."""


def _shifts(row: Row) -> Iterator[str]:
    if row["share_silent"] is not None:
        share = with_limits(*(100 * row[f"share_silent{end}"] for end in ("", "_low", "_high")), unit=" %")
        warning = f"; {row['warning']}" if row["warning"] else ""
        yield (
            f"{_group(row)}: of {rounded(row['chances'])} shifts along a string that could be heard, {share} are made "
            f"silently. Caution: too many silent ones are told, about {TOO_MANY_SILENT} % of all{warning}"
        )


def _stretched(row: Row) -> Iterator[str]:
    if row["difference_cents_low"] is not None:
        off = with_limits(*(row[f"difference_cents{end}"] for end in ("", "_low", "_high")))
        stretched, others = counted(row["stretched_notes"], "stretched finger"), counted(row["notes"], "other")
        yield f"{row['player']}, {row['take_id']}: {stretched} of chords lie {off} cents off {others}"


def _chords(row: Row) -> Iterator[str]:
    if row["share_broken"] is not None:
        share = with_limits(*(100 * row[f"share_broken{end}"] for end in ("", "_low", "_high")), unit=" %")
        warning = f". Caution: {row['warning']}" if row["warning"] else ""
        yield (
            f"{_group(row)}, chords of {row['notes']} strings: {rounded(row['broken'])} of "
            f"{rounded(row['broken'] + row['together'])} that tell are broken, {share}; "
            f"of {rounded(row['cannot_tell'])} one cannot tell{warning}"
        )


def _strings(row: Row) -> Iterator[str]:
    yield (
        f"{row['instrument']}, string {row['string']}, position {row['from_position']} to {row['to_position']}, "
        f"{row['direction']}: {_per_cent(row['share_of_slides'])} of slides ({counted(row['players'], 'player')})"
        f"{_few(row['players'])}"
    )


def _place(row: Row) -> Iterator[str]:
    if row["share"] is not None:
        who = next((f"{row[name]}, " for name in ("player", "school", "period") if row.get(name)), "")
        share = with_limits(*(100 * row[name] for name in ("share", "share_low", "share_high")), unit=" %")
        notes = f"{printed_name(row['from_name'])} to {printed_name(row['to_name'])}"
        where = f"place {row['written_place_id']}" if row["bar"] is None else place_words(dict(row))
        yield (
            f"{who}{row['work_id']}, {where}, {notes}: "
            f"slid in {rounded(row['slid'])} of {rounded(row['told'])} takes that tell, {share}"
        )


def _place_effect(row: Row) -> Iterator[str]:
    said = row["sentence"].rstrip(".")
    if row["odds_ratio"] is not None:
        limits = ""
        if row["odds_ratio_low"] is not None and row["odds_ratio_high"] is not None:
            limits = f" ({ratio_words(row['odds_ratio_low'])}–{ratio_words(row['odds_ratio_high'])})"
        p = "" if row["p"] is None else f", {p_words(row['p'])}"
        if row["p"] is not None and row["pairs_in_family"] > 1:
            p += f" ({p_words(row['p_holm'])} for {row['pairs_in_family']} pairs at once)"
        said += f"; odds ratio within places {ratio_words(row['odds_ratio'])}{limits}{p}"
        if row["p"] is not None and row["p_holm"] > SIZE:
            said += ": no difference is shown, and none is ruled out"
    yield said + (f". Caution: {row['warning']}" if row["warning"] else "")


def _likeness(row: Row) -> Iterator[str]:
    taught = ", teacher and pupil," if row["are_teacher_and_student"] else ""
    yield (
        f"{row['player']} and {row['other_player']}{taught} agree at {counted(row['places'], 'place')} where to slide "
        f"by kappa {row['kappa']:.2f}, of which {_signed(row, 'beyond')} is beyond what all do there"
    )


def _likeness_of_pupils(row: Row) -> Iterator[str]:
    p = "" if row["p"] is None else f", {p_words(row['p'])}"
    yield (
        f"{row['taught']} pairs of teacher and pupil agree by {signed(row['mean_taught'], 2)} beyond what all do, "
        f"{row['others']} other pairs by {signed(row['mean_others'], 2)}{p}"
    )


def _hangs_on_speed(row: Row) -> Iterator[str]:
    moved = "hangs on the reading of the speed" if row["changes"] else "hardly depends on the speed"
    yield f"{row['thing']} {row['id']}, {row['conclusion']}: {_plain(row)}; it {moved}"


def _beside_others(row: Row) -> Iterator[str]:
    yield f"transfer {row['transfer_id']} beside {beside_words(row)}"


def beside_words(row: Row) -> str:
    """What a row of ``summary.speed_beside_others`` says, without its transfer."""
    what, unit = row["compared"].rsplit(", ", 1)
    other = row["beside"]
    if other == "other takes of the work":
        other = f"{row['others']} {other}"
    elif other != "the written part":
        other += f" ({row['other_id']})"
    caution = "; players differ too much for it to tell a speed" if what == "tempo" else ""
    if row["doubtful"]:
        or_else = "the disc have been started at another" if "disc" in what else "the piece be in another key"
        caution = f"; one may be read at a wrong speed, or {or_else}"
    size = signed(row["difference"], 1)
    if row["difference_se"] is not None:
        size += f" {given_words(row['difference_se'])}"
    return f"{other}: {what} {size} {unit}{caution}"


def _missing(row: Row) -> Iterator[str]:
    where = f"{row['id']} {row['thing']}" if row["id"].startswith("all ") else f"{row['thing']} {row['id']}"
    yield f"{row['what']}, {where}: {row['explanation'].rstrip('.')}"


def _speed(row: Row) -> Iterator[str]:
    if row["playing_rpm"] is None:
        yield f"{row['transfer_id']}: speed {row['state']}"
        return
    said = with_limits(row["playing_rpm"], row["playing_rpm_low"], row["playing_rpm_high"])
    yield f"{row['transfer_id']}: {said} revolutions a minute over all readings; {row['state']}"


def _edition(row: Row) -> Iterator[str]:
    verdicts = {"followed": "follows", "not_followed": "does not follow", "cannot_tell": "may or may not follow"}
    who = f"{row['player'] or row['player_id']}, take {row['take_id']}"
    if row["verdict"] is None:
        yield f"{who}: whether it follows {row['edition']} cannot be told ({_words(row['state'])})"
        return
    likely = f"{_times(row, 'log10_ratio')} with it as by chance"
    said = f"{who}, {verdicts[row['verdict']]} the edition {row['edition']}: {likely}"
    if row["against_others"] is None:
        yield f"{said}; no other edition is there to set against it"
    else:
        yield f"{said}, {_times(row, 'against_others')} as with the nearest other edition"


def _times(row: Row, name: str) -> str:
    """How many times as likely, from powers of ten."""
    ratio, low, high = (ratio_of_log_words(row[each]) for each in (name, f"{name}_low", f"{name}_high"))
    return f"{ratio} times ({low}–{high}) as likely"


def _against_edition(row: Row) -> Iterator[str]:
    if row["share_agree"] is not None:
        yield (
            f"take {row['take_id']} against {row['edition']}: fingers agree at {_per_cent(row['share_agree'])} of "
            f"{row['agree'] + row['differ']} notes that tell; {row['cannot_tell']} cannot be told"
        )
    if row["printed_chords"]:
        yield (
            f"take {row['take_id']}: of {counted(row['printed_chords'], 'chord')} printed in {row['edition']}, "
            f"{row['chords_agree']} stopped as printed, {row['chords_differ']} otherwise, {row['chords_cannot_tell']} "
            "cannot be told"
        )


SAY: Mapping[str, Callable[[Row], Iterator[str]]] = {
    **dict.fromkeys(
        ("rate_by_kind", "slides_by_kind", "slides_by_kind_and_direction", "slides_by_interval"), _slides_of
    ),
    **dict.fromkeys(("lineage_by_player", "slides_by_take"), _one_rate),
    "slides_by_bar": _bar,
    "slides_by_transition": _of_a_kind,
    "teacher_and_student": _taught,
    **dict.fromkeys(("fingers_by_group", "fingers_by_player", "fingers_by_school", "fingers_by_period"), _fingers),
    **dict.fromkeys(("shifts_by_player", "shifts_by_school", "shifts_by_period"), _shifts),
    **dict.fromkeys(("chords_by_group", "chords_by_player", "chords_by_school", "chords_by_period"), _chords),
    "shifts_by_string_and_position": _strings,
    "stretched_fingers": _stretched,
    **dict.fromkeys(("slides_by_place", "players_at_place", "schools_at_place", "periods_at_place"), _place),
    "place_effect": _place_effect,
    "agreement_between_players": _likeness,
    "agreement_of_pupils": _likeness_of_pupils,
    "depends_on_speed": _hangs_on_speed,
    "speed_beside_others": _beside_others,
    "missing_or_doubtful": _missing,
    "speed_ledger": _speed,
    "edition_followed": _edition,
    "fingering_against_edition": _against_edition,
}


def short_sentences(view: str, row: Row) -> Iterator[str]:
    """What a row of one of the views of ``SAY`` says."""
    for text in SAY[view](row):
        yield text[0].upper() + text[1:] + "."


def _group(row: Row) -> str:
    return str(next(row[name] for name in ("player", "school", "period", "group_key") if row.get(name) is not None))


def _few(players: float) -> str:
    return "" if players >= _FEW_PLAYERS else f". Caution: only {counted(players, 'player')}"


def _words(name: str) -> str:
    return str(name).replace("_", " ").replace("/", ", ")


def _per_cent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _limits(row: Row, name: str) -> str:
    return with_limits(row[name], row[f"{name}_low"], row[f"{name}_high"])


def _plain(row: Row) -> str:
    return with_limits(row["value"], row["low"], row["high"])


def _signed(row: Row, name: str) -> str:
    ends = [row[f"{name}_{end}"] for end in ("low", "high")]
    limits = "" if None in ends else f" ({signed(ends[0], 2)} to {signed(ends[1], 2)})"
    return signed(row[name], 2) + limits
