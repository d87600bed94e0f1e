"""From a number back to the disc, in words and as W3C PROV; and a corpus against an earlier export of it."""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from prov.model import ProvActivity, ProvDocument, ProvEntity

from pipeline.answers.export.earlier import (
    compare_dates,
    compare_slides,
    compare_speeds,
    compare_takes,
    match,
    read_exported,
)
from pipeline.answers.trace_text import lines
from pipeline.errors import DataError, UsageError
from pipeline.settings import Settings
from pipeline.steps.order import STEPS
from pipeline.store.corpus import Corpus
from pipeline.store.database.trace import trace
from pipeline.store.formats.prov import prov
from tests.helpers.quick_run import quick_run
from tests.helpers.tone_corpus import change, make_corpus


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = make_corpus(tmp_path_factory.mktemp("traced") / "c", sides=4)
    change(made, "take", "take_id,session_id", "take_id,session_id,matrix_number,take_number")
    change(made, "take", "t-s01,x0", "t-s01,x0,0123,2")
    (made / "catalogue" / "speed_decision.csv").write_text(
        "transfer_id,correction_cents,reason,decided_by,decided_on\n"
        "s01-a,12,heard beside the other take,A. Listener,2026-01-02\n"
    )
    assert not quick_run(made).failed
    return made


def test_trace_leads_back_to_the_matrix_number(root: Path) -> None:
    said = "\n".join(lines(trace(root, "s01-a"), everything=True))
    row = Corpus(root).read("run", "s01-a")
    assert row is not None
    sha256 = row["samples_sha256"][0]
    for piece in ("step settle, version 1: done", "settled for session x0", "matrix number 0123, take 2",
                  f"samples sha256:{sha256}", "ruling on the speed by A. Listener", "numpy "):  # fmt: skip
        assert piece in said
    order = [said.index(f"step {name}") for name in ("detect", "settle", "measure", "follow", "intake")]
    assert order == sorted(order)


def test_a_doubtful_player_is_named_as_such(root: Path) -> None:
    path = root / "catalogue" / "performance.csv"
    was = path.read_bytes()
    change(root, "performance", "t-s01,p,violin,certain", "t-s01,p,violin,possible")
    said = list(lines(trace(root, "s01-a")))
    path.write_bytes(was)
    assert [line for line in said if line.startswith("played by")] == [
        "played by A. Player (violin) (attribution possible)"
    ]


def test_settings_stand_in_the_order_of_the_steps() -> None:
    names = [step.name for step in STEPS]
    assert [name for name in Settings.model_fields if name in names] == names


def test_people_read_the_source_first_and_no_innards(root: Path) -> None:
    said = list(lines(trace(root, "s01-a")))
    assert said[0] == "transfer s01-a, file s01.wav"
    assert any(line.startswith("  ruling") for line in said[:4])
    text = "\n".join(said)
    assert text.index("matrix number 0123") < text.index("step settle")
    assert "settings" not in text
    assert not set("{}[]'") & set("\n".join(lines(trace(root, "s01-a"), everything=True)))


def test_a_take_a_session_and_a_player_lead_to_their_transfers(root: Path) -> None:
    assert [item.transfer["transfer_id"] for item in trace(root, "t-s01").transfers] == ["s01-a"]
    assert [item.transfer["transfer_id"] for item in trace(root, "x0").transfers] == ["s00-a", "s01-a", "s02-a"]
    assert len(trace(root, "p").transfers) == 4
    with pytest.raises(UsageError, match="did you mean s01-a"):
        trace(root, "s01_a")


def test_prov_is_read_by_another_program(root: Path) -> None:
    """The reference library for PROV-JSON (package ``prov``) reads it, and finds the way to the audio file."""
    document = ProvDocument.deserialize(content=json.dumps(prov(root)), format="json")
    activities = {str(record.identifier) for record in document.get_records(ProvActivity)}
    assert activities == {
        f"gl:{s}.s0{n}-a" for s in ("intake", "follow", "measure", "settle", "detect") for n in range(4)
    }
    entities = {str(record.identifier) for record in document.get_records(ProvEntity)}
    assert {
        "gl:table.melody.s01-a",
        "gl:samples.s01-a",
        "gl:file.s01-a",
        "gl:take.t-s01",
        "gl:ruling.s01-a",
    } <= entities
    graph = prov(root, "s01-a")
    made_by = {r["prov:entity"]: r["prov:activity"] for r in graph["wasGeneratedBy"].values()}
    assert made_by["gl:table.melody.s01-a"] == "gl:detect.s01-a"
    derived = {(r["prov:generatedEntity"], r["prov:usedEntity"]) for r in graph["wasDerivedFrom"].values()}
    assert {
        ("gl:samples.s01-a", "gl:file.s01-a"),
        ("gl:file.s01-a", "gl:side.s01"),
        ("gl:side.s01", "gl:take.t-s01"),
    } <= derived


def test_prov_says_the_same_each_time(root: Path) -> None:
    assert json.dumps(prov(root)) == json.dumps(prov(root))
    assert "T" + "00:" not in json.dumps(prov(root))  # and holds no clock


def slides(*rows: tuple[str, float | None, float | None, float | None, str | None]) -> pl.DataFrame:
    numbers = dict.fromkeys(["transfer_audible_start_s", "transfer_audible_end_s", "interval_cents"], pl.Float64)
    return pl.DataFrame(rows, schema={"transfer_id": pl.String, **numbers, "kind": pl.String}, orient="row")


