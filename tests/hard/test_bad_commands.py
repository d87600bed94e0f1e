"""Bad things given to ``new``, ``add``, ``run``, ``query`` and ``listen``: what each command says, word for word.

DIR is the corpus, HERE the folder that holds it and what is given to the commands. Nothing that people keep may
change by any of them, and nothing may be left lying about.
"""

import errno
import json
import os
import zipfile
from pathlib import Path

import pytest

from pipeline.store import corpus as corpus_module
from tests.helpers.made_rows import corpus_folder, small
from tests.helpers.spoilt_corpus import HASH, TABLES, Files, everything, glideline, lay, sound_corpus, words

HEAD = "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id,comment\n"
VERDICT = f"t1,{HASH},0,1,slide,,lea,2026-01-05,,\n"

# ruff: noqa: E501 (a line each, however long)
# fmt: off
# what is bad; files made in HERE; the command; its exit status; what it says
BAD: list[tuple[str, Files, str, int, str]] = [
    # --- the command line itself
    ("no such command", {}, "chek DIR", 2, "glideline: no command 'chek'; did you mean check?"),
    ("no such option", {}, "check DIR --adio", 2, "glideline: no such option: --adio (Possible options: --as, --audio, --no-audio); `glideline check --help` shows what may be given"),
    ("no folder named", {}, "check", 2, "glideline: missing argument 'DIR'; `glideline check --help` shows what may be given"),
    ("folder that is not there", {}, "check HERE/nowhere", 1, "glideline: HERE/nowhere: there is no such folder; is the name right? `glideline new HERE/nowhere` makes a corpus"),
    ("file in the place of a corpus", {"note.txt": "x"}, "check HERE/note.txt", 1, "glideline: HERE/note.txt: is a file; give the folder of a corpus"),
    ("folder that is no corpus", {"box/note.txt": "x"}, "check HERE/box", 1, "glideline: HERE/box: is not a corpus (no catalogue/); `glideline new HERE/box` makes one"),
    ("no such table to explain", {}, "dictionary tranfser", 2, "glideline: no table or view 'tranfser'; did you mean transfer?"),
    # --- new
    ("new where a file is", {"note.txt": "x"}, "new HERE/note.txt", 1, "glideline: HERE/note.txt: is a file; choose another name for the corpus folder"),
    ("new where a corpus is", {}, "new DIR", 1, "glideline: DIR: already holds a corpus; add to it with `glideline add DIR AUDIO…`"),
    # --- new --from
    ("package that is not there", {}, "new HERE/n --from HERE/none.zip", 1, "glideline: HERE/none.zip: is neither a folder nor a zip of a package; give what `glideline export` made"),
    ("package that is no zip", {"p.zip": "not a zip"}, "new HERE/n --from HERE/p.zip", 1, "glideline: HERE/p.zip: is neither a folder nor a zip of a package; give what `glideline export` made"),
    ("package that holds nothing", {"p/readme.txt": "x"}, "new HERE/n --from HERE/p", 1, "glideline: HERE/p: holds no datapackage.json; give the folder that `glideline export` made"),
    ("descriptor that is no JSON", {"p/datapackage.json": "{"}, "new HERE/n --from HERE/p", 1, "glideline: datapackage.json: cannot be read (Expecting property name"),
    ("descriptor that describes nothing", {"p/datapackage.json": "[]"}, "new HERE/n --from HERE/p", 1, "glideline: datapackage.json: is no description of a package; give what `glideline export` made"),
    ("descriptor in a hundred thousand brackets", {"p/datapackage.json": "[" * 100_000}, "new HERE/n --from HERE/p", 1, "glideline: datapackage.json: cannot be read "),
    ("package with a damaged table", {"p/datapackage.json": "{}", "p/catalogue/player.csv": 'player_id,name\n"a,b\n'}, "new HERE/n --from HERE/p", 1, "glideline: the package cannot be taken in; ask for a mended one: catalogue/player.csv, row 2: cannot be read beyond this row (unexpected end of data); look for a quotation mark without its twin"),
    ("package without a needed column", {"p/datapackage.json": "{}", "p/catalogue/player.csv": "name\nb\n"}, "new HERE/n --from HERE/p", 1, "glideline: the package cannot be taken in; ask for a mended one: catalogue/player.csv: player_id: this column is missing; add it: Id of the person."),
    ("package with a wrong id", {"p/datapackage.json": "{}", "p/catalogue/player.csv": "player_id,name\nA B,b\n"}, "new HERE/n --from HERE/p", 1, "glideline: the package cannot be taken in; ask for a mended one: catalogue/player.csv, row 2: player_id = A B: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write a-b"),
    ("package saved as UTF-16", {"p/datapackage.json": "{}", "p/catalogue/player.csv": TABLES["player"].encode("utf-16")}, "new HERE/n --from HERE/p", 1, "glideline: the package cannot be taken in; ask for a mended one: catalogue/player.csv: is not saved as UTF-8; save it again as 'CSV UTF-8'"),
    ("package whose listener climbs out", {"p/datapackage.json": "{}", "p/reviews/review.csv": HEAD + VERDICT.replace("lea", "../../lea")}, "new HERE/n --from HERE/p", 1, "glideline: the package cannot be taken in; ask for a mended one: reviews/review.csv, row 2: listener = ../../lea: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write lea"),
    ("zip that climbs out", {"p.zip/../../evil.csv": "x", "p.zip/datapackage.json": "{}"}, "new HERE/n --from HERE/p.zip", 1, "glideline: HERE/p.zip: '../../evil.csv' reaches outside the package; it was not unpacked"),
    ("zip with an absolute path", {"p.zip//etc/evil.csv": "x", "p.zip/datapackage.json": "{}"}, "new HERE/n --from HERE/p.zip", 1, "glideline: HERE/p.zip: '/etc/evil.csv' reaches outside the package; it was not unpacked"),
    ("zip with a Windows drive", {"p.zip/C:\\evil.csv": "x", "p.zip/datapackage.json": "{}"}, "new HERE/n --from HERE/p.zip", 1, "glideline: HERE/p.zip: 'C:\\\\evil.csv' reaches outside the package; it was not unpacked"),
    ("zip with a link", {"p.zip/@link": "/etc/passwd", "p.zip/datapackage.json": "{}"}, "new HERE/n --from HERE/p.zip", 1, "glideline: HERE/p.zip: '@link' is a link; it was not unpacked"),
    ("zip with a file below a file", {"p.zip/datapackage.json": "{}", "p.zip/datapackage.json/x": "x"}, "new HERE/n --from HERE/p.zip", 1, "cannot be unpacked"),
    # --- add
    ("audio that is not there", {}, "add DIR HERE/none.wav", 1, "glideline: HERE/none.wav: there is no such audio file; look at the name, or give the folder"),
    ("audio that is none", {"three.wav": "no sound"}, "add DIR HERE/three.wav -y", 1, "! three.wav: is not an audio file that can be decoded; use WAV, FLAC, AIFF, Ogg, MP3 or M4A"),
    ("nobody there to be asked", {"three.wav": b"tone"}, "add DIR HERE/three.wav", 2, "glideline: nobody is here to be asked; look at the difference above and add --yes to write it"),
    ("sheet that is not there", {}, "add DIR --sheet HERE/none.csv", 1, "glideline: none.csv: there is no such sheet; name a CSV or XLSX file"),
    ("sheet of another kind", {"s.docx": "x"}, "add DIR --sheet HERE/s.docx", 1, "glideline: s.docx: .docx is not a sheet that can be read; save it as XLSX or CSV"),
    ("sheet that only says it is XLSX", {"s.xlsx": "x"}, "add DIR --sheet HERE/s.xlsx", 1, "glideline: s.xlsx: cannot be read as XLSX (File is not a zip file); save it again, or as CSV"),
    ("XLSX with an entity bomb", {"s.xlsx/[Content_Types].xml": '<!DOCTYPE a [<!ENTITY b "x">]><a>&b;</a>', "s.xlsx/xl/workbook.xml": "<a/>"}, "add DIR --sheet HERE/s.xlsx", 1, "s.xlsx: cannot be read as XLSX"),
    ("empty sheet", {"s.csv": ""}, "add DIR --sheet HERE/s.csv", 1, "glideline: s.csv: is empty; a row must hold headings such as file, player, year, work"),
    ("one heading twice", {"s.csv": "file,year,year\none.wav,1903,1904\n"}, "add DIR --sheet HERE/s.csv", 1, "glideline: s.csv, row 1: heading 'year' stands twice; rename one of the two"),
    ("no heading for the file", {"s.csv": "colour,size\nred,3\n"}, "add DIR --sheet HERE/s.csv", 1, 'glideline: s.csv: no heading means the audio file (headings: colour, size); name one "file", or say in sheet/mapping.toml which one it is'),
    ("line that names a file that is not given", {"s.csv": "file,player\nthree.wav,Cy\n"}, "add DIR --sheet HERE/s.csv -y", 1, "! s.csv, row 2: file = three.wav: is not among the audio files given; mend the name, or give the file on the command line"),
    ("line that names no file", {"s.csv": "file,player\n,Cy\n"}, "add DIR --sheet HERE/s.csv -y", 1, "! s.csv, row 2: file: names no file; fill it in"),
    ("sheet with an open quotation mark", {"s.csv": 'file,player\n"one.wav,Cy\n'}, "add DIR --sheet HERE/s.csv", 1, "glideline: s.csv: cannot be read (unexpected end of data); look for a quotation mark without its twin"),
    ("kept match to no field", {"s.csv": "file\none.wav\n", "corpus/sheet/mapping.toml": '[columns]\n"A" = "players"\n'}, "add DIR --sheet HERE/s.csv", 1, "glideline: sheet/mapping.toml: 'A' = 'players': no such field; did you mean player?"),
    ("kept matches that are no TOML", {"s.csv": "file\none.wav\n", "corpus/sheet/mapping.toml": "columns"}, "add DIR --sheet HERE/s.csv", 1, "glideline: sheet/mapping.toml: not readable as TOML ("),
    ("damaged record of the sheet", {"s.csv": "file\none.wav\n", "corpus/sheet/applied.csv": b"\xff\xfe"}, "add DIR --sheet HERE/s.csv", 1, "glideline: sheet/applied.csv: is damaged ('utf-8' codec can't decode byte 0xff in position 0: invalid start byte); delete it, and hand edits are told by the catalogue alone"),
    ("table to be added to in Latin-1", {"three.wav": b"tone", "corpus/catalogue/side.csv": "side_id,label\ns1,Schöner\n".encode("latin-1")}, "add DIR HERE/three.wav -y", 1, "glideline: catalogue/side.csv: cannot be changed ('utf-8' codec can't decode byte 0xf6 in position 20: invalid start byte); mend it first, see `check`"),
    ("table to be added to that is a link", {"three.wav": b"tone", "corpus/catalogue/side.csv": b"@link"}, "add DIR HERE/three.wav -y", 1, "glideline: catalogue/side.csv: is a link; put the file itself in its place"),
    # --- parts of the corpus that lead out of it
    ("catalogue that is a link", {"corpus/catalogue": b"@link"}, "check DIR", 1, "glideline: DIR: catalogue is a link that leads out of the corpus; put the real one in its place"),
    ("audio folder that is a link", {"corpus/audio": b"@link"}, "run DIR", 1, "glideline: DIR: audio is a link that leads out of the corpus; put the real one in its place"),
    ("reviews that are a link", {"corpus/reviews": b"@link", "v.csv": HEAD + VERDICT}, "listen DIR --take-in HERE/v.csv", 1, "glideline: DIR: reviews is a link that leads out of the corpus; put the real one in its place"),
    ("results that are a link", {"corpus/derived": b"@link"}, "run DIR", 1, "glideline: DIR: derived is a link that leads out of the corpus; put the real one in its place"),
    # --- run
    ("transfer that is not there", {}, "run DIR --transfer t11", 2, "glideline: no transfer 't11' in transfer.csv; did you mean t1?"),
    ("step that is not there", {}, "run DIR --until detekt", 2, "glideline: no step 'detekt'; did you mean detect?"),
    ("no workers", {}, "run DIR --workers 0", 2, "glideline: --workers 0: give 1 or more"),
    ("workers in words", {}, "run DIR --workers two", 2, "glideline: invalid value for '--workers': give a whole number; `glideline run --help` shows what may be given"),
    ("engine that is not there", {}, "run DIR --engine steam", 2, "glideline: --engine steam: give local, dask or ray"),
    ("misspelt setting", {"corpus/settings.toml": "[intake]\nshortest = 1\n"}, "run DIR", 1, "glideline: settings.toml: intake.shortest: unknown setting; did you mean 'shortest_s'?"),
    ("run held by another machine", {"corpus/derived/run.holder.json": '{"process": 4, "host": "elsewhere", "since": "2026-01-05"}'}, "run DIR", 1, "glideline: a run on another machine has not ended properly, or is still going (process 4 on elsewhere, since 05 Jan 2026, 00:00 UTC); if you are sure that it is over, delete derived/run.holder.json and run again"),
    # --- what needs a run first
    ("query before a run", {}, "query DIR slides_by_player", 1, "glideline: DIR: nothing has been measured yet; run: glideline run DIR"),
    ("export before a run", {}, "export DIR", 1, "glideline: DIR: nothing has been measured yet; run: glideline run DIR"),
    ("report before a run", {}, "report DIR", 1, "glideline: DIR: nothing has been measured yet; run: glideline run DIR"),
    ("trace of nothing", {}, "trace DIR t1-s99", 2, "glideline: nothing here has the id 't1-s99'; give the id of a slide, note, transition, transfer or take"),
    ("hand before a run", {}, "hand DIR k1", 1, "glideline: DIR: nothing has been measured yet; run: glideline run DIR"),
    ("database that is none", {"corpus/derived/corpus.duckdb": "not a database"}, "query DIR slides_by_player", 1, 'glideline: DIR/derived/corpus.duckdb: cannot be opened (IO Error: The file "DIR/derived/corpus.duckdb" exists, but it is not a valid DuckDB database file!); make it anew with: glideline run DIR'),
    # --- speed --rule
    ("reading that is not listed", {}, "speed DIR t1 --rule 7 --reason ear --by lea", 2, "glideline: t1 has no reading 7; `glideline speed DIR t1` lists the readings"),
    ("ruling by nobody", {}, "speed DIR t1 --one-speed --reason ear", 2, "glideline: a ruling says why and by whom; add --reason and --by"),
    ("ruling on all transfers", {}, "speed DIR --one-speed --reason ear --by lea", 2, "glideline: a ruling is on one transfer; write its id after DIR"),
    ("ruling on nothing there", {}, "speed DIR t99 --one-speed --reason ear --by lea", 2, "glideline: no transfer 't99' in transfer.csv; "),
    ("ruling beside another", {"corpus/catalogue/speed_decision.csv": "transfer_id,playing_rpm,reference_pitch_hz,reason,decided_by,decided_on\nt1,76,440,fork,ina,2026-01-05\n"}, "speed DIR t1 --one-speed --reason ear --by lea", 1, "glideline: catalogue/speed_decision.csv, row 2: t1 has a ruling already, by ina; change that row, or delete it and give the command again"),
    ("ruling into a table that is a link", {"corpus/catalogue/speed_decision.csv": b"@link"}, "speed DIR t1 --one-speed --reason ear --by lea", 1, "glideline: catalogue/speed_decision.csv: is a link; put the file itself in its place"),
    # --- listen --take-in
    ("verdicts that are not there", {}, "listen DIR --take-in HERE/none.csv", 1, "glideline: HERE/none.csv: there is no such file; save the verdicts from the listening page first"),
    ("verdicts in an empty file", {"v.csv": ""}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv: has no headings; begin it with: transfer_id,samples_sha256,transfer_start_s,transfer_end_s,…"),
    ("verdicts saved as UTF-16", {"v.csv": (HEAD + VERDICT).encode("utf-16")}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv: is not saved as UTF-8; save it again as 'CSV UTF-8'"),
    ("verdict that is none", {"v.csv": HEAD + VERDICT.replace("slide", "perhaps")}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv, row 2: verdict = perhaps: must be one of slide, no_slide, cannot_tell, withdrawn; choose one of these"),
    ("verdict with half a hash", {"v.csv": HEAD + VERDICT.replace(HASH, "abc")}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv, row 2: samples_sha256 = abc: must be a SHA-256 hash: 64 hexadecimal digits; mend it"),
    ("verdict on another corpus", {"v.csv": HEAD + VERDICT.replace("t1", "t9")}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv, row 2: transfer_id = t9: is not in catalogue/transfer.csv; take the verdicts into the corpus that the page was made from"),
    ("listener without a name", {"v.csv": HEAD + VERDICT.replace("lea", "../..")}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv, row 2: listener = ../..: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write small letters and digits"),
    ("misspelt heading", {"v.csv": HEAD.replace("verdict", "verdikt") + VERDICT}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv: verdict: this column is missing; add it: What the listener heard. v.csv, row 1: verdikt: is not a column of review; did you mean verdict? v.csv, row 2: verdict: must not be empty; write one of slide, no_slide, cannot_tell"),
    ("stretch that runs backwards", {"v.csv": HEAD + VERDICT.replace(",0,1,", ",5,1,")}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv, row 2: transfer_end_s = 1: is not after transfer_start_s (5); exchange the two"),
    ("kind of a slide that is none", {"v.csv": HEAD + VERDICT.replace("slide,,", "no_slide,same_finger,")}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv, row 2: kind = same_finger: is given though the verdict is no_slide; leave it empty, or mend the verdict"),
    ("one bad verdict below a good one", {"v.csv": HEAD + VERDICT + VERDICT.replace("2026-01-05", "yesterday")}, "listen DIR --take-in HERE/v.csv", 1, "glideline: v.csv, row 3: judged_on = yesterday: is not a day; write it as year-month-day: 2026-11-25"),
    ("listener's file that is a link", {"v.csv": HEAD + VERDICT, "corpus/reviews/lea.csv": b"@link"}, "listen DIR --take-in HERE/v.csv", 1, "glideline: reviews/lea.csv: is a link; put the file itself in its place"),
    ("listener's file that is damaged", {"v.csv": HEAD + VERDICT, "corpus/reviews/lea.csv": b"\xff\xfe"}, "listen DIR --take-in HERE/v.csv", 1, "glideline: reviews/lea.csv: cannot be changed ('utf-8' codec can't decode byte 0xff in position 0: invalid start byte); mend it first, see `check`"),
]

# what is asked; the answer, with exit status 2
QUERIES: list[tuple[list[str], str]] = [
    (["slides_by_playr"], "glideline: no view or table 'slides_by_playr'; did you mean slides_by_player or slides_by_place or slides_by_bar?"),
    (["slide", "--sql", "select 1"], "glideline: ask for one thing: a view, --sql, --common-teacher or --paths"),
    (["slides_by_player", "--where", "slides >"], 'glideline: --where \'slides >\': syntax error at or near ")"'),
    (["slides_by_player", "--where", "colour = 1"], "glideline: --where 'colour = 1': slides_by_player has no column 'colour' (text stands in single quotes); its columns: glideline dictionary slides_by_player"),
    (["slides_by_player", "--where", "true) ; drop view summary.slides_by_player; select (1"], "glideline: --where 'true) ; drop view summary.slides_by_player; select (1' is not one condition"),
    (["slides_by_player", "--player", "zed"], "glideline: --player 'zed': no such player; there are: ann, bo"),
    (["slides_by_player", "--player", "ann' or 1=1 --"], 'glideline: --player "ann\' or 1=1 --": no such player; there are: ann, bo'),
    (["slides_by_player", "--period", "erly"], "glideline: --period 'erly': no such period; did you mean early?"),
    (["slides_by_player", "--scheme", "x"], "glideline: --scheme 'x': no such scheme of schools or periods; there are: halves, towns"),
    (["slides_by_player", "--min-certainty", "sure"], "glideline: --min-certainty 'sure': give certain, probable, possible"),
    (["slides_by_player", "--as", "parquet"], "glideline: --as parquet needs a file: --to rows.parquet"),
    (["--common-teacher", "ann", "zed"], "glideline: no player 'zed'; all are listed by: glideline query DIR player"),
    (["--sql", "selekt 1"], 'glideline: SQL: Parser Error: syntax error at or near "selekt"'),
    (["--sql", "select * from playr"], "All tables and views are listed by: glideline dictionary"),
    (["--sql", "delete from player"], "--sql is read only: it takes a select"),
    (["--sql", ""], "glideline: --sql takes one statement; these are 0"),
    (["--sql", "select 1; select 2"], "glideline: --sql takes one statement; these are 2"),
    (["--sql", "select " + "(" * 5_000], 'glideline: SQL: Parser Error: syntax error at or near "("'),
    (["--sql", "select interval 1 day"], "glideline: SQL: the answer cannot be shown"),
    (["--sql", "copy base.player to 'out.csv'"], "file system operations are disabled by configuration"),
    (["--sql", "export database 'out'"], "file system operations are disabled by configuration"),
    (["--sql", "select * from read_text('/etc/hostname')"], "file system operations are disabled by configuration"),
    (["--sql", "select * from glob('/*')"], "file system operations are disabled by configuration"),
    (["--sql", "select * from 'https://example.org/x.csv'"], "file system operations are disabled by configuration"),
    (["--sql", "attach 'other.duckdb' as other"], "file system operations are disabled by configuration"),
    (["--sql", "install httpfs"], "file system operations are disabled by configuration"),
    (["--sql", "load httpfs"], "glideline: SQL: Permission Error: Loading external extensions is disabled through configuration"),
    (["--sql", "set enable_external_access = true"], 'glideline: SQL: Invalid Input Error: Cannot change configuration option "enable_external_access" - the configuration has been locked'),
    (["--sql", "set temp_directory = '/tmp'"], 'glideline: SQL: Invalid Input Error: Cannot change configuration option "temp_directory" - the configuration has been locked'),
    (["--sql", "create table base.more (a int)"], 'glideline: SQL: Invalid Input Error: Cannot execute statement of type "CREATE" on database "corpus" which is attached in read-only mode!'),
    (["--sql", "delete from base.player"], 'glideline: SQL: Invalid Input Error: Cannot execute statement of type "DELETE" on database "corpus" which is attached in read-only mode!'),
    (["--sql", "drop view summary.slides_by_player"], 'glideline: SQL: Invalid Input Error: Cannot execute statement of type "DROP" on database "corpus" which is attached in read-only mode!'),
]
# fmt: on


@pytest.fixture
def here(tmp_path: Path) -> Path:
    sound_corpus(tmp_path / "corpus")
    return tmp_path


@pytest.mark.parametrize(("what", "files", "command", "status", "message"), BAD, ids=[case[0] for case in BAD])
def test_what_is_bad_is_said(here: Path, what: str, files: Files, command: str, status: int, message: str) -> None:
    lay(here, files)
    before = everything(here)
    said = glideline(*words(command, here))
    text = said.words.replace(str(here / "corpus"), "DIR").replace(str(here), "HERE")
    assert said.status == status
    assert message in text
    after = everything(here)
    for made in ("mapping.toml", "applied.csv"):  # what a sheet means and said is kept, to be mended, in any case
        after.pop(f"corpus/sheet/{made}", None)
        before.pop(f"corpus/sheet/{made}", None)
    assert after == before


@pytest.fixture(scope="module")
def queried(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return corpus_folder(tmp_path_factory.mktemp("queried") / "corpus", **small())


@pytest.mark.parametrize(("asked", "message"), QUERIES, ids=[" ".join(q[0])[:60] for q in QUERIES])
def test_bad_questions(
    queried: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, asked: list[str], message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    before = (queried / "derived" / "corpus.duckdb").read_bytes()
    said = glideline("query", queried, *asked)
    assert said.status == 2
    assert message in said.words.replace(str(queried), "DIR")
    assert list(tmp_path.iterdir()) == []
    assert [path.name for path in (queried / "derived").iterdir()] == ["corpus.duckdb"]
    assert (queried / "derived" / "corpus.duckdb").read_bytes() == before


# --- what cannot be given as a file: disks that take nothing, bombs, many bytes


def read_only(monkeypatch: pytest.MonkeyPatch, code: int) -> None:
    """Lets every writing into the corpus fail as on a disk that takes nothing."""

    def refuse(*_: object, **__: object) -> None:
        raise OSError(code, os.strerror(code), "DIR/file")

    monkeypatch.setattr(Path, "mkdir", refuse)
    monkeypatch.setattr(Path, "write_bytes", refuse)
    monkeypatch.setattr(Path, "write_text", refuse)
    monkeypatch.setattr(corpus_module, "write_parquet", refuse)


@pytest.mark.parametrize("code", [errno.EROFS, errno.EACCES, errno.ENOSPC])
@pytest.mark.parametrize(
    "command", ["new HERE/other", "add DIR HERE/three.wav -y", "listen DIR --take-in HERE/v.csv", "run DIR"]
)
def test_a_disk_that_takes_nothing(here: Path, monkeypatch: pytest.MonkeyPatch, command: str, code: int) -> None:
    """A corpus on a read-only disk can be checked and asked; what would write says why it cannot."""
    lay(here, {"three.wav": b"tone", "v.csv": HEAD + VERDICT})
    before = everything(here)
    read_only(monkeypatch, code)
    assert glideline("check", here / "corpus").status == 0
    said = glideline(*words(command, here))
    monkeypatch.undo()
    assert said.status == 1
    assert os.strerror(code).lower() in said.err.lower()
    assert "Traceback" not in said.err
    assert everything(here) == before


def test_a_zip_bomb_is_not_unpacked(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A thousand times as large as it looks; with a lower limit than the real one, to spare the test."""
    from pipeline.store.adding import merge

    monkeypatch.setattr(merge, "LARGEST_BYTES", 20_000_000)
    with zipfile.ZipFile(here / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("datapackage.json", "{}")
        with file.open("catalogue/player.csv", "w", force_zip64=True) as entry:
            entry.write(bytes(1 << 25))
    said = glideline("new", here / "other", "--from", here / "bomb.zip")
    assert said.status == 1
    assert "unpacks to more than a package of tables holds; it was not unpacked" in said.words
    assert not (here / "other").exists()


def test_a_zip_that_lies_about_its_size_is_stopped(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.store.adding import merge

    monkeypatch.setattr(merge, "LARGEST_BYTES", 1_000)
    with zipfile.ZipFile(here / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("datapackage.json", "{}")
        file.writestr("catalogue/player.csv", "x" * 5_000)
    raw = (here / "bomb.zip").read_bytes()
    size = (5_000).to_bytes(4, "little")
    assert raw.count(size) >= 1
    (here / "bomb.zip").write_bytes(raw.replace(size, (10).to_bytes(4, "little")))
    said = glideline("new", here / "other", "--from", here / "bomb.zip")
    assert said.status == 1
    assert not (here / "other").exists()


def test_verdicts_and_decisions_of_a_package_are_taken_in(here: Path) -> None:
    """The good twin of the bad packages: dates, verdicts and names with quotes arrive as they were."""
    decision = (
        "transfer_id,playing_rpm,reference_pitch_hz,reason,decided_by,decided_on\nt1,76,440,by ear,lea,2026-01-05\n"
    )
    player = 'player_id,name,born,born_earliest\nanna-vint,"\'=Anna ""V"" Vint",1870,1870-01-01\n'
    tables = {f"p/catalogue/{name}.csv": text for name, text in TABLES.items() if name in ("side", "transfer")}
    lay(
        here,
        tables
        | {
            "p/datapackage.json": json.dumps({"title": 'Träume "[x]"\n\x00\ud800'}),
            "p/catalogue/player.csv": player,
            "p/catalogue/speed_decision.csv": decision,
            "p/reviews/review.csv": HEAD + VERDICT,
        },
    )
    assert glideline("new", here / "other", "--from", here / "p").status == 0
    made = corpus_module.Corpus(here / "other")
    assert made.settings.title == 'Träume "[x]"'
    assert made.catalogue.row("player", "anna-vint")["name"] == '=Anna "V" Vint'
    assert made.catalogue.frame("speed_decision")["decided_on"].cast(str).to_list() == ["2026-01-05"]
    assert made.catalogue.frame("review")["listener"].to_list() == ["lea"]
    assert (here / "other" / "reviews" / "lea.csv").is_file()


def test_the_tables_of_bad_things_are_long_enough() -> None:
    assert len({case[0] for case in BAD}) >= 65
    assert all(len(message) > 15 for *_, message in BAD)
    assert all(len(message) > 15 for _, message in QUERIES)


@pytest.mark.parametrize("command", ["run DIR --explain", "status DIR"])  # a run makes it anew
def test_a_damaged_record_of_runs_is_named(here: Path, command: str) -> None:
    lay(here, {"corpus/derived/tables/run/t1.parquet": b"PAR1 half"})
    said = glideline(*words(command, here))
    assert said.status == 1
    assert said.err.startswith("glideline: derived/tables/run/t1.parquet: is damaged (")
    assert said.err.endswith("; delete it and run again\n")
