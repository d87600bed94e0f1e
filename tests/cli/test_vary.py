"""An answer that moves, printed: no number and no name is cut, however many groups there are."""

import io

import polars as pl
import pytest
from rich.console import Console

from pipeline.answers.sensitivity import Varied
from pipeline.cli.vary import print_varied

GROUPS = ("Ludo Brackwhistle", "Emeric Doveturn", "Tamsin Larkspindle", "Corvin Nettlebright", "Sabra Tindlemere")


@pytest.mark.parametrize("width", [60, 80, 200])
def test_every_number_and_name_is_whole_and_groups_without_room_come_below(width: int) -> None:
    told = [("as counted", ""), ("least confidence", "0.8"), ("least confidence", "0.9")]
    rows = [
        {"varied": what, "to": to, "group": group, "value": 15.0 + n, "low": 6.0, "high": 53.0}
        for n, group in enumerate(GROUPS)
        for what, to in told
    ]
    out = io.StringIO()
    print_varied(Varied(pl.DataFrame(rows), "slides_per_minute"), Console(file=out, width=width))
    text = out.getvalue()
    assert max(map(len, text.splitlines())) <= width
    for n, name in enumerate(GROUPS):
        assert text.count(f"{15 + n} (6–53)") == len(told)
        assert set(name.split()) <= set(text.split())
    assert text.count("as counted") == (2 if width == 60 else 1)
