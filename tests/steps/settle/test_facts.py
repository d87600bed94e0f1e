"""What the catalogue says that bears on a speed: reference pitches, keys, label speeds, rulings."""

from pathlib import Path
from typing import Any

import pytest

from pipeline.engine.explain import changes
from pipeline.signal.speed.reference_pitch import ReferencePitch
from pipeline.steps.settle.facts import facts, pitches_of
from pipeline.steps.words import FACTS
from pipeline.store.catalogue.tables import Catalogue

TABLES = {
    "work": "work_id,title,key\nair,Air,D major\n",
    "session": "session_id,recorded,place,label\nspring,1908-05-01,Arl,Nonesuch\n",
    "take": "take_id,work_id,session_id,process\nk1,air,spring,acoustic\n",
    "side": "side_id,label\ns1,Nonesuch\n",
    "side_take": "side_id,take_id\ns1,k1\n",
    "transfer": "transfer_id,side_id,file,turntable_rpm,generation\nt1,s1,one.wav,78.26,original\n",
    "player": "player_id,name\nanna,Anna Vint\n",
    "performance": "take_id,player_id,instrument,certainty,transposed\nk1,anna,violin,certain,no\n",
    "source": "source_id,citation\nbook,A made-up discography\n",
}
RULING = (
    "transfer_id,playing_rpm,reference_pitch_hz,reason,decided_by,decided_on\n"
    "t1,76.5,435,by ear,A. Listener,2026-01-02\n"
)


def known(folder: Path, **more: str) -> dict[str, Any]:
    (folder / "catalogue").mkdir(exist_ok=True)
    for table, text in {**TABLES, **more}.items():
        (folder / "catalogue" / f"{table}.csv").write_text(text, encoding="utf-8")
    catalogue = Catalogue(folder)
    assert not [problem for problem in catalogue.problems() if problem.severity == "error"]
    return facts(catalogue, "spring")["t1"]


def test_without_a_reference_pitch_several_are_possible(tmp_path: Path) -> None:
    found = known(tmp_path)
    first, *others = pitches_of(found)
    assert (first.hz, first.origin, first.stated) == (440.0, "assumed", False)
    assert {pitch.hz for pitch in others} == {435.0, 452.0}
    assert sum(pitch.probability for pitch in (first, *others)) == pytest.approx(1.0)
    assert (found["key"], found["process"], found["turntable_rpm"]) == ("D major", "acoustic", 78.26)
    assert found["decision"] is None


def test_a_takes_own_reference_pitch_wins_over_the_usual_one(tmp_path: Path) -> None:
    usual = "place,span,reference_pitch_hz\nArl,1900/1914,435\nArl,1920/,440\n*,,442\n"
    found = known(tmp_path, default_pitch=usual)
    assert (pitches_of(found)[0].hz, pitches_of(found)[0].probability) == (435.0, pytest.approx(0.85))
    assert sum(pitch.probability for pitch in pitches_of(found)) == pytest.approx(1.0)
    # nothing is assumed where something is known
    others = {pitch.origin for pitch in pitches_of(found)[1:]}
    assert others == {"if not the usual one", "for a nominal 452 Hz, old high pitch"}
    own = known(tmp_path, default_pitch=usual, reference_pitch="take_id,reference_pitch_hz\nk1,432\n")
    assert pitches_of(own) == (ReferencePitch(432.0, 2.0, 1.0, "as the take's reference pitch", stated=True),)


@pytest.mark.parametrize(
    ("cells", "hz", "sd_cents"),
    [
        # half a hertz at 435 Hz is 1.990 cents, 1200/ln 2 times the ratio
        ("435,,0.5,,", 435.0, 1.990),
        # a range of 6 Hz has a standard deviation of 6/sqrt(12) Hz (JCGM 100:2008, 4.3.7): 6.846 cents at 438 Hz
        ("438,,,435,441", 438.0, 6.846),
        # the Philharmonic fork of 1896: C 522 Hz, A 438.95 Hz in equal temperament; 1 Hz at 522 Hz is 3.317 cents
        ("522,C5,1,,", 438.948, 3.317),
    ],
)
def test_a_reference_pitch_has_limits_and_may_be_a_fork_on_c(
    tmp_path: Path, cells: str, hz: float, sd_cents: float
) -> None:
    head = "take_id,reference_pitch_hz,fork,se_hz,low_hz,high_hz\n"
    (found,) = pitches_of(known(tmp_path, reference_pitch=f"{head}k1,{cells}\n"))
    assert found.hz == pytest.approx(hz, abs=0.001)
    assert found.sd_cents == pytest.approx(sd_cents, abs=0.001)


