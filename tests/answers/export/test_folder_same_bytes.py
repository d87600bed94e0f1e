"""The same state gives the same bytes, however often and by however many threads it is asked."""

import re
from datetime import date
from pathlib import Path

import pytest

from pipeline import resources
from pipeline.answers.export.folder import export

# Sums of counts, which are whole numbers: no order of addends changes them.
COUNTS = {"sum(reviewed_slides)", "sum(found_slides)", "sum(way.paths)", "sum(own.notes * other.notes)"}


def test_no_view_sums_floating_point_numbers_in_the_order_in_which_they_come() -> None:
    """Floating-point addition is not associative (Goldberg 1991, section 1.4): threads would decide the last digit."""
    sums = {}
    for path in sorted(resources.folder("queries").rglob("*.sql")):
        text = re.sub("--.*", "", path.read_text(encoding="utf-8"))
        found = set(re.findall(r"\b(?:sum|avg|mean|stddev\w*|var_\w+|corr|regr_\w+)\([^()]*\)", text))
        found -= COUNTS
        sums[path.name] = {hit for hit in found if "::decimal" not in hit}
    assert len(sums) > 50
    assert {name: hits for name, hits in sums.items() if hits} == {}


@pytest.mark.long
def test_fifty_exports_have_one_hash(measured_once: Path, tmp_path: Path) -> None:
    day = date(2026, 1, 5)
    made = [export(measured_once, to=("csv",), into=tmp_path / str(n), today=day) for n in range(50)]
    assert len({each.content_sha256 for each in made}) == 1
    files = [{p.name: p.read_bytes() for p in each.folder.rglob("*") if p.is_file()} for each in made[::7]]
    assert all(each == files[0] for each in files)
