"""What a side's page says of its recording, from the catalogue alone."""

from pathlib import Path

import polars as pl
import pytest

from pipeline.answers.note_names import spelling
from pipeline.pages.side_facts import heading, left_out, other_glides, recording_facts, sound_facts, speed_words
from pipeline.store.corpus import Corpus


@pytest.mark.parametrize(
    ("own", "when", "where"), [("", "March 1911", "Saltmarrow, Long Room"), ("1912,Mossgate", "1912", "Mossgate")]
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


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("estimated", "viola, told by the sound"),
        ("catalogue", "viola, by the catalogue"),
        ("not_told", "no instrument: no solo is heard"),
    ],
)
def test_the_channel_used_and_whose_solo_it_is_are_told_with_their_reasons(source: str, told: str) -> None:
    sound = pl.DataFrame(
        {"channel_rule": ["left"], "channel_reason": ["the right channel is dead"], "file_remark": [None]}
    )
    melody = pl.DataFrame({"instrument": ["viola"], "instrument_source": [source]})
    assert sound_facts(sound, melody) == [("followed as", told), ("channel", "left: the right channel is dead")]
    assert sound_facts(None, None) == []


def test_what_may_be_another_players_is_told_in_one_line_for_each_reason_and_in_a_table() -> None:
    unsure = {"content": "solo", "source": "measured", "counted": False, "sureness": 0.9, "reason": "two lines"}
    spans = pl.DataFrame([{"transfer_start_s": a, "transfer_end_s": a + 0.5, **unsure} for a in (1.0, 3.0, 9.0)])
    ringing = spans.head(1).with_columns(reason=pl.lit("rings on"))
    assert left_out(pl.concat([ringing, spans])) == ["0.5 s, 1 passage: rings on", "1.5 s, 3 passages: two lines"]
    glide = {"glide_id": "x-o1", "start_s": 1.0, "from_midi": 60.0, "to_midi": 64.0, "meanwhile_midi": None}
    both = pl.DataFrame(
        [glide | {"voice": voice, "solo_probability": p} for voice, p in (("second", 0.02), ("cannot_tell", 0.6))]
    )
    found = other_glides(both, name=spelling(None))
    assert [(row["notes"], row["voice"]) for row in found] == [
        ("C4 to E4", "the other player’s"),
        ("C4 to E4", "cannot tell whose"),
    ]


def test_no_number_is_told_of_a_speed_that_could_not_be_measured() -> None:
    speed = {
        "state": "unmeasurable", "offset_cents": 0.0, "offset_se_cents": None, "playing_rpm": None,
        "reference_pitch_hz": 440.0, "remark": "not measurable: nothing is heard above the noise",
    }  # fmt: skip
    said = speed_words(speed)
    assert said.endswith("Not measurable: nothing is heard above the noise.")
    assert not any(letter.isdigit() for letter in said)
