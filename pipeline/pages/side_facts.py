"""What the catalogue and the tables say of one transfer, in the words of its page."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.answers.note_names import Spelling
from pipeline.answers.number_words import (
    HOW_TO_RULE,
    change_words,
    clock_words,
    doubt_words,
    drift_words,
    given_words,
    over_all_words,
    probability_words,
    signed,
    stroke_words,
)
from pipeline.answers.stop_words import finger_word
from pipeline.counted import counted
from pipeline.kinds import KINDS
from pipeline.store.catalogue.recording import SOLO_ROLES, dating, takes_on
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.schema.date_words import date_words
from pipeline.units import cents_of_ratio

Row = Mapping[str, Any]
# Shorter pauses before, after and between the notes need no word.
LEAST_PAUSE_S = 3.0


def recorded_of(catalogue: Catalogue, take: Row) -> tuple[str | None, str | None]:
    """When, in words, and where a take was recorded; its session's date and place where it has none of its own."""
    session = (catalogue.row("session", take["session_id"]) if take["session_id"] else None) or {}
    recorded = dating(catalogue, take)["recorded"]
    return recorded and date_words(recorded), take["place"] or session.get("place")


def players_of(catalogue: Catalogue, take_id: str, *, soloists: bool = False) -> list[tuple[str, str]]:
    """Name, with its doubt, and part of each player of a take, soloists first or alone."""
    made = []
    played = catalogue.rows("performance", take_id=take_id)
    first = [row for row in played if row["role"] in SOLO_ROLES]
    rest = [row for row in played if row["role"] not in SOLO_ROLES]
    for performance in (first or rest) if soloists else [*first, *rest]:
        player = catalogue.row("player", performance["player_id"])
        part = (performance["instrument"] or performance["role"] or "").replace("_", " ")
        name = player["name"] if player else performance["player_id"]
        made.append((name + doubt_words(performance["certainty"]), part))
    return made


def heading(catalogue: Catalogue, transfer: Row) -> tuple[str, str]:
    """Title (the soloists and what they play) and second line of a side's page."""
    takes = takes_on(catalogue, transfer["side_id"])
    names, titles, dates = [], [], []
    for take in takes:
        names += [name for name, _ in players_of(catalogue, take["take_id"], soloists=True)]
        work = catalogue.row("work", take["work_id"]) if take["work_id"] else None
        titles += [work["title"]] if work else []
        recorded, _ = recorded_of(catalogue, take)
        dates += [recorded] if recorded else []
    who = ", ".join(dict.fromkeys(names)) or "Player unknown"
    what = "; ".join(dict.fromkeys(titles)) or "work unknown"
    return f"{who}: {what}", f"{', '.join(dict.fromkeys(dates)) or 'undated'} · transfer {transfer['transfer_id']}"


def found_by(catalogue: Catalogue, transfer: Row) -> Iterator[str]:
    """What a side may be searched for by besides its heading: numbers, archive, takes, schools of its players."""
    side = catalogue.row("side", transfer["side_id"]) or {}
    yield from (str(value) for name in ("label", "issue_number") if (value := side.get(name)))
    yield from (str(value) for name in ("archive", "shelf_mark", "file") if (value := transfer[name]))
    for take in takes_on(catalogue, transfer["side_id"]):
        yield from (str(value) for name in ("take_id", "matrix_number", "session_id") if (value := take[name]))
        for performance in catalogue.rows("performance", take_id=take["take_id"]):
            for member in catalogue.rows("school_membership", player_id=performance["player_id"]):
                yield str((catalogue.row("school", member["school_id"]) or {}).get("name") or member["school_id"])


def recording_facts(catalogue: Catalogue, transfer: Row) -> list[tuple[str, str]]:
    """Names and values of the recording's facts; what is unknown is said to be."""
    side = catalogue.row("side", transfer["side_id"]) or {}
    facts: list[tuple[str, Any]] = []
    for take in takes_on(catalogue, transfer["side_id"]):
        work = (catalogue.row("work", take["work_id"]) if take["work_id"] else None) or {}
        recorded, place = recorded_of(catalogue, take)
        matrix = "-".join(str(part) for part in (take["matrix_number"], take["take_number"]) if part)
        facts += [
            (
                "player",
                "; ".join(
                    f"{name} ({part})" if part else name for name, part in players_of(catalogue, take["take_id"])
                ),
            ),
            ("work", work.get("title")),
            ("composer", work.get("composer")),
            ("key", take["key_played"] or work.get("key")),
            ("recorded", recorded),
            ("place", place),
            ("matrix and take", matrix),
            ("process", take["process"]),
            ("accompaniment", (take["accompaniment"] or "").replace("_", " ")),
            ("session", take["session_id"]),
        ]
    facts += [
        ("label", side.get("label")),
        ("issue number", side.get("issue_number")),
        ("file", transfer["file"]),
        ("turntable", f"{transfer['turntable_rpm']:g} rpm" if transfer["turntable_rpm"] else None),
        ("generation", (transfer["generation"] or "").replace("_", " ")),
        ("archive", " ".join(part for part in (transfer["archive"], transfer["shelf_mark"]) if part)),
        ("transferred", transfer["transferred"]),
        ("stylus", transfer["stylus"]),
        ("equalisation", transfer["equalisation"]),
        ("already corrected", transfer["already_corrected"]),
    ]
    return [(name, str(value) if value else "unknown") for name, value in facts]


