"""Printed fingerings from MusicXML (W3C, version 4.0) and CSV; hostile files are refused."""

import io
import zipfile
from pathlib import Path

import pytest

from pipeline.errors import DataError
from pipeline.store.formats import musicxml_in
from pipeline.store.formats.musicxml_in import midi_of_name, read_musicxml, read_printed

VIOLIN = ("G", "D", "A", "E")
HEAD = '<?xml version="1.0"?><!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" ' + (
    '"http://www.musicxml.org/dtds/partwise.dtd">'
)


def _note(step: str, octave: int, inner: str = "", *, length: int = 4, before: str = "") -> str:
    return (
        f"<note>{before}<pitch><step>{step}</step><octave>{octave}</octave></pitch><duration>{length}</duration>"
        f"<voice>1</voice>{inner}</note>"
    )


def _score(*bars: str) -> bytes:
    body = "".join(f'<measure number="{i}">{bar}</measure>' for i, bar in enumerate(bars, start=1))
    first = "<attributes><divisions>4</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>"
    body = body.replace('<measure number="1">', f'<measure number="1">{first}', 1)
    return f'{HEAD}<score-partwise version="4.0"><part id="P1">{body}</part></score-partwise>'.encode()


FINGERED = _score(
    _note("A", 4, "<notations><technical><open-string/></technical></notations>")
    + _note(
        "B",
        4,
        '<notations><slur type="start"/><slide type="start"/>'
        "<technical><fingering>1</fingering><string>2</string></technical></notations>",
    )
    + _note("D", 5, '<notations><slur type="stop"/><technical><fingering>1</fingering></technical></notations>'),
    _note("E", 5, '<notations><tied type="start"/></notations>', before='<tie type="start"/>')
    + _note("E", 5, before='<tie type="stop"/>')
    + _note("C", 5, before="<chord/>"),
)


def test_marks_for_the_hand_are_read() -> None:
    notes = read_musicxml(FINGERED, file="a.musicxml", strings=VIOLIN)
    assert [n.midi for n in notes] == [69.0, 71.0, 74.0, 76.0]
    assert [n.finger for n in notes] == [0, 1, 1, None]
    assert notes[1].string == "A"  # string 2 of MusicXML counts from the highest
    assert notes[1].slide_marked
    assert [n.slurred_to_next for n in notes] == [False, True, False, False]
    assert [(n.bar, n.beat) for n in notes[:3]] == [(1, 1.0), (1, 2.0), (1, 3.0)]


def test_a_compressed_score_reads_like_a_plain_one(tmp_path: Path) -> None:
    container = '<container><rootfiles><rootfile full-path="score/part.xml"/></rootfiles></container>'
    with zipfile.ZipFile(tmp_path / "a.mxl", "w") as archive:
        archive.writestr("META-INF/container.xml", container)
        archive.writestr("score/part.xml", FINGERED)
    (tmp_path / "a.musicxml").write_bytes(FINGERED)
    packed = read_printed(tmp_path / "a.mxl", work_id="w", edition="e", strings=VIOLIN)
    plain = read_printed(tmp_path / "a.musicxml", work_id="w", edition="e", strings=VIOLIN)
    assert packed.equals(plain)
    assert packed["note_number"].to_list() == [1, 2, 3, 4]


def test_an_entity_bomb_is_refused(tmp_path: Path) -> None:
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><score-partwise>&b;</score-partwise>'
    with pytest.raises(DataError, match="not readable as XML"):
        read_musicxml(bomb, file="bomb.xml", strings=VIOLIN)


