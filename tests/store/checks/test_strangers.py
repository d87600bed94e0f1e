"""Files that are not read are named, each kind once; what systems leave in folders is passed over in silence."""

from pathlib import Path

from pipeline.store.checks.check import check


def test_what_is_not_read_is_named(corpus: Path) -> None:
    for name in ("audio/one.jpg", "audio/box/two.JPG", "audio/leaflet", "audio/.DS_Store", "audio/Thumbs.db",
                 "catalogue/notes.md", "catalogue/old/take.csv", "catalogue/parts/air.mxl", "catalogue/~$take.xlsx",
                 "audio/.three.wav.change", "catalogue/.take.csv.4711.tmp"):  # fmt: skip
        (corpus / name).parent.mkdir(exist_ok=True)
        (corpus / name).write_bytes(b"x")
    result = check(corpus)
    assert result.errors == ()
    found = {(p.file, p.message) for p in result.problems if "read" in p.message or "left over" in p.message}
    assert found == {
        ("audio/", "2 files of kind .jpg not read as sound: box/two.JPG, one.jpg"),
        ("audio/", "1 file without an ending not read as sound: leaflet"),
        ("catalogue/notes.md", "is not a table of the catalogue and not read"),
        ("catalogue/old/", "is a folder; nothing in it is read"),
        ("audio/.three.wav.change", "is left over from a command that was cut short"),
        ("catalogue/.take.csv.4711.tmp", "is left over from a command that was cut short"),
    }


def test_a_table_under_a_wrong_name_is_an_error(corpus: Path) -> None:
    (corpus / "catalogue" / "takes.csv").write_text("take_id\n")
    (problem,) = check(corpus).errors
    assert (problem.file, problem.cure) == ("catalogue/takes.csv", "did you mean take.csv?")
