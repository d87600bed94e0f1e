"""The parts of README.md and DEVELOPERS.md that are made from the code: ``python tests/documented.py`` renews them."""

import ast
import inspect
import re
import sys
from importlib import import_module
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def commands() -> str:
    """Each command with its sentence of help and its example."""
    from pipeline.cli import COMMANDS

    lines = ["| command | does | example |", "|---|---|---|"]
    for name in COMMANDS:
        text = inspect.cleandoc(getattr(import_module(f"pipeline.cli.{name}"), name).__doc__ or "")
        sentence = " ".join(text.split("\n\n")[0].split())
        example = re.search(r"Example: (.+)", text)
        lines.append(f"| `{name}` | {sentence} | `{example[1] if example else ''}` |")
    return "\n".join(lines)


def modules() -> str:
    """Each module with the first sentence of what it says of itself, by folder."""
    lines = []
    folder = None
    for path in sorted((ROOT / "pipeline").rglob("*.py"), key=lambda p: (p.parent, p.name != "__init__.py", p.name)):
        words = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split("\n\n")[0]
        sentence = re.split(r"(?<=[.?])\s(?=[A-Z])", " ".join(words.split()), maxsplit=1)[0]
        if path.parent != folder:
            folder = path.parent
            lines += ["", f"**{folder.relative_to(ROOT).as_posix()}/** {sentence}", ""]
        if path.name != "__init__.py":
            lines.append(f"- `{path.name}` {sentence}")
    return "\n".join(lines).strip()


PARTS = {
    "README.md": {"commands": commands},
    "DEVELOPERS.md": {"modules": modules},
}


def renewed(name: str) -> str:
    """The file with its made parts as they should be."""
    text = (ROOT / name).read_text(encoding="utf-8")
    for part, make in PARTS[name].items():
        pattern = re.compile(rf"(<!-- made: {part} -->\n).*?(<!-- end: {part} -->)", re.DOTALL)
        if not pattern.search(text):
            raise ValueError(f"{name}: has no place for {part}; add <!-- made: {part} --> and <!-- end: {part} -->")
        made = make()
        text = pattern.sub(lambda found, made=made: f"{found[1]}{made}\n{found[2]}", text)
    return text


if __name__ == "__main__":
    for each in PARTS:
        (ROOT / each).write_text(renewed(each), encoding="utf-8")
    sys.exit(0)
