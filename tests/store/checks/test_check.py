"""``check`` names every problem, each with file, row, column, value and cure; errors apart from remarks."""

# ruff: noqa: E501 (a made-up mistake a line)

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import soundfile
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import CombinedError, DataError
from pipeline.settings import read_settings
from pipeline.store.audio.whole_sound import samples_hash
from pipeline.store.catalogue.problems import listed
from pipeline.store.checks.check import check
from pipeline.store.checks.takes import us_term_ends
from pipeline.store.corpus import Corpus
from pipeline.store.schema import load
from tests.helpers.tones import write_tone

Write = Callable[[str, str], None]

# Twenty mistakes, each in its own way: table, text of the table, and then row, column, value, and a piece of message
# and cure.
MISTAKES = [
    ("transfer.csv", 2, "turntable_rpm", "7826", "must be 10 to 200 rpm", "slip of the keys"),
    ("transfer.csv", 3, "file", "too.wav", "is not in audio/", "did you mean two.wav?"),
    ("transfer.csv", 3, "stands_for_take", "maybe", "is neither yes nor no", "write yes, no"),
    ("take.csv", 2, "recorded", "190u", "old draft", "write 190X"),
    ("take.csv", 3, "acompaniment", "", "is not a column of take", "did you mean accompaniment?"),
    ("take.csv", 3, "key_played", "H-Dur", "a key such as D major", "write B major"),
    ("player.csv", 2, "isni", "0000 0002 1825 0079", "wrong check digit", "two are swapped"),
    ("player.csv", 3, "died", "1890", "is before the birth (1895)", "mend one of the two dates"),
    ("player.csv", 4, "player_id", "Carl E.", "must be an id", "write carl-e"),
    ("player.csv", 5, "player_id", "bela-ort", "stands already in row 3", "another id"),
    ("player.csv", 6, "name", "", "must not be empty", "fill it in"),
    ("teaching.csv", 2, "student_id", "anna-vint", "teaches themself", "name another teacher"),
    ("teaching.csv", 3, "span", "1912/1908", "runs backwards", "1908/1912"),
    ("performance.csv", 2, "instrument", "Geige", "must be one of violin", "choose one of these"),
    ("performance.csv", 3, "certainty", "sure", "must be one of certain", "choose one of these"),
    ("performance.csv", 4, "take_id", "k9", "is not in take.csv", "add a row to take.csv"),
    ("period.csv", 3, "span", "1915/1939", "overlaps early (1900/1919)", "begin after the other ends"),
    ("school_membership.csv", 3, "share", "0.7", "add up to 1.2", "lower them"),
    ("passage.csv", 3, "from_s", "1", "begins before the passage from 0 to 2 s ends", "must not overlap"),
    ("passage.csv", 4, "content", "tutti", "must be one of solo", "choose one of these"),
    ("speed_decision.csv", 2, "playing_rpm", "", "neither playing_rpm nor correction_cents", "give one of them"),
    (
        "side.csv",
        3,
        "published",
        "1902",
        "is before the recording of k2 (1903-05-01)",
        "mend one of the two dates",
    ),
    ("source.csv", 3, "", "stray", "more cells than there are headings", "quote cells"),
    ("players.csv", None, "", "", "is not a table of the catalogue", "did you mean player.csv?"),
]
SPOILT = {
    "transfer": (
        "transfer_id,side_id,file,turntable_rpm,stands_for_take\nt1,s1,one.wav,7826,\nt2,s2,too.wav,78.26,maybe\n"
    ),
    "take": (
        "take_id,work_id,session_id,matrix_number,take_number,acompaniment,recorded,key_played\n"
        "k1,air,,0123,2,piano,190u,\nk2,air,spring-3,0124,1,none,1903-05-01,H-Dur\n"
    ),
    "player": (
        "player_id,name,born,died,isni\nanna-vint,Anna Vint,1870,1941~,0000 0002 1825 0079\n"
        "bela-ort,Bela Ort,1895,1890,\nCarl E.,Carl Ems,,,\nbela-ort,Bela Two,,,\ndora,,,,\n"
    ),
    "teaching": (
        "teacher_id,student_id,span,certainty\nanna-vint,anna-vint,,certain\nanna-vint,bela-ort,1912/1908,certain\n"
    ),
    "performance": (
        "take_id,player_id,instrument,role,certainty\nk1,anna-vint,Geige,soloist,certain\n"
        "k2,anna-vint,violin,soloist,sure\nk9,anna-vint,violin,soloist,certain\n"
    ),
    "period": "period_id,scheme,name,span\nearly,halves,Early,1900/1919\nlate,halves,Late,1915/1939\n",
    "school_membership": "player_id,school_id,share,basis\nanna-vint,north,0.5,study\nanna-vint,south,0.7,study\n",
    "passage": ("transfer_id,from_s,to_s,content\nt1,0,2,solo\nt1,1,2.5,speech\nt1,2.6,2.8,tutti\n"),
    "speed_decision": "transfer_id,reason,decided_by,decided_on\nt1,because,ina,2026-01-31\n",
    "side": "side_id,label,issue_number,face,published\ns1,Nonesuch,77,A,\ns2,Nonesuch,77,B,1902\n",
    "source": "source_id,citation\nbook,A made-up discography\nother,Another,stray\n",
    "players": "player_id,name\n",
}


