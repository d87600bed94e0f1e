"""Help texts in plain words: no types in angle brackets, no braces, no formulas for ranges."""

import re
from typing import Any

from typer.core import TyperCommand

# What stands for a value where the option names nothing better.
_VALUES = {"path": "FILE", "int": "N", "int range": "N", "float": "X", "str": "TEXT"}


class PlainCommand(TyperCommand):
    """A command whose help a reader understands who has never programmed."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """``DIR``, ``[ID]``: brackets only round what may be left out."""
        pieces = ["[OPTIONS]"]
        for parameter in self.get_params(ctx):
            if parameter.param_type_name == "argument":
                name = _name(parameter)
                pieces.append(name if parameter.required else f"[{name}]")
        return pieces

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Arguments, then options."""
        rows: dict[str, list[tuple[str, str]]] = {"argument": [], "option": []}
        for parameter in self.get_params(ctx):
            record = parameter.get_help_record(ctx)
            if record is not None:
                kind = parameter.param_type_name
                name = _name(parameter) if kind == "argument" else _option(record[0])
                rows[kind].append((name, _said(record[1])))
        for title, listed in (("Arguments", rows["argument"]), ("Options", rows["option"])):
            if listed:
                with formatter.section(title):
                    formatter.write_dl(listed)


def _name(argument: Any) -> str:
    return str(argument.metavar or argument.name.upper()).strip("[]{}")


def _option(name: str) -> str:
    """``--as <csv|json>`` as ``--as csv|json``, ``--workers <int range>`` as ``--workers N``."""
    return re.sub(r"<([^>]*)>", lambda found: _VALUES.get(found[1], found[1]), name)


def _said(text: str) -> str:
    """Without ``[required]``, which the usage says, and ``1<=x<=9``, which an error would say."""
    range_ = r"(; )?(?:-?[\d.]+[<>]=?x(?:[<>]=?-?[\d.]+)?|x[<>]=?-?[\d.]+)"
    text = re.sub(range_, "", text.replace("[required]", ""))
    return text.replace("[]", "").replace("[; ", "[").rstrip()
