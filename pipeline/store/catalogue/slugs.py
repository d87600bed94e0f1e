"""Makes ids from names and titles."""

import re
import unicodedata

_DEVICES = ("con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10)))
RESERVED = dict.fromkeys(_DEVICES, "is a name that Windows keeps for itself") | {
    "corpus": "stands for the whole corpus in tables and files"
}
"""Names that no id may have, since ids name files and what steps run on -> why."""


def unportable(path: str) -> str:
    """Why a file of this path cannot be on other systems (Windows); empty if it can.

    Rules: Microsoft, Naming Files, Paths, and Namespaces.
    """
    for name in path.split("/"):
        if name.split(".")[0].rstrip().casefold() in _DEVICES:
            return f"{name.split('.')[0]} {RESERVED[name.split('.')[0].rstrip().casefold()]}"
        if bad := next((sign for sign in name if sign in '<>:"|?*\\' or ord(sign) < 32), ""):
            return f"Windows allows no {bad!r} in a name"
        if name.endswith((".", " ")):
            return "Windows drops a point or space at the end of a name"
        if len(name.encode()) > _LONGEST_NAME:
            return f"its name is longer than the {_LONGEST_NAME} bytes that file systems allow"
    return ""


_LONGEST_NAME = 255
_SPELLED = str.maketrans(
    {
        "ß": "ss",
        "æ": "ae",
        "Æ": "Ae",
        "ø": "o",
        "Ø": "O",
        "ł": "l",
        "Ł": "L",
        "đ": "d",
        "Đ": "D",
        "þ": "th",
        "Þ": "Th",
        "ð": "d",
        "œ": "oe",
        "Œ": "Oe",
        "♭": " flat",
        "♯": " sharp",
        "#": " sharp",
    }
)


def slug(text: str, *, longest: int = 64) -> str:
    """An id made from any text: small letters a to z, digits and hyphens; empty if nothing is left.

    What is too long is cut between words. A number never becomes another: ½ behind 1187 is ``1187-1-2``.

    >>> slug("Air in D, no. 2")
    'air-in-d-no-2'
    """
    spelled = "".join(map(_numbers_apart, text.translate(_SPELLED)))
    plain = unicodedata.normalize("NFKD", spelled).encode("ascii", "ignore").decode().lower()
    made = re.sub("[^a-z0-9]+", "-", plain).strip("-")
    if len(made) > longest:
        made = made[: longest + 1].rpartition("-")[0] or re.sub("[0-9]+$", "", made[:longest])
    made = made.strip("-")
    return f"{made}-1" if made in RESERVED else made


def _numbers_apart(letter: str) -> str:
    """Digits of other scripts as ours; fractions, raised and circled figures as numbers of their own."""
    if letter.isascii():
        return letter
    if letter.isdecimal():
        return str(unicodedata.decimal(letter))
    plain = unicodedata.normalize("NFKD", letter).replace("\u2044", " ")
    return f" {plain} " if any(c.isdigit() for c in plain) else letter
