"""Who plays the solo, on what, and when: one rule each, whoever asks."""

from pathlib import Path

from pipeline.store.catalogue.recording import dating, instrument_of, soloists_of, takes_on
from pipeline.store.catalogue.tables import Catalogue
from tests.helpers.small_catalogue import CATALOGUE


def catalogue(root: Path, **changed: str) -> Catalogue:
    folder = root / "catalogue"
    folder.mkdir(parents=True)
    for name, text in (CATALOGUE | changed).items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return Catalogue(root)


def test_the_solo_is_not_named_after_an_accompanist_who_stands_first(tmp_path: Path) -> None:
    played = (
        "take_id,player_id,instrument,role,certainty\nk1,anna-vint,piano,accompanist,certain\n"
        "k1,bela-ort,cello,soloist,certain\n"
        "k2,anna-vint,violin,accompanist,certain\nk2,bela-ort,cello,,certain\n"
    )
    known = catalogue(tmp_path, performance=played)
    assert [row["player_id"] for row in soloists_of(known, "k1")] == ["bela-ort"]
    assert instrument_of(known, ["k1"]) == "cello"
    assert instrument_of(known, ["k1", "k2"]) == "cello"


def test_two_solo_instruments_are_not_one(tmp_path: Path) -> None:
    played = (
        "take_id,player_id,instrument,role,certainty\nk1,anna-vint,violin,soloist,certain\n"
        "k2,bela-ort,cello,soloist,certain\n"
    )
    known = catalogue(tmp_path, performance=played)
    assert instrument_of(known, ["k1"]) == "violin"
    assert instrument_of(known, ["k1", "k2"]) is None


def test_takes_come_in_the_order_of_the_side(tmp_path: Path) -> None:
    known = catalogue(tmp_path, side_take="side_id,take_id,position\ns1,k1,2\ns1,k2,1\n")
    assert [take["take_id"] for take in takes_on(known, "s1")] == ["k2", "k1"]


def test_a_take_without_a_date_has_its_sessions(tmp_path: Path) -> None:
    takes = "take_id,session_id,recorded\nk1,spring-3,\nk2,spring-3,1903-05-02\n"
    known = catalogue(tmp_path, take=takes)
    take_1, take_2 = known.row("take", "k1"), known.row("take", "k2")
    assert take_1 is not None
    assert take_2 is not None
    assert dating(known, take_1)["recorded"] == "1903-05-01"
    assert dating(known, take_2)["recorded"] == "1903-05-02"
