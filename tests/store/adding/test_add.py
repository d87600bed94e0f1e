"""From audio and one flat sheet to a catalogue; an edited sheet is applied without losing hand edits."""

import csv
from pathlib import Path

import numpy as np
import openpyxl
import pytest
import soundfile
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import DataError, UsageError
from pipeline.store.adding.add import add, difference, plan_add
from pipeline.store.adding.new import new
from pipeline.store.audio.whole_sound import samples_hash
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.checks.check import check
from pipeline.store.corpus import Corpus
from tests.helpers.odd_audio import m4a
from tests.helpers.tones import write_tone

HEADINGS = ["Datei", "Violinist", "Jahr", "Werk", "Tonart", "Record Label", "Matrix no.", "Tk"]
ROWS = [
    ["a one.wav", "Anna Vint", "1903", "Air", "D-Dur", "Nonesuch", "0123", "1"],
    ["a two.wav", "Ort, Bela?", "c. 1910", "Air", "D-Dur", "Nonesuch", "0123", "2"],
    ["a three.wav", "Anna Vint", "1911/1913", "Jig", "fis-moll", "Nonesuch", "0150", "1"],
]


@pytest.fixture
def audio(tmp_path: Path) -> Path:
    for number, name in enumerate(("a one", "a two", "a three")):
        write_tone(tmp_path / "in" / f"{name}.wav", hz=300.0 + 50 * number)
    return tmp_path / "in"


def put(path: Path, rows: list[list[str]], *, headings: list[str] | None = None, delimiter: str = ";") -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, delimiter=delimiter).writerows([headings or HEADINGS, *rows])
    return path


def table(root: Path, name: str) -> list[dict[str, str]]:
    with (root / "catalogue" / f"{name}.csv").open(encoding="utf-8-sig", newline="") as file:
        return [{k: v for k, v in row.items() if v} for row in csv.DictReader(file)]


def files_of(root: Path) -> dict[str, bytes]:
    return {p.relative_to(root).as_posix(): p.read_bytes() for p in sorted(root.rglob("*")) if p.is_file()}


@pytest.fixture
def started(tmp_path: Path, audio: Path) -> tuple[Path, Path]:
    root, sheet = tmp_path / "c", tmp_path / "discs.csv"
    new(root)
    put(sheet, ROWS)
    add(root, [audio], sheet=sheet)
    return root, sheet


def test_a_sheet_becomes_a_catalogue(started: tuple[Path, Path]) -> None:
    root, _ = started
    assert check(root).errors == ()
    assert table(root, "player") == [
        {"player_id": "anna-vint", "name": "Anna Vint"},
        {"player_id": "bela-ort", "name": "Bela Ort"},
    ]
    assert [(w["work_id"], w["key"]) for w in table(root, "work")] == [("air", "D major"), ("jig", "F sharp minor")]
    takes = table(root, "take")
    assert [t["take_id"] for t in takes] == ["nonesuch-0123-1", "nonesuch-0123-2", "nonesuch-0150-1"]
    assert takes[0] == {
        "take_id": "nonesuch-0123-1",
        "work_id": "air",
        "matrix_number": "0123",
        "take_number": "1",
        "recorded": "1903",
    }
    assert takes[1]["recorded"] == "1910~"
    transfers = table(root, "transfer")
    assert [t["transfer_id"] for t in transfers] == [
        "nonesuch-0123-1-t1", "nonesuch-0123-2-t1", "nonesuch-0150-1-t1"
    ]  # fmt: skip
    assert transfers[0]["length_s"] == "3.0"
    performances = table(root, "performance")
    assert performances[1] == {
        "take_id": "nonesuch-0123-2",
        "player_id": "bela-ort",
        "instrument": "violin",
        "role": "soloist",
        "certainty": "possible",
    }
    assert (root / "audio" / "a one.wav").exists()


def test_adding_again_changes_nothing(started: tuple[Path, Path], audio: Path) -> None:
    root, sheet = started
    before = files_of(root)
    plan = plan_add(root, [audio], sheet=sheet)
    assert plan.empty
    assert list(difference(plan)) == []
    add(root, [audio], sheet=sheet)
    assert files_of(root) == before


