"""What is written about the program is what the program is."""

import re

import pytest

from pipeline.settings import Group, Settings
from pipeline.steps.order import STEPS
from pipeline.store.schema import relations
from tests.documented import PARTS, ROOT, renewed


@pytest.mark.parametrize("name", sorted(PARTS))
def test_made_parts_are_up_to_date(name):
    assert renewed(name) == (ROOT / name).read_text(encoding="utf-8"), "run: python tests/documented.py"


def test_readme_has_the_two_commands():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = re.findall(r"^python3 -m venv .*$", text, flags=re.MULTILINE)
    assert [command.endswith(" demo") for command in commands] == [True, False]
    assert "pytest" in commands[1]


def test_readme_stays_short():
    assert len((ROOT / "README.md").read_text(encoding="utf-8").splitlines()) <= 220


def test_outside_checks_are_where_the_table_says():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("## Outside checks")[2].partition("\n\nBad input")[0]
    for row in table.splitlines()[6:]:
        room = ""
        for named in re.findall(r"`([^`]+)`", row.split("|")[4]):
            room = named.rpartition("/")[0] if "/" in named else room
            assert (ROOT / "tests" / room / named.rpartition("/")[2]).exists(), row


def test_every_step_has_a_place_among_the_settings_and_in_the_map():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for step in STEPS:
        assert step.name in Settings.model_fields
        assert f"`{step.name}`" in text


def test_every_setting_and_column_is_described():
    for name, field in Settings.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, Group):
            for setting, details in field.annotation.model_fields.items():
                assert details.description, f"{name}.{setting}"
    for relation in relations():
        for column in relation.columns:
            assert len(column.description) > 8, f"{relation.layer}.{relation.name}.{column.name}"


def test_top_level_holds_nothing_else():
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "pipeline", "schemas", "queries", "tests", "demo_corpus"}
    seen = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    made = {"dist", "build", "glideline-demo"}  # by building, and by the README's first command; git ignores them
    assert seen - allowed - made == set()
