"""Fixtures that several folders share."""

import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

# Workers of pytest-xdist set a width of 80, which the program would obey in its tables.
os.environ.pop("COLUMNS", None)
# Tests run beside each other: threads of linear algebra, which wait by spinning, would only take turns.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Last, so that an installed wheel is tested rather than the checkout beside these tests.
sys.path.append(str(Path(__file__).parent.parent))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Workers take whole files, which share what fixtures make; kills share nothing, so they are taken one by one."""
    from xdist.scheduler import LoadFileScheduling

    class KillsApart(LoadFileScheduling):
        def _split_scope(self, nodeid):
            return nodeid if "::test_killed" in nodeid else super()._split_scope(nodeid)

    return KillsApart(config, log) if config.getvalue("dist") == "loadfile" else None


@pytest.fixture(scope="session")
def measured_once(tmp_path_factory, worker_id):
    """A measured corpus; only to be read. Whichever worker of pytest-xdist needs it first makes it for all."""
    from pipeline.store.files.lock import locked
    from tests.helpers.measured_corpus import measured_corpus

    base = tmp_path_factory.getbasetemp()
    shared = (base if worker_id == "master" else base.parent) / "measured"
    with locked(shared, say=print, doing="test", wait_s=900.0):
        if not (shared / "whole").exists():
            measured_corpus(shared / "corpus")
            (shared / "whole").touch()
    return shared / "corpus"


@pytest.fixture
def measured(measured_once, tmp_path):
    """A copy of the measured corpus, to be changed at will."""
    return Path(shutil.copytree(measured_once, tmp_path / "corpus"))


@pytest.fixture
def corpus(tmp_path: Path) -> Path:
    """A small made-up corpus in which nothing is wrong, to be spoilt at will."""
    from tests.helpers.small_catalogue import CATALOGUE
    from tests.helpers.tones import write_tone

    root = tmp_path / "corpus"
    (root / "catalogue").mkdir(parents=True)
    (root / "reviews").mkdir()
    for table, text in CATALOGUE.items():
        (root / "catalogue" / f"{table}.csv").write_text(text, encoding="utf-8")
    write_tone(root / "audio" / "one.wav")
    write_tone(root / "audio" / "two.wav", hz=392.0)
    return root


@pytest.fixture
def write(corpus: Path) -> Callable[[str, str], None]:
    """Writes a table of the corpus anew."""

    def put(table: str, text: str) -> None:
        folder = "reviews" if "." in table else "catalogue"
        name = table if "." in table else f"{table}.csv"
        (corpus / folder / name).write_text(text, encoding="utf-8", newline="")

    return put
