"""Who is named in a cell: players with how sure each is, and the dates of a life.

Names are written in many ways, and some can be read in two: ``A / B`` may be two players or one of two. Nobody is
entered as certain then, and ``how_read`` says how the cell was taken and how to write what was meant.
"""

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from pipeline.store.catalogue.cell_values import UNKNOWN, CellError, read_beside, read_date, read_part

# Words of doubt about a person, in the six languages, and what they come to.
DOUBTS = {
    "probably|prob|wahrscheinlich|vermutlich|probablement|probabilmente|probablemente|waarschijnlijk": "probable",
    "possibly|poss|perhaps|maybe|attr|attrib|attributed to|vielleicht|zugeschr|peut-[eê]tre|attribu[eé] [aà]|forse"
    "|attribuito a|quiz[aá]s?|tal vez|atribuido a|misschien|toegeschr": "possible",
}
# The short words are joints in small letters only: E. and O. are initials.
_AND = r"\s*[;/|&+]\s*|\s+(?:(?i:and|und|et)|e|y|en)\s+"
_OR = r"\s+(?:(?i:or|oder|ou)|o|of(?!\s+(?:the\b|[a-z])))\s+"
_BESIDE = (
    r"\s*,?\s+(?i:with|mit|avec|con|met|acc\.?(?:\s+by)?|accomp(?:\.|anied)?(?:\s+by)?|begl(?:\.|eitet)?(?:\s+von)?"
    r"|begeleid\s+door)\s+"
)
_AT = r"(?i:at\s+the|am|an\s+der|au|à\s+la|al|alla|aan\s+de)"
_NOBODY = re.compile(
    r"(?i)(?:unknown|unidentified|anonymous|unbekannte?[rs]?|inconnue?|sconosciut[oa]|desconocid[oa]|onbekende?)\b"
)
_SUFFIX = r"(?i:jr|sr|jun|sen|fils|père|figlio)\.?"
_ACCOMPANYING = ("piano", "organ", "harp", "guitar", "conductor")
_SEPARATORS = " ,;/|&+"
_HIDDEN = {ord(sign): 0xE000 + place for place, sign in enumerate(_SEPARATORS)}  # of private use in Unicode
_SHOWN = {hidden: sign for sign, hidden in _HIDDEN.items()}


@dataclass(frozen=True)
class Named:
    """A person named in a cell; ``instrument`` and ``more`` only where a bracket behind the name says it."""

    name: str
    certainty: str
    instrument: str = ""
    role: str = "soloist"
    more: str = ""


def read_players(text: str) -> list[Named]:
    """The players named; a question mark, a word of doubt or an ``or`` between names is a doubt.

    Several soloists, named without their instruments, are probable: the cell may also mean one of them.

    Raises
    ------
    CellError
        If commas divide the cell in a way that can mean several things.
    """
    solo, *others = re.split(_BESIDE, text.strip(), maxsplit=1)
    players, either = people(solo)
    beside = [replace(one, role="accompanist") for part in others for one in people(part)[0]]
    soloists = [one for one in players if one.role == "soloist"]
    if len(soloists) > 1 and not either and not all(one.instrument for one in soloists):
        players = [replace(p, certainty="probable") if p.certainty == "certain" else p for p in players]
    named = players + beside
    return [replace(one, name=f"{one.name} ({one.more})", more="") if one.more else one for one in named]


def sounds_beside(text: str) -> str:
    """What accompanies, where a cell of players says that among the names: ``A. Vint & Orch.``; else empty."""
    parts = re.split(f"{_BESIDE}|{_AND}|{_OR}", text.strip())
    return next((sound for part in parts if (sound := read_beside(re.sub(r"[(\[].*", "", part)))), "")


def how_read(text: str) -> tuple[str, str] | None:
    """(how a cell that names several soloists was read, how to say it plainly); None where there is no question."""
    soloists = [one for one in read_players(text) if one.role == "soloist"]
    if len(soloists) < 2 or all(one.instrument and one.certainty == "certain" for one in soloists):
        return None
    first, second, *_ = names = [one.name for one in soloists]
    together = ", ".join(names[:-1]) + f" and {names[-1]}"
    if people(re.split(_BESIDE, text.strip(), maxsplit=1)[0])[1]:
        return f"is read as one of {together}, each possible", "put & between them if they play together"
    return (
        f"is read as {together} playing together, none of them certain",
        f"name what each plays if so: {first} (violin) & {second} (cello); write or between them if one of them plays",
    )


def people(text: str) -> tuple[list[Named], bool]:
    """All who are named in one cell, and whether it means one of them; a bracket behind a name is never cut."""
    if text.casefold() in UNKNOWN:
        return [], False
    text = re.sub(r"(?<=[\w.?\s])[(\[][^()\[\]]*[)\]]", lambda bracket: bracket[0].translate(_HIDDEN), text)
    either = bool(re.search(_OR, text))
    found = [one for part in re.split(f"{_AND}|{_OR}", text) for one in _at_commas(part.strip())]
    if either:
        found = [replace(one, certainty="possible") for one in found]
    return found, either