def test_what_changed_in_a_reference_pitch_is_told_in_words(tmp_path: Path) -> None:
    usual = "place,span,reference_pitch_hz\nArl,,{}\n"
    before, after = (known(tmp_path, default_pitch=usual.format(hz))["references"] for hz in (442, 444))
    said = list(changes({"references": before}, {"references": after}, words=FACTS))
    assert "reference pitch, usual at the place, A4 in Hz changed from 442 to 444" in said


def test_what_the_catalogue_says_has_plain_words(tmp_path: Path) -> None:
    found = known(tmp_path, speed_decision=RULING)
    names = {*found, *found["decision"], *next(iter(found["references"].values()))}
    assert not [name for name in names if "_" in FACTS.get(name, name)]


def test_the_place_says_what_is_assumed(tmp_path: Path) -> None:
    session = "session_id,recorded,place,label\nspring,1908-05-01,{},Nonesuch\n"
    first = {place: pitches_of(known(tmp_path, session=session.format(place)))[0].hz for place in ("Berlin", "Arl")}
    assert first == {"Berlin": 435.0, "Arl": 440.0}


def test_scordatura_is_taken_over(tmp_path: Path) -> None:
    table = "take_id,player_id,instrument,certainty,tuning\nk1,anna,violin,certain,{}\n"
    assert known(tmp_path, performance=table.format("F3 D4 A4 E5"))["open_strings"] == [53.0, 62.0, 69.0, 76.0]
    assert known(tmp_path, performance=table.format(""))["open_strings"] is None


def test_everywhere_is_asked_only_where_the_place_says_nothing(tmp_path: Path) -> None:
    found = known(tmp_path, default_pitch="place,span,reference_pitch_hz\nElsewhere,,439\n*,,442\n")
    assert pitches_of(found)[0].hz == 442.0


@pytest.mark.parametrize(
    ("transposed", "key", "share"),
    [("no", "D major", 1.0), ("", "D major", 1.0), ("yes", "D major", 0.0), ("unknown", "D major", 0.5)],
)
def test_a_transposed_performance_trusts_the_works_key_less(
    tmp_path: Path, transposed: str, key: str | None, share: float
) -> None:
    table = f"take_id,player_id,instrument,certainty,transposed\nk1,anna,violin,certain,{transposed}\n"
    found = known(tmp_path, performance=table)
    assert (found["key"], found["key_share"]) == (key, share)
    assert bool(found["key_remark"]) == (transposed in ("yes", "unknown"))


def test_the_key_played_stands_before_the_works(tmp_path: Path) -> None:
    take = "take_id,work_id,session_id,key_played\nk1,air,spring,E flat major\n"
    performance = "take_id,player_id,instrument,certainty,transposed\nk1,anna,violin,certain,yes\n"
    assert known(tmp_path, take=take, performance=performance)["key"] == "E flat major"


def test_label_speeds_count_in_their_span_only(tmp_path: Path) -> None:
    table = "label,span,low_rpm,high_rpm,source_id\nnonesuch,1900/1910,76,77,book\nNonesuch,1925/,78,79,book\n"
    assert known(tmp_path, label_speed=table)["labels"] == [[76.0, 77.0, "book"]]


def test_a_ruling_is_taken_whole(tmp_path: Path) -> None:
    found = known(tmp_path, speed_decision=RULING)
    decision = found["decision"]
    assert (decision["playing_rpm"], decision["reference_pitch_hz"]) == (76.5, 435.0)
    assert decision["decided_on"] == "2026-01-02"
