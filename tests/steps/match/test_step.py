"""The step ``match`` on a catalogue with a part: rows in, rows out."""

from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.settings import MatchSettings
from pipeline.steps.base import StepInput
from pipeline.steps.match.step import STEP
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue
from tests.helpers.made_rows import frame

# Six bars of four quarters; bars 1 to 4 are repeated. Bar 2 begins with a grace note, bar 3 with a chord.
PITCHES = [62, 66, 69, 67, 64, 65, 69, 73, 74, 71, 67, 71, 69, 66, 64, 62, 74, 78, 76, 73, 74, 69, 66, 62]
BEAT_S = 0.5


def part_rows() -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    event = 0
    for i, midi in enumerate(PITCHES):
        bar, beat = i // 4 + 1, i % 4 + 1
        own = {"bar_index": bar, "bar": bar, "beat": beat, "onset": float(i)}
        if i == 4:
            event += 1
            rows.append({**own, "event": event, "midi": midi + 2, "beats": 0, "grace": "true"})
        event += 1
        rows.append({**own, "event": event, "midi": midi, "beats": 1, "grace": "false"})
        if i == 8:
            rows.append({**own, "event": event, "midi": midi - 9, "beats": 1, "grace": "false"})
    return rows


def events_played() -> list[int]:
    """Numbers of the events of a take with its repeat: 17 events, then all 25."""
    return [*range(1, 18), *range(1, 26)]


def note_rows(played: list[int], *, shift: float = 0.0) -> list[dict[str, Any]]:
    """Found notes: of the chord the lower one, the first time."""
    top: dict[int, float] = {}
    for row in part_rows():
        top[row["event"]] = max(row["midi"], top.get(row["event"], 0))
    rows, at = [], 10.0
    for k, event in enumerate(played):
        lasts = 0.1 if event == 5 else BEAT_S - (0.1 if event == 4 else 0.0)
        midi = top[event] + shift - (9 if event == 10 and k < 17 else 0)
        own = {"note_id": f"t-1-n{round(1000 * at)}", "transfer_id": "t-1", "take_id": "k-1", "midi": midi}
        rows.append({**own, "start_s": at, "end_s": at + lasts})
        at += lasts
    return rows


def catalogue(folder: Path, *, decisions: str = "", notes: list[dict[str, Any]] | None = None) -> Catalogue:
    columns = ("event", "bar_index", "bar", "beat", "beats", "onset", "midi", "grace")
    written = "work_id,edition,note_number," + ",".join(columns) + "\n"
    for number, row in enumerate(part_rows() if notes is None else notes, start=1):
        written += f"air,Wrack 1897,{number}," + ",".join(str(row[c]) for c in columns) + "\n"
    tables = {
        "work": "work_id,title\nair,Air\n",
        "session": "session_id\ns-1\n",
        "take": "take_id,session_id,work_id\nk-1,s-1,air\nk-2,s-1,\n",
        "side": "side_id\nd-1\n",
        "side_take": "side_id,take_id\nd-1,k-1\n",
        "transfer": "transfer_id,side_id,file,turntable_rpm\nt-1,d-1,one.wav,78.26\n",
        "written_part": "work_id,edition\nair,Wrack 1897\n",
        "written_note": written,
        "written_way": "work_id,edition,from_event,to_event,way\nair,Wrack 1897,17,1,repeat\n",
        "place_decision": "take_id,time_s,work_id,event\n" + decisions,
    }
    (folder / "catalogue").mkdir(parents=True)
    for name, text in tables.items():
        (folder / "catalogue" / f"{name}.csv").write_text(text, encoding="utf-8")
    made = Catalogue(folder)
    assert [p for p in made.problems() if p.severity == "error"] == []
    return made


def tables_of(notes: list[dict[str, Any]], line: list[dict[str, Any]]) -> dict[str, pl.DataFrame]:
    """Notes, and a line of frames, of a transfer that runs at the right speed."""
    of = {"transfer_id": "t-1", "take_id": "k-1", "transfer_start_s": 0.0, "transfer_end_s": 100.0}
    curve = [{"transfer_id": "t-1", "transfer_time_s": t, "correction_cents": 0.0} for t in (0.0, 100.0)]
    return {
        "note": frame("note", notes),
        "pitch_frame": frame("pitch_frame", line),
        "speed": frame("speed", [{"transfer_id": "t-1", "reference_pitch_hz": 440.0}]),
        "speed_curve": frame("speed_curve", curve),
        "solo_span": frame("solo_span", [of]),
    }


def run_all(
    made: Catalogue, notes: list[dict[str, Any]], line: list[dict[str, Any]]
) -> tuple[dict[str, pl.DataFrame], str]:
    """The tables, checked, and what the step says."""
    given = StepInput(
        unit_id="t-1",
        facts=STEP.facts(made, "t-1"),
        settings=MatchSettings(),
        tables={"t-1": tables_of(notes, line)},
        sound=lambda _: pytest.fail("no sound is needed"),
    )
    out = STEP.run(given)
    tables: dict[str, pl.DataFrame] = dict(out.tables["t-1"])
    for name, table in tables.items():
        assert schema.load(name).violations(table) == []
    assert out.outcomes["t-1"][0] == "done"
    return tables, out.outcomes["t-1"][1]


def run(made: Catalogue, notes: list[dict[str, Any]]) -> tuple[dict[str, Any], list[dict[str, Any]], str]:
    """The row of the fit, the rows of the match, and what the step says."""
    tables, said = run_all(made, notes, [])
    assert tables["written_heard"].is_empty()
    return tables["written_fit"].to_dicts()[0], tables["written_match"].to_dicts(), said