def test_the_same_sheet_gives_the_same_bytes(started: tuple[Path, Path], audio: Path, tmp_path: Path) -> None:
    root, sheet = started
    again = tmp_path / "again"
    new(again)
    add(again, [audio], sheet=sheet)
    assert files_of(again) == files_of(root)


def test_an_edited_sheet_changes_only_what_no_hand_has_touched(started: tuple[Path, Path], audio: Path) -> None:
    root, sheet = started
    path = root / "catalogue" / "take.csv"
    text = path.read_bytes().decode("utf-8-sig").replace("0123,1,1903", "0123,1,1904-02")
    path.write_bytes(text.replace("\r\n", "\n").replace("note\n", "note,my own column\n", 1).encode())
    edited = [row.copy() for row in ROWS]
    edited[0][2] = "1905"  # the hand has been there
    edited[1][2] = "um 1912"
    edited[1][1] = "Carl Ems"
    edited[2][3], edited[2][4] = "Reel", "A major"
    edited[2][5] = ""
    put(sheet, edited)
    plan = plan_add(root, [audio], sheet=sheet)
    assert [(k.table, k.column, k.value, k.said) for k in plan.draft.kept] == [("take", "recorded", "1904-02", "1905")]
    changes = {(c.table, c.column): (c.old, c.new) for c in plan.draft.changes}
    assert changes == {
        ("take", "recorded"): ("1910~", "1912~"),
        ("performance", "player_id"): ("bela-ort", "carl-ems"),
        ("performance", "certainty"): ("possible", "certain"),
        ("take", "work_id"): ("jig", "reel"),
        ("side", "label"): ("Nonesuch", ""),
    }
    plan.apply()
    takes = table(root, "take")
    assert [t.get("recorded") for t in takes] == ["1904-02", "1912~", "1911/1913"]
    assert takes[2]["work_id"] == "reel"
    assert path.read_bytes().splitlines()[0].endswith(b"note,my own column")
    assert b"\r" not in path.read_bytes()
    assert table(root, "performance")[1]["player_id"] == "carl-ems"
    # the hand's value stays though the sheet is added again and again
    assert plan_add(root, [audio], sheet=sheet).draft.changes == []


def test_rows_drafted_from_names_alone_are_filled_by_a_sheet(tmp_path: Path, audio: Path) -> None:
    root, sheet = tmp_path / "c", tmp_path / "discs.csv"
    new(root)
    add(root, [audio])
    put(sheet, [["a one.wav", "Anna Vint", "1903", "Air", "D-Dur", "Nonesuch", "7", ""]])
    plan = add(root, [audio], sheet=sheet)
    assert plan.draft.kept == []
    take = table(root, "take")[0]
    assert (take["take_id"], take["recorded"], take["matrix_number"]) == ("a-one", "1903", "7")  # ids stay
    assert take["work_id"] == "air"
    assert table(root, "performance")[0]["player_id"] == "anna-vint"
    assert table(root, "side")[0]["label"] == "Nonesuch"


def test_rows_written_by_hand_are_never_changed(tmp_path: Path, audio: Path) -> None:
    root, sheet = tmp_path / "c", tmp_path / "discs.csv"
    new(root)
    add(root, [audio])
    (root / "sheet" / "applied.csv").unlink()  # as if a hand had typed all rows
    hand = {name: (root / "catalogue" / f"{name}.csv").read_bytes() for name in ("take", "side", "transfer")}
    put(sheet, [["a one.wav", "", "1903", "", "", "Nonesuch", "7", ""]])
    plan = plan_add(root, [audio], sheet=sheet)
    assert plan.draft.changes == []
    assert {kept.column for kept in plan.draft.kept} == {"recorded", "label", "matrix_number"}
    plan.apply()
    assert {name: (root / "catalogue" / f"{name}.csv").read_bytes() for name in hand} == hand


