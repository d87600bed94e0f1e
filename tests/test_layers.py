"""Each layer imports only what stands below it: cli → pages, flows, demo → steps → signal | stats | store → basics."""

import ast
from pathlib import Path

import networkx as nx
import pytest

import pipeline

PACKAGE = Path(pipeline.__file__).parent
BASICS = {"errors", "units", "settings", "resources"}
SIBLINGS = {"signal", "stats", "store"}
ALLOWED = {
    **dict.fromkeys(BASICS, BASICS),
    **{name: BASICS | {name} for name in SIBLINGS},
    "training": BASICS | {"signal", "training"},
    "steps": BASICS | SIBLINGS | {"steps"},
    "pages": BASICS | SIBLINGS | {"steps", "pages"},
    "flows": BASICS | SIBLINGS | {"steps", "flows"},
    "demo": BASICS | SIBLINGS | {"steps", "pages", "flows", "demo"},
    "cli": BASICS | SIBLINGS | {"steps", "pages", "flows", "demo", "cli"},
}
FILES = sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


def layer_of(path: Path) -> str:
    """First part of a module's name below the package; demo.py and demo_*.py are one."""
    first = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    return "demo" if first.startswith("demo") else first


def imported(path: Path) -> set[str]:
    """Full names of all modules that a file imports, wherever in the file."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def test_there_are_files() -> None:
    assert len(FILES) > 50


@pytest.mark.parametrize("layer", sorted({layer_of(path) for path in FILES}))
def test_a_layer_imports_only_lower_ones(layer: str) -> None:
    wrong = []
    for path in FILES:
        if layer_of(path) != layer:
            continue
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "pipeline" and len(parts) > 1 and parts[1] != "__version__":
                below = "demo" if parts[1].startswith("demo") else parts[1]
                if below not in ALLOWED[layer]:
                    wrong.append(f"{path.relative_to(PACKAGE)} imports {name}")
    assert wrong == []


def test_only_the_flow_and_its_engines_know_the_scheduler() -> None:
    knowing = {
        path.relative_to(PACKAGE).as_posix()
        for path in FILES
        if any(name.split(".")[0].startswith(("prefect", "dask", "distributed", "ray")) for name in imported(path))
    }
    assert knowing == {"flows/corpus.py", "flows/engines.py", "flows/serve.py"}


def test_no_module_imports_itself_by_a_round() -> None:
    modules = {"pipeline." + ".".join(path.relative_to(PACKAGE).with_suffix("").parts): path for path in FILES}
    graph = nx.DiGraph()
    for name, path in modules.items():
        for other in imported(path):
            found = other if other in modules else other.rpartition(".")[0]
            if found in modules and found != name:
                graph.add_edge(name, found)
    assert graph.number_of_edges() > 500
    assert [sorted(part) for part in nx.strongly_connected_components(graph) if len(part) > 1] == []
