"""The parts of README.md and DEVELOPERS.md that are made from the code: ``python tests/documented.py`` renews them.

With a file that holds what ``glideline demo`` has printed, README's copy of that is renewed too.
"""

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


def examples() -> list[str]:
    """Command lines that help and README show."""
    from pipeline.cli import COMMANDS

    helps = [import_module(f"pipeline.cli.{name}").__dict__[name].__doc__ or "" for name in COMMANDS]
    said = re.findall(r"Example: (glideline .+)", "\n".join(helps))
    if len(said) < len(COMMANDS) - 1:
        raise ValueError(f"only {len(said)} of {len(COMMANDS)} commands show an example")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```sh\n(.*?)```", readme, flags=re.DOTALL)
    return sorted({*said, *re.findall(r"^(glideline .+)$", "\n".join(blocks), flags=re.M)})


# What README shows of the demo, by its headings; the rest is left out.
SHOWN = ("Slides by player", "Slides: found against planted")
_DEMO = re.compile(r"(<!-- made: demo -->\n```\n)(.*?)(```\n<!-- end: demo -->)", re.DOTALL)


def shown_of_demo(printed: str) -> str:
    """The parts of what the demo prints that README shows."""
    lines = [line.rstrip() for line in printed.strip().splitlines()]
    begins = [i for i, line in enumerate(lines) if line[:1].strip() and (i == 0 or not lines[i - 1])]
    parts = ["\n".join(lines[i:j]).strip() for i, j in zip(begins, [*begins[1:], None], strict=True)]
    wanted = [parts[0], *(part for part in parts if part.split("\n")[0] in SHOWN)]
    if len(wanted) != 1 + len(SHOWN):
        raise ValueError(f"the demo does not print {', '.join(SHOWN)}")
    return "\n\n".join(wanted) + "\n"


def demo_in_readme() -> str:
    """README's copy of what the demo prints."""
    found = _DEMO.search((ROOT / "README.md").read_text(encoding="utf-8"))
    if found is None:
        raise ValueError("README.md: has no place for what the demo prints")
    return found[2]


if __name__ == "__main__":
    for each in PARTS:
        (ROOT / each).write_text(renewed(each), encoding="utf-8")
    if sys.argv[1:]:
        said = shown_of_demo(Path(sys.argv[1]).read_text(encoding="utf-8"))
        text = (ROOT / "README.md").read_text(encoding="utf-8")
        (ROOT / "README.md").write_text(_DEMO.sub(lambda place: place[1] + said + place[3], text), encoding="utf-8")
    sys.exit(0)