def test_new_lines_are_added_to_an_old_sheet(started: tuple[Path, Path], audio: Path) -> None:
    root, sheet = started
    write_tone(audio / "a four.wav", hz=700.0)
    put(sheet, [*ROWS, ["a four", "Anna Vint", "1903", "Air", "D-Dur", "Nonesuch", "0123", "1"]])
    plan = add(root, [audio], sheet=sheet)
    assert [row.table for row in plan.draft.new] == ["transfer"]  # the same matrix and take: a second transfer
    assert table(root, "transfer")[3]["side_id"] == table(root, "transfer")[0]["side_id"]


def test_an_excel_sheet_is_read_with_its_numbers_and_dates(tmp_path: Path, audio: Path) -> None:
    from datetime import datetime

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append([None])
    sheet.append(["File", "Player", "Date", "Matrix", "Speed (rpm)", "From", "Accompaniment", "Nonsense"])
    sheet.append(["a one", "Anna Vint", datetime(1903, 5, 1), 123.0, 78.26, None, "Piano: N. N.", "x"])
    sheet.append(["A TWO.WAV", "Anna Vint", 1904, "0124", "80 rpm", None, "unaccompanied", None])
    book.save(tmp_path / "discs.xlsx")
    root = tmp_path / "c"
    new(root)
    plan = add(root, [audio], sheet=tmp_path / "discs.xlsx")
    assert plan.mapping["Speed (rpm)"] == "rpm"
    assert plan.mapping["Nonsense"] == "note"
    assert table(root, "transfer")[0]["note"] == "Nonsense: x"
    takes = table(root, "take")
    assert [(t["matrix_number"], t["recorded"]) for t in takes[:2]] == [("123", "1903-05-01"), ("0124", "1904")]
    assert [t["accompaniment"] for t in takes[:2]] == ["piano", "none"]
    assert [t.get("turntable_rpm") for t in table(root, "transfer")] == ["78.26", "80", None]


def test_several_sides_in_one_file(tmp_path: Path, audio: Path) -> None:
    rows = [["a one.wav", "Anna Vint", "0:00", "0:01.5"], ["a one.wav", "Bela Ort", "0:01.5", "3"]]
    sheet = put(tmp_path / "s.csv", rows, headings=["file", "player", "start", "end"], delimiter=",")
    root = tmp_path / "c"
    new(root)
    add(root, [audio / "a one.wav"], sheet=sheet)
    spans = [(t["transfer_id"], t["file_start_s"], t["file_end_s"]) for t in table(root, "transfer")]
    assert spans == [("a-one-at-0", "0", "1.5"), ("a-one-at-1-5", "1.5", "3")]
    assert plan_add(root, [audio / "a one.wav"], sheet=sheet).empty


def test_files_are_never_overwritten(tmp_path: Path, audio: Path) -> None:
    root = tmp_path / "c"
    new(root)
    add(root, [audio / "a one.wav"])
    other = write_tone(tmp_path / "more" / "a one.wav", hz=777.0)
    same = tmp_path / "same" / "a one.wav"
    same.parent.mkdir()
    same.write_bytes((audio / "a one.wav").read_bytes())
    before = (root / "audio" / "a one.wav").read_bytes()
    add(root, [other, same])
    assert (root / "audio" / "a one.wav").read_bytes() == before
    assert (root / "audio" / "a one-2.wav").read_bytes() == other.read_bytes()
    assert [t["file"] for t in table(root, "transfer")] == ["a one.wav", "a one-2.wav"]
    assert len(list((root / "audio").iterdir())) == 2


def test_other_sound_under_a_known_name_is_asked_about_and_takes_the_place_of_nothing(
    tmp_path: Path, audio: Path
) -> None:
    root = tmp_path / "c"
    new(root)
    add(root, [audio])
    before = files_of(root)
    anew = write_tone(tmp_path / "more" / "a one.wav", hz=777.0)
    here, there = samples_hash(anew)[:8], samples_hash(audio / "a one.wav")[:8]
    refused = CliRunner().invoke(app, ["add", str(root), str(anew)])
    said = " ".join(refused.stderr.split())
    for words in (
        f"a one.wav: holds other sound ({here}) than audio/a one.wav ({there}), which, entered as a-one, has its name",
        "second transfer, audio/a one-2.wav",
        "copy this one to audio/a one.wav and run",
    ):
        assert words in said
    assert isinstance(refused.exception, UsageError)  # nobody was there to be asked
    assert files_of(root) == before
    assert CliRunner().invoke(app, ["add", str(root), str(anew), "--yes"]).exit_code == 0
    assert {name: files_of(root)[name] for name in before if name.startswith("audio/")} == {
        name: content for name, content in before.items() if name.startswith("audio/")
    }
    again = plan_add(root, [anew])
    assert (again.empty, again.problems) == (True, [])  # what was agreed to is not asked again


