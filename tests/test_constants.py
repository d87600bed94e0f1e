"""Numbers that decide results say beside them what they are and where they come from."""

import ast
from pathlib import Path

import pytest

import pipeline

PACKAGE = Path(pipeline.__file__).parent
FILES = [path for room in ("signal", "stats") for path in sorted((PACKAGE / room).rglob("*.py"))]


def is_number(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and type(node.value) in (int, float)


def wordless(text: str) -> list[str]:
    """Constants of a module with a number in them, but no comment beside or above and no docstring below.

    A comment stands for all assignments that follow it without a gap.
    """
    tree, lines = ast.parse(text), text.splitlines()
    found = []
    for node, after in zip(tree.body, [*tree.body[1:], None], strict=True):
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        names = [part.id for target in targets if target for part in ast.walk(target) if isinstance(part, ast.Name)]
        value = getattr(node, "value", None)
        if not names or any(name.upper() != name for name in names) or not any(map(is_number, ast.walk(value))):
            continue
        above = node.lineno - 2
        while above >= 0 and lines[above].strip() and not lines[above].startswith(("#", '"', "from ", "import ")):
            above -= 1
        told = (
            (isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant))
            or any("#" in line for line in lines[node.lineno - 1 : node.end_lineno])
            or lines[above].startswith("#")
        )
        if not told:
            found += names
    return found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("A = 1\n", ["A"]),
        ("A = 1  # half of two\n", []),
        ('A = 1\n"""Half of two."""\nB, C = 2, 3\n', ["B", "C"]),
        ("# Halves.\nA = 1\nB = {'x': 2}\n\nC = 3\n", ["C"]),
        ("a = 1\nT = tuple\n", []),
    ],
)
def test_what_counts_as_told(text: str, found: list[str]) -> None:
    assert wordless(text) == found


def test_every_constant_has_words_beside_it() -> None:
    assert len(FILES) > 100
    lost = {
        path.relative_to(PACKAGE).as_posix(): names for path in FILES if (names := wordless(path.read_text("utf-8")))
    }
    assert lost == {}