def test_more_than_twenty_mistakes_are_all_named(corpus: Path, write: Write) -> None:
    for table, text in SPOILT.items():
        write(table, text)
    result = check(corpus)
    for file, row, column, value, message, cure in MISTAKES:
        hits = [
            p
            for p in result.errors
            if (p.file, p.row, p.value) == (f"catalogue/{file}", 1 if column == "acompaniment" else row, value)
            and (p.column == column or not column)
            and message in p.message
            and cure in p.cure
        ]
        assert hits, f"{file} {row} {column}: {message}\n" + "\n".join(map(str, result.errors))
    # nothing beyond what was planted is called an error
    assert len(result.errors) == len(MISTAKES), "\n".join(map(str, result.errors))
    run = CliRunner().invoke(app, ["check", str(corpus)])
    assert run.exit_code == 1
    assert all(value in run.stdout for _, _, _, value, _, _ in MISTAKES)


def test_a_sound_corpus_passes(corpus: Path) -> None:
    result = check(corpus)
    assert result.errors == ()
    run = CliRunner().invoke(app, ["check", str(corpus)])
    assert run.exit_code == 0


def test_output_as_csv_and_json(corpus: Path, write: Write) -> None:
    write("source", "source_id,citation\nBook,\u202eevil\n")
    run = CliRunner().invoke(app, ["check", str(corpus), "--as", "json"])
    problems = json.loads(run.stdout)
    assert run.exit_code == 1
    assert problems[0]["file"] == "catalogue/source.csv"
    run = CliRunner().invoke(app, ["check", str(corpus), "--as", "csv"])
    frame = pl.read_csv(run.stdout.encode())
    assert frame.columns == ["severity", "file", "row", "column", "value", "message", "cure"]
    assert frame["severity"].to_list()[0] == "error"
    assert "\u202e" not in CliRunner().invoke(app, ["check", str(corpus)]).stdout


def test_no_corpus_and_no_folder(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"there is no such folder; is the name right\? `glideline new"):
        check(tmp_path / "none")
    with pytest.raises(DataError, match="is not a corpus"):
        check(tmp_path)


def one_error(corpus: Path, *, column: str) -> str:
    found = [str(problem) for problem in check(corpus).errors]
    assert len(found) == 1, found
    assert f": {column}" in found[0]
    return found[0]


