"""Errors carry what is wrong, the cure and the place apart, and lose none of it on the way between processes."""

import pickle

import pytest

from pipeline.errors import AudioError, CombinedError, DataError, GlidelineError


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