def sound_facts(sound: pl.DataFrame | None, melody: pl.DataFrame | None) -> list[tuple[str, str]]:
    """Names and values of what was heard in the file: which instrument was followed, which channel was used and why."""
    facts = []
    if melody is not None and melody.height:
        source, instrument = melody["instrument_source"][0], melody["instrument"][0]
        by = {"estimated": f"{instrument}, told by the sound", "catalogue": f"{instrument}, by the catalogue"}
        facts.append(("followed as", by.get(source, "no instrument: no solo is heard")))
    if sound is not None and sound.height:
        rule, reason, remark = (sound[name][0] for name in ("channel_rule", "channel_reason", "file_remark"))
        facts.append(("channel", reason if rule == "mono" else f"{rule}: {reason}"))
        facts += [("file's form", remark)] if remark else []
    return facts


def speed_words(speed: Row | None) -> str:
    """The decision about the speed, as a sentence or two."""
    if speed is None:
        return "The speed has not been measured."
    if speed["state"] == "unmeasurable":
        return f"The speed could not be measured; the side is taken as it plays.{sentence(speed['remark'])}"
    rpm = f", so the disc plays at {speed['playing_rpm']:.2f} rpm" if speed["playing_rpm"] else ""
    state = {
        "decided": f"Decided by {speed['decided_by'] or 'a person'}",
        "estimated": "Estimated",
        "ambiguous": "Ambiguous: other notes are nearly as likely, see below. With the first reading",
    }[speed["state"]]
    given = ""
    if speed["offset_se_cents"] is not None:
        given = f" {given_words(speed['offset_se_cents'])}"
    words = (
        f"{state}: {signed(speed['offset_cents'], 1)}{given} cents are added to the transfer{rpm} (A4 = "
        f"{speed['reference_pitch_hz']:.4g} Hz{', ' + speed['key'] if speed['key'] else ''}"
        f"{'; the limits are of 95 %, if these are as shown' if given else ''})."
    )
    if speed["offset_low_cents"] is not None and speed["state"] != "decided":
        limits = over_all_words(speed["offset_low_cents"], speed["offset_high_cents"])
        words += f" Over all readings of key, A4 and intonation: {limits} cents (95 %)."
    if speed["state"] == "decided":
        unruled = signed(float(cents_of_ratio(speed["estimated_speed_ratio"])), 1)
        words += f" Without that ruling it would have been {unruled} cents, {speed['estimated_state']}."
    if speed["drift_range_cents"] is not None:
        words += f" Drift: {drift_words(speed)}."
    if speed["drift_range_cents"] is not None or speed["jump_s"] is not None:
        words += f" Sudden change: {change_words(speed)}."
    if speed["wow_cents"] is not None:
        words += f" It wavers by {speed['wow_cents']:.1f} cents to either side at {speed['wow_hz']:.3f} Hz."
    return words + sentence(speed["remark"]) + f" To rule otherwise: {HOW_TO_RULE}."


def share(probability: float) -> str:
    """A probability in per cent, never as 0 or 100."""
    return probability_words(probability)


def sentence(text: str | None) -> str:
    """A remark as a sentence after others; nothing if there is none."""
    return f" {text[0].upper()}{text[1:].rstrip('.')}." if text else ""


def slide_words(slide: Row, *, number: int, hands: Iterable[Row], name: Spelling) -> dict[str, str]:
    """Title, measurements, kinds and hand of one slide."""
    direction = "up" if slide["interval_cents"] > 0 else "down"
    start, end = name(slide["from_midi"]), name(slide["to_midi"])
    measures = (
        f"{abs(slide['interval_cents']):.0f} cents {direction} in {slide['duration_ms']:.0f} ms "
        f"({signed(slide['gradient_cents_per_s'])} cents/s), from {start} to {end}; audible from "
        f"{clock_words(slide['audible_start_s'])} to {clock_words(slide['audible_end_s'])} (in the transfer from "
        f"{clock_words(slide['transfer_audible_start_s'])}); confidence {share(slide['confidence'])}."
    )
    if slide["step_from_midi"] is not None:
        step, glided = (slide["step_to_midi"] - slide["step_from_midi"]) * 100, abs(slide["glided_cents"])
        measures += f" The glide breaks at {name(slide['step_from_midi'])} by {signed(step)} cents; "
        measures += f"{glided:.0f} cents are glided."
    measures += f" Bow: {stroke_words(slide)}."
    if slide.get("solo_probability") is not None:
        measures += f" That the soloist slides, and not the other player: {share(slide['solo_probability'])}."
    ranked = sorted(((slide[f"p_{kind}"], kind) for kind in KINDS), reverse=True)
    kinds = ", ".join(f"{kind.replace('_', ' ')} {share(p)}" for p, kind in ranked if p >= 0.03)
    said = []
    for hand in hands:
        if hand["string"] is None:
            said.append(f"cannot tell ({share(hand['probability'])})")
            continue
        said.append(
            f"{hand['string']} string, finger {finger_word(hand['from_finger'])} to {finger_word(hand['to_finger'])}, "
            f"position {hand['from_position']} to {hand['to_position']} ({share(hand['probability'])})"
        )
    return {
        "title": f"{number}. {start} to {end} at {clock_words(slide['start_s'])}: {slide['kind'].replace('_', ' ')}",
        "from_name": start,
        "to_name": end,
        "measures": measures,
        "kinds": f"Kind: {kinds}.",
        "hand": f"Hand: {'; '.join(said)}." if said else "Hand: cannot tell.",
    }


