"""Any bytes, and bytes that are nearly right, into every door: no crash but our own errors, nothing touched outside.

200 examples a target, or as many as FUZZ_EXAMPLES says; the catalogue's reader and dates have theirs beside their own
tests. More, guided by coverage: ``fuzz_on_demand.py``. Examples are drawn alike every time, so that a failure can be
seen again.
"""

import json
import os
import struct
import sys
import traceback
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.helpers import fuzz_targets

pytestmark = pytest.mark.slow
# ruff: noqa: E501 (lists of words)
many = settings(
    max_examples=int(os.environ.get("FUZZ_EXAMPLES", "200")),
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
)
MOST_BYTES = 300_000_000


@pytest.fixture(autouse=True)
def room(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Targets have a folder of their own, and leave nothing there, nor where they are called from, nor in memory."""
    path, here = tmp_path_factory.mktemp("room"), tmp_path_factory.mktemp("here")
    monkeypatch.setattr(fuzz_targets, "ROOM", path)
    monkeypatch.chdir(here)
    before = _most_memory()
    yield
    if fuzz_targets.reviewed.cache_info().currsize:
        fuzz_targets.reviewed()[0].cleanup()
        fuzz_targets.reviewed.cache_clear()
    assert list(path.iterdir()) == []
    assert list(here.iterdir()) == []
    assert _most_memory() - before < MOST_BYTES


def _most_memory() -> int:
    if sys.platform == "win32":
        return 0
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


def trouble(target: str, content: bytes) -> str:
    """What went wrong in a target but for errors of ours: a broken promise of the target, or any other exception."""
    try:
        fuzz_targets.TARGETS[target](content)
    except Exception:
        return traceback.format_exc()
    return ""


def mixed(words: list[str], *, separators: str = "", most: int = 25) -> st.SearchStrategy[bytes]:
    """Text of words that belong there, in any order, with anything between them."""
    piece = st.one_of(st.sampled_from(words), st.text(max_size=6), st.sampled_from(list(separators or " ")))
    return st.lists(piece, max_size=most).map(lambda pieces: "".join(pieces).encode("utf-8", "surrogatepass"))


@st.composite
def riff_files(draw: st.DrawFn) -> bytes:
    """RIFF, RF64 and AIFF files whose chunks lie about their sizes."""
    head = draw(st.sampled_from([b"RIFF", b"RF64", b"BW64", b"FORM"]))
    kind = draw(st.sampled_from([b"WAVE", b"AIFF", b"AIFC", b"JUNK"]))
    order = ">" if head == b"FORM" else "<"
    made = head + struct.pack(f"{order}I", draw(st.sampled_from([0, 36, 2**31, 2**32 - 1]))) + kind
    for _ in range(draw(st.integers(0, 5))):
        name = draw(st.sampled_from([b"fmt ", b"data", b"bext", b"LIST", b"ds64", b"COMM", b"SSND", b"cue ", b"id3 "]))
        body = draw(
            st.one_of(
                st.binary(max_size=60),
                st.builds(
                    struct.pack,
                    st.just("<HHIIHH"),
                    st.sampled_from([1, 3, 6, 7, 17, 0xFFFE]),
                    st.integers(0, 9),
                    st.sampled_from([0, 1, 8_000, 44_100, 2**32 - 1]),
                    st.just(16_000),
                    st.integers(0, 9),
                    st.sampled_from([0, 1, 8, 16, 24, 32, 64]),
                ),
                st.builds(lambda rest: b"INFOINAM" + rest, st.binary(max_size=30)),
                st.just(bytes(300)),
            )
        )
        size = draw(st.one_of(st.just(len(body)), st.sampled_from([0, 1, 2**31, 2**32 - 1])))
        made += name + struct.pack(f"{order}I", size) + body + b"\0" * (len(body) % 2)
    return made


@many
@given(st.one_of(st.binary(max_size=300), riff_files()))
def test_sound_headers(content: bytes) -> None:
    assert trouble("sound_header", content) == ""


@many
@given(st.one_of(st.binary(max_size=700), st.binary(max_size=99).map(lambda rest: bytes(602) + b"A=PCM,T=" + rest)))
def test_broadcast_chunks(content: bytes) -> None:
    assert trouble("broadcast_chunk", content) == ""


TOML = ["[intake]", "[summarise]", "seed", "shortest_s", "title", " = ", "1", "-7", "1e400", "nan", '"x"', "'''", "[[", "]",
        "{", "}", "\n", "#", "true", "1979-05-27", ".", "0x_", "\\u0000", "follow", "scoring", '"comb"', "9" * 30]  # fmt: skip


@many
@given(st.one_of(st.binary(max_size=200), mixed(TOML)))
def test_settings(content: bytes) -> None:
    assert trouble("settings", content) == ""


SHEET = [
    "file",
    "Player",
    "Year",
    "Matrix",
    "one.wav",
    "1903",
    '"',
    '""',
    "\n",
    "\r\n",
    "\r",
    "\x00",
    "\ufeff",
    ";",
    ",",
]


@many
@given(st.one_of(st.binary(max_size=200), mixed(SHEET, separators=",;\t\n")))
def test_sheets(content: bytes) -> None:
    assert trouble("sheet", content) == ""


PARTS = [
    "[Content_Types].xml",
    "xl/workbook.xml",
    "xl/worksheets/sheet1.xml",
    "_rels/.rels",
    "xl/_rels/workbook.xml.rels",
]
XML = ["<?xml version='1.0'?>", "<a>", "</a>", "<!DOCTYPE a [<!ENTITY b 'c'>]>", "&b;", "<workbook>", "<sheets/>",
       "</workbook>", "<sheetData><row><c r='A1'><v>1</v></c></row></sheetData>", "<Types/>", "]]>", "<", ">"]  # fmt: skip


@many
@given(
    st.one_of(
        st.binary(max_size=200),
        st.lists(st.tuples(st.sampled_from(PARTS), mixed(XML, most=6)), max_size=5, unique_by=lambda part: part[0]).map(
            fuzz_targets.zipped
        ),
    )
)
def test_workbooks(content: bytes) -> None:
    assert trouble("workbook", content) == ""


@st.composite
def coded_files(draw: st.DrawFn) -> bytes:
    """MPEG-4, bare AAC, MP3 and Ogg whose boxes, frames and pages lie about their lengths."""
    kind = draw(st.sampled_from(["boxes", "adts", "mpeg", "ogg"]))
    bodies = draw(st.lists(st.binary(max_size=60), max_size=5))
    made = b""
    for number, body in enumerate(bodies):
        said = draw(st.sampled_from([len(body), 0, 1, 7, 255]))
        if kind == "boxes":
            name = b"ftypM4A " if number == 0 else draw(st.sampled_from([b"moov", b"mdat", b"trak", b"free", b"stco"]))
            wide = struct.pack(">Q", draw(st.sampled_from([0, said + 16, 2**63, 2**64 - 1])))
            size = draw(st.sampled_from([said + 8, 0, 1, 2**32 - 1]))
            made += struct.pack(">I", size) + name + (wide if size == 1 else b"") + body
        elif kind == "adts":
            made += b"\xff\xf1\x50" + struct.pack(">I", 0x80000000 | said + 7 << 13 | 0x1FFC) + body
        elif kind == "mpeg":
            made += bytes([0xFF, draw(st.sampled_from([0xFB, 0xFA, 0xF3, 0xE3])), draw(st.integers(0, 255)), 0]) + body
        else:
            head = struct.pack("<BBqIII", 0, draw(st.integers(0, 7)), draw(st.integers(-1, 2**40)), 7, number, 0)
            made += b"OggS" + head + bytes([1, min(said, 255)]) + (b"OpusHead" if number == 0 else b"") + body
    return made


@many
@given(coded_files())
def test_coded_sound(content: bytes) -> None:
    assert trouble("sound_header", content) == ""


EDTF = [
    "1903",
    "190X",
    "19XX",
    "Y",
    "-",
    "/",
    "..",
    "[",
    "]",
    "{",
    "}",
    ",",
    "~",
    "?",
    "%",
    "E5",
    "S2",
    "12",
    "31",
    "99999",
]


@many
@given(mixed(EDTF, most=9))
def test_dates(content: bytes) -> None:
    assert trouble("date", content) == ""


# a few of each language; some stand for two things
DATES = ["12 ", "3. ", "1903", "1907-09", "1902/3", "03.04.1905", "mars ", "März ", "juillet ", "gennaio ", "dic. ", "XII ",
         "mei ", "circa ", "um ", "vers ", "ca", "forse ", "wahrscheinlich ", "vor ", "avant ", "prima del ", "na ", "seit ",
         "entre ", " y ", "zwischen ", " und ", "tussen ", " en ", "de ", " a ", "von ", " bis ", "début ", "Anfang ", "fine ",
         "été ", "Herbst ", " oder ", "?", "190", "s", "-", "–", "'", "0"]  # fmt: skip


@many
@given(mixed(DATES, most=9))
def test_dates_in_words(content: bytes) -> None:
    assert trouble("date", content) == ""


PEOPLE = ["Anna Vint", "B. Ort", "Vint, Anna", "de ", "von ", " / ", " & ", " or ", " und ", "; ", ", ", "? ", "(", ")", "[", "]",
          "c. 1871–1940", "* 1871 † 1940", "b. ", "violin", "vla", "acc. ", "mit ", "attr. ", "peut-être ", "élève de ", "pupil of ",
          "studierte bei ", "allievo di ", "later ", "danach ", "self-taught", "unknown", "Konservatorium", "fils", "Jr.", "1903"]  # fmt: skip


@many
@given(mixed(PEOPLE, most=9))
def test_people(content: bytes) -> None:
    assert trouble("person", content) == ""


CELL = ["440", "4,5", "1.000,5", "78", " rpm", " Hz", "-", "1e400", "nan", "²", "½", "3:45", "4'33\"", "00:", "D ", "Es-", "fis", " moll",
        " dur", "major", "mineur", "re bemol ", "♭", "♯", "piano", "mit Klavier", "orch.", "second violin", "B", "H", "٣"]  # fmt: skip


@many
@given(mixed(CELL, most=6))
def test_cells(content: bytes) -> None:
    assert trouble("cell", content) == ""


HEAD = "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id,comment\n"
CELLS = ["t1", "0" * 64, "0", "1.5", "-1", "1e9", "slide", "no_slide", "same_finger", "lea", "../lea", "con", "2026-01-05",
         "2026-02-30", "", "nan", '"', '"a,b"', "x" * 50, "\u202e", "\x00"]  # fmt: skip


@many
@given(
    st.one_of(
        st.binary(max_size=200),
        st.lists(st.lists(st.sampled_from(CELLS), min_size=8, max_size=11).map(",".join), max_size=3).map(
            lambda lines: (HEAD + "\n".join(lines)).encode()
        ),
    )
)
def test_verdicts(content: bytes) -> None:
    assert trouble("verdicts", content) == ""


LISTED = [
    "player_id",
    "name",
    "born",
    ",",
    "\n",
    "\r\n",
    "a-b",
    "../a",
    "con",
    "1903",
    "1903-99",
    '"',
    "'=1",
    "\ufeff",
    ";",
]
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["title", "resources", "x"]), inner),
    max_leaves=6,
)


@many
@given(
    st.one_of(st.binary(max_size=20), JSON.map(lambda made: json.dumps(made).encode())),
    st.one_of(st.binary(max_size=100), mixed(LISTED, separators=",\n").map(lambda rest: b"player_id,name\n" + rest)),
)
def test_packages_in_folders(descriptor: bytes, table: bytes) -> None:
    assert trouble("package_folder", descriptor + b"\x00" + table) == ""


NAMES = ["datapackage.json", "catalogue/player.csv", "../player.csv", "/player.csv", "a/../../b", "C:x", "a\\..\\..\\b", "",
         "catalogue", "catalogue/", "p/datapackage.json", "con", "x" * 300, "reviews/review.csv", "a\u202eb"]  # fmt: skip


@many
@given(
    st.lists(
        st.tuples(st.sampled_from(NAMES), st.sampled_from([b"{}", b"", b"player_id,name\na,b\n"])), max_size=5
    ).map(lambda entries: fuzz_targets.zipped(list(dict(entries).items()))),
    st.lists(st.tuples(st.integers(0, 2_000), st.integers(0, 255)), max_size=4),
)
def test_packages_in_zips(content: bytes, changes: list[tuple[int, int]]) -> None:
    spoilt = bytearray(content)
    for place, byte in changes:
        if place < len(spoilt):
            spoilt[place] = byte
    assert trouble("package_zip", bytes(spoilt)) == ""


WORDS = ["select ", "* ", "from ", "base.player ", "where ", "1 ", "= ", "'", "(", ")", ";", "--", "/*", "*/", "null ", ", ", '"',
         "union all ", "values ", "current_setting('threads') ", "::interval ", "::bit ", "[1] ", "{'a': 1} ", "$1 ", "? ",
         "order by ", "limit 3 ", "with x as ", "pragma version ", "call pragma_version() ", "explain ", "\x00"]  # fmt: skip


@many
@given(
    st.one_of(st.binary(max_size=60), mixed(WORDS, most=12), mixed(WORDS, most=8).map(lambda rest: b"select " + rest))
)
def test_sql(content: bytes) -> None:
    assert trouble("sql", content) == ""


@many
@given(st.one_of(st.binary(max_size=60), mixed([*WORDS, "take_id ", "is not null ", "true "], most=8)))
def test_conditions(content: bytes) -> None:
    assert trouble("condition", content) == ""


SCORE = ["<score-partwise>", "</score-partwise>", "<part id='P'>", "</part>", "<measure number='1'>", "</measure>", "<note>",
         "</note>", "<pitch><step>A</step><octave>4</octave></pitch>", "<pitch><step>Z</step></pitch>", "<duration>x</duration>",
         "<divisions>0</divisions>", "<technical><fingering>9</fingering><string>7</string></technical>", "<chord/>", "<tie/>",
         "<!DOCTYPE a SYSTEM 'file:///etc/passwd'>", "<!DOCTYPE a [<!ENTITY b 'c'>]>", "&b;", "<rest/>"]  # fmt: skip


@many
@given(st.one_of(st.binary(max_size=100), mixed(SCORE, most=14)))
def test_scores(content: bytes) -> None:
    assert trouble("score", content) == ""


@st.composite
def midi_files(draw: st.DrawFn) -> bytes:
    """MIDI whose tracks hold events in any order, and lie about their lengths."""
    event = st.one_of(
        st.sampled_from([b"\x00\x90\x45\x40", b"\x60\x80\x45\x40", b"\x00\xff\x58\x04\x00\x00\x18\x08",
                         b"\x00\xff\x59\x02\x09\x05", b"\x00\xff\x03\x02\xff\xfe", b"\xff\xff\xff\x7f\x45\x00"]),
        st.binary(max_size=5),
    )  # fmt: skip
    made = b"MThd" + struct.pack(">IHHH", 6, draw(st.integers(0, 3)), 1, draw(st.sampled_from([0, 1, 96, 0xE728])))
    for events in draw(st.lists(st.lists(event, max_size=8), max_size=3)):
        track = b"".join(events) + b"\x00\xff\x2f\x00"
        size = draw(st.sampled_from([len(track), len(track), 0, 3, 2**31]))
        made += b"MTrk" + struct.pack(">I", size) + track
    return made


@many
@given(midi_files())
def test_midi(content: bytes) -> None:
    assert trouble("midi", content) == ""


NOTE_CELLS = [
    "A4",
    "F#5",
    "Bb",
    "H9",
    "69",
    "1e9",
    "-1",
    "nan",
    "1",
    "12a",
    "0",
    "2.5",
    "yes",
    "E",
    "Q",
    "I",
    "5",
    "",
    '"',
    "1/3",
    "٣",
]


@many
@given(
    st.lists(st.sampled_from(["bar", "beat", "note", "midi", "time", "take", "finger", "string", "beats", "grace",
                              "slide_marked", "signature", "position", "Bar", "x"]), min_size=1, max_size=7),
    st.lists(st.lists(st.sampled_from(NOTE_CELLS), min_size=1, max_size=8), max_size=5),
    st.sampled_from([",", ";", "\t"]),
)  # fmt: skip
def test_tables_of_notes(heads: list[str], rows: list[list[str]], separator: str) -> None:
    assert trouble("note_table", "\n".join(separator.join(row) for row in [heads, *rows]).encode()) == ""


MEI = ["<measure n='1' xml:id='m1'>", "<measure n='12a'>", "</measure>", "<staff n='1'>", "<layer>", "</layer></staff>",
       "<note xml:id='n1' pname='a' oct='4'/>", "<note xml:id='n2' pname='z' accid='x'/>", "<note xml:id='n3' grace='acc'/>",
       "<chord xml:id='c1'>", "</chord>", "<tie startid='#n1' endid='#n2'/>", "<slur startid='#n2' endid='#n1'/>",
       "<fing startid='#n1'>7</fing>", "<gliss startid='#c1' endid='#n9'/>", "<meterSig unit='0'/>", "<scoreDef meter.unit='x'/>",
       "<staffDef n='1' keysig='9s' key.sig='3f'/>", "<ending n='2'>", "</ending>", "<dir>D.C.</dir>", "<beam>", "</beam>"]  # fmt: skip


@many
@given(
    st.one_of(
        st.binary(max_size=60),
        mixed(MEI, most=14),
        st.lists(st.sampled_from([word for word in MEI if word.endswith("/>") or "fing" in word]), max_size=9).map(
            lambda words: (
                "<mei xmlns='http://www.music-encoding.org/ns/mei'><staffDef n='1'/><measure n='1'><staff n='1'><layer>"
                f"{''.join(words)}</layer></staff>{''.join(words)}</measure></mei>"
            ).encode()
        ),
    )
)
def test_engraved_scores(content: bytes) -> None:
    assert trouble("engraved", content) == ""
