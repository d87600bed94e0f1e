"""Conversions stand in ``units`` and nowhere else, and undo each other."""

import ast
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import norm

import pipeline
from pipeline import compiled, units

PACKAGE = Path(pipeline.__file__).parent
# What looks like a conversion and is none.
OTHERS = {
    "answers/number_words.py": "log10",  # how many figures a number has
    "store/audio/channels.py": "1200",  # the middle of an octave, in Hz
    "store/audio/mpeg_frames.py": "1000",  # kbit/s in the tables of the standard
}


def number(node: ast.expr) -> float | None:
    value = node.value if isinstance(node, ast.Constant) else None
    return float(value) if isinstance(value, int | float) else None


def called(node: ast.AST) -> str | None:
    if not isinstance(node, ast.Call):
        return None
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", None)


def divides_by(node: ast.AST, *numbers: float) -> bool:
    return any(isinstance(part, ast.BinOp) and number(part.right) in numbers for part in ast.walk(node))


def conversions(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Lines with cents (1200), semitones (12 and a power or logarithm of 2), decibels (10), milliseconds (1000)."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and type(node.value) in (int, float) and node.value == 1200:
            yield node.lineno, "1200"
        if called(node) == "log10":
            yield node.lineno, "log10"
        if not isinstance(node, ast.BinOp):
            continue
        left, right = number(node.left), number(node.right)
        if isinstance(node.op, ast.Pow) and isinstance(node.left, ast.Constant) and type(node.left.value) is float:
            if left == 10.0 and divides_by(node.right, 10.0, 20.0):
                yield node.lineno, "10 **"
            if left == 2.0 and divides_by(node.right, 12.0):
                yield node.lineno, "12"
        if isinstance(node.op, ast.Mult | ast.Div) and 1000.0 in (left, right) and not (left and right):
            yield node.lineno, "1000"
        if isinstance(node.op, ast.Mult) and 12.0 in (left, right) and "log2" in map(called, ast.walk(node)):
            yield node.lineno, "12"
    for node in ast.walk(tree):
        if called(node) == "exp2" and divides_by(node, 12.0):
            yield node.lineno, "12"


def test_conversions_are_made_in_one_module_only() -> None:
    assert {what for _, what in conversions(ast.parse((PACKAGE / "units.py").read_text(encoding="utf-8")))} == {
        *("1200", "log10", "10 **", "1000", "12"),
    }
    found = [
        f"{name}:{line} {what}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if (name := path.relative_to(PACKAGE).as_posix()) != "units.py"
        for line, what in conversions(ast.parse(path.read_text(encoding="utf-8")))
        if OTHERS.get(name) != what
    ]
    assert found == []


@pytest.mark.parametrize(
    ("there", "back"),
    [
        (units.ratio_of_cents, units.cents_of_ratio),
        (units.ratio_of_semitones, units.semitones_of_ratio),
        (units.gain_of_db, units.db_of_gain),
        (units.ms_of_s, units.s_of_ms),
        (units.rpm_of_hz, units.hz_of_rpm),
    ],
)
def test_conversions_undo_each_other(there, back) -> None:
    values = np.array([-130.0, -1.0, 0.0, 2.5, 78.26])
    assert back(there(values)) == pytest.approx(values, abs=1e-11)


@pytest.mark.parametrize("name", ["cents_of_ratio", "ratio_of_cents", "db_of_power"])
def test_compiled_twins_say_the_same(name: str) -> None:
    for value in (0.3, 1.0, 5.7):
        assert getattr(compiled, name)(value) == pytest.approx(getattr(units, name)(value), rel=1e-15)


def test_a_compiled_sum_of_exponentials_is_scipys() -> None:
    values = np.array([-800.0, 3.0, 709.0, 5.0])
    assert compiled.log_sum(values, 3, -2.0) == pytest.approx(logsumexp([-800.0, 3.0, 709.0, -2.0]), rel=1e-15)
    assert compiled.log_sum(values, 0, -2.0) == -2.0
    assert compiled.bell(1.5) == pytest.approx(norm.pdf(1.5) / norm.pdf(0.0), rel=1e-15)