def test_a_zip_bomb_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(musicxml_in, "MOST_BYTES", 10_000)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("score.xml", b" " * 1_000_000)
    (tmp_path / "bomb.mxl").write_bytes(packed.getvalue())
    with pytest.raises(DataError, match="unpacks to more"):
        read_printed(tmp_path / "bomb.mxl", work_id="w", edition="e", strings=VIOLIN)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.musicxml", b"<html/>", "root is <html>"),
        ("a.musicxml", b"not xml", "not readable as XML"),
        ("a.mxl", b"not a zip", "not readable"),
        ("a.pdf", b"", "neither"),
        ("a.csv", b"pitch,fingr\nA4,1\n", "unknown column 'fingr'"),
        ("a.csv", b"pitch,finger\nH4,1\n", "row 2"),
        ("a.csv", b"finger\n1\n", "no column note, pitch, midi or time"),
        ("a.csv", b"note,finger\nA4,1\n,2\n", "row 3: neither note nor time"),
        ("a.csv", b"time,finger\nhalf past,1\n", "row 2: time = 'half past' is not a number"),
        ("a.csv", b"time,finger\nnan,1\n", "row 2: time = 'nan' is not a number"),
        ("a.csv", b"time,finger\n3.5,1\n", "row 2: gives a time and no note"),
        ("a.csv", b"note,string\nA4,B\n", "row 2: string = 'B'; the strings are G, D, A, E"),
    ],
)
def test_bad_files_are_refused_with_a_reason(tmp_path: Path, name: str, content: bytes, said: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(DataError, match=said):
        read_printed(tmp_path / name, work_id="w", edition="e", strings=VIOLIN)


def test_a_csv_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("pitch,string,finger,position\nF#5,E,1,1\nBb5,,4,\n", encoding="utf-8")
    frame = read_printed(tmp_path / "a.csv", work_id="w", edition="e", strings=VIOLIN)
    assert frame["midi"].to_list() == [78.0, 82.0]
    assert frame["finger"].to_list() == [1, 4]
    assert frame["string"].to_list() == ["E", None]


def test_a_csv_may_say_when_instead_of_which_note(tmp_path: Path) -> None:
    lines = "take,time,string,finger\none,1.5,E,1\ntwo,2,E,3\none,3.25,,4\n"
    (tmp_path / "a.csv").write_text(lines, encoding="utf-8")
    sounds = {1.5: 78.1, 3.25: 81.9}
    frame = read_printed(
        tmp_path / "a.csv", work_id="w", edition="e", strings=VIOLIN, take_id="one", sounding=sounds.get
    )
    assert frame["midi"].to_list() == [78.0, 82.0]
    assert frame["time_s"].to_list() == [1.5, 3.25]
    assert frame["take_id"].to_list() == ["one", "one"]
    with pytest.raises(DataError, match=r"row 4: time = 3\.25: no note was found there"):
        read_printed(
            tmp_path / "a.csv", work_id="w", edition="e", strings=VIOLIN, take_id="one", sounding={1.5: 78.0}.get
        )
    with pytest.raises(DataError, match="no row of the take three; its takes are one, two"):
        read_printed(tmp_path / "a.csv", work_id="w", edition="e", strings=VIOLIN, take_id="three")


def test_pitch_names() -> None:
    assert [midi_of_name(n) for n in ("A4", "C4", "Cb4", "F##3", "E5")] == [69.0, 60.0, 59.0, 55.0, 76.0]


def test_ties_may_be_notated_only_and_grace_notes_count() -> None:
    # MusicXML 4.0: <tie> is the sound, <tied> the notation; some programs write only the second.
    score = _score(
        _note("G", 4, '<notations><tied type="start"/></notations>'),
        _note("G", 4, '<notations><tied type="stop"/></notations>')
        + "<note><grace/><pitch><step>B</step><octave>4</octave></pitch><voice>1</voice></note>"
        + _note("A", 4),
    )
    notes = read_musicxml(score, file="a.musicxml", strings=VIOLIN)
    assert [n.midi for n in notes] == [67.0, 71.0, 69.0]
    assert [n.beat for n in notes[1:]] == [2.0, 2.0]


def test_under_an_octave_sign_pitches_stand_as_they_sound() -> None:
    # MusicXML 4.0, octave-shift: the sign lies apart from the pitch data, which is what is performed.
    sign = '<direction><direction-type><octave-shift type="{}" size="8"/></direction-type><voice>1</voice></direction>'
    score = _score(sign.format("down") + _note("E", 6) + sign.format("stop") + _note("E", 5))
    assert [n.midi for n in read_musicxml(score, file="a.musicxml", strings=VIOLIN)] == [88.0, 76.0]


def test_of_a_chord_the_highest_note_is_kept_with_its_finger() -> None:
    low = _note("D", 4, "<notations><technical><fingering>0</fingering></technical></notations>")
    high = _note("B", 4, "<notations><technical><fingering>1</fingering></technical></notations>", before="<chord/>")
    notes = read_musicxml(_score(low + high), file="a.musicxml", strings=VIOLIN)
    assert [(n.midi, n.finger) for n in notes] == [(71.0, 1)]


BEGIN = '<barline location="left"><repeat direction="forward"/></barline>'
AGAIN = '<barline location="right"><repeat direction="backward"/></barline>'


def _ending(numbers: str, *, repeat: str = "") -> tuple[str, str]:
    left = f'<barline location="left"><ending number="{numbers}" type="start"/></barline>'
    return left, f'<barline location="right"><ending number="{numbers}" type="stop"/>{repeat}</barline>'


def _sound(attributes: str, words: str) -> str:
    return f"<direction><direction-type><words>{words}</words></direction-type><sound {attributes}/></direction>"


BACK = '<repeat direction="backward"/>'
LIST = '<part-list><score-part id="P1"><part-name>Violin</part-name></score-part></part-list>'
# Bars as (before its note, after it), and the bars in the order played.
PARTS = {
    "from the beginning": ([("", ""), ("", AGAIN), ("", "")], "1 2 1 2 3"),
    "between two signs": ([("", ""), (BEGIN, ""), ("", AGAIN), ("", "")], "1 2 3 2 3 4"),
    "two endings": (
        [(BEGIN, ""), ("", ""), _ending("1", repeat=BACK), _ending("2"), ("", "")],
        "1 2 3 1 2 4 5",
    ),
    "one ending for two times": (
        [(BEGIN, ""), _ending("1, 2", repeat=BACK), _ending("3"), ("", "")],
        "1 2 1 2 1 3 4",
    ),
    "two repeats": ([("", AGAIN), (BEGIN, AGAIN), ("", "")], "1 1 2 2 3"),
    "two parts with endings": (
        [
            *[(BEGIN, ""), _ending("1", repeat=BACK), _ending("2")],
            *[(BEGIN, ""), _ending("1", repeat=BACK), _ending("2")],
        ],
        "1 2 1 3 4 5 4 6",
    ),
}


@pytest.mark.parametrize("name", PARTS)
def test_repeats_are_written_out_as_music21_does(name: str) -> None:
    import music21

    bars, order = PARTS[name]
    pitches = [("C", 4), ("D", 4), ("E", 4), ("F", 4), ("G", 4), ("A", 4)]
    score = _score(
        *(before + _note(*pitch, length=16) + after for (before, after), pitch in zip(bars, pitches, strict=False))
    )
    notes = read_musicxml(score, file="a.musicxml", strings=VIOLIN)
    assert " ".join(str(n.bar) for n in notes) == order
    whole = score.decode().replace('<part id="P1">', f'{LIST}<part id="P1">')
    other = music21.converter.parse(whole, format="musicxml").parts[0].expandRepeats()
    assert [n.midi for n in notes] == [float(n.pitch.midi) for n in other.recurse().notes]


def test_da_capo_and_dal_segno() -> None:
    # Common practice: no repeats the second time, of endings the last.
    plain = [_note(step, 4, length=16) for step in "CDEF"]
    fine = _score(plain[0] + AGAIN, _sound('fine="yes"', "Fine") + plain[1], plain[2] + _sound('dacapo="yes"', "D.C."))
    played = read_musicxml(fine, file="a.musicxml", strings=VIOLIN)
    assert [n.bar for n in played] == [1, 1, 2, 3, 1, 2]
    coda = _score(
        plain[0],
        _sound('segno="s"', "") + plain[1] + _sound('tocoda="c"', "To Coda"),
        plain[2] + _sound('dalsegno="s"', "D.S."),
        _sound('coda="c"', "") + plain[3],
    )
    assert [n.bar for n in read_musicxml(coda, file="a.musicxml", strings=VIOLIN)] == [1, 2, 3, 2, 4]


def test_a_bomb_of_repeats_is_refused() -> None:
    endless = '<barline location="right"><repeat direction="backward" times="999999999"/></barline>'
    with pytest.raises(DataError, match="more than 20000 bars"):
        read_musicxml(_score(_note("A", 4) + endless), file="a.musicxml", strings=VIOLIN)
