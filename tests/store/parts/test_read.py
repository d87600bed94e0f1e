"""Written parts from MusicXML (W3C, version 4.0), MIDI and CSV; hostile files are refused."""

import io
import zipfile
from pathlib import Path

import pytest

from pipeline.errors import DataError
from pipeline.store.parts import read as reading
from pipeline.store.parts.musicxml import read_musicxml
from pipeline.store.parts.part import Way, WrittenNote, WrittenPart, folded
from pipeline.store.parts.pitch import altered_by, midi_of_name, name_of, signature_of
from pipeline.store.parts.played import played
from pipeline.store.parts.read import read_part

VIOLIN = ("G", "D", "A", "E")


def read(document: bytes) -> WrittenPart:
    return read_musicxml(document, file="a.musicxml", strings=VIOLIN)


def in_order(part: WrittenPart) -> list[WrittenNote]:
    """Notes as played out."""
    of = {note.event: note for note in part.notes}
    return [of[event] for event in played(part.last_event, part.ways)]


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
    notes = read(FINGERED).notes
    assert [n.midi for n in notes] == [69.0, 71.0, 74.0, 76.0, 72.0]
    assert [n.finger for n in notes] == [0, 1, 1, None, None]
    assert notes[1].string == "A"  # string 2 of MusicXML counts from the highest
    assert notes[1].slide_marked
    assert [n.slurred_to_next for n in notes] == [False, True, False, False, False]
    assert [(n.bar, n.beat, n.beats, n.name) for n in notes[:3]] == [
        *(("1", 1.0, 1.0, "A4"), ("1", 2.0, 1.0, "B4"), ("1", 3.0, 1.0, "D5")),
    ]
    assert [(n.onset, n.beats) for n in notes[3:]] == [(3.0, 2.0), (4.0, 1.0)]  # tied: one note of two beats


def test_a_compressed_score_reads_like_a_plain_one(tmp_path: Path) -> None:
    container = '<container><rootfiles><rootfile full-path="score/part.xml"/></rootfiles></container>'
    with zipfile.ZipFile(tmp_path / "a.mxl", "w") as archive:
        archive.writestr("META-INF/container.xml", container)
        archive.writestr("score/part.xml", FINGERED)
    (tmp_path / "a.musicxml").write_bytes(FINGERED)
    packed = read_part(tmp_path / "a.mxl", strings=VIOLIN)
    assert packed == read_part(tmp_path / "a.musicxml", strings=VIOLIN)
    assert [note.event for note in packed.notes] == [1, 2, 3, 4, 5]


def test_an_entity_bomb_is_refused(tmp_path: Path) -> None:
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><score-partwise>&b;</score-partwise>'
    with pytest.raises(DataError, match="declares entities"):
        read(bomb)


