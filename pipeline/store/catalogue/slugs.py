"""Makes ids from names and titles."""

import re
import unicodedata

_DEVICES = ("con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10)))
RESERVED = dict.fromkeys(_DEVICES, "is a name that Windows keeps for itself") | {
    "corpus": "stands for the whole corpus in tables and files"
}
"""Names that no id may have, since ids name files and what steps run on -> why."""

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
    """An id made from any text: small letters a to z, digits and hyphens; empty if nothing is left."""
    spelled = text.translate(_SPELLED)
    plain = unicodedata.normalize("NFKD", spelled).encode("ascii", "ignore").decode().lower()
    made = re.sub("[^a-z0-9]+", "-", plain).strip("-")[:longest].rstrip("-")
    return f"{made}-1" if made in RESERVED else made