def one_remark(corpus: Path, *, column: str) -> str:
    result = check(corpus)
    assert not result.errors, [str(problem) for problem in result.errors]
    found = [str(problem) for problem in result.remarks if problem.column == column]
    assert len(found) == 1, found
    return found[0]


ERRORS = [
    ("take", "take_id,session_id,recorded\nk1,spring-3,1904\nk2,spring-3,\n", "recorded", "is not in the session's time"),
    ("take", "take_id,recorded\nk1,1860\nk2,1903\n", "recorded", "before sound was recorded"),
    ("player", "player_id,name,born\nanna-vint,Anna Vint,1904\nbela-ort,Bela Ort,1910\n", "player_id", "before being born (1904)"),
    ("player", "player_id,name,died\nanna-vint,Anna Vint,1899\nbela-ort,Bela Ort,\n", "player_id", "after having died (1899)"),
    ("player", "player_id,name,born\nanna-vint,Anna Vint,1870\nbela-ort,Bela Ort,18900~\n", "born", "is not a date"),
    ("transfer", "transfer_id,side_id,file,transferred\nt1,s1,one.wav,1902\nt2,s2,two.wav,\n", "transferred", "before the recording of k1"),
    ("transfer", "transfer_id,side_id,file,stands_for_take\nt1,s1,one.wav,yes\nt2,s1,two.wav,yes\n", "stands_for_take", "and so does t1"),
    ("transfer", "transfer_id,side_id,file\nt1,s1,one.wav\nt2,s2,one.wav\n", "file", "is used by t1 too, and their spans overlap"),
    ("transfer", "transfer_id,side_id,file\nt1,s1,../one.wav\nt2,s2,two.wav\n", "file", "is not a path below audio/"),
    ("transfer", "transfer_id,side_id,file\nt1,s1,C:\\one.wav\nt2,s2,two.wav\n", "file", "is not a path below audio/"),
    ("transfer", "transfer_id,side_id,file,file_start_s,file_end_s\nt1,s1,one.wav,2,1\nt2,s2,two.wav,,\n", "file_end_s", "is not after file_start_s"),
    ("transfer", "transfer_id,side_id,file,file_end_s\nt1,s1,one.wav,200\nt2,s2,two.wav,\n", "file_end_s", "beyond the end of the file (3.00 s)"),
    ("transfer", "transfer_id,side_id,file,length_s\nt1,s1,one.wav,180\nt2,s2,two.wav,3\n", "length_s", "but the side lasts 3.0 s"),
    ("transfer", "transfer_id,side_id,file,rights_status,visibility\nt1,s1,one.wav,restricted,public\nt2,s2,two.wav,,\n", "visibility", "the rights are restricted"),
    ("passage", "transfer_id,from_s,to_s,content\nt1,2,1,solo\n", "to_s", "is not after from_s"),
    ("passage", "transfer_id,from_s,to_s,content\nt1,1,99,solo\n", "to_s", "beyond the end of the file"),
    ("passage", "transfer_id,from_s,to_s,take_id,content\nt1,1,2,k2,solo\n", "take_id", "is not on side s1, which carries k1"),
    ("passage", "transfer_id,from_s,to_s,player_id,content\nt1,1,2,bela-ort,solo\n", "player_id", "does not play on k1"),
    ("performance", "take_id,player_id,instrument,certainty\nk1,anna-vint,violin,certain\nk1,bela-ort,trumpet,certain\n", "instrument", "must be one of"),
    ("default_pitch", "place,span,reference_pitch_hz\n*,1900/1914,435\n*,1914/1930,440\n", "span", "overlaps the span 1900/1914"),
    ("default_pitch", "place,span,reference_pitch_hz\n*,,522\n", "reference_pitch_hz", "makes A4 522.0 Hz"),
    ("default_pitch", "place,span,reference_pitch_hz,fork\n*,,435,C5\n", "reference_pitch_hz", "makes A4 365.8 Hz"),
    ("default_pitch", "place,span,reference_pitch_hz,low_hz,high_hz\n*,,435,436,440\n", "reference_pitch_hz", "from low_hz to high_hz"),
    ("default_pitch", "place,span,reference_pitch_hz,low_hz\n*,,435,430\n", "high_hz", "is missing"),
    ("label_speed", "label,span,low_rpm,high_rpm,source_id\nNonesuch,,82,78,book\n", "low_rpm", "is higher than high_rpm (78)"),
    ("speed_decision", "transfer_id,playing_rpm,correction_cents,reference_pitch_hz,reason,decided_by,decided_on\nt1,80,12,440,x,ina,2026-01-31\n", "playing_rpm", "stands beside correction_cents"),
    ("issue", "issue_id,side_id,issued\ni1,s1,1901\n", "issued", "is before the recording of k1"),
    ("school_membership", "player_id,school_id,share,basis\nanna-vint,north,0.5,study\nanna-vint,south,,study\n", "share", "is empty while other shares"),
    ("ina.csv", f"transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on\nt1,{'0' * 64},2,1,slide,,ina,2026-01-31\n", "transfer_end_s", "is not after transfer_start_s"),
    ("ina.csv", f"transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on\nt1,{'0' * 64},1,2,slide,,otto,2026-01-31\n", "listener", "stands in the file of ina"),
    ("ina.csv", f"transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on\nt1,{'0' * 64},1,2,no_slide,into_note,ina,2026-01-31\n", "kind", "though the verdict is no_slide"),
    ("work", "work_id,title,key\nair,Air,D\n", "key", "a key such as D major"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "text", "column", "message"), ERRORS, ids=[f"{e[0]}: {e[3][:28]}" for e in ERRORS])
