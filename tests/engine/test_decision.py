"""Why a step must run, each reason by itself and in their order; and what its key hangs on."""

from dataclasses import replace

import pytest

from pipeline.engine.decision import AGAIN, CHANGED, NEW, RETRY, Reads, why
from pipeline.engine.jobs import Brief, SoundSpec
from tests.helpers.quick_steps import STEPS

STEP = next(step for step in STEPS if not step.needs_sound and not step.needs_file)
SOUND = SoundSpec("a.wav", "mix", None, None)
READS = Reads(STEP, {"x": 1}, {"key": "D major"}, {"t": "aa"}, {"t": SOUND}, {"t": "ff"}, {"t/tuning": "bb"})
ROW = Brief(READS.key, "done", None, "", "aa", {"speed": "cc"})


def said(row: Brief | None, *, again: bool = False, amiss: str = "", reads: Reads = READS) -> str:
    return why(reads, {"t": ROW, "u": row}, again=again, amiss=lambda t, _: amiss if t == "u" else "")


def test_each_reason_stands_by_itself_and_the_weightier_first() -> None:
    other = replace(ROW, key="other")
    assert said(ROW) == ""
    assert said(None, again=True, amiss="gone") == NEW
    assert said(other, again=True, amiss="gone") == CHANGED
    assert said(ROW, again=True, amiss="gone") == AGAIN
    assert said(replace(ROW, outcome="failed", cause="machine"), amiss="gone") == RETRY
    assert said(replace(ROW, outcome="failed", cause="input")) == ""
    assert said(ROW, amiss="gone") == "gone"


@pytest.mark.parametrize(
    "other",
    [
        {"settings": {"x": 2}},
        {"facts": {"key": None}},
        {"samples": {"t": "ab"}},
        {"inputs": {}},
        {"step": replace(STEP, version=99)},
    ],
)
def test_whatever_is_read_changes_the_key(other: dict[str, object]) -> None:
    assert replace(READS, **other).key != READS.key  # type: ignore[arg-type]
    assert said(ROW, reads=replace(READS, **other)) == CHANGED  # type: ignore[arg-type]


def test_what_a_step_does_not_need_does_not_change_its_key() -> None:
    assert replace(READS, sounds={}, files={}).key == READS.key
    for needs in ("needs_sound", "needs_file"):
        step = replace(STEP, **{needs: True})
        assert replace(READS, step=step, sounds={}, files={}).key != replace(READS, step=step).key
