"""Sentences of the views that count, list or match: one a row, with the share or the rate and what it rests on."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from pipeline.answers.note_names import printed_name
from pipeline.answers.number_words import (
    count_words,
    given_words,
    minutes_words,
    p_words,
    ratio_of_log_words,
    ratio_words,
    rounded,
    signed,
    with_limits,
)
from pipeline.answers.said import Said, said
from pipeline.counted import FEW_COUNTED, counted, short_of
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


def _slides_of(row: Row) -> Iterator[Said]:
    """Slides of a kind, a direction or an interval."""
    parts = [row[name] for name in ("kind", "direction", "group_key") if row.get(name) is not None]
    if row.get("semitones") is not None:
        parts.append(counted(row["semitones"], "semitone"))
    share = "" if row.get("share_of_slides") is None else f", {_per_cent(row['share_of_slides'])} of all"
    rate = "" if row["slides_per_minute"] is None else f"; {_limits(row, 'slides_per_minute')} a minute"
    rate += "".join(f"; {each}" for each in of_players(row, "per_minute", whose="players"))
    yield said(
        f"{', '.join(map(_words, parts))}: {_found(row)}{share}{rate} ({counted(row['players_with_slide'], 'player')})",
        _few(row["players_with_slide"]),
    )


def _found(row: Row) -> str:
    """The finds, which the rate beside them is of, and how many listeners leave where that is another number."""
    found, accepted = row["found_slides"] or 0, row["slides"] or 0
    return f"{counted(found, 'slide')} found" + (f", {count_words(accepted)} accepted by ear" * (found != accepted))


def _of_a_kind(row: Row) -> Iterator[Said]:
    """Slides at changes of note of one kind."""
    group = "the corpus" if row["grouping"] == "corpus" else f"{row['grouping']} {row['group_key'].rpartition('/')[2]}"
    number = counted(row["transitions"], "such transition")
    yield said(
        f"{group}, {row['direction']} by {row['semitones']} semitones, {row['slur']}: "
        f"{rounded(row['slides_per_100_transitions'])} slides per 100 of {number} "
        f"({counted(row['players'], 'player')})",
        _few(row["players"]),
    )


def _bar(row: Row) -> Iterator[Said]:
    players = "".join(f"; {each}" for each in of_players(row, "per_bar", whose="players"))
    yield said(
        f"{row['work'] or row['work_id']}, bar {row['bar'] or row['bar_index']}: {_limits(row, 'slides_per_bar')} "
        f"slides each time it is played{players} ({counted(row['slides'], 'slide')} in "
        f"{counted(row['times_played'], 'time')}, {counted(row['players'], 'player')})",
        row["slides_per_bar_warning"],
    )


def _one_rate(row: Row) -> Iterator[Said]:
    """A player of a lineage, or a take."""
    if row["slides_per_minute"] is None:
        return
    name = row["player"] or "unknown player"
    which = (
        f", take {row['take_id']}" if row.get("take_id") else f", generation {row['generation']} from {row['ancestor']}"
    )
    rate = _limits(row, "slides_per_minute")
    yield said(
        f"{name}{which}: {rate} slides a minute ({minutes_words(row['minutes'])} min, {_found(row)})", row["warning"]
    )


def _taught(row: Row) -> Iterator[Said]:
    if row["ratio_per_100_transitions"] is None:
        return
    yield said(
        f"{row['student']} has {_limits(row, 'ratio_per_100_transitions')} times the slides per 100 transitions of "
        f"{row['teacher']}, who taught (link {row['certainty']})",
        "a pair alone shows no influence: lineage_resemblance asks all pairs",
    )


def _fingers(row: Row) -> Iterator[Said]:
    shares = [f"{_words(kind)} {_per_cent(row[f'share_{kind}'])}" for kind in KINDS if row[f"share_{kind}"]]
    if shares:
        yield said(
            f"{_group(row)}, {row['direction']}: of {counted(row['slides'], 'slide')} {', '.join(shares)}",
            _few(row["players_with_slide"]),
        )


TOO_MANY_SILENT = "too many silent ones are told, about 15 of 100 shifts, which are not taken off"
"""14 and 18 percentage points on real fingerings with simulated slides (``tests.benchmarks.fingers``)."""


def _shifts(row: Row) -> Iterator[Said]:
    if row["share_silent"] is not None:
        share = with_limits(*(100 * row[f"share_silent{end}"] for end in ("", "_low", "_high")), unit=" %")
        yield said(
            f"{_group(row)}: of {rounded(row['chances'])} shifts along a string that could be heard, {share} are made "
            "silently",
            TOO_MANY_SILENT,
            row["warning"],
        )


def _stretched(row: Row) -> Iterator[Said]:
    if row["difference_cents_low"] is not None:
        off = with_limits(*(row[f"difference_cents{end}"] for end in ("", "_low", "_high")))
        stretched, others = counted(row["stretched_notes"], "stretched finger"), counted(row["notes"], "other")
        yield said(f"{row['player']}, {row['take_id']}: {stretched} of chords lie {off} cents off {others}")


def _chords(row: Row) -> Iterator[Said]:
    which = f"{_group(row)}, chords of {row['notes']} strings"
    unclear = rounded(row["cannot_tell"])
    if row["share_broken"] is None:
        yield said(f"{which}: of none one can tell whether it is broken ({unclear} heard)")
        return
    share = with_limits(*(100 * row[f"share_broken{end}"] for end in ("", "_low", "_high")), unit=" %")
    tell = rounded(row["broken"] + row["together"])
    yield said(
        f"{which}: {rounded(row['broken'])} of {tell} that tell are broken, {share}; of {unclear} one cannot tell",
        row["warning"],
    )


def _strings(row: Row) -> Iterator[Said]:
    yield said(
        f"{row['instrument']}, string {row['string']}, position {row['from_position']} to {row['to_position']}, "
        f"{row['direction']}: {_per_cent(row['share_of_slides'])} of slides ({counted(row['players'], 'player')})",
        _few(row["players"]),
    )


def _place(row: Row) -> Iterator[Said]:
    if row["share"] is not None:
        who = next((f"{row[name]}, " for name in ("player", "school", "period") if row.get(name)), "")
        share = with_limits(*(100 * row[name] for name in ("share", "share_low", "share_high")), unit=" %")
        notes = f"{printed_name(row['from_name'])} to {printed_name(row['to_name'])}"
        where = f"place {row['written_place_id']}" if row["bar"] is None else place_words(dict(row))
        yield said(
            f"{who}{row['work_id']}, {where}, {notes}: "
            f"slid in {rounded(row['slid'])} of {rounded(row['told'])} takes that tell, {share}"
        )


def _place_effect(row: Row) -> Iterator[Said]:
    text = row["sentence"].rstrip(".")
    if row["odds_ratio"] is not None:
        limits = ""
        if row["odds_ratio_low"] is not None and row["odds_ratio_high"] is not None:
            limits = f" ({ratio_words(row['odds_ratio_low'])}–{ratio_words(row['odds_ratio_high'])})"
        p = "" if row["p"] is None else f", {p_words(row['p'])}"
        if row["p"] is not None and row["pairs_in_family"] > 1:
            p += f" ({p_words(row['p_holm'])} allowing for {row['pairs_in_family']} pairs asked at once)"
        text += f"; odds ratio within places {ratio_words(row['odds_ratio'])}{limits}{p}"
        if row["p"] is not None and row["p_holm"] > SIZE:
            text += ": no difference is shown, and none is ruled out"
    if row["unmatched_odds_ratio"] is not None:
        text += (
            f"; over all that either plays, whatever the places, {ratio_words(row['unmatched_odds_ratio'])}, of which "
            f"{_per_cent(row['coverage'])} lies at those places"
        )
    yield said(text, row["warning"])


def _likeness(row: Row) -> Iterator[Said]:
    taught = ", teacher and student," if row["are_teacher_and_student"] else ""
    yield said(
        f"{row['player']} and {row['other_player']}{taught} agree at {counted(row['places'], 'place')} where to slide "
        f"by kappa {row['kappa']:.2f}, of which {_signed(row, 'beyond')} is beyond what all do there",
        row["warning"],
    )


def _likeness_of_students(row: Row) -> Iterator[Said]:
    p = "" if row["p"] is None else f", {p_words(row['p'])}"
    yield said(
        f"{counted(row['taught'], 'pair')} of teacher and student agree where to slide by "
        f"{signed(row['mean_taught'], 2)} beyond what all do, {counted(row['others'], 'other pair')} by "
        f"{signed(row['mean_others'], 2)}{p}",
        row["warning"],
        "years of birth and recording are left out, and people of one time agree too",
        "how often they slide is another question, which lineage_resemblance asks and may answer otherwise",
    )


def _hangs_on_speed(row: Row) -> Iterator[Said]:
    few = None
    if row["slides"] is not None and row["slides"] < FEW_COUNTED:
        few = short_of(row["slides"], FEW_COUNTED, "slide", "a rate")
    moved = "depends on the reading of the speed" if row["changes"] else "hardly depends on the speed"
    yield said(f"{row['thing']} {row['id']}, {row['conclusion']}: {_plain(row)}; it {moved}", few)


def _beside_others(row: Row) -> Iterator[Said]:
    yield said(f"transfer {row['transfer_id']} beside {beside_words(row)}")


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
    return f"{other}: {what} {size} {unit}{_direction(what, row['difference'])}{caution}"


def _direction(what: str, difference: float) -> str:
    """Which of the two is more, since a sign alone does not say what was taken from what."""
    if round(difference, 1) == 0:
        return ""
    more, less = ("sharper", "flatter") if what.startswith("pitch") else ("faster", "slower")
    return f" (this one is {more if difference > 0 else less})"


def _missing(row: Row) -> Iterator[Said]:
    where = f"{row['id']} {row['thing']}" if row["id"].startswith("all ") else f"{row['thing']} {row['id']}"
    yield said(f"{row['what']}, {where}: {row['explanation'].rstrip('.')}")


def _speed(row: Row) -> Iterator[Said]:
    if row["playing_rpm"] is None:
        yield said(f"{row['transfer_id']}: speed {row['state']}")
        return
    speed = with_limits(row["playing_rpm"], row["playing_rpm_low"], row["playing_rpm_high"])
    yield said(f"{row['transfer_id']}: {speed} revolutions a minute over all readings; {row['state']}")


def _edition(row: Row) -> Iterator[Said]:
    verdicts = {"followed": "follows", "not_followed": "does not follow", "cannot_tell": "may or may not follow"}
    who = f"{row['player'] or row['player_id']}, take {row['take_id']}"
    if row["verdict"] is None:
        yield said(f"{who}: whether it follows {row['edition']} cannot be told ({_words(row['state'])})")
        return
    likely = f"{_times(row, 'log10_ratio')} with it as by chance"
    text = f"{who}, {verdicts[row['verdict']]} the edition {row['edition']}: {likely}"
    if row["against_others"] is None:
        yield said(f"{text}; no other edition is there to set against it")
    else:
        yield said(f"{text}, {_times(row, 'against_others')} as with the nearest other edition")


def _times(row: Row, name: str) -> str:
    """How many times as likely, from powers of ten."""
    ratio, low, high = (ratio_of_log_words(row[each]) for each in (name, f"{name}_low", f"{name}_high"))
    return f"{ratio} times ({low}–{high}) as likely"


def _against_edition(row: Row) -> Iterator[Said]:
    if row["share_agree"] is not None:
        yield said(
            f"take {row['take_id']} against {row['edition']}: fingers agree at {_per_cent(row['share_agree'])} of "
            f"{row['agree'] + row['differ']} notes that tell; {row['cannot_tell']} cannot be told"
        )
    if row["printed_chords"]:
        yield said(
            f"take {row['take_id']}: of {counted(row['printed_chords'], 'chord')} printed in {row['edition']}, "
            f"{row['chords_agree']} stopped as printed, {row['chords_differ']} otherwise, {row['chords_cannot_tell']} "
            "cannot be told"
        )


SAY: Mapping[str, Callable[[Row], Iterator[Said]]] = {
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
    "agreement_of_students": _likeness_of_students,
    "depends_on_speed": _hangs_on_speed,
    "speed_beside_others": _beside_others,
    "missing_or_doubtful": _missing,
    "speed_ledger": _speed,
    "edition_followed": _edition,
    "fingering_against_edition": _against_edition,
}


def short_sentences(view: str, row: Row) -> Iterator[Said]:
    """What a row of one of the views of ``SAY`` says."""
    return SAY[view](row)


def _group(row: Row) -> str:
    return str(next(row[name] for name in ("player", "school", "period", "group_key") if row.get(name) is not None))


def _few(players: float) -> str | None:
    return None if players >= _FEW_PLAYERS else short_of(players, _FEW_PLAYERS, "player", "a share")


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