def test_the_same_file_under_another_name_is_told_before_the_yes(tmp_path: Path, audio: Path) -> None:
    root = tmp_path / "c"
    new(root)
    add(root, [audio / "a one.wav"])
    again, copy = (tmp_path / name for name in ("again.wav", "copy.wav"))
    for path in (again, copy):
        path.write_bytes((audio / "a one.wav").read_bytes())
    said = [str(problem) for problem in plan_add(root, [again, copy]).problems if "very same sound" in str(problem)]
    assert [text.split(":")[0] for text in said] == ["again.wav", "copy.wav"]
    assert all("audio/a one.wav; it would go in as a second transfer" in text for text in said)
    assert plan_add(root, [audio / "a one.wav"]).problems == []


def test_the_same_sound_with_other_tags_is_told_as_such(tmp_path: Path, audio: Path) -> None:
    root = tmp_path / "c"
    new(root)
    add(root, [audio / "a one.wav"])
    samples, rate = soundfile.read(audio / "a one.wav", dtype="int16")
    tagged = tmp_path / "a one.wav"
    with soundfile.SoundFile(tagged, "w", rate, 1, subtype="PCM_16") as file:
        file.title = "Air"
        file.write(samples)
    assert "the very same sound as audio/a one.wav" in str(plan_add(root, [tagged]).problems[-1])


def test_bad_files_and_lines_are_left_out_and_named(tmp_path: Path, audio: Path) -> None:
    root = tmp_path / "c"
    new(root)
    (audio / "bad.wav").write_bytes(b"")
    sheet = put(tmp_path / "s.csv", [*ROWS, ["absent.wav", *ROWS[0][1:]], ["", "Nobody", "", "", "", "", "", ""]])
    plan = plan_add(root, [audio], sheet=sheet)
    said = [str(problem) for problem in plan.problems if problem.severity == "error"]
    assert said[0].startswith("bad.wav: is empty")
    assert "s.csv, row 5: Datei = absent.wav: is not among the audio files given" in said[1]
    assert "s.csv, row 6: Datei: names no file" in said[2]
    run = CliRunner().invoke(app, ["add", str(root), str(audio), "--sheet", str(sheet), "--yes"])
    assert run.exit_code == 1
    assert len(table(root, "transfer")) == 3


def test_a_sheet_without_a_file_column_says_what_to_do(tmp_path: Path, audio: Path) -> None:
    root = tmp_path / "c"
    new(root)
    sheet = put(tmp_path / "s.csv", [["x", "y"]], headings=["who", "what"])
    with pytest.raises(DataError, match="no heading means the audio file") as caught:
        plan_add(root, [audio], sheet=sheet)
    assert "sheet/mapping.toml" in str(caught.value)


def test_the_kept_mapping_wins(started: tuple[Path, Path], audio: Path) -> None:
    root, sheet = started
    path = root / "sheet" / "mapping.toml"
    path.write_text(path.read_text().replace('"Tk" = "take"', '"Tk" = ""'))
    assert plan_add(root, [audio], sheet=sheet).mapping["Tk"] == ""
    path.write_text('[columns]\n"Tk" = "takes"\n')
    with pytest.raises(DataError, match=r"'takes': no such field; did you mean take\?"):
        plan_add(root, [audio], sheet=sheet)


def test_nobody_to_ask_means_nothing_is_written(tmp_path: Path, audio: Path) -> None:
    root = tmp_path / "c"
    new(root)
    before = files_of(root)
    run = CliRunner().invoke(app, ["add", str(root), str(audio)])
    assert run.exit_code != 0
    assert "+ transfer: transfer_id=a-one" in run.stdout
    assert files_of(root) == before


