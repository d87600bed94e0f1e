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
    words[-1] = words[-1].rstrip(".")
    mode = next((m for m, names in _MODES.items() if words[-1].casefold() in names), None)
    if mode is None or len(words) < 2:
        raise _without_mode([word.casefold() for word in words])
    german = words[-1].casefold() in ("dur", "moll")
    tonic = _tonic([word.casefold() for word in words[:-1]], german=german)
    if tonic is None:
        raise CellError("is not a key that is understood", "write it like D major, B flat minor, F sharp minor")
    return f"{tonic} {mode}"


_NUMBERS = {
    word: number
    for number, words in enumerate(
        (
            *("no kein keine aucun nessun ningun geen", "one ein eine un une una uno een"),
            *(
                "two zwei deux due dos twee",
                "three drei trois tre tres drie",
                "four vier quatre quattro cuatro",
                "five funf cinq cinque cinco vijf",
            ),
            *("six sechs sei seis zes", "seven sieben sept sette siete zeven"),
        )
    )
    for word in [*words.split(), str(number)]
}
_FLATS = ("b", "be", "bes", "flat", "flats", "bemol", "bemols", "bemolle", "bemolli", "bemoles", "mol", "mollen")
_SHARPS = (
    *("#", "sharp", "sharps", "kreuz", "kreuze", "diese", "dieses", "diesis", "diesi", "sostenido", "sostenidos"),
    *("kruis", "kruisen"),
)
_FIFTHS = (
    *("C flat", "G flat", "D flat", "A flat", "E flat", "B flat", "F", "C", "G", "D", "A", "E", "B", "F sharp"),
    *("C sharp", "G sharp", "D sharp", "A sharp"),
)
"""The circle of fifths: a major key of n sharps is the nth after C, its minor three further on."""


def _without_mode(words: list[str]) -> CellError:
    """What is wrong with a key that names no mode: a signature fits two keys, a tonic alone too."""
    signed = [part for word in words for part in re.findall("[0-7]|[^0-7]+", word)]
    count = _NUMBERS.get(signed[0]) if len(signed) == 2 else None
    if count is not None and signed[1] in (*_FLATS, *_SHARPS):
        place = _FIFTHS.index("C") + (count if signed[1] in _SHARPS else -count)
        fits = f"{_FIFTHS[place]} major or {_FIFTHS[place + 3]} minor"
        return CellError(f"is a signature, which {fits} has", f"write {fits}, whichever it is")
    tonic = _tonic(words, german=False)
    if tonic is None:
        return CellError("is not a key that is understood", "write it like D major, B flat minor, F sharp minor")
    return CellError("does not say major or minor", f"write {tonic} major or {tonic} minor")


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


Words = dict[str, tuple[str, ...]]

_INSTRUMENTS: Words = {
    "cello": ("cello", "violoncello", "vc", "vcl", "vlc", "cellist", "violoncelle"),
    "viola": ("viola", "va", "vla", "bratsche", "alto", "violist"),
    "violin": ("violin", "vn", "vl", "vln", "violine", "geige", "violon", "violino", "fiddle", "violinist"),
    "double_bass": ("bass", "doublebass", "kontrabass", "contrebasse"),
}
# More sound before less: "orchestra and piano" is an orchestra.
_ACCOMPANIMENTS: Words = {
    "voice": ("voice", "vocal", "singer", "soprano", "tenor", "gesang", "voix", "vocals"),
    "orchestra": ("orchestra", "orch", "orchester", "orchestre", "orquesta", "orkest", "symphony", "philharmonic"),
    "ensemble": ("ensemble", "quartet", "trio", "band", "quintet", "strings"),
    "second_string": ("cello", "violoncello", "viola", "violin", "vn", "vc"),
    "organ": ("organ", "orgel", "orgue", "organo", "harmonium"),
    "harp": ("harp", "harfe", "harpe"),
    "guitar": ("guitar", "gitarre", "guitare"),
    "piano": ("piano", "pf", "pno", "klavier", "pianist", "pianoforte", "p"),
    "none": ("none", "unaccompanied", "solo", "no", "ohne", "sans", "unbegleitet", "alone"),
    "unknown": ("unknown",),
    "other": ("other",),
}
_PROCESSES: Words = {
    "acoustic": (
        *("acoustic", "acoustical", "akustisch", "mechanical", "horn", "acoustique", "acoust", "akust", "ac", "a"),
        *("meccanico", "acustico", "mechanisch"),
    ),
    "electrical": (
        *("electrical", "electric", "elektrisch", "microphone", "electrique", "elec", "elektr", "el", "elettrico", "e"),
    ),
}
_GROOVES: Words = {"lateral": ("lateral", "seitenschrift"), "vertical": ("vertical", "hill", "dale", "tiefenschrift")}
_PARTS: Words = (
    _INSTRUMENTS
    | {name: _ACCOMPANIMENTS[name] for name in ("voice", "organ", "harp", "guitar", "piano")}
    | {"conductor": ("conductor", "conducting", "dirigent", "leitung", "direction")}
)
_ORDINALS = frozenset(("1", "2", "1st", "2nd", "first", "second", "i", "ii", "1re", "1er", "2e", "solo"))
_JOINTS = frozenset(
    ("and", "und", "et", "e", "y", "en", "with", "mit", "avec", "con", "met", "or", "the", "by", "double")
)
"""Words that say nothing by themselves."""