def test_each_cross_check(corpus: Path, write: Write, table: str, text: str, column: str, message: str) -> None:
    write(table, text)
    found = [problem for problem in check(corpus).errors if problem.column == column]
    assert message in "; ".join(problem.message for problem in found)
    assert all(problem.row is not None and problem.cure for problem in found)


REMARKS = [
    ("take", "take_id,recorded,work_id\nk1,,air\nk2,1903,air\n", "recorded", "no date of recording"),
    ("take", "take_id,recorded,work_id,accompaniment\nk1,1903,air,orchestra\nk2,1903,air,\n", "accompaniment", "no passages say who plays when"),
    ("take", "take_id,recorded,work_id,process\nk1,1903,air,electrical\nk2,1903,air,\n", "process", "early for a microphone"),
    ("take", "take_id,recorded,work_id,matrix_number,take_number\nk1,1903,air,7,1\nk2,1903,air,7,1\n", "matrix_number", "stands also at k1"),
    ("performance", "take_id,player_id,instrument,role,certainty\nk1,anna-vint,,,certain\nk2,anna-vint,viola,,certain\n", "instrument", "no instrument named"),
    ("performance", "take_id,player_id,instrument,certainty\nk1,anna-vint,violin,certain\n", "take_id", "no player named"),
    ("transfer", "transfer_id,side_id,file,turntable_rpm\nt1,s1,one.wav,\nt2,s2,two.wav,78\n", "turntable_rpm", "no turntable speed"),
    ("transfer", "transfer_id,side_id,file,turntable_rpm,channel_rule\nt1,s1,one.wav,78,left\nt2,s2,two.wav,78,\n", "channel_rule", "the file has one channel"),
    ("side", "side_id,label,rights_status,rights_basis,rights_reviewer\ns1,Nonesuch,free,,ina\ns2,Nonesuch,,,\n", "rights_status", "gives no basis"),
    ("side", "side_id,published,publication_country,rights_status,rights_basis,rights_reviewer,rights_reviewed_on\ns1,1930,US,free,age,ina,2026-01-31\ns2,,,,,,\n", "rights_status", "until 2030"),
]  # fmt: skip


