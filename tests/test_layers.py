"""Each layer imports only what stands below it; so do the rooms of ``signal``.

cli → demonstration → pages, flows → answers, engine → steps → signal | stats | store → basics.
"""

import ast
import re
import subprocess
import sys
from pathlib import Path

import networkx as nx
import pytest

import pipeline
from tests.helpers.programs import environment

PACKAGE = Path(pipeline.__file__).parent
BASICS = {
    "compiled",
    "counted",
    "densities",
    "environment",
    "errors",
    "instruments",
    "kinds",
    "learned_from",
    "overlap",
    "processes",
    "runs",
    "units",
    "settings",
    "resources",
}
SIBLINGS = {"signal", "stats", "store"}
STEPS = BASICS | SIBLINGS | {"steps"}
ENGINE = STEPS | {"engine"}
ANSWERS = ENGINE | {"answers"}
ALLOWED = {
    **dict.fromkeys(BASICS, BASICS),
    **{name: BASICS | {name} for name in SIBLINGS},
    "training": BASICS | {"signal", "training"},
    "steps": STEPS,
    "engine": ENGINE,
    "answers": ANSWERS,
    "pages": ANSWERS | {"pages"},
    "flows": ANSWERS | {"flows"},
    "demonstration": ANSWERS | {"pages", "flows", "demonstration"},
    "cli": ANSWERS | {"pages", "flows", "demonstration", "cli"},
}
# The rooms of ``signal`` answer one question each; these are all the doors between them.
SIGNAL_DOORS = {
    "line": {"slides"},
    "tuning": set(),
    "speed": {"tuning"},
    "slides": set(),
    "hand": set(),
    "chords": {"hand", "slides"},
    "recovery": {"slides", "synth"},
    "voices": {"line", "passages", "recovery", "slides"},
    "synth": set(),
    "passages": set(),
}
TESTS = Path(__file__).parent
FILES = sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


def layer_of(path: Path) -> str:
    """First part of a module's name below the package."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


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
            if parts[0] == "pipeline" and len(parts) > 1 and parts[1] not in ALLOWED[layer] | {"__version__"}:
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


@pytest.mark.parametrize("room", sorted(SIGNAL_DOORS))
def test_a_room_of_signal_knows_only_the_rooms_that_it_needs(room: str) -> None:
    files = sorted((PACKAGE / "signal" / room).rglob("*.py"))
    assert files
    known = {name.split(".")[2] for path in files for name in imported(path) if name.startswith("pipeline.signal.")}
    assert known - {room} == SIGNAL_DOORS[room]


def test_a_module_can_be_read_at_one_go() -> None:
    long = {path.name: lines for path in FILES if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 400}
    assert long == {}


def test_the_test_of_a_module_is_found_by_its_name() -> None:
    # test_<module>.py or test_<module>_<aspect>.py, in the folder of the module.
    rooms = {path.name for path in PACKAGE.iterdir() if path.is_dir()}
    files = [path for path in sorted(TESTS.rglob("test_*.py")) if path.relative_to(TESTS).parts[0] in rooms]
    assert len(files) > 100
    lost = []
    for path in files:
        room = PACKAGE / path.parent.relative_to(TESTS)
        words = path.stem.split("_")[1:]
        if not any(list(room.glob("_".join(words[:n]) + ".*")) for n in range(1, len(words) + 1)):
            lost.append(path.relative_to(TESTS).as_posix())
    assert lost == []


ROOMS = sorted({path.parent for path in FILES} - {PACKAGE})
# Their doors are commands, or those of the rooms inside.
WITHOUT_DOORS = {"cli", "signal", "training"}


@pytest.mark.parametrize("room", ROOMS, ids=lambda room: room.relative_to(PACKAGE).as_posix())
def test_a_room_says_what_it_is_and_where_its_doors_are(room: Path) -> None:
    if not list(room.glob("*.py")) or room.name == "analysis":
        return
    words = ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8"))) or ""
    assert len(words.split("\n\n")) > 1
    if room.relative_to(PACKAGE).as_posix() in WITHOUT_DOORS:
        return
    _, found, doors = words.partition("Door")
    assert found
    for name in re.findall(r"``([a-z][\w.]+)``", doors):
        module, _, inside = name.partition(".")
        file = room / f"{module}.py"
        if not file.exists():
            file, inside = room / "__init__.py", module
        assert not inside or re.search(rf"\b{inside}\b", file.read_text(encoding="utf-8").split('"""', 2)[2]), name


def test_questions_do_not_wait_for_what_only_measuring_needs() -> None:
    # Together these take longer to load than any question takes to answer.
    doors = ["answers.speed_ledger", "answers.sentences", "answers.open_corpus"]
    doors += ["cli.query", "cli.speed", "cli.status", "cli.trace"]
    heavy = {"scipy", "statsmodels", "numba", "librosa", "matplotlib", "prefect"}
    code = f"import sys, {', '.join(f'pipeline.{door}' for door in doors)}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "pipeline.cli.query" in loaded
    assert loaded & heavy == set()


def test_an_answer_without_rows_loads_no_pandas() -> None:
    # pyarrow loads it for the empty table of a schema, which takes longer than the rest of a question.
    code = (
        "import sys, duckdb; from pipeline.store.database.asking import pieces_of\n"
        "rows = sum(piece.height for piece in pieces_of(duckdb.connect(), 'select 1 as x where false'))\n"
        "print(rows, 'pandas' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["0", "False"]


def test_what_a_worker_writes_and_compacts_loads_no_pandas(tmp_path: Path) -> None:
    (tmp_path / "catalogue").mkdir()
    code = (
        "import sys; from pipeline.store.corpus import Corpus; from pipeline.store.database.compaction import compact\n"
        "from tests.helpers.made_rows import frame\n"
        "corpus = Corpus(sys.argv[1])\n"
        "rows = frame('slide', [{'slide_id': name, 'transfer_id': 'x'} for name in ('x-s2', 'x-s1')])\n"
        "corpus.write('slide', 'x', rows); compact(corpus)\n"
        "print(*corpus.read('slide', 'x')['slide_id'], 'pandas' in sys.modules)"
    )
    line = [sys.executable, "-c", code, str(tmp_path)]
    done = subprocess.run(line, env=environment(), capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["x-s1", "x-s2", "False"]
