"""What keeps the preparing short: compiled loops assign no slices, each of which takes two seconds to compile; and what
only other loops call has no way in from Python, so that Python must not call it."""

import ast
from pathlib import Path

import pipeline

SOURCES = {
    ".".join(path.relative_to(Path(pipeline.__file__).parents[1]).with_suffix("").parts): ast.parse(
        path.read_text(encoding="utf-8")
    )
    for path in sorted(Path(pipeline.__file__).parent.rglob("*.py"))
}


def _loops(module: str, by: tuple[str, ...] = ("compiled(", "compiled_within(")) -> list[ast.FunctionDef]:
    functions = [node for node in SOURCES[module].body if isinstance(node, ast.FunctionDef)]
    return [f for f in functions if any(ast.unparse(d).startswith(by) for d in f.decorator_list)]


def _slices(loop: ast.FunctionDef) -> list[str]:
    targets = [t for node in ast.walk(loop) if isinstance(node, ast.Assign | ast.AugAssign) for t in _targets(node)]
    return [ast.unparse(t) for t in targets if isinstance(t, ast.Subscript) and _is_slice(t.slice)]


def _targets(node: ast.Assign | ast.AugAssign) -> list[ast.expr]:
    return node.targets if isinstance(node, ast.Assign) else [node.target]


def _is_slice(index: ast.expr) -> bool:
    return any(isinstance(part, ast.Slice) for part in (index.elts if isinstance(index, ast.Tuple) else [index]))


def test_compiled_loops_assign_no_slices() -> None:
    loops = {f"{module}: {loop.name}": loop for module in SOURCES for loop in _loops(module)}
    assert len(loops) > 100
    assert {name: found for name, loop in loops.items() if (found := _slices(loop))} == {}


def test_python_calls_no_loop_that_only_loops_can_call() -> None:
    within = {(module, loop.name) for module in SOURCES for loop in _loops(module, by=("compiled_within(",))}
    assert len(within) > 30
    called = set()
    for module, source in SOURCES.items():
        here = {name for where, name in within if where == module}
        for node in ast.walk(source):
            if isinstance(node, ast.ImportFrom):
                here |= {a.asname or a.name for a in node.names if (node.module, a.name) in within}
        compiled = {id(node) for loop in _loops(module) for node in ast.walk(loop)}
        names = (n for n in ast.walk(source) if isinstance(n, ast.Name) and id(n) not in compiled)
        called |= {f"{module}: {name.id}" for name in names if name.id in here}
    assert called == set()