def test_a_file_that_windows_cannot_hold_is_told(corpus: Path, write: Write) -> None:
    (corpus / "audio" / "one.wav").rename(corpus / "audio" / "aux.wav")
    write("transfer", "transfer_id,side_id,file\nt1,s1,aux.wav\nt2,s2,two.wav\n")
    said = [str(problem) for problem in check(corpus).problems if problem.column == "file"]
    assert len(said) == 1
    assert "row 2: file = aux.wav: aux is a name that Windows keeps for itself; give it another name" in said[0]


@pytest.mark.parametrize(("table", "text", "column", "message"), REMARKS, ids=[f"{r[0]}: {r[3][:28]}" for r in REMARKS])
def test_each_remark(corpus: Path, write: Write, table: str, text: str, column: str, message: str) -> None:
    write(table, text)
    assert message in one_remark(corpus, column=column)


def test_american_terms_by_the_statute() -> None:
    # 17 USC 1401 (a)(2): 95 years from first publication, plus 5 years (1923 to 1946) or 15 (1947 to 1956), to the end
    # of the calendar year; before 1923 to 31 December 2021; later to 15 February 2067
    ends = {year: us_term_ends(year).isoformat() for year in (1922, 1923, 1925, 1946, 1947, 1956, 1957)}
    assert ends == {
        1922: "2022-01-01", 1923: "2024-01-01", 1925: "2026-01-01", 1946: "2047-01-01", 1947: "2058-01-01",
        1956: "2067-01-01", 1957: "2067-02-15",
    }  # fmt: skip


def test_settings_are_checked_too(corpus: Path) -> None:
    (corpus / "settings.toml").write_text('default_period_scheme = "halfs"\n[intake]\nshortest = 3\n')
    assert "did you mean 'shortest_s'?" in str(check(corpus).errors[0])
    (corpus / "settings.toml").write_text('default_period_scheme = "halfs"\n')
    assert "default_period_scheme = halfs: is not a scheme of period.csv; did you mean halves?" in str(
        check(corpus).errors[0]
    )
    (corpus / "settings.toml").write_text("title = \n")
    assert "not readable as TOML" in str(check(corpus).errors[0])


BAD_AUDIO = {
    "empty": (lambda p: p.write_bytes(b""), "is empty"),
    "text": (lambda p: p.write_bytes(b"no sound" * 99), "is not an audio file"),
    "silent": (lambda p: soundfile.write(p, np.zeros(40_000), 8_000), "is silent"),
    "short": (lambda p: soundfile.write(p, 0.1 * np.sin(np.arange(8_000)), 8_000), "too short to measure"),
    "clipped": (lambda p: soundfile.write(p, np.sign(np.sin(np.arange(40_000) / 9)), 8_000), "clipped throughout"),
    "cut": (lambda p: p.write_bytes(p.read_bytes()[:60_000]), "is cut short"),
    "nan": (lambda p: soundfile.write(p, np.full(40_000, np.nan), 8_000, subtype="FLOAT"), "not a number"),
}


@pytest.mark.parametrize("name", BAD_AUDIO)
def test_bad_audio_is_one_error_of_its_own_transfer(corpus: Path, name: str) -> None:
    spoil, message = BAD_AUDIO[name]
    spoil(corpus / "audio" / "one.wav")
    found = one_error(corpus, column="file = one.wav")
    assert message in found
    assert "transfer.csv, row 2" in found


def test_a_moved_file_is_found_by_its_sound(corpus: Path, write: Write) -> None:
    sha = samples_hash(corpus / "audio" / "one.wav")
    write("transfer", f"transfer_id,side_id,file,samples_sha256\nt1,s1,one.wav,{sha}\nt2,s2,two.wav,\n")
    (corpus / "audio" / "box 3").mkdir()
    (corpus / "audio" / "one.wav").rename(corpus / "audio" / "box 3" / "quite other.wav")
    found = one_error(corpus, column="file")
    assert "is not in audio/, but the same sound is; write box 3/quite other.wav" in found
    assert not [problem for problem in check(corpus).remarks if "is not in transfer.csv" in problem.message]