def _at_commas(text: str) -> list[Named]:
    """The people of a part that only commas can divide: ``Vint, Anna``; ``Anna Vint, violin``; ``A. Vint, B. Ort``."""
    groups: list[tuple[list[str], str]] = [([], "")]
    for token in re.split(r"\s*,\s*", text):
        if groups[-1][0] and (played := read_part(token)):
            groups[-1] = (groups[-1][0], played)
            groups.append(([], ""))
        elif token:
            groups[-1][0].append(token)
    return [one for tokens, played in groups if tokens for one in _of_tokens(tokens, played)]


def _of_tokens(tokens: Sequence[str], played: str) -> list[Named]:
    if len(tokens) == 1 or (all(map(_is_full, tokens)) and not played):
        return [one for token in tokens for one in _one(token, played)]
    if len(tokens) == 2:
        return _one(", ".join(tokens), played)
    raise CellError("can be divided into names in several ways", "put ; between people: Vint, Anna; Ort, Bela")


def _is_full(name: str) -> bool:
    """Whether a name can stand by itself: first and last name, or what is played behind it."""
    bracket = re.search(r"[(\[](.*?)[)\]]", name)
    words = (name.replace(bracket[0], " ") if bracket else name).split()
    return bool(bracket and read_part(bracket[1])) or (len(words) > 1 and not any(word[0].islower() for word in words))


def _one(text: str, played: str) -> list[Named]:
    """One person, or nobody where the name is not known."""
    name, more = text.translate(_SHOWN).strip(), ""
    at = re.fullmatch(rf"(.+?)\s+{_AT}\s+(\S+)", name)
    behind = re.fullmatch(r"(.+?)\s*[(\[]([^()\[\]]*)[)\]]\s*(\??)", name)
    if at and (part := read_part(at[2])):
        name, played = at[1], part
    elif behind and (part := read_part(behind[2])):
        name, played = behind[1] + behind[3], part
    elif behind and behind[2] and not re.fullmatch(rf"(?i)\s*(?:\?|(?:{'|'.join(DOUBTS)})\.?)\s*", behind[2]):
        name, more = behind[1] + behind[3], behind[2].strip()
    certainty = "possible" if name.endswith(("?", "(?)", "[?]")) or re.fullmatch(r"\[.*\]", name) else "certain"
    for word, meant in DOUBTS.items():
        if found := re.search(rf"(?i)^(?:{word})\.?\s+|\s*[(\[]\s*(?:{word})\.?\s*[)\]]\s*$", name):
            name = name[: found.start()] + name[found.end() :]
            certainty = meant
    name = name.removesuffix("(?)").strip("[]? ").strip()
    if not name or name.casefold() in UNKNOWN or _NOBODY.match(name) or read_beside(name):
        return []
    turned = re.fullmatch(rf"([^,]+),(?!\s*{_SUFFIX}$)\s*([^,]+)", name)
    if turned and len(turned[2].split()) <= 3:
        name = f"{turned[2]} {turned[1]}"
    return [Named(name, certainty, played, "accompanist" if played in _ACCOMPANYING else "soloist", more)]


def name_and_life(text: str) -> tuple[str, str, str]:
    """(the cell without the dates of a life behind its only name, born, died); as it is where there are none."""
    behind = re.fullmatch(r"(.+?)\s*[(\[]([^()\[\]]*)[)\]]\s*(\??)", text.strip())
    if behind and len(read_players(text)) == 1:
        with suppress(CellError):
            return behind[1] + behind[3], *read_lives(behind[2])
    return text, "", ""


def read_lives(text: str) -> tuple[str, str]:
    """(born, died) as EDTF from ``1871–1940``, ``b. 1871``, ``* 1871 † 1940``; empty where nothing is said."""
    plain = text.strip().strip("()[]").strip()
    birth = r"(?:\*|b\.|born|geb\.|geboren|nee?|né|née|nato|nata|n\.|nacid[oa])"
    death = r"(?:†|\+|d\.|died|gest\.|gestorben|mort|morte|m\.|mort[oa])"
    year = r"[^†+–—-]*?[0-9][^†+–—-]*?"
    if found := re.fullmatch(rf"(?i){birth}?\s*({year})[\s,;]*(?:{death}|[-–—])\s*(.*?[0-9].*)", plain):
        return read_date(found[1].strip(" ,;")), read_date(found[2].strip())
    if found := re.fullmatch(rf"(?i)(?:{birth}\s*(.*[0-9].*?)|([^–—-]*[0-9][^–—-]*?)\s*[-–—])", plain):
        return read_date(found[1] or found[2]), ""
    if found := re.fullmatch(rf"(?i)(?:{death}|[-–—])\s*(.*[0-9].*)", plain):
        return "", read_date(found[1])
    raise CellError("is not the dates of a life", "write 1871–1940, or born and died in columns of their own")
