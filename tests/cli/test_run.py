"""The end of a run says what to type next."""

import pytest

from pipeline.cli.run import _next
from pipeline.flows.stages import Summary


@pytest.mark.parametrize(
    ("summary", "command"),
    [(Summary(), "add c"), (Summary(transfers=2, failed=[("x", "intake", "is empty")], condemned=1), "status c"),
     (Summary(transfers=2, condemned=1), "check c"), (Summary(transfers=2), "query c slides_by_player")],
)  # fmt: skip
def test_what_is_to_be_mended_comes_first(summary: Summary, command: str) -> None:
    assert _next(summary, "c").startswith(f"glideline {command}")