def test_a_moved_file_of_the_same_name_is_proposed(corpus: Path) -> None:
    (corpus / "audio" / "box").mkdir()
    (corpus / "audio" / "one.wav").rename(corpus / "audio" / "box" / "One.WAV")
    assert "did you mean box/One.WAV?" in one_error(corpus, column="file")


def test_audio_that_nobody_has_entered_is_a_remark(corpus: Path) -> None:
    write_tone(corpus / "audio" / "three.flac")
    assert "audio/three.flac: is not in transfer.csv; enter what lies in audio" in "\n".join(
        map(str, check(corpus).remarks)
    )


def test_what_was_judged_on_other_sound_waits(corpus: Path, write: Write) -> None:
    sha = samples_hash(corpus / "audio" / "one.wav")
    write(
        "speed_decision",
        "transfer_id,correction_cents,reference_pitch_hz,reason,decided_by,decided_on,samples_sha256\n"
        f"t1,12,440,heard,ina,2026-01-31,{sha}\n",
    )
    head = "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,listener,judged_on\n"
    write("ina.csv", head + f"t1,{sha},1,1.2,slide,ina,2026-01-31\n")
    assert not [problem for problem in check(corpus).remarks if problem.column == "samples_sha256"]
    write_tone(corpus / "audio" / "one.wav", hz=500.0)
    waiting = [problem for problem in check(corpus).remarks if problem.column == "samples_sha256"]
    assert [problem.file for problem in waiting] == ["catalogue/speed_decision.csv", "reviews/ina.csv"]
    assert "was made for other sound, and waits" in waiting[0].message
    assert samples_hash(corpus / "audio" / "one.wav") in waiting[0].cure


def test_what_the_file_says_against_the_catalogue_is_a_remark(corpus: Path, write: Write) -> None:
    import mutagen

    write_tone(corpus / "audio" / "one.flac")
    tags = mutagen.File(corpus / "audio" / "one.flac")
    tags["artist"], tags["title"], tags["label"] = "Vint, Anna", "AIR", "Otherlabel"
    tags.save()
    (corpus / "audio" / "one.wav").unlink()
    write("transfer", "transfer_id,side_id,file,turntable_rpm\nt1,s1,one.flac,78.26\nt2,s2,two.wav,78.26\n")
    assert "label says 'Otherlabel', the catalogue 'Nonesuch'" in one_remark(corpus, column="file")


def test_many_like_remarks_are_shortened_unless_all_are_wanted(corpus: Path, write: Write) -> None:
    rows = "".join(f"m{i},s1,one.wav,{i * 0.1:.1f},{i * 0.1 + 0.1:.1f}\n" for i in range(20))
    write("transfer", "transfer_id,side_id,file,file_start_s,file_end_s\n" + rows)
    short = CliRunner().invoke(app, ["check", str(corpus), "--no-audio"]).stdout
    long = CliRunner().invoke(app, ["check", str(corpus), "--no-audio", "--all"]).stdout
    assert short.count("no turntable speed") == 1
    assert "20 rows (m0, m1, m2, …): turntable_rpm: no turntable speed" in " ".join(short.split())
    assert long.count("no turntable speed") == 20


