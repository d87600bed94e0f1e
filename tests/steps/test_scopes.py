"""What a step runs on: sessions with their transfers."""

from pathlib import Path

from pipeline.steps.scopes import session_transfers, session_units
from pipeline.store.catalogue.tables import Catalogue

TABLES = {
    "session": "session_id,recorded\nspring,1908-05-01\n",
    "take": "take_id,session_id\nk1,spring\nk2,spring\nk3,\n",
    "side": "side_id,label\ns1,A\ns2,A\ns3,A\ns4,A\n",
    "side_take": "side_id,take_id\ns1,k1\ns2,k2\ns3,k3\n",
    "transfer": "transfer_id,side_id,file\nt1,s1,1.wav\nt2,s2,2.wav\nt3b,s3,3b.wav\nt3a,s3,3a.wav\nt4,s4,4.wav\n",
}


def test_sides_without_a_session_are_settled_each_with_all_its_transfers(tmp_path: Path) -> None:
    (tmp_path / "catalogue").mkdir()
    for table, text in TABLES.items():
        (tmp_path / "catalogue" / f"{table}.csv").write_text(text, encoding="utf-8")
    catalogue = Catalogue(tmp_path)
    units = {"alone:t3a": ("t3a", "t3b"), "alone:t4": ("t4",), "spring": ("t1", "t2")}
    assert session_units(catalogue) == units
    assert session_transfers(catalogue, "alone:t3a") == ("t3a", "t3b")
