"""Hand-kept tables are read as people's spreadsheets save them, and every problem has its place and cure."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import DataError
from pipeline.store.catalogue.csv_text import read_text_table, typed
from pipeline.store.catalogue.problems import Problem
from pipeline.store.catalogue.slugs import slug
from pipeline.store.catalogue.tables import GUESSED, Catalogue
from pipeline.store.schema import load

Write = Callable[[str, str], None]


def only(root: Path) -> Problem:
    problems = Catalogue(root).problems()
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def test_the_sound_corpus_has_no_problem(corpus: Path) -> None:
    catalogue = Catalogue(corpus)
    assert catalogue.problems() == []
    assert catalogue.row("take", "k1")["matrix_number"] == "0123"
    assert catalogue.frame("take").schema == load("take").polars_schema()
    assert [row["transfer_id"] for row in catalogue.rows("transfer", side_id="s2")] == ["t2"]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_spreadsheet_exports_are_read(corpus: Path, write: Write, delimiter: str, ends: str, mark: str) -> None:
    rows = [
        "player_id|name|born||",
        '"zoe-ß"|bad|1900||'.replace("ß", "s"),
        'ada|"Ada | Émile"|190X||',
        "||||",
        "",
        "||||",
    ]
    write("player", mark + ends.join(row.replace("|", delimiter) for row in rows) + ends)
    for table in ("teaching", "school_membership", "performance"):
        write(table, "")
    frame = Catalogue(corpus).frame("player")
    assert frame["player_id"].to_list() == ["ada", "zoe-s"]
    assert frame["name"].to_list() == [f"Ada {delimiter} Émile", "bad"]
    assert str(frame["born_latest"][0]) == "1909-12-31"


def test_dates_get_their_computed_columns(corpus: Path, write: Write) -> None:
    write("session", "session_id,recorded\nspring-3,1908~/..\n")
    row = Catalogue(corpus).row("session", "spring-3")
    assert (row["recorded"], str(row["recorded_earliest"]), row["recorded_latest"]) == (
        "1908~/..",
        "1908-01-01",
        None,
    )
    assert str(row["recorded_padded_earliest"]) == "1907-01-01"
    assert (row["recorded_qualifier"], row["recorded_start_is"], row["recorded_end_is"]) == (
        "approximate",
        "known",
        "open",
    )


def test_decimal_commas_are_understood_only_where_they_cannot_divide(corpus: Path, write: Write) -> None:
    write("transfer", "transfer_id;side_id;file;turntable_rpm\nt1;s1;one.wav;78,26\n")
    assert Catalogue(corpus).row("transfer", "t1")["turntable_rpm"] == 78.26
    write("transfer", 'transfer_id,side_id,file,turntable_rpm\nt1,s1,one.wav,"78,26"\n')
    problem = only(corpus)
    assert (problem.row, problem.column, problem.value) == (2, "turntable_rpm", "78,26")
    assert problem.cure == "write 78.26"


def test_yes_and_no(corpus: Path, write: Write) -> None:
    write("transfer", "transfer_id,side_id,file,stands_for_take\nt1,s1,one.wav,Yes\nt2,s2,two.wav,perhaps\n")
    problem = only(corpus)
    assert (problem.row, problem.value, problem.message) == (3, "perhaps", "is neither yes nor no")
    assert Catalogue(corpus).frame("transfer")["stands_for_take"].to_list() == [True, None]


def test_words_of_a_list_may_be_written_in_another_way(corpus: Path, write: Write) -> None:
    rows = "t1,s1,one.wav,Tape copy,LATERAL\nt2,s2,two.wav,tape,\n"
    write("transfer", "transfer_id,side_id,file,generation,groove\n" + rows)
    problem = only(corpus)
    assert Catalogue(corpus).row("transfer", "t1")["generation"] == "tape_copy"
    assert Catalogue(corpus).row("transfer", "t1")["groove"] == "lateral"
    assert (problem.row, problem.value) == (3, "tape")


def test_unknown_columns_get_the_nearest_known_name(corpus: Path, write: Write) -> None:
    write("player", "Player ID,name,dide\nanna-vint,Anna,\nbela-ort,Bela,\n")
    said = [str(problem) for problem in Catalogue(corpus).problems()]
    assert any("Player ID: is not a column of player; did you mean player_id?" in line for line in said)
    assert any("dide: is not a column of player; did you mean died?" in line for line in said)
    assert any("player_id: this column is missing" in line for line in said)


def test_a_wrong_cell_empties_itself_and_a_wrong_key_its_row(corpus: Path, write: Write) -> None:
    write("transfer", "transfer_id,side_id,file,turntable_rpm\nt1,s1,one.wav,7826\nT2,s2,two.wav,78\n")
    catalogue = Catalogue(corpus)
    assert catalogue.frame("transfer").select("transfer_id", "turntable_rpm").rows() == [("t1", None)]
    assert {problem.value for problem in catalogue.problems()} == {"7826", "T2"}
    assert [problem.value for problem in catalogue.blocking("t1")] == ["7826"]


def test_a_wrong_row_stops_only_what_needs_it(corpus: Path, write: Write) -> None:
    write("player", "player_id,name,born\nanna-vint,Anna Vint,190u\nbela-ort,Bela Ort,\n")
    write("passage", "transfer_id,from_s,to_s,content\nt2,zero,2,solo\n")
    catalogue = Catalogue(corpus)
    assert catalogue.blocking("t1") == []
    assert [problem.column for problem in catalogue.blocking("t2")] == ["from_s"]


def test_references_are_followed_and_their_root_is_named_once(corpus: Path, write: Write) -> None:
    write("player", "player_id,name\nanna-vint,\nbela-ort,Bela Ort\n")
    problems = Catalogue(corpus).problems()
    errors = [problem for problem in problems if problem.severity == "error"]
    assert [(p.file, p.row, p.column) for p in errors] == [("catalogue/player.csv", 2, "name")]
    waiting = {p.file for p in problems if p.severity == "remark"}
    assert waiting == {f"catalogue/{table}.csv" for table in ("teaching", "school_membership", "performance")}
    assert Catalogue(corpus).frame("performance").is_empty()


def test_a_dangling_reference_offers_the_nearest_id(corpus: Path, write: Write) -> None:
    write("side_take", "side_id,take_id\ns1,k1\ns2,k22\n")
    problem = only(corpus)
    assert (problem.column, problem.value, problem.message) == ("take_id", "k22", "is not in take.csv")
    assert problem.cure == "did you mean k2?"


def test_of_very_many_unknown_ids_only_the_first_get_a_guess(corpus: Path, write: Write) -> None:
    """Each guess looks through all known ids: a million of them would take days."""
    rows = [f"k{number},spring-3{number:03}" for number in range(2 * GUESSED)]
    write("take", "\n".join(["take_id,session_id", *rows]) + "\n")
    cures = [problem.cure for problem in Catalogue(corpus).problems()]
    assert cures[:GUESSED] == ["did you mean spring-3?"] * GUESSED
    assert cures[GUESSED:] == ["add a row to session.csv, or mend the id"] * GUESSED


def test_a_dangling_reference_that_may_be_empty_is_cleared(corpus: Path, write: Write) -> None:
    write("take", "take_id,work_id,session_id\nk1,air,spring-4\nk2,aire,\n")
    catalogue = Catalogue(corpus)
    assert catalogue.frame("take").select("take_id", "work_id", "session_id").rows() == [
        ("k1", "air", None),
        ("k2", None, None),
    ]
    assert sorted(problem.cure for problem in catalogue.problems()) == ["did you mean air?", "did you mean spring-3?"]


def test_ids_are_unique_whatever_their_case(corpus: Path, write: Write) -> None:
    write("source", "source_id,citation\nbook,One\nbook,Two\nBook,Three\nnul,Four\n")
    said = [str(problem) for problem in Catalogue(corpus).problems()]
    assert len(said) == 3
    assert "source_id = book: stands already in row 2; give one of the two another id" in said[0]
    assert "source_id = Book: must be an id" in said[1]
    assert said[1].endswith("; write book")
    assert "is a name that Windows keeps for itself; write nul-1" in said[2]


def test_no_id_is_what_stands_for_the_whole_corpus(corpus: Path, write: Write) -> None:
    write("source", "source_id,citation\ncorpus,One\n")
    said = [str(problem) for problem in Catalogue(corpus).problems()]
    assert "stands for the whole corpus in tables and files; write corpus-1" in said[0]
    assert slug("Corpus") == "corpus-1"


def test_encodings_are_named_and_other_rows_kept(corpus: Path) -> None:
    path = corpus / "catalogue" / "source.csv"
    path.write_bytes("source_id,citation\nbook,Plain\nbuch,Köln\n".encode("latin-1"))
    problem = only(corpus)
    assert (problem.row, problem.column, problem.value) == (3, "citation", "Köln")
    assert problem.cure == "save the file again as 'CSV UTF-8'"
    assert Catalogue(corpus).frame("source")["source_id"].to_list() == ["book"]
    path.write_bytes("source_id,citation\nbook,Plain\n".encode("utf-16"))
    assert only(corpus).message == "is not saved as UTF-8"


def test_broken_quotes_huge_cells_and_stray_cells(corpus: Path, write: Write) -> None:
    write("source", 'source_id,citation\none,fine\ntwo,"never closed\nthree,x\n')
    problem = only(corpus)
    assert problem.row == 3
    assert "quotation mark without its twin" in problem.cure
    assert Catalogue(corpus).frame("source")["source_id"].to_list() == ["one"]
    write("source", "source_id,citation\none," + "x" * 30_000 + "\n")
    assert "is longer than 20000 characters" in str(only(corpus))
    assert len(str(only(corpus))) < 300
    write("source", "source_id,citation\none,fine,,surplus\n")
    assert only(corpus).value == "surplus"


def test_identifiers_are_checked_and_cured(corpus: Path, write: Write) -> None:
    write(
        "player",
        "player_id,name,isni,wikidata\nanna-vint,Anna Vint,0000 0002 1825 0079,\n"
        "bela-ort,Bela Ort,0000 0002 1825 0097,https://www.wikidata.org/wiki/Q42\n",
    )
    said = [str(problem) for problem in Catalogue(corpus).problems()]
    assert len(said) == 2
    assert "isni = 0000 0002 1825 0079: has a wrong check digit" in said[0]
    assert said[1].endswith("; write Q42")


def test_an_empty_catalogue_gives_empty_typed_tables(tmp_path: Path) -> None:
    (tmp_path / "catalogue").mkdir()
    catalogue = Catalogue(tmp_path)
    assert catalogue.problems() == []
    assert catalogue.frame("transfer").schema == load("transfer").polars_schema()
    assert catalogue.row("transfer", "t1") is None
    with pytest.raises(DataError, match=r"transfers is not a hand-kept table; did you mean transfer\?"):
        catalogue.frame("transfers")


def test_reviews_are_read_from_every_listener(corpus: Path, write: Write) -> None:
    sha = "0" * 64
    head = "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,listener,judged_on\n"
    write("ina.csv", head + f"t1,{sha},1,1.2,slide,ina,2026-01-31\n")
    write("otto.csv", head + f"t1,{sha},1,1.2,no_slide,otto,2026-02-30\n")
    write(
        "otto.marks.csv",
        f"transfer_id,samples_sha256,transfer_start_s,transfer_end_s,listener,marked_on\nt1,{sha},1,2,otto,2026-02-01\n",
    )
    catalogue = Catalogue(corpus)
    assert catalogue.frame("review")["listener"].to_list() == ["ina"]
    assert catalogue.frame("mark").height == 1
    assert (only(corpus).file, only(corpus).message) == ("reviews/otto.csv", "is no day of the calendar")


def test_slugs() -> None:
    assert slug("Édith Ørsted-Groß, No. 3") == "edith-orsted-gross-no-3"
    assert slug("♭♯") == "flat-sharp"
    assert slug("日本") == ""
    assert slug("CON") == "con-1"


ANY_FILE = st.binary(max_size=300) | st.text(alphabet='player_id,name;born\t"\r\n01~X\u202e\x00é', max_size=300).map(
    str.encode
)


@pytest.mark.slow
@settings(max_examples=2_000, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ANY_FILE)
def test_any_bytes_can_be_read_as_a_table(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "player.csv").write_bytes(content)
    table = read_text_table(tmp_path / "player.csv", relation=load("player"), root=tmp_path)
    for column in load("player").written_columns:
        values, problems = typed(column, table.column(column.name), comma_decimals=True)
        assert len(values) == len(table.rows) == len(table.numbers)
        assert all(values[problem.row] is None and problem.cure for problem in problems)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ANY_FILE)
def test_any_bytes_give_problems_and_never_a_crash(tmp_path: Path, content: bytes) -> None:
    folder = tmp_path / "catalogue"
    folder.mkdir(exist_ok=True)
    (folder / "player.csv").write_bytes(content)
    catalogue = Catalogue(tmp_path)
    assert catalogue.frame("player").schema == load("player").polars_schema()
    assert all(str(problem).isprintable() and problem.cure for problem in catalogue.problems())


def test_what_a_listener_says_anew_on_the_same_day_stands_and_is_no_error(corpus: Path) -> None:
    head = "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id\n"
    transfer = Catalogue(corpus).frame("transfer")["transfer_id"][0]
    row = f"{transfer},{'0' * 64},1,2,{{}},,lea,2026-01-05,\n"
    (corpus / "reviews").mkdir(exist_ok=True)
    (corpus / "reviews" / "lea.csv").write_text(head + row.format("slide") + row.format("no_slide"), encoding="utf-8")
    catalogue = Catalogue(corpus)
    assert catalogue.frame("review")["verdict"].to_list() == ["no_slide"]
    assert not [p for p in catalogue.problems() if p.table == "review" and "already" in p.message]
