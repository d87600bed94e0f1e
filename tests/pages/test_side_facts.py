"""What a side's page says of its recording, from the catalogue alone."""

from pathlib import Path

import pytest

from pipeline.pages.side_facts import heading, recording_facts
from pipeline.store.corpus import Corpus


@pytest.mark.parametrize(
    ("own", "when", "where"), [("", "1911-03", "Saltmarrow, Long Room"), ("1912,Mossgate", "1912", "Mossgate")]
)
def test_a_take_without_date_and_place_has_its_sessions(tmp_path: Path, own: str, when: str, where: str) -> None:
    (tmp_path / "audio").mkdir()
    (tmp_path / "catalogue").mkdir()
    for table, text in {
        "session": 'session_id,recorded,place\nm1,1911-03,"Saltmarrow, Long Room"',
        "take": f"take_id,session_id,recorded,place\nt1,m1,{own or ','}",
        "side": "side_id\nd1",
        "side_take": "side_id,take_id\nd1,t1",
        "transfer": "transfer_id,side_id,file\nx1,d1,x.wav",
    }.items():
        (tmp_path / "catalogue" / f"{table}.csv").write_text(text + "\n", encoding="utf-8")
    catalogue = Corpus(tmp_path).catalogue
    transfer = catalogue.row("transfer", "x1")
    facts = dict(recording_facts(catalogue, transfer))
    assert (facts["recorded"], facts["place"]) == (when, where)
    assert heading(catalogue, transfer)[1].startswith(when)