def test_a_zip_bomb_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MOST_BYTES", 10_000)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("score.xml", b" " * 1_000_000)
    (tmp_path / "bomb.mxl").write_bytes(packed.getvalue())
    with pytest.raises(DataError, match="unpacks to more"):
        read_part(tmp_path / "bomb.mxl", strings=VIOLIN)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.musicxml", b"<html/>", "root is <html>"),
        ("a.musicxml", b"not xml", "not readable as XML"),
        ("a.mxl", b"not a zip", "not readable"),
        ("a.pdf", b"", "neither"),
        ("a.csv", b"pitch,fingr\nA4,1\n", "unknown column 'fingr'"),
        ("a.csv", b"pitch,finger\nH4,1\n", "row 2"),
        ("a.csv", b"Bar,Measure,Note\n1,1,A4\n", "'Bar' and 'Measure' both mean bar"),
        ("a.csv", b"finger\n1\n", "no column note, pitch, midi or time"),
        ("a.csv", b"note,finger\nA4,1\n,2\n", "row 3: neither note nor time"),
        ("a.csv", b"time,finger\nhalf past,1\n", "row 2: time = 'half past' is not a number"),
        ("a.csv", b"time,finger\nnan,1\n", "row 2: time = 'nan' is not a number"),
        ("a.csv", b"time,finger\n3.5,1\n", "row 2: time = 3.5 without a take"),
        ("a.csv", b"take,time,finger\none,3.5,1\n", "row 2: time = 3.5: no note was found there; run first"),
        ("a.csv", b"note,bar\nA4,1\nB4,one\n", "row 3: bar = 'one' is not a bar"),
        ("a.csv", b"note,beat\nA4,0\n", "row 2: beat = '0' is not a number from 1 to 64"),
        ("a.mid", b"MThd\0\0\0\6\0\0", "not readable as MIDI"),
        ("a.csv", b"note,string\nA4,B\n", "row 2: string = 'B' is not a string of the instrument"),
    ],
)
def test_bad_files_are_refused_with_a_reason(tmp_path: Path, name: str, content: bytes, said: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(DataError, match=said):
        read_part(tmp_path / name, strings=VIOLIN)


def test_a_csv_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("pitch,string,finger,position\nF#5,E,1,1\nBb5,,4,\n", encoding="utf-8")
    notes = read_part(tmp_path / "a.csv", strings=VIOLIN).notes
    assert [(n.midi, n.name, n.finger, n.string) for n in notes] == [(78.0, "F#5", 1, "E"), (82.0, "Bb5", 4, None)]


def test_rows_of_one_beat_are_a_chord_and_bars_that_go_back_a_repeat(tmp_path: Path) -> None:
    rows = ["1,1,D4", "1,1,B4", "1,3,A4", "1a,1,G4", "1,1,D4", "1,1,B4", "1,3,A4", "2,1,C5"]
    (tmp_path / "a.csv").write_text("bar,beat,note\n" + "\n".join(rows), encoding="utf-8")
    part = read_part(tmp_path / "a.csv", strings=VIOLIN)
    assert [(n.event, n.bar, n.bar_index, n.name) for n in part.notes] == [
        *((1, "1", 1, "D4"), (1, "1", 1, "B4"), (2, "1", 1, "A4"), (3, "1a", 2, "G4"), (4, "2", 3, "C5")),
    ]
    assert part.ways == (Way(2, 4, "ending"), Way(3, 1, "repeat"))
    assert played(4, part.ways) == [1, 2, 3, 1, 2, 4]


def test_a_csv_may_say_when_instead_of_which_note(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("take,time,string,finger\none,1.5,E,1\none,3.25,,4\n", encoding="utf-8")
    sounds = {("one", 1.5): 78.1, ("one", 3.25): 81.9}
    part = read_part(tmp_path / "a.csv", strings=VIOLIN, sounding=lambda take, time_s: sounds.get((take, time_s)))
    assert [(n.midi, n.take_id, n.time_s) for n in part.notes] == [(78.0, "one", 1.5), (82.0, "one", 3.25)]


def test_pitch_names() -> None:
    assert [midi_of_name(n) for n in ("A4", "C4", "Cb4", "F##3", "E5")] == [69.0, 60.0, 59.0, 55.0, 76.0]


def test_a_signature_spells_what_is_given_by_number(tmp_path: Path) -> None:
    # Raised and lowered notes of keys from six flats to six sharps: common theory of music, from memory.
    spelt = {-6: "Gb4 Cb5", -3: "Ab4 B4", 0: "F#4 G#4", 3: "G#4 D#5", 6: "E#4 A#4"}
    for signature, names in spelt.items():
        for name in names.split():
            assert name_of(midi_of_name(name), signature) == name
    assert [signature_of(key) for key in ("C major", "A minor", "E flat major", "F# minor", "Bb minor")] == [
        0,
        0,
        -3,
        3,
        -5,
    ]
    assert [signature_of(key) for key in (None, "", "G# major", "H")] == [None] * 4
    assert altered_by(-2) == {"B": -1, "E": -1}
    assert altered_by(3) == {"F": 1, "C": 1, "G": 1}
    assert altered_by(0) == altered_by(None) == {}
    (tmp_path / "a.csv").write_text("midi,signature\n68,-3\n68,4\n68,\n", encoding="utf-8")
    notes = read_part(tmp_path / "a.csv", strings=VIOLIN, signature=-1).notes
    assert [(n.name, n.signature) for n in notes] == [("Ab4", -3), ("G#4", 4), ("Ab4", -1)]


def test_ties_may_be_notated_only_and_grace_notes_count() -> None:
    # MusicXML 4.0: <tie> is the sound, <tied> the notation; some programs write only the second.
    score = _score(
        _note("G", 4, '<notations><tied type="start"/></notations>'),
        _note("G", 4, '<notations><tied type="stop"/></notations>')
        + "<note><grace/><pitch><step>B</step><octave>4</octave></pitch><voice>1</voice></note>"
        + _note("A", 4),
    )
    notes = read(score).notes
    assert [(n.midi, n.grace, n.event) for n in notes] == [(67.0, False, 1), (71.0, True, 2), (69.0, False, 3)]
    assert [n.beat for n in notes[1:]] == [2.0, 2.0]


def test_under_an_octave_sign_pitches_stand_as_they_sound() -> None:
    # MusicXML 4.0, octave-shift: the sign lies apart from the pitch data, which is what is performed.
    sign = '<direction><direction-type><octave-shift type="{}" size="8"/></direction-type><voice>1</voice></direction>'
    score = _score(sign.format("down") + _note("E", 6) + sign.format("stop") + _note("E", 5))
    assert [n.midi for n in read(score).notes] == [88.0, 76.0]


def test_all_notes_of_a_chord_are_kept_where_the_chord_begins() -> None:
    low = _note("D", 4, "<notations><technical><fingering>0</fingering></technical></notations>", length=8)
    high = _note("B", 4, "<notations><technical><fingering>1</fingering></technical></notations>", before="<chord/>")
    for second in (high, high.replace("<duration>4", "<duration>8")):  # MusicXML: the chord has one length
        notes = read(_score(_note("A", 4, length=8) + low + second)).notes
        assert [(n.midi, n.finger, n.event, n.beat) for n in notes] == [
            *((69.0, None, 1, 1.0), (62.0, 0, 2, 3.0), (71.0, 1, 2, 3.0)),
        ]


def test_two_voices_that_begin_together_are_one_event() -> None:
    second = _note("G", 3, length=8).replace("<voice>1", "<voice>2")
    upper = _note("B", 4) + _note("C", 5) + "<backup><duration>8</duration></backup>"
    notes = read(_score(upper + second)).notes
    assert [(n.midi, n.event, n.beat) for n in notes] == [(55.0, 1, 1.0), (71.0, 1, 1.0), (72.0, 2, 2.0)]


def test_an_upbeat_counts_back_from_the_bar_line() -> None:
    score = _score(_note("D", 4), _note("G", 4, length=16)).replace(b'number="1"', b'number="0" implicit="yes"')
    assert [(n.bar, n.bar_index, n.beat, n.onset) for n in read(score).notes] == [
        ("0", 1, 4.0, 0.0),
        ("2", 2, 1.0, 1.0),
    ]


def test_a_part_of_a_score_is_chosen_by_name_or_number() -> None:
    names = "".join(f"<score-part><part-name>{name}</part-name></score-part>" for name in ("Vl", "Vc"))
    bars = "".join(f'<part><measure number="1">{_note(step, 4)}</measure></part>' for step in "EG")
    score = f"<score-partwise><part-list>{names}</part-list>{bars}</score-partwise>".encode()
    for part, name in ((None, "E4"), ("vc", "G4"), ("2", "G4"), ("1", "E4")):
        assert read_musicxml(score, file="a", strings=VIOLIN, part=part).notes[0].name == name
    with pytest.raises(DataError, match="a: has no part '3'; its parts are 1 Vl, 2 Vc"):
        read_musicxml(score, file="a", strings=VIOLIN, part="3")


def test_midi_is_read_with_its_bars_as_pretty_midi_writes_it(tmp_path: Path) -> None:
    import pretty_midi

    song = pretty_midi.PrettyMIDI(initial_tempo=60.0)
    song.time_signature_changes.append(pretty_midi.TimeSignature(3, 4, 0.0))
    song.key_signature_changes.append(pretty_midi.KeySignature(3, 3.0))  # E flat major, from bar 2
    song.instruments.append(pretty_midi.Instrument(program=40))
    for midi, start, end in ((69, 0.0, 1.0), (62, 1.0, 3.0), (71, 1.0, 3.0), (72, 3.0, 4.5), (71, 4.5, 5.0)):
        song.instruments[0].notes.append(pretty_midi.Note(velocity=80, pitch=midi, start=start, end=end))
    song.write(str(tmp_path / "a.mid"))
    notes = read_part(tmp_path / "a.mid", strings=VIOLIN, signature=2).notes
    assert [n.signature for n in notes] == [2, 2, 2, -3, -3]
    assert [(n.midi, n.event, n.bar, n.beat, n.beats) for n in notes] == [
        *((69, 1, "1", 1.0, 1.0), (62, 2, "1", 2.0, 2.0), (71, 2, "1", 2.0, 2.0)),
        *((72, 3, "2", 1.0, 1.5), (71, 4, "2", 2.5, 0.5)),
    ]


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
    part = read(score)
    assert [n.bar for n in part.notes] == sorted(set(order.split()))  # as on paper
    notes = in_order(part)
    assert " ".join(str(n.bar) for n in notes) == order
    again = folded([WrittenNote(n.midi, bar=n.bar, bar_index=n.bar_index, beat=n.beat) for n in notes])
    assert [n.midi for n in again.notes] == [n.midi for n in part.notes]
    assert played(again.last_event, again.ways) == [n.event for n in notes]
    whole = score.decode().replace('<part id="P1">', f'{LIST}<part id="P1">')
    other = music21.converter.parse(whole, format="musicxml").parts[0].expandRepeats()
    assert [n.midi for n in notes] == [float(n.pitch.midi) for n in other.recurse().notes]


def test_da_capo_and_dal_segno() -> None:
    # Common practice: no repeats the second time, of endings the last.
    plain = [_note(step, 4, length=16) for step in "CDEF"]
    fine = _score(plain[0] + AGAIN, _sound('fine="yes"', "Fine") + plain[1], plain[2] + _sound('dacapo="yes"', "D.C."))
    assert [int(n.bar or 0) for n in in_order(read(fine))] == [1, 1, 2, 3, 1, 2]
    assert {way.way for way in read(fine).ways} == {"repeat", "da_capo", "fine"}
    coda = _score(
        plain[0],
        _sound('segno="s"', "") + plain[1] + _sound('tocoda="c"', "To Coda"),
        plain[2] + _sound('dalsegno="s"', "D.S."),
        _sound('coda="c"', "") + plain[3],
    )
    assert [int(n.bar or 0) for n in in_order(read(coda))] == [1, 2, 3, 2, 4]


def test_a_bomb_of_repeats_is_refused() -> None:
    endless = '<barline location="right"><repeat direction="backward" times="999999999"/></barline>'
    with pytest.raises(DataError, match="bar 1: a repeat is played 999999999 times"):
        read(_score(_note("A", 4) + endless))


@pytest.mark.parametrize(
    "text", ["Bar,Note,Finger\n7,A4,1\n", "Takt;Ton;Fingersatz\n7;A4;1\n", "\ufeffMesure\tNote\tDoigté\r\n7\tA4\t1\r\n"]
)
def test_headings_may_be_written_as_people_do(tmp_path: Path, text: str) -> None:
    (tmp_path / "a.csv").write_bytes(text.encode())
    (note,) = read_part(tmp_path / "a.csv", strings=VIOLIN).notes
    assert (str(note.bar), note.midi, note.finger) == ("7", 69.0, 1)
