"""What cells of a sheet mean: forgiving about how people write, and silent about nothing.

Each reader gives the catalogue's spelling, or raises ``CellError`` with a cure; the caller then keeps the cell in
a note, so that nothing that was typed is lost.
"""

import re
import unicodedata
from collections.abc import Callable

from pipeline.errors import GlidelineError
from pipeline.store.schema.date_hints import ambiguous, edtf_of
from pipeline.store.schema.dates import DateError, parse_date


class CellError(GlidelineError):
    """A cell cannot be read; the cure says what to write."""


def read_date(text: str) -> str:
    """A date as EDTF, from any spelling that can mean one thing only; what can mean two is a question."""
    if question := ambiguous(text):
        raise CellError("can mean two things", f"it {question}")
    try:
        parse_date(text)
    except DateError as error:
        meant = edtf_of(text)
        if meant is None:
            raise CellError(error.message, error.cure) from error
        parse_date(meant)
        return meant
    return text.strip()


def read_number(text: str) -> str:
    """A number with its unit or a decimal comma taken off: ``78,26 rpm`` is 78.26."""
    found = re.fullmatch(r"([0-9]+(?:[.,][0-9]+)?)\s*[a-zA-Z./]*", text.strip())
    if not found:
        raise CellError("is not a number", "write digits only")
    return found[1].replace(",", ".")


def read_pitch(text: str) -> str:
    """Frequency of A4 in Hz: ``435``, ``435,0 Hz``, ``a' = 435``."""
    found = re.fullmatch(r"(?:[aA](?:['’′]|[14])?\s*=\s*)?([0-9]{3}(?:[.,][0-9]+)?)\s*(?:[hH][zZ])?", text.strip())
    if not found or not 380.0 <= float(found[1].replace(",", ".")) <= 500.0:
        raise CellError("is not a frequency of A4 from 380 to 500 Hz", "write it like 435")
    return found[1].replace(",", ".")


def read_time(text: str) -> str:
    """Seconds, from seconds or minutes and seconds: ``3:05`` is 185."""
    found = re.fullmatch(r"(?:([0-9]+):)?([0-9]{1,2}):([0-9]{1,2}(?:[.,][0-9]+)?)", text.strip())
    if not found:
        return read_number(text)
    seconds = float(found[3].replace(",", ".")) + 60 * int(found[2]) + 3600 * int(found[1] or 0)
    return f"{seconds:g}"


_MODES = {
    "major": ("major", "maj", "dur", "majeur", "maggiore"),
    "minor": ("minor", "min", "moll", "mineur", "minore", "m"),
}
_GERMAN = {"h": "B", "b": "B flat", "es": "E flat", "as": "A flat"}
_ROMANCE = {"do": "C", "ut": "C", "re": "D", "mi": "E", "fa": "F", "sol": "G", "la": "A", "si": "B"}


def read_key(text: str) -> str:
    """A key as ``D flat major``, from English, German, French or Italian; the mode must be said."""
    plain = "".join(c for c in unicodedata.normalize("NFKD", text.strip()) if not unicodedata.combining(c))
    plain = plain.replace("♭", " flat ").replace("♯", " sharp ")
    words = re.split(r"[\s\-_]+", plain.strip())
    if len(words) == 1 and (short := re.fullmatch("([A-Ga-g][b#]?)(m|maj|min)", words[0])):
        words = [short[1], short[2]]
    mode = next((m for m, names in _MODES.items() if words[-1].casefold() in names), None)
    if mode is None or len(words) < 2:
        raise CellError("does not say major or minor", "write D major or D minor")
    german = words[-1].casefold() in ("dur", "moll")
    tonic = _tonic([word.casefold() for word in words[:-1]], german=german)
    if tonic is None:
        raise CellError("is not a key that is understood", "write it like D major, B flat minor, F sharp minor")
    return f"{tonic} {mode}"


def _tonic(words: list[str], *, german: bool) -> str | None:
    bend = ""
    if len(words) == 2 and words[1] in ("flat", "bemol", "bemolle", "sharp", "diese", "diesis"):
        bend = " sharp" if words[1] in ("sharp", "diese", "diesis") else " flat"
    elif len(words) != 1:
        return None
    name = words[0]
    if german and name in _GERMAN:
        return _GERMAN[name]
    if german and (found := re.fullmatch("([a-h])(is|es)", name)):
        letter = "B" if found[1] == "h" else found[1].upper()
        return f"{letter} {'sharp' if found[2] == 'is' else 'flat'}"
    if name in _ROMANCE:
        return _ROMANCE[name] + bend
    if found := re.fullmatch("([a-g])(b|#)?", name):
        return found[1].upper() + ({"b": " flat", "#": " sharp"}.get(found[2] or "", bend))
    return None


def _chooser(known: dict[str, tuple[str, ...]], what: str) -> Callable[[str], str]:
    def choose(text: str) -> str:
        plain = "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))
        words = set(re.findall("[a-z]+", plain))
        hits = [value for value, names in known.items() if words & set(names)]
        if not hits:
            raise CellError(f"is not {what} that is understood", f"write one of {', '.join(known)}")
        return hits[0]

    return choose