def _words(text: str) -> list[str]:
    plain = "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))
    return re.findall("[a-z0-9]+", plain)


def _chooser(known: Words, what: str) -> Callable[[str], str]:
    def choose(text: str) -> str:
        words = _words(text)
        # A letter alone may be any word's: it counts where nothing else stands in the cell.
        told = {word for word in words if len(word) > 1} if len(words) > 1 else set(words)
        hits = [value for value, names in known.items() if told & set(names)]
        if not hits:
            raise CellError(f"is not {what} that is understood", f"write one of {', '.join(known)}")
        return hits[0]

    return choose


read_instrument = _chooser(_INSTRUMENTS, "an instrument")
_sounding = _chooser(_ACCOMPANIMENTS, "an accompaniment")
read_process = _chooser(_PROCESSES, "a process")
read_groove = _chooser(_GROOVES, "a groove")


def read_accompaniment(text: str) -> str:
    """What sounds beside the solo; ``no piano`` says only what does not."""
    words = set(_words(text))
    if words & {"unaccompanied", "unbegleitet", "alone"}:
        return "none"
    found = _sounding(text)
    if found != "none" and words & {"no", "ohne", "sans"}:
        raise CellError("says only what does not sound", "write none if nothing sounds beside the solo")
    return found


def read_part(text: str) -> str:
    """What somebody plays, if a cell says that and nothing else (``violin``, ``2nd violin``, ``pf``); else empty."""
    words = [word for word in _words(text) if word not in _ORDINALS]
    found = [next((value for value, names in _PARTS.items() if word in names), "") for word in words]
    return found[0] if found and all(one == found[0] for one in found) else ""


_ACCOMPANYING = {
    word for kind in ("orchestra", "ensemble", "organ", "harp", "guitar", "piano") for word in _ACCOMPANIMENTS[kind]
}
_THEIR = _JOINTS | {
    "a",
    "his",
    "her",
    "their",
    "seinem",
    "ihrem",
    "grand",
    "acc",
    "accompaniment",
    "begl",
    "begleitung",
}


def read_beside(text: str) -> str:
    """What sounds beside the solo, if a text says that and names nobody (``Orch.``, ``his orchestra``); else empty."""
    words = [word for word in _words(text) if word not in _THEIR]
    named = words and all(len(word) > 1 and word in _ACCOMPANYING for word in words)
    return _sounding(" ".join(words)) if named else ""


def says_more(meant: str, text: str) -> bool:
    """Whether a cell that one value is chosen from says more than it, such as the name of a pianist."""
    known = {"instrument": _INSTRUMENTS, "accompaniment": _ACCOMPANIMENTS, "process": _PROCESSES, "groove": _GROOVES}
    if meant not in known:
        return False
    words = [word for word in _words(text) if word not in _JOINTS]
    hits = {value for value, names in known[meant].items() if set(words) & set(names)}
    names = {name for names in known[meant].values() for name in names}
    rest = " ".join(word for word in words if word not in names)
    return len(hits) > 1 or rest not in ("", *(" ".join(_words(one)) for one in UNKNOWN))


UNKNOWN = frozenset(
    (
        *("?", "??", "-", "–", "—", "n/k", "n.k.", "n/a", "n.a.", "nn", "n.n.", "n. n.", "not known", "unknown"),
        *("anonymous", "anon", "anon.", "unbekannt", "k.a.", "k. a.", "o.j.", "o. j.", "inconnu", "inconnue", "s.d."),
        *("s. d.", "n.d.", "n. d.", "anonyme", "sconosciuto", "sconosciuta", "anonimo", "desconocido", "desconocida"),
        *("onbekend", "anoniem"),
    )
)
"""Cells that say that nothing is known, in small letters."""


def is_unknown(text: str) -> bool:
    """Whether a cell says that nothing is known."""
    return text.casefold() in UNKNOWN


_COMPOSER = {"composer", "komponist", "compositeur", "compositore", "compositor", "componist"}
_NOT_KNOWN = frozenset(
    (
        "unknown",
        "unidentified",
        "unbekannt",
        "unbekannter",
        "inconnu",
        "inconnue",
        "sconosciuto",
        "desconocido",
        "onbekend",
    )
)
_WITHOUT_NAME = frozenset(
    (
        *("anonymous", "anonym", "anon", "anonyme", "anonimo", "anoniem", "trad", "traditional", "traditionell"),
        *("traditionnel", "tradizionale", "tradicional", "traditioneel", "volksweise"),
    )
)


def is_without_name(composer: str) -> bool:
    """Whether a composer is known to have no name (``Anon.``, ``trad.``): an answer, but no name to make ids from."""
    words = set(_words(composer))
    return bool(words) and words <= _WITHOUT_NAME


def is_unknown_composer(text: str) -> bool:
    """Whether a composer's cell says that nothing is known of the composer."""
    words = set(_words(text)) - _COMPOSER
    return (is_unknown(text) and not is_without_name(text)) or (bool(words) and words <= _NOT_KNOWN)
