"""What keeps the preparing short: compiled loops assign no slices, each of which takes two seconds to compile."""

import ast
from pathlib import Path

import pipeline


def _loops(path: Path) -> list[ast.FunctionDef]:
    functions = [node for node in ast.parse(path.read_text(encoding="utf-8")).body if isinstance(node, ast.FunctionDef)]
    return [f for f in functions if any(ast.unparse(by).startswith("compiled(") for by in f.decorator_list)]


def _slices(loop: ast.FunctionDef) -> list[str]:
    targets = [t for node in ast.walk(loop) if isinstance(node, ast.Assign | ast.AugAssign) for t in _targets(node)]
    return [ast.unparse(t) for t in targets if isinstance(t, ast.Subscript) and _is_slice(t.slice)]


def _targets(node: ast.Assign | ast.AugAssign) -> list[ast.expr]:
    return node.targets if isinstance(node, ast.Assign) else [node.target]


def _is_slice(index: ast.expr) -> bool:
    return any(isinstance(part, ast.Slice) for part in (index.elts if isinstance(index, ast.Tuple) else [index]))


def test_compiled_loops_assign_no_slices():
    loops = {
        f"{path.name}: {loop.name}": loop
        for path in sorted(Path(pipeline.__file__).parent.rglob("*.py"))
        for loop in _loops(path)
    }
    assert len(loops) > 100
    assert {name: found for name, loop in loops.items() if (found := _slices(loop))} == {}
