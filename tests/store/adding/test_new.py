"""A new corpus is empty, sound and explained; the dictionary tells every column."""

import csv
import io
import json
import re
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import DataError, UsageError
from pipeline.settings import Group, Settings, read_settings
from pipeline.store.adding.new import PAGE, new, settings_text
from pipeline.store.checks.check import check
from pipeline.store.database.read import database_file
from pipeline.store.formats.dictionary import dictionary
from pipeline.store.schema import hand_kept, relations


def test_a_new_corpus_is_sound_and_headed(tmp_path: Path) -> None:
    run = CliRunner().invoke(app, ["new", str(tmp_path / "c")])
    assert run.exit_code == 0
    assert check(tmp_path / "c").problems == ()
    for relation in hand_kept("catalogue"):
        with (tmp_path / "c" / "catalogue" / f"{relation.name}.csv").open(encoding="utf-8-sig") as file:
            assert next(csv.reader(file)) == [column.name for column in relation.written_columns]
    page = (tmp_path / "c" / PAGE).read_text(encoding="utf-8")
    for relation in [*hand_kept("catalogue"), *hand_kept("reviews")]:
        assert all(f"- `{column.name}`" in page for column in relation.written_columns)


def test_settings_are_written_as_comments_with_their_defaults() -> None:
    text = settings_text()
    assert Settings.model_validate(tomllib.loads(text)) == Settings()
    lines = text.splitlines()
    for name, field in Settings.model_fields.items():
        group = field.annotation
        if not (isinstance(group, type) and issubclass(group, Group)):
            continue
        assert (f"[{name}]" in lines) == bool(group.model_fields)
        for setting, details in group.model_fields.items():
            assert details.description, f"{name}.{setting} is not described"
            assert any(line.startswith(f"# {setting} = ") for line in lines)


def test_commented_defaults_are_read_back_as_they_are(tmp_path: Path) -> None:
    lines = settings_text().splitlines()
    names = {
        setting for field in Settings.model_fields.values() for setting in getattr(field.annotation, "model_fields", {})
    }
    switched = [line[2:] if line[2:].split(" = ")[0] in names else line for line in lines]
    (tmp_path / "settings.toml").write_text("\n".join(switched), encoding="utf-8")
    assert read_settings(tmp_path / "settings.toml") == Settings()


def test_new_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "c" / "audio").mkdir(parents=True)
    (tmp_path / "c" / PAGE).write_text("mine")
    new(tmp_path / "c")
    assert (tmp_path / "c" / PAGE).read_text() == "mine"
    with pytest.raises(DataError, match="already holds a corpus; add to it"):
        new(tmp_path / "c")
    (tmp_path / "file").write_text("x")
    with pytest.raises(DataError, match="is a file"):
        new(tmp_path / "file")


def test_dictionary_tells_every_column_in_every_form() -> None:
    count = sum(len(relation.columns) for relation in relations())
    assert dictionary().height == count
    forms = {
        form: CliRunner().invoke(app, ["dictionary", "--as", form]).stdout
        for form in ("text", "csv", "json", "markdown")
    }
    assert len(json.loads(forms["json"])) == count
    assert len(list(csv.DictReader(io.StringIO(forms["csv"])))) == count
    for relation in relations():
        assert f"## {relation.layer}.{relation.name}" in forms["markdown"]
        assert f"{relation.layer}.{relation.name}\n" in forms["text"]
    one = CliRunner().invoke(app, ["dictionary", "transfer"]).stdout
    assert "turntable_rpm" in one
    assert "10 to 200 rpm" in one


def test_dictionary_offers_the_nearest_table() -> None:
    with pytest.raises(UsageError, match=r"no table or view 'tranfer'; did you mean transfer\?"):
        dictionary("tranfer")


def test_commands_that_are_advised_can_be_pasted(tmp_path: Path) -> None:
    root = tmp_path / "My sides"
    assert f"glideline add '{root}' AUDIO" in CliRunner().invoke(app, ["new", str(root)]).stderr
    with pytest.raises(DataError, match=re.escape(f"run: glideline run '{root}'")):
        database_file(root)
    with pytest.raises(DataError, match=re.escape(f"is the name right? `glideline new '{root} too'`")):
        database_file(tmp_path / "My sides too")


def test_columns_point_at_no_program_files() -> None:
    said = [(r.name, c.name) for r in relations() for c in r.columns if re.search(r"\.py\b", c.description)]
    assert said == []
