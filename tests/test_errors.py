"""Errors carry what is wrong, the cure and the place apart, and lose none of it on the way between processes."""

import pickle
import re
from pathlib import Path

import pytest

import pipeline
from pipeline.errors import AudioError, CombinedError, DataError, GlidelineError

PACKAGE = Path(pipeline.__file__).parent


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (DataError("it is wrong"), "it is wrong"),
        (DataError("it is wrong", "mend it; then go on"), "it is wrong; mend it; then go on"),
        (
            AudioError("is empty; or nearly", "copy it again", where="a; b.wav"),
            "a; b.wav: is empty; or nearly; copy it again",
        ),
        (CombinedError([DataError("one", "mend"), DataError("two", where="there")]), "one; mend\nthere: two"),
    ],
)
def test_an_error_is_its_parts_here_and_in_another_process(error: GlidelineError, text: str) -> None:
    assert str(error) == text
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is type(error)
    assert (again.message, again.cure, again.where) == (error.message, error.cure, error.where)
    assert str(again) == text


def test_no_code_cuts_our_own_prose() -> None:
    # Messages of libraries come as text and may be cut; ours have parts.
    cutting = re.compile(
        r"""\.r?(partition|split)\(["']; ["']|reason\.split|str\(error\)\.r?(partition|split)\(["'][;:]"""
    )
    found = {
        f"{path.relative_to(PACKAGE).as_posix()}: {line.strip()}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for line in path.read_text(encoding="utf-8").splitlines()
        if cutting.search(line)
    }
    assert found == set()