def test_each_note_has_its_place_and_its_time_through(tmp_path: Path) -> None:
    played = events_played()
    fit, match, said = run(catalogue(tmp_path), note_rows(played, shift=-3.1))
    assert [row["event"] for row in match] == played
    assert {row["state"] for row in match} == {"struck"}
    assert [row["time_through"] for row in match] == [1] * 17 + [2] * 17 + [1] * 8
    assert [row["run"] for row in match] == [1] * 17 + [2] * 25
    assert min(row["probability"] for row in match) > 0.9
    assert (fit["state"], fit["shift_semitones"]) == ("placed", -3)
    assert fit["tuning_cents"] == pytest.approx(-10.0, abs=0.1)
    assert (fit["share_found_placed"], fit["share_written_reached"]) == (1.0, 1.0)
    assert (fit["bars_left_out"], fit["times_through"]) == (0, 2)
    assert fit["beats_per_minute"] == pytest.approx(120.0, rel=0.05)
    assert said == "100 % of the notes have a written place"


def test_bars_left_out_are_told(tmp_path: Path) -> None:
    played = [*range(1, 10), *range(18, 26)]
    fit, match, _ = run(catalogue(tmp_path), note_rows(played))
    assert [row["event"] for row in match] == played
    assert [row["run"] for row in match] == [1] * 9 + [2] * 8
    assert fit["bars_left_out"] == 2
    assert fit["share_written_reached"] == pytest.approx(17 / 25)


def test_what_only_the_line_has_is_reached(tmp_path: Path) -> None:
    played = events_played()[17:]  # once through
    notes = note_rows(played, shift=2.0)
    line = [
        {"transfer_id": "t-1", "transfer_time_s": at, "voiced_probability": 0.9}
        | {"f0_hz": 440.0 * 2.0 ** ((note["midi"] - 69.0) / 12.0)}
        for note in notes
        for at in (note["start_s"] + 0.01 * k for k in range(round(100 * (note["end_s"] - note["start_s"]))))
    ]
    lost = [*range(10, 17)]  # bars 3 and 4, but for the first note
    found = [note for event, note in zip(played, notes, strict=True) if event not in lost]
    tables, _ = run_all(catalogue(tmp_path), found, line)
    heard = tables["written_heard"]
    assert heard["event"].to_list() == [10, *lost[1:]]
    assert heard["run"].unique().to_list() == [1]
    assert tables["written_match"]["run"].unique().to_list() == [1]
    starts = [note["start_s"] for event, note in zip(played, notes, strict=True) if event in lost]
    assert heard["start_s"].to_list() == pytest.approx(starts, abs=0.03)
    fit = tables["written_fit"].row(0, named=True)
    assert (fit["share_written_reached"], fit["bars_left_out"]) == (1.0, 0)
    # Without the line the two bars would seem cut.
    without, match, _ = run(catalogue(tmp_path / "again"), found)
    assert (without["bars_left_out"], {row["run"] for row in match}) == (1, {1, 2})


def test_a_person_wins_and_the_estimate_stays(tmp_path: Path) -> None:
    notes = note_rows(events_played())
    inside = [notes[2]["start_s"] + 0.2, notes[5]["start_s"] + 0.2]
    made = catalogue(tmp_path, decisions=f"k-1,{inside[0]},air,4\nk-1,{inside[1]},air,\n")
    _, match, _ = run(made, notes)
    kept = ("event", "state", "probability", "decided", "estimated_event", "time_through")
    assert [match[2][c] for c in kept] == [4, "struck", 1.0, True, 3, 1]
    assert [match[5][c] for c in kept] == [None, "outside", 1.0, True, 6, None]
    assert not match[3]["decided"]


def test_another_work_and_too_few_notes_are_said(tmp_path: Path) -> None:
    made = catalogue(tmp_path)
    other = note_rows([5, 1, 19, 11, 2, 2, 16, 23, 7, 3, 3, 14, 20, 5, 12, 9, 25, 17, 8, 1, 13, 22, 6, 18])
    fit, match, said = run(made, other)
    assert (fit["state"], fit["share_found_placed"]) == ("not_this_work", None)
    assert {(row["event"], row["state"], row["probability"]) for row in match} == {(None, "outside", None)}
    assert said == "k-1 is not what Wrack 1897 of air has written"
    fit, match, said = run(made, note_rows([1, 2, 3]))
    assert (fit["state"], len(match)) == ("too_little", 3)
    assert said == "k-1: 3 of the 8 notes that placing them needs were found"


@pytest.mark.parametrize("gone", [("onset",), ("onset", "bar_index", "bar", "beat")])
def test_a_part_without_times_or_bars_serves_as_well(tmp_path: Path, gone: tuple[str, ...]) -> None:
    notes = [row | dict.fromkeys(gone, "") for row in part_rows()]
    _, match, _ = run(catalogue(tmp_path, notes=notes), note_rows(events_played()))
    assert [row["event"] for row in match] == events_played()


def test_a_work_without_a_part_gives_empty_tables() -> None:
    facts: dict[str, Any] = {"works": {}, "takes": {}}
    tables = {"t-1": tables_of([], [])}
    out = STEP.run(StepInput("t-1", facts, MatchSettings(), tables, lambda _: pytest.fail("no sound is needed")))
    assert all(table.is_empty() for table in out.tables["t-1"].values())
    assert out.outcomes["t-1"] == ("done", "no written part")