read_instrument = _chooser(
    {
        "cello": ("cello", "violoncello", "vc", "vcl", "vlc", "cellist", "violoncelle"),
        "viola": ("viola", "va", "vla", "bratsche", "alto", "violist"),
        "violin": ("violin", "vn", "vl", "vln", "violine", "geige", "violon", "violino", "fiddle", "violinist"),
        "double_bass": ("bass", "doublebass", "kontrabass", "contrebasse"),
    },
    "an instrument",
)
# More sound before less: "orchestra and piano" is an orchestra.
read_accompaniment = _chooser(
    {
        "voice": ("voice", "vocal", "singer", "soprano", "tenor", "gesang", "voix", "vocals"),
        "orchestra": ("orchestra", "orch", "orchester", "orchestre", "symphony", "philharmonic"),
        "ensemble": ("ensemble", "quartet", "trio", "band", "quintet", "strings"),
        "second_string": ("cello", "violoncello", "viola", "violin", "vn", "vc"),
        "organ": ("organ", "orgel", "orgue", "organo", "harmonium"),
        "harp": ("harp", "harfe", "harpe"),
        "guitar": ("guitar", "gitarre", "guitare"),
        "piano": ("piano", "pf", "pno", "klavier", "pianist", "pianoforte", "p"),
        "none": ("none", "unaccompanied", "solo", "no", "ohne", "sans", "unbegleitet", "alone"),
        "unknown": ("unknown",),
        "other": ("other",),
    },
    "an accompaniment",
)
read_process = _chooser(
    {
        "acoustic": (
            "acoustic",
            "acoustical",
            "akustisch",
            "mechanical",
            "horn",
            "acoustique",
            "acoust",
            "akust",
            "ac",
            "a",
            "meccanico",
            "acustico",
            "mechanisch",
        ),
        "electrical": (
            "electrical",
            "electric",
            "elektrisch",
            "microphone",
            "electrique",
            "elec",
            "elektr",
            "el",
            "elettrico",
            "e",
        ),
    },
    "a process",
)
read_groove = _chooser(
    {"lateral": ("lateral", "seitenschrift"), "vertical": ("vertical", "hill", "dale", "tiefenschrift")},
    "a groove",
)


UNKNOWN = frozenset(
    (
        *("?", "??", "-", "–", "—", "n/k", "n.k.", "n/a", "n.a.", "nn", "n.n.", "n. n.", "not known", "unknown"),
        *("anonymous", "anon", "anon.", "unbekannt", "k.a.", "k. a.", "o.j.", "o. j.", "inconnu", "inconnue", "s.d."),
        *("s. d.", "n.d.", "n. d.", "anonyme", "sconosciuto", "sconosciuta", "anonimo", "desconocido", "desconocida"),
        *("onbekend", "anoniem"),
    )
)
"""Cells that say that nothing is known, in small letters."""


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


# Words of doubt about a person, in the six languages, and what they come to.
_DOUBTS = {
    "probably|prob|wahrscheinlich|vermutlich|probablement|probabilmente|probablemente|waarschijnlijk": "probable",
    "possibly|poss|perhaps|maybe|attr|attrib|attributed to|vielleicht|zugeschr|peut-[eê]tre|attribu[eé] [aà]|forse"
    "|attribuito a|quiz[aá]s?|tal vez|atribuido a|misschien|toegeschr": "possible",
}


def read_players(text: str) -> list[tuple[str, str]]:
    """(name, certainty) of each player; a question mark or a word of doubt is a doubt.

    Names are divided by semicolons, strokes, ``&``, ``+``, or ``and`` in the six languages.
    """
    found = []
    if text.strip().casefold() in UNKNOWN:
        return []
    for part in re.split(r"\s*[;/|&+]\s*|\s+(?:and|und|et|e|y|en)\s+", text):
        name = part.strip()
        certainty = "possible" if name.endswith(("?", "(?)")) or re.fullmatch(r"\[.*\]", name) else "certain"
        for word, meant in _DOUBTS.items():
            if found_word := re.search(rf"(?i)^(?:{word})\.?\s+|\s*[(\[]\s*(?:{word})\.?\s*[)\]]\s*$", name):
                name = name[: found_word.start()] + name[found_word.end() :]
                certainty = meant
        name = name.removesuffix("(?)").strip("[]? ").strip()
        if not name or name.casefold() in UNKNOWN:
            continue
        if (turned := re.fullmatch(r"([^,]+),\s*([^,]+)", name)) and len(turned[2].split()) <= 3:
            name = f"{turned[2]} {turned[1]}"
        found.append((name, certainty))
    return found


_SELF_TAUGHT = re.compile(r"(?i)self[- ]?taught|autodid[ak][kc]?te?|autodidatta|autodidacta|nobody|no ?one|none")


def read_teachers(text: str) -> list[tuple[str, str]]:
    """As ``read_players``; who is said to be self-taught had none."""
    return [(name, certainty) for name, certainty in read_players(text) if not _SELF_TAUGHT.fullmatch(name)]