def test_a_full_disk_leaves_every_table_as_it_was(
    started: tuple[Path, Path], audio: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root, sheet = started
    write_tone(audio / "a four.wav", hz=700.0)
    put(sheet, [*ROWS, ["a four", "Dora New", "1903", "Reel", "D-Dur", "Nonesuch", "0199", "1"]])
    plan = plan_add(root, [audio], sheet=sheet)
    before = {name: content for name, content in files_of(root).items() if name.endswith(".csv")}
    write = Path.write_bytes

    def full(self: Path, content: bytes) -> int:
        if "player.csv" in self.name:
            raise OSError(28, "No space left on device", str(self))
        return write(self, content)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(DataError, match=r"cannot be written \(No space left on device\)"):
        plan.apply()
    assert {name: content for name, content in files_of(root).items() if name.endswith((".csv", ".change"))} == before


def test_tags_are_shown_and_not_obeyed(tmp_path: Path) -> None:
    import mutagen

    path = write_tone(tmp_path / "in" / "x.flac")
    tags = mutagen.File(path)
    tags["artist"] = "Somebody"
    tags.save()
    root = tmp_path / "c"
    new(root)
    plan = add(root, [path])
    assert "artist: Somebody" in "\n".join(difference(plan))
    assert table(root, "player") == []


def test_forty_mp3s_and_eight_columns_become_a_corpus(tmp_path: Path) -> None:
    rows = []
    time = np.arange(16_000 * 2) / 16_000
    for number in range(40):
        path = tmp_path / "mp3" / f"Track {number + 1:02d}.mp3"
        path.parent.mkdir(exist_ok=True)
        soundfile.write(path, 0.3 * np.sin(2 * np.pi * (300 + number) * time), 16_000)
        player = ("Anna Vint", "Bela Ort", "Carl Ems", "N.N.")[number % 4]
        rows.append(
            [path.name, player, str(1903 + number), f"Air {number % 5}", "D major", "Nonesuch", str(100 + number), "1"]
        )
    sheet = put(tmp_path / "s.csv", rows, headings=["file", "player", "year", "work", "key", "label", "matrix", "take"])
    root = tmp_path / "c"
    assert CliRunner().invoke(app, ["new", str(root)]).exit_code == 0
    mp3s = [str(path) for path in sorted((tmp_path / "mp3").iterdir())]
    run = CliRunner().invoke(app, ["add", str(root), *mp3s, "--sheet", str(sheet), "--yes"])
    assert run.exit_code == 0, run.output
    catalogue = Catalogue(root)
    heights = {
        name: catalogue.frame(name).height for name in ("player", "work", "take", "side", "transfer", "performance")
    }
    assert heights == {"player": 3, "work": 5, "take": 40, "side": 40, "transfer": 40, "performance": 30}
    assert check(root, listen=False).errors == ()


LIVES = ["Datei", "Geiger", "geb.", "gest.", "Werk", "Tonart", "Kammerton (Hz)", "Umdr./Min.", "Aufn.-Datum", "Matrize",
         "Etikettfarbe"]  # fmt: skip
LINES = [
    ["a one.wav", "Anna Vint", "1871", "", "Air", "D-Dur", "435,0", "78,26", "März 1908", "1", "rot"],
    ["a two.wav", "Anna Vint", "1871", "1940", "Jig", "e-moll", "a' = 440", "80 U/min", "03.1908", "2", ""],
    ["a three.wav", "Anna Vint; Bela Ort", "1871", "", "Jig", "e-moll", "528", "", "im Frühling", "3", ""],
]


def test_a_sheet_tells_a4_and_lives(tmp_path: Path, audio: Path) -> None:
    root, sheet = tmp_path / "c", put(tmp_path / "s.csv", LINES, headings=LIVES)
    new(root)
    plan = add(root, [audio], sheet=sheet)
    assert list(plan.mapping.values()) == [
        "file", "player", "born", "died", "work", "key", "reference_pitch", "rpm", "year", "matrix", "note"
    ]  # fmt: skip
    assert "recorded=1908-03" in "\n".join(difference(plan))
    assert table(root, "player")[0] == {
        "player_id": "anna-vint",
        "name": "Anna Vint",
        "born": "1871",
        "died": "1940",
    }
    assert "born" not in table(root, "player")[1]  # two players in the line: nobody knows whose
    pitches = table(root, "reference_pitch")
    assert [(p["take_id"], p["reference_pitch_hz"]) for p in pitches] == [("1", "435.0"), ("2", "440")]
    transfers = table(root, "transfer")
    assert [t.get("turntable_rpm") for t in transfers] == ["78.26", "80", None]
    assert [t.get("note") for t in transfers] == [
        "Etikettfarbe: rot",
        None,
        "geb.: 1871; Kammerton (Hz): 528; Aufn.-Datum: im Frühling",
    ]
    missing = [p.key for p in check(root).remarks if "not what A4 was" in p.message]
    assert missing == [table(root, "take")[2]["take_id"]]
    assert plan_add(root, [audio], sheet=sheet).empty


def test_a_mended_sheet_mends_a4_lives_and_the_stale_note(tmp_path: Path, audio: Path) -> None:
    root, sheet = tmp_path / "c", put(tmp_path / "s.csv", LINES, headings=LIVES)
    new(root)
    add(root, [audio], sheet=sheet)
    mended = [row.copy() for row in LINES]
    for row in mended[:2]:
        row[2] = "1872"
    mended[0][6] = "439"
    mended[2][6], mended[2][8] = "440", "1908-21"
    put(sheet, mended, headings=LIVES)
    add(root, [audio], sheet=sheet)
    assert [p.get("born") for p in table(root, "player")] == ["1872", None]
    assert [p["reference_pitch_hz"] for p in table(root, "reference_pitch")] == ["439", "440", "440"]
    assert table(root, "take")[2]["recorded"] == "1908-21"
    assert table(root, "transfer")[2]["note"] == "geb.: 1871"
    path = root / "catalogue" / "transfer.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("geb.: 1871", "mine"), encoding="utf-8")
    mended[2][2] = ""
    add(root, [audio], sheet=put(sheet, mended, headings=LIVES))
    assert table(root, "transfer")[2]["note"] == "mine"


def test_a_folder_names_what_it_passes_over(tmp_path: Path) -> None:
    box = tmp_path / "box"
    box.mkdir()
    m4a(box / "one.m4a")
    (box / "two.dat").write_bytes(write_tone(tmp_path / "two.wav").read_bytes())  # sound by its content
    for name in ("cover.jpg", "back.JPG", "notes.txt"):
        (box / name).write_text("no sound")
    (box / "old.wma").write_bytes(bytes.fromhex("3026b275") + bytes(400))
    (box / "gone.wav").symlink_to(tmp_path / "unplugged" / "gone.wav")
    for name in ("._one.m4a", ".bin/three.wav", ".DS_Store"):
        (box / name).parent.mkdir(exist_ok=True)
        (box / name).write_bytes(b"left by the system")
    root = tmp_path / "c"
    new(root)
    plan = plan_add(root, [box])
    assert [file.inside for file in plan.files] == ["one.m4a", "two.dat"]
    said = {str(p): p.severity for p in plan.problems}
    assert list(said.values()).count("error") == 2
    text = "\n".join(said)
    assert "2 files of kind .jpg (back.JPG, …): passed over" in text
    assert "notes.txt: passed over" in text
    assert "2 files (._one.m4a, …): passed over: hidden" in text
    assert "gone.wav: there is no such file" in text
    assert "old.wma: is Windows Media audio, damaged or of a coding that cannot be decoded here; convert" in text


def test_a_path_in_the_catalogue_may_name_the_folder_audio(tmp_path: Path) -> None:
    root = tmp_path / "c"
    new(root)
    write_tone(root / "audio" / "x.wav")
    add(root)
    table = root / "catalogue" / "transfer.csv"
    table.write_text(table.read_text().replace(",x.wav", ",audio/x.wav"))
    corpus = Corpus(root)
    row = corpus.catalogue.rows("transfer")[0]
    assert row["file"] == "x.wav"
    assert corpus.audio_path(row["file"]).is_file()
    assert plan_add(root).empty