def test_two_files_with_the_same_sound_are_pointed_out(corpus: Path) -> None:
    (corpus / "audio" / "two.wav").write_bytes((corpus / "audio" / "one.wav").read_bytes())
    # Before any run by decoding what plays as long.
    assert "holds the very same sound as one.wav (t1)" in one_remark(corpus, column="file")
    store = Corpus(corpus)
    for transfer_id in ("t1", "t2"):
        row = {column.name: None for column in load("run").columns} | {
            "transfer_id": transfer_id,
            "step": "intake",
            "unit_id": transfer_id,
            "step_version": 1,
            "outcome": "done",
            "message": "",
            "samples_sha256": samples_hash(corpus / "audio" / "one.wav"),
            "key_sha256": "0" * 64,
        }
        filled = {
            name: "{}" if value is None and load("run").column(name).required else value for name, value in row.items()
        }
        store.write("run", transfer_id, pl.DataFrame([filled], schema=load("run").polars_schema()))
    assert "holds the very same sound as one.wav (t1)" in one_remark(corpus, column="file")


@pytest.mark.parametrize("name", ["catalogue", "audio", "derived", "settings.toml"])
def test_a_part_that_is_a_link_out_is_refused(corpus: Path, tmp_path: Path, name: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    if (corpus / name).exists():
        (corpus / name).rename(tmp_path / "aside")
    (corpus / name).symlink_to(outside)
    with pytest.raises(DataError, match="leads out of the corpus"):
        check(corpus)


def test_a_table_that_is_a_link_out_is_not_read(corpus: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("source_id,citation\nroot,password\n")
    (corpus / "catalogue" / "source.csv").unlink()
    (corpus / "catalogue" / "source.csv").symlink_to(secret)
    assert "is a link that leads out of the corpus, and is not read" in str(check(corpus).errors[0])
    assert "password" not in "".join(map(str, check(corpus).problems))


def test_links_out_of_the_corpus_are_refused(corpus: Path, tmp_path: Path) -> None:
    outside = write_tone(tmp_path / "outside.wav")
    (corpus / "audio" / "one.wav").unlink()
    (corpus / "audio" / "one.wav").symlink_to(outside)
    assert "leads out of audio/ by a link" in one_error(corpus, column="file")
    with pytest.raises(DataError, match="leads out of audio/"):
        Corpus(corpus).audio_path("one.wav")


def test_two_rows_of_a_disc_without_faces_are_asked_for_them(corpus: Path, write: Write) -> None:
    write("side", "side_id,label,issue_number,face\ns1,Nonesuch,77,\ns2,Nonesuch,77,\n")
    assert "neither row says which face it is; write A and B" in one_remark(corpus, column="face")


def test_a_key_without_a4_is_told(corpus: Path, write: Write) -> None:
    def told() -> list[str]:
        return [p.key for p in check(corpus).remarks if "not what A4 was" in p.message]

    write("reference_pitch", "take_id,reference_pitch_hz\n")
    assert told() == ["k1", "k2"]
    write("default_pitch", "place,span,reference_pitch_hz\nElsewhere,,435\nArl,1880/1890,452\n")
    assert told() == ["k1", "k2"]
    write("default_pitch", "place,span,reference_pitch_hz\nArl,1900/1910,435\n")
    assert told() == []
    write("default_pitch", "place,span,reference_pitch_hz\n")
    write("reference_pitch", "take_id,reference_pitch_hz\nk1,435\nk2,435\n")
    assert told() == []


def test_a_long_list_says_how_much_is_left_out() -> None:
    names = [f"k{number}" for number in range(10)]
    assert listed(names, most=8) == "k0, k1, k2, k3, k4, k5, k6, k7 and 2 more"
    assert listed(names[:2], most=8) == "k0, k1"


def test_a_message_that_holds_the_signs_between_parts_is_not_cut(corpus: Path) -> None:
    (corpus / "settings.toml").write_text('title = ["a: b; c"]\n[hand]\nfingering = 1\n')
    with pytest.raises(CombinedError) as caught:
        read_settings(corpus / "settings.toml")
    named = [(each.where, each.message, each.cure) for each in caught.value.errors]
    assert len(named) == 2
    problems = [(p.file, p.message, p.cure) for p in check(corpus).problems if p.file == "settings.toml"]
    assert problems == sorted(named)
    assert any("['a: b; c']" in message for _, message, _ in named)
