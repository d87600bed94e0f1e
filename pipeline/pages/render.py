"""Fills page templates. Everything is escaped; only our own drawings are marked as safe."""

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from pipeline import __version__
from pipeline.answers.number_words import clock_words
from pipeline.counted import counted
from pipeline.store.files.durable import whole

_HERE = Path(__file__).parent
ASSETS = _HERE / "assets"


@cache
def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["clock"] = clock_words
    made.filters["counted"] = counted
    return made


def page(template: str, **values: Any) -> str:
    """The page of that template; ``root`` is the way back to the report's folder."""
    text = _environment().get_template(template).render(version=__version__, **values)
    # A sign of per cent stays with its number at the end of a line.
    return re.sub(r"(?<=\d) %", "\N{NO-BREAK SPACE}%", text)


def drawing(svg: str) -> Markup:
    """A drawing of our own making, whose text has been escaped where it was drawn."""
    return Markup(svg)


def data_block(value: Any, *, element_id: str) -> Markup:
    """``value`` as a JSON block that no browser runs: `<`, `>` and `&` cannot end it."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    for sign, code in (
        ("&", "\\u0026"),
        ("<", "\\u003c"),
        (">", "\\u003e"),
        ("\u2028", "\\u2028"),
        ("\u2029", "\\u2029"),
    ):
        text = text.replace(sign, code)
    return Markup(f'<script type="application/json" id="{element_id}">{text}</script>')


def write_text(path: Path, text: str) -> None:
    """Write a page under a temporary name, then move it into place."""
    with whole(path) as part:
        part.write_text(text, encoding="utf-8")


def write_assets(folder: Path, *names: str) -> None:
    """Puts styles and scripts beside pages; all of them if none is named."""
    for asset in sorted(ASSETS.iterdir()):
        if not names or asset.name in names:
            write_text(folder / asset.name, asset.read_text(encoding="utf-8"))
