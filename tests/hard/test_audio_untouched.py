"""Audio is only ever read: by which modules may write at all, and by watching what a corpus's commands open."""

import ast
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from typer.testing import CliRunner

import pipeline
from pipeline.cli import app
from tests.helpers.quick_run import quick_run
from tests.helpers.tone_corpus import make_corpus

PACKAGE = Path(pipeline.__file__).parent
# Modules that name the audio folder and write files, and what they write.
WRITERS = {
    "answers/corrected_audio.py",  # derived/audio
    "answers/export/folder.py",  # copies of the sound that an export asks for
    "demonstration/run.py",  # the demo's own sound, into a folder that was empty
    "store/catalogue/tables.py",  # nothing: its copy is one of itself, in memory
    "store/corpus.py",  # derived/tables, by ids that are no paths
    "store/files/changes.py",  # refuses audio/ but for new files beside those that are there
    "store/files/outputs.py",  # refuses what belongs to a corpus
}
WRITING = {
    "write", "write_text", "write_bytes", "write_parquet", "write_csv", "write_table", "unlink", "rename", "touch",
    "rmtree", "copy", "copyfile", "copytree", "copy2", "move", "mkdir", "rmdir", "symlink_to", "hardlink_to",
    "truncate", "replacing", "replacing_all", "write_audio", "write_corrected",
}  # fmt: skip


def names_audio(tree: ast.Module) -> bool:
    """Whether a module builds the path of the audio folder or of a file in it."""
    return any(
        (isinstance(node, ast.BinOp) and isinstance(node.op, ast.Div) and ast.unparse(node.right) == "'audio'")
        or (isinstance(node, ast.Attribute) and node.attr == "audio_path")
        for node in ast.walk(tree)
    )


def writes(tree: ast.Module) -> bool:
    """Whether a module calls anything that writes, moves or removes files."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            modes = [a.value for a in node.args if isinstance(a, ast.Constant) and isinstance(a.value, str)]
            if name in WRITING or (name == "open" and any(len(m) < 4 and set(m) & set("wax+") for m in modes)):
                return True
    return False


def test_no_module_that_knows_the_audio_folder_writes() -> None:
    trees = {path: ast.parse(path.read_text(encoding="utf-8")) for path in sorted(PACKAGE.rglob("*.py"))}
    knowing = {path for path, tree in trees.items() if names_audio(tree)}
    assert len(knowing) > 5
    assert {path.relative_to(PACKAGE).as_posix() for path in knowing if writes(trees[path])} == WRITERS


@contextmanager
def watched(folder: Path) -> Iterator[list[str]]:
    """What is opened for writing, renamed or removed below a folder meanwhile, by this process."""
    seen: list[str] = []
    watching = [True]

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        if not watching[0] or event not in ("open", "os.rename", "os.remove", "os.rmdir", "os.mkdir", "os.truncate"):
            return
        if event == "open" and not (isinstance(arguments[2], int) and arguments[2] & (os.O_WRONLY | os.O_RDWR)):
            return
        paths = [os.fspath(a) for a in arguments if isinstance(a, str | os.PathLike)]
        seen.extend(f"{event} {path}" for path in paths if str(path).startswith(str(folder)))

    sys.addaudithook(hook)
    try:
        yield seen
    finally:
        watching[0] = False


def test_commands_open_audio_for_reading_only(tmp_path: Path) -> None:
    root = make_corpus(tmp_path / "c", sides=3)
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in (root / "audio").iterdir()}
    with watched(tmp_path) as all_of_it:
        quick_run(root)
    assert len(all_of_it) > 10  # the watch sees what is written elsewhere
    with watched(root / "audio") as seen:
        quick_run(root, rehash=True)
        for command in ("check", "status", "add"):
            CliRunner().invoke(app, [command, str(root)])
    assert seen == []
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in (root / "audio").iterdir()} == before
