"""The invented corpus as it is shipped: sound by its own checks, its truth that of its recipe."""

from difflib import SequenceMatcher

import numpy as np
import polars as pl
import pytest
import soundfile

from pipeline import resources
from pipeline.demonstration.audio import read_recipe, write_broken, write_side
from pipeline.demonstration.compare import read_truth
from pipeline.demonstration.planted import chord_rows, note_rows, other_slide_rows, slide_rows, speed_row
from pipeline.demonstration.run import demo, write_corpus
from pipeline.errors import UsageError
from pipeline.store.checks.check import check
from pipeline.store.corpus import Corpus

FOLDER = resources.folder("demo_corpus")


@pytest.fixture(scope="module")
def recipe():
    return read_recipe(FOLDER / "recipe.toml")


def test_every_transfer_has_a_recipe_or_is_broken(recipe):
    rows = Corpus(FOLDER).catalogue.frame("transfer")
    made = {side.transfer_id: side.file for side in recipe.sides}
    broken = rows.filter(pl.col("file").is_in(recipe.broken))["transfer_id"].to_list()
    assert len(broken) == 1
    assert set(rows["transfer_id"]) == {*made, *broken}
    for row in rows.rows(named=True):
        assert made.get(row["transfer_id"], row["file"]) == row["file"]


def test_keys_and_reference_pitches_are_those_of_the_catalogue(recipe):
    catalogue = Corpus(FOLDER).catalogue
    given = {row["take_id"]: row["reference_pitch_hz"] for row in catalogue.rows("reference_pitch")}
    unknown = 0
    for side in recipe.sides:
        transfer = catalogue.row("transfer", side.transfer_id)
        take = catalogue.row("take", catalogue.rows("side_take", side_id=transfer["side_id"])[0]["take_id"])
        key = take["key_played"] or catalogue.row("work", take["work_id"])["key"]
        assert key in (None, side.key)
        unknown += key is None
        assert given.get(take["take_id"], side.reference_pitch_hz) == side.reference_pitch_hz
        assert transfer["turntable_rpm"] == pytest.approx(side.turntable_rpm)
        assert take["process"] == side.band
        assert (take["accompaniment"] == "piano") == (side.piano_below_db is not None)
    assert unknown == 1


def test_only_the_broken_file_is_wrong(recipe, tmp_path):
    write_corpus(tmp_path / "demo")
    audio = tmp_path / "demo" / "audio"
    audio.mkdir()
    for i, side in enumerate(recipe.sides):
        tone = 0.5 * np.sin(2 * np.pi * (300 + i) * np.arange(3 * 22_050) / 22_050)
        soundfile.write(audio / side.file, tone, 22_050)
    write_broken(audio / recipe.broken[0])
    errors = check(tmp_path / "demo").errors
    assert [(problem.file, problem.value) for problem in errors] == [("catalogue/transfer.csv", recipe.broken[0])]


def test_a_written_side_is_as_long_as_its_speed_says(recipe, tmp_path):
    side = next(side for side in recipe.sides if side.stereo)
    write_side(side, folder=tmp_path)
    info = soundfile.info(tmp_path / side.file)
    assert (info.samplerate, info.channels, info.subtype) == (96_000, 2, "PCM_24")
    assert info.duration == pytest.approx(side.length_s * 2 ** (side.offset_cents / 1200), abs=2e-3)


@pytest.mark.parametrize("transfer_id", ["owl-1410-b-t1", "fer-fe-733-a-t1", "fer-fe-733-b-t1"])
def test_truth_is_what_the_recipe_plants(recipe, transfer_id):
    side = next(side for side in recipe.sides if side.transfer_id == transfer_id)
    _, truth = side.render()
    planted = {
        "slide": slide_rows(side, truth),
        "note": note_rows(side, truth),
        "speed": [speed_row(side, truth)],
        "chord": chord_rows(side),
        "other_slide": other_slide_rows(side, truth),
    }
    assert (planted["chord"] != [], planted["other_slide"] != []) == (side.score is not None, side.other is not None)
    for name, rows in planted.items():
        kept = read_truth(FOLDER, name).filter(pl.col("transfer_id") == side.transfer_id).rows(named=True)
        assert len(kept) == len(rows)
        for mine, theirs in zip(rows, kept, strict=True):
            for column, value in mine.items():
                expected = pytest.approx(theirs[column], abs=2e-3) if isinstance(value, float) else theirs[column]
                assert value == expected, column


def test_the_planted_story(recipe):
    """Slides thin out over the generations of one school and not of the other."""
    shares = {}
    for side in recipe.sides:
        shares.setdefault(side.player, set()).add(side.slide_share)
    share = {player: max(values) for player, values in shares.items()}
    assert share["quillfeather"] > 1.5 * share["larkspindle"] > 3 * share["nettlebright"]
    assert share["brackwhistle"] == share["doveturn"] == share["tindlemere"]


def test_a_folder_with_something_in_it_is_refused(tmp_path):
    (tmp_path / "mine.txt").write_text("keep me")
    with pytest.raises(UsageError, match="not empty"):
        demo(tmp_path, quiet=True)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_the_printed_part_is_of_what_is_played():
    catalogue = Corpus(FOLDER).catalogue
    printed = catalogue.frame("printed_fingering").sort("note_number")
    take_id = catalogue.frame("take").filter(pl.col("work_id") == printed["work_id"][0])["take_id"][0]
    side_id = catalogue.rows("side_take", take_id=take_id)[0]["side_id"]
    transfer_id = catalogue.rows("transfer", side_id=side_id)[0]["transfer_id"]
    played = read_truth(FOLDER, "note").filter(pl.col("transfer_id") == transfer_id)
    pitches = [frame["midi"].cast(pl.Float64).round().to_list() for frame in (printed, played)]
    blocks = SequenceMatcher(None, *pitches, autojunk=False).get_matching_blocks()
    pairs = [(block.a + k, block.b + k) for block in blocks for k in range(block.size)]
    assert len(pairs) / printed.height > 0.95
    stops = [frame.select("string", "finger").rows() for frame in (printed, played)]
    same = [stops[0][i] == stops[1][j] for i, j in pairs]
    assert 0.5 < np.mean(same) < 0.9  # edited by someone else than the player
