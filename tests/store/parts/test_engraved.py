"""MEI, Humdrum and ABC through verovio, against what music21 reads of the same text."""

import sys
from pathlib import Path

import pytest

from pipeline.errors import DataError
from pipeline.store.parts.part import Way
from pipeline.store.parts.read import read_part

VIOLIN = ("G", "D", "A", "E")
ABC = "X:1\nT:Made\nM:3/4\nL:1/4\nK:D\nA | d2 (f | e2) {g}a | [D2B2] z | z3 | d3- | d2 z |]\n"
KERN = """**kern
*clefG2
*k[f#]
*M3/4
=1
4g
[2b
=2
4b]
4g 4dd
(4a
=3
2.r
=4
8f#)
8g
2a
=
*-
"""
NOTE = '<note xml:id="n{}" pname="{}" oct="4" dur="4"/>'
BARS = [("g", ""), ("a", 'left="rptstart"'), ("b", 'right="rptend"'), ("c", "")]
MEI = (
    '<mei xmlns="http://www.music-encoding.org/ns/mei" meiversion="5.0"><music><body><mdiv><score>'
    '<scoreDef meter.count="1" meter.unit="4"><staffGrp><staffDef n="1" lines="5" clef.shape="G" clef.line="2"/>'
    "</staffGrp></scoreDef><section>"
    + "".join(
        (f'<ending n="{number - 2}">' if number > 2 else "")
        + f'<measure n="{number}" {attribute}><staff n="1"><layer n="1">{NOTE.format(number, name)}</layer></staff>'
        + (f'<fing startid="#n{number}">{number}</fing>' if number < 3 else "")
        + ('<gliss startid="#n1" endid="#n2"/><slur startid="#n1" endid="#n2"/>' if number == 2 else "")
        + "</measure>"
        + ("</ending>" if number > 2 else "")
        for number, (name, attribute) in enumerate(BARS, start=1)
    )
    + "</section></score></mdiv></body></music></mei>"
)


@pytest.mark.parametrize(("ending", "text"), [("abc", ABC), ("krn", KERN)])
def test_notes_stand_where_music21_reads_them(tmp_path: Path, ending: str, text: str) -> None:
    import music21

    (tmp_path / f"a.{ending}").write_text(text, encoding="utf-8")
    part = read_part(tmp_path / f"a.{ending}", strings=VIOLIN)
    ours = [(n.onset, n.midi) for n in part.notes if not n.grace]
    other = music21.converter.parse(text, format={"abc": "abc", "krn": "humdrum"}[ending]).stripTies().flatten().notes
    theirs = [(float(n.offset), float(p.midi)) for n in other if n.quarterLength > 0 for p in sorted(n.pitches)]
    assert ours == sorted(theirs)
    (signature,) = music21.converter.parse(text, format={"abc": "abc", "krn": "humdrum"}[ending])[
        music21.key.KeySignature
    ]
    assert {n.signature for n in part.notes} == {signature.sharps}
    assert [n.slurred_to_next for n in part.notes].count(True) == 1


def test_mei_keeps_fingers_slides_and_ways(tmp_path: Path) -> None:
    (tmp_path / "a.mei").write_text(MEI, encoding="utf-8")
    part = read_part(tmp_path / "a.mei", strings=VIOLIN)
    assert [(n.bar, n.name, n.finger, n.slide_marked, n.slurred_to_next) for n in part.notes] == [
        *(("1", "G4", 1, True, True), ("2", "A4", 2, False, False)),
        *(("3", "B4", None, False, False), ("4", "C4", None, False, False)),
    ]
    assert part.ways == (Way(2, 4, "ending"), Way(3, 2, "repeat"))


@pytest.mark.parametrize(("name", "text"), [("a.mei", "<html/>"), ("a.krn", ""), ("a.abc", "\0\0"), ("b.mei", "<mei")])
def test_what_is_no_music_is_refused(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(DataError, match=rf"{name}: (is not readable as|holds no notes)"):
        read_part(tmp_path / name, strings=VIOLIN)


def test_without_verovio_the_cure_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "verovio", None)
    (tmp_path / "a.abc").write_text(ABC, encoding="utf-8")
    with pytest.raises(DataError, match=r"a\.abc: abc is read through verovio, .*pip install 'glideline\[scores\]'"):
        read_part(tmp_path / "a.abc", strings=VIOLIN)
