"""Schemas are kept parsed, and parsed anew where they have changed or what was kept is damaged."""

import shutil
import sys
import tomllib
from pathlib import Path

import pytest

from pipeline import resources
from pipeline.store.schema import declared

parsed = declared._documents.__wrapped__


@pytest.fixture
def schemas(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of all schemas, parsed once."""
    folder = Path(shutil.copytree(resources.folder("schemas"), tmp_path / "schemas"))
    monkeypatch.setattr(resources, "folder", lambda name: tmp_path / name)
    monkeypatch.setattr(declared, "_kept", lambda: tmp_path / "kept")
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    parsed()
    return folder


def test_what_is_kept_is_not_parsed_again(schemas: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    documents = {
        f"{path.parent.name}/{path.stem}": tomllib.loads(path.read_text()) for path in schemas.rglob("*/*.toml")
    }
    monkeypatch.setattr(tomllib, "loads", lambda _: pytest.fail("is parsed again"))
    kept = parsed()
    assert len(documents) > 100
    assert {name: kept[name] for name in documents} == documents


def test_a_schema_that_has_changed_is_parsed_anew(schemas: Path) -> None:
    path = schemas / "base" / "player.toml"
    path.write_text(path.read_text() + 'note = "new"\n')
    assert "new" in str(parsed()["base/player"])


def test_damage_to_what_is_kept_is_mended(schemas: Path) -> None:
    before = parsed()
    kept = schemas.parent / "kept"
    kept.write_bytes(kept.read_bytes()[:1000])
    assert parsed() == before
    assert kept.stat().st_size > 1000