def approaches_words(notes: pl.DataFrame | None) -> str:
    """How many notes begin off their pitch and come in, without a slide; nothing where none does."""
    if notes is None or notes["approach_cents"].null_count() == notes.height:
        return ""
    off, ms = (notes[name].drop_nulls().to_numpy() for name in ("approach_cents", "approach_ms"))
    return (
        f"Notes that begin off their pitch and then come in: {int((off < 0).sum())} low, {int((off > 0).sum())} high, "
        f"of {notes.height} (medians: {float(np.median(np.abs(off))):.0f} cents, {float(np.median(ms)):.0f} ms). "
        "These are not counted as slides."
    )


def exposure_words(spans: pl.DataFrame | None, slides: int, transitions: int, *, rejected: int) -> str:
    """Zero is a result: how much was looked at, beside how much was found and what listeners took away of it."""
    if spans is None:
        return "Slides were not measured."
    solo = spans.filter(pl.col("counted"))
    if solo.is_empty():
        reasons = "; ".join(dict.fromkeys(spans["reason"].drop_nulls().to_list()))
        return f"Not counted: {reasons or 'no solo was found'}."
    minutes = float((solo["end_s"] - solo["start_s"]).sum()) / 60
    less = f" (listeners accept {slides - rejected})" if rejected else ""
    return f"{counted(slides, 'slide')} found{less} in {counted(transitions, 'transition')}, {minutes:.1f} min of solo"


def no_slides_words(spans: pl.DataFrame | None) -> str:
    """What it means that a side has no slides."""
    if spans is None or not spans["counted"].any():
        return "Nothing of this side is counted, so nothing is said of its slides."
    return "No slide was found here. That is a result, not a gap."


def left_out(spans: pl.DataFrame | None) -> list[str]:
    """Which stretches of a side are not counted, and by what that was told, in words; short pauses are not told."""
    rows = [] if spans is None else spans.filter(~pl.col("counted")).sort("transfer_start_s").to_dicts()
    told = [row for row in rows if row["content"] != "not_music" or _length_s(row) >= LEAST_PAUSE_S]
    # Of the solo there are very many short ones, which are told together.
    words: list[str] = []
    lengths: dict[str, list[float]] = defaultdict(list)
    for row in told:
        if row["content"] == "solo" and row["source"] == "measured":
            lengths[row["reason"]].append(_length_s(row))
        else:
            words.append(_left_out_words(row))
    return words + [f"{sum(s):.1f} s, {counted(len(s), 'passage')}: {reason}" for reason, s in lengths.items()]


def other_glides(glides: pl.DataFrame | None, *, name: Spelling) -> list[Row]:
    """Glides that are not credited to the soloist, each with when, what and whose."""
    rows = [] if glides is None else glides.sort("start_s").to_dicts()
    return [
        {
            "id": row["glide_id"],
            "start_s": row["start_s"],
            "notes": f"{name(row['from_midi'])} to {name(row['to_midi'])}",
            "meanwhile": "" if row["meanwhile_midi"] is None else name(row["meanwhile_midi"]),
            "voice": "the other player’s" if row["voice"] == "second" else "cannot tell whose",
            "solo": share(row["solo_probability"]),
        }
        for row in rows
    ]


def _length_s(span: Row) -> float:
    return float(span["transfer_end_s"] - span["transfer_start_s"])


def _left_out_words(span: Row) -> str:
    words = f"{clock_words(span['transfer_start_s'])} to {clock_words(span['transfer_end_s'])}: {span['reason']}"
    if span["source"] != "measured" or span["sureness"] is None or span["content"] == "repeated":
        return words
    sure = f"{share(span['sureness'])} sure of a solo"
    if span["content"] == "speech":
        resting, in_tune = share(span["resting_share"]), share(span["in_tune"])
        return f"{words} (it rests on a pitch for {resting} of the time, a solo for 90 % or so; in tune by {in_tune})"
    if span["content"] == "accompaniment_only":
        return f"{words} ({sure}; {share(span['early_share'])} of the notes are loudest as they begin)"
    return f"{words} ({sure})"


def chances(transitions: pl.DataFrame | None) -> int:
    """Transitions that count as chances to slide."""
    return 0 if transitions is None else int(transitions["exposure"].sum())