def test_slides_are_matched_by_place_and_direction() -> None:
    before = slides(
        ("a", 1.0, 1.2, 200.0, "same_finger"),
        ("a", 2.0, 2.2, 200.0, "same_finger"),
        ("a", 3.0, 3.2, 200.0, "same_finger"),
        ("b", 1.0, 1.2, -100.0, "same_finger"),
    )
    now = slides(
        ("a", 1.0, 1.2, 200.0, "same_finger"),  # as it was
        ("a", 2.05, 2.25, 200.0, "same_finger"),  # overlap 0.15 of 0.25: moved by 50 ms
        ("a", 3.15, 3.35, 200.0, "same_finger"),  # overlap 0.05 of 0.35: another slide
        ("b", 1.0, 1.2, 100.0, "same_finger"),  # the other way: another slide
    )
    found, same = compare_slides(before, now)
    assert same == 1
    assert sorted(found.select("transfer_id", "change").rows()) == [
        ("a", "gained"), ("a", "lost"), ("a", "moved"), ("b", "gained"), ("b", "lost"),
    ]  # fmt: skip


def test_a_take_of_two_players_is_two_rows() -> None:
    """Their counts are not set against each other's."""
    both = {
        "take_id": ["a", "a"],
        "player_id": ["p", "q"],
        "minutes": [1.0, 2.0],
        "transitions": [5, 6],
        "slides": [1, 2],
    }
    assert compare_takes(pl.DataFrame(both), pl.DataFrame(both)).is_empty()
    later = both | {"slides": [1, 3]}
    assert compare_takes(pl.DataFrame(both), pl.DataFrame(later)).select("player_id", "change").rows() == [
        ("q", "counts")
    ]


def test_a_changed_date_is_told_once_for_each_take_that_is_in_both() -> None:
    before = pl.DataFrame(
        {"take_id": ["a", "a", "b", "c", "d"], "recorded": ["1926-23", "1926-23", None, "1904", "1905"]}
    )
    now = pl.DataFrame({"take_id": ["a", "a", "b", "c", "e"], "recorded": ["1927", "1927", "1930", "1904", "1906"]})
    assert compare_dates(before, now).select("take_id", "recorded_before", "recorded").rows() == [
        ("a", "1926-23", "1927"),
        ("b", None, "1930"),
    ]


def test_minutes_change_where_the_speed_moves() -> None:
    """Five cents are .29 % of the time (2^(5/1200))."""
    takes = {"take_id": ["a", "b", "c"], "player_id": ["p"] * 3, "transitions": [5] * 3, "slides": [1] * 3}
    before = pl.DataFrame(takes | {"minutes": [1.0, 1.0, None]})
    now = pl.DataFrame(takes | {"minutes": [1.0028, 1.003, 1.0]})
    assert compare_takes(before, now)["take_id"].to_list() == ["b", "c"]


def test_slides_that_listeners_added_are_what_they_were() -> None:
    """Such slides have bounds but neither interval nor kind; some have no bounds in the transfer either."""
    added = slides(("a", 1.0, 1.2, None, None), ("a", 1.0, 1.2, None, None), ("a", None, None, None, None))
    found, same = compare_slides(added, added)
    assert (found.height, same) == (0, 3)
    measured = slides(("a", 1.01, 1.21, 200.0, "same_finger"))
    found, same = compare_slides(slides(("a", 1.0, 1.2, None, None)), measured)
    assert found["change"].to_list() == ["moved"]  # the same place: now it is measured


def test_each_slide_is_matched_once_to_the_nearest() -> None:
    old = np.array([[1.0, 1.2, 100.0], [1.05, 1.25, 100.0]])
    new = np.array([[1.05, 1.25, 100.0]])
    assert match(old, new) == [(1, 0)]
    assert match(old, np.empty((0, 3))) == []


def test_takes_and_speeds_are_compared_by_id() -> None:
    takes = {
        "take_id": ["a", "b"],
        "player_id": ["p", None],
        "minutes": [3.0, 3.0],
        "transitions": [100, 90],
        "slides": [10, 9],
    }
    now = {
        "take_id": ["b", "c"],
        "player_id": [None, "p"],
        "minutes": [3.0, 3.0],
        "transitions": [90, 80],
        "slides": [11, 8],
    }
    changed = compare_takes(pl.DataFrame(takes), pl.DataFrame(now))
    assert changed.select("take_id", "change").rows() == [("a", "lost"), ("b", "counts"), ("c", "gained")]
    speeds = {"transfer_id": ["a", "b", "c"], "offset_cents": [0.0, 10.0, 5.0], "state": ["estimated"] * 3}
    later = {
        "transfer_id": ["a", "b", "c"],
        "offset_cents": [4.0, 30.0, 5.0],
        "state": ["estimated", "estimated", "ambiguous"],
    }
    moved = compare_speeds(pl.DataFrame(speeds), pl.DataFrame(later))
    assert moved.select("transfer_id", "change").rows() == [("b", "moved"), ("c", "state")]


def test_a_folder_that_is_no_export_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="is not an export itself"):
        read_exported(tmp_path, "take", like=pl.DataFrame({"take_id": ["a"]}))


def test_an_export_in_csv_is_read_with_types(tmp_path: Path) -> None:
    (tmp_path / "csv").mkdir()
    (tmp_path / "csv" / "take.csv").write_text("take_id,minutes,slides\n007,3.5,\n")
    like = pl.DataFrame({"take_id": ["a"], "minutes": [1.0], "slides": [1]})
    read = read_exported(tmp_path, "take", like=like)
    assert read.rows() == [("007", 3.5, None)]
