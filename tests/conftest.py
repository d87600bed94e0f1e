"""Fixtures that several folders share."""

import os
import shutil
import sys
from pathlib import Path

import pytest

# Workers of pytest-xdist set a width of 80, which the program would obey in its tables.
os.environ.pop("COLUMNS", None)
# Last, so that an installed wheel is tested rather than the checkout beside these tests.
sys.path.append(str(Path(__file__).parent.parent))


@pytest.fixture(scope="session")
def measured_once(tmp_path_factory):
    """A measured corpus; only to be read."""
    from tests.helpers.measured_corpus import measured_corpus

    return measured_corpus(tmp_path_factory.mktemp("measured") / "corpus")


@pytest.fixture
def measured(measured_once, tmp_path):
    """A copy of the measured corpus, to be changed at will."""
    return Path(shutil.copytree(measured_once, tmp_path / "corpus"))
