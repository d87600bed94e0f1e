"""Which heading of a sheet means what: matched forgivingly, shown, and kept in ``sheet/mapping.toml``.

The kept file wins, so its owner can mend a match there: ``"Her heading" = "player"``, or ``""`` to leave it out.
What nobody understands goes into the note, each cell with its heading.
"""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher
from pathlib import Path

from pipeline.errors import DataError
from pipeline.settings import read_toml
from pipeline.store.catalogue.problems import did_you_mean

# What a sheet can tell -> headings that people use for it.
FIELDS: dict[str, tuple[str, ...]] = {
    "file": ("file", "filename", "file name", "audio", "audio file", "mp3", "wav", "track", "datei", "dateiname",
             "fichier", "path",
             "archivo", "bestand naam", "bestandsnaam", "geluidsbestand"),
    "player": ("player", "violinist", "cellist", "violist", "performer", "artist", "soloist", "interpret",
               "interprete", "musician", "name", "geiger", "spieler", "executant", "violinista", "violonista",
               "violoniste", "cellista", "uitvoerende", "speler", "kunstler", "kunstlerin", "solist", "solistin",
               "artiste", "artista", "soliste", "solista", "kunstenaar", "violin", "viola", "cello"),
    "instrument": ("instrument", "instr"),
    "year": ("year", "date", "recorded", "recording date", "date recorded", "year recorded", "rec date", "jahr",
             "aufnahmedatum", "aufnahme", "annee", "datum", "anno", "yr", "enregistrement", "data", "ano", "fecha",
             "fecha de grabacion", "jaar", "opnamedatum", "date of recording", "aufgenommen", "recorded on",
             "opgenomen", "date d enregistrement", "data di registrazione", "registrazione", "grabacion", "opname"),
    "place": ("place", "recording place", "lugar", "plaats", "city", "town", "ort", "aufnahmeort", "lieu",
              "location", "recorded at", "where recorded", "luogo", "luogo di registrazione", "lieu d enregistrement"),
    "work": ("work", "title", "piece", "composition", "werk", "stuck", "titel", "oeuvre", "titre", "movement",
             "titolo", "brano", "obra", "titulo", "stuk", "work title", "title of work"),
    "composer": ("composer", "komponist", "compositeur", "compositore", "compositor", "componist", "work composer",
                 "composer of work", "composer of the work"),
    "composer_work": ("composer and work", "composer and title"),
    "key": ("key", "tonality", "tonart", "tonalite", "key of work", "tonalita", "ton", "key sig", "key signature",
            "tonalidad", "toonsoort"),
    "label": ("label", "company", "record company", "firma", "record label", "marke", "etikett", "make", "maison",
              "etiquette", "marque", "etichetta", "casa", "sello", "merk"),
    "issue_number": ("issue number", "issue", "catalogue number", "catalog number", "cat no", "catalogue no",
                     "disc number", "record number", "disc no", "record no", "disc",
                     "catalogue", "catalog", "bestellnummer", "katalognummer", "issue no", "order number",
                     "cat number", "plattennummer", "n de cat", "no de cat", "n de catalogue", "no de catalogue",
                     "numero de catalogue", "reference", "numero di catalogo", "numero de catalogo", "catalogusnummer",
                     "bestelnummer", "katalog nr", "best nr", "n de disque", "no de disque", "plaatnummer",
                     "numero di disco", "numero de disco"),
    "face": ("face", "side", "disc side", "seite", "plattenseite", "lato", "cara", "kant", "plaatkant"),
    "matrix": ("matrix", "matrix number", "matrix no", "mx", "matrizennummer", "matrize", "matrice", "mtx",
               "matrix nr", "mx no", "mx nr", "matr nr", "n de matrice", "no de matrice", "matriz",
               "numero de matriz", "matrixnummer"),
    "take": ("take", "take number", "take no", "prise", "tk", "toma", "presa"),
    "matrix_take": ("matrix and take", "matrix take"),
    "accompaniment": ("accompaniment", "accompanist", "acc", "accomp", "begleitung", "with", "accompagnement",
                      "accompanied by", "accompagnateur", "accompagnamento", "begleiter", "begl", "begeleiding",
                      "begeleider", "acompanamiento", "acompanante"),
    "process": ("process", "recording process", "acoustic or electrical", "acoustic electrical", "acoustic", "a e",
                "verfahren",
                "aufnahmeverfahren", "aufnahmeart", "procede", "procedimento"),
    "archive": ("archive", "collection", "library", "source", "archiv", "sammlung", "holding", "owner",
                "provenance", "held by", "held at", "where held", "standort", "fonds", "bibliotheque", "bestand"),
    "shelf_mark": ("shelf mark", "shelfmark", "call number", "signatur", "cote archive", "inventory number", "cote",
                   "inventarnummer", "segnatura"),
    "rpm": ("rpm", "speed", "turntable speed", "playback speed", "transfer speed", "drehzahl", "umdrehungen",
            "upm", "tours", "turntable rpm", "umdr", "umdr min", "u min", "tr min", "tours min", "giri min",
            "vitesse", "geschwindigkeit", "velocita"),
    "reference_pitch": ("reference pitch", "kammerton", "stimmton", "stimmung", "diapason", "a4", "pitch",
                        "concert pitch", "a1"),
    "born": ("born", "birth year", "year of birth", "date of birth", "birth date", "geb", "geboren", "geburtsjahr",
             "geburtsdatum", "ne", "nee", "naissance", "nato", "nata", "nacido", "nacida", "geboortejaar"),
    "died": ("died", "year of death", "date of death", "death date", "death year", "gest", "gestorben",
             "todesjahr", "todesdatum", "mort", "morte", "deces", "morto", "morta"),
    "lives": ("lives", "life dates", "dates of life", "artist dates", "artist s dates", "player dates",
              "player s dates", "performer dates", "performer s dates", "lebensdaten", "lebenszeit", "dates de vie",
              "date di vita",
              "born died", "born and died", "birth and death", "birth death"),
    "teachers": ("teachers", "teacher", "studied with", "pupil of", "student of", "taught by", "lehrer", "schuler von",
                 "schulerin von", "eleve de", "professeur", "maitre", "allievo di", "allieva di", "maestro", "maestri",
                 "alumno de", "alumna de", "profesor", "leerling van", "leraar", "studied under"),
    "groove": ("groove", "cut", "lateral or vertical", "schrift"),
    "stylus": ("stylus", "needle", "nadel"),
    "equalisation": ("equalisation", "equalization", "eq", "entzerrung"),
    "session": ("session", "recording session", "sitzung"),
    "published": ("published", "release year", "issued", "publication", "release date", "year issued",
                  "erschienen", "parution", "pubblicazione"),
    "start": ("start", "from", "begin", "start s", "file start", "beginning", "von", "debut", "inizio"),
    "end": ("end", "to", "until", "end s", "file end", "bis", "fin", "fine"),
    "note": ("note", "notes", "comment", "comments", "remark", "remarks", "bemerkung", "bemerkungen", "notiz",
             "anmerkung", "remarques", "remarque", "osservazioni", "observaciones", "opmerkingen", "opmerking"),
}  # fmt: skip
_TOGETHER = {"composer_work": ("composer", "work"), "matrix_take": ("matrix", "take")}
"""Fields for columns that hold two things: ``Composer/Work``, ``Mx-Tk``."""
_HOLDS = _TOGETHER | {"lives": ("born", "died")}
_NAMES = ("name", "names", "nom", "nome", "nombre", "naam")
"""Words that say nothing of what is named: what stands above them does."""
_OF_THE_PLAYER = ("born", "died", "lives", "teachers", "instrument")
_NOT_BELOW = {
    "composer": (*_OF_THE_PLAYER, "year", "place"),
    "work": (*_OF_THE_PLAYER, "year", "place"),
    "teachers": (*_OF_THE_PLAYER, "year", "place"),
    "accompaniment": _OF_THE_PLAYER,
}
"""Fields that are not meant where a heading stands below one of these: a composer's birth is not the player's."""
SOURCES = "drafted from"
"""Heading of a drafted sheet that says where each cell came from; no field."""
_LIGATURES = str.maketrans({"œ": "oe", "æ": "ae", "ø": "o", "ł": "l"})


def match_headings(
    headings: Sequence[str], *, kept: Mapping[str, str], in_two: Mapping[str, tuple[str, str]] | None = None
) -> dict[str, str]:
    """Field of each heading; each field belongs to one heading, but what is not understood is a note as well.

    Parameters
    ----------
    headings : as they stand in the sheet.
    kept : matches made earlier or by hand; they win.
    in_two : upper and lower line of headings that take two; the lower decides where it alone is understood.
    """
    matched = {SOURCES: ""} if SOURCES in headings else {}
    matched |= {heading: kept[heading] for heading in headings if heading in kept}
    taken = {part for field in matched.values() if field for part in _held(field)}
    names = _names()
    open_ = [heading for heading in headings if heading not in matched]

    def take(heading: str, field: str) -> None:
        """A field of which another column holds a part already is no second column's: that one is a note."""
        matched[heading] = "note" if _held(field) & taken else field
        taken.update(_held(matched[heading]) - {"note"})
        open_.remove(heading)

    for heading in list(open_):  # exact names first, so that a near miss cannot take their field
        if (field := names.get(_plain(heading), "")) and field not in _HOLDS:
            take(heading, field)
    for heading, (over, under) in (in_two or {}).items():
        if heading in open_ and (field := _below(names.get(_plain(over), ""), _plain(under), names)):
            take(heading, field)
    for heading in list(open_):
        words = set(_plain(heading).split())
        both = (f for f, parts in _TOGETHER.items() if all(words & {_plain(w) for w in FIELDS[p]} for p in parts))
        if field := names.get(_plain(heading)) or next(both, ""):
            take(heading, field)
    for heading in list(open_):
        likeness, field = max(
            ((_likeness(_plain(heading), word), field) for word, field in names.items() if not _held(field) & taken),
            default=(0.0, ""),
        )
        take(heading, field if likeness >= 0.8 else "note")
    return {heading: matched[heading] for heading in headings}


def _names() -> dict[str, str]:
    return {_plain(word): field for field, words in FIELDS.items() for word in (field, *words)}


def _held(field: str) -> set[str]:
    """What a column of a field holds, besides the field itself."""
    return {field, *_HOLDS.get(field, ())}


def _below(above: str, under: str, names: Mapping[str, str]) -> str:
    """Field of the lower line of a heading, by the field that its upper line names; empty if it is not understood."""
    if above and under in _NAMES:
        return above
    field = names.get(under, "")
    return "note" if field in _NOT_BELOW.get(above, ()) else field


def recognised(cells: Sequence[str], in_two: Mapping[str, tuple[str, str]], *, kept: Mapping[str, str]) -> int:
    """How many different fields a line of a sheet names, if it were its headings; see ``match_headings``."""
    names = _names()
    found = set()
    for cell in cells:
        plain = _plain(cell)
        words = plain.split()
        inside = [word for word in names if len(word) >= 4 and re.search(rf"\b{re.escape(word)}\b", plain)]
        inside = inside if len(words) <= 4 else []
        over, under = map(_plain, in_two.get(cell, ("", "")))
        field = kept.get(cell) or names.get(plain) or _below(names.get(over, ""), under, names)
        found.add(field or (names[max(inside, key=len)] if inside else ""))
    return len(found - {""})


def means_note(heading: str) -> bool:
    """Whether a heading itself says that its cells are notes, so that they need no heading in front."""
    return _plain(heading) in FIELDS["note"]


def _likeness(heading: str, word: str) -> float:
    """How alike a heading and a name are: 1 if the name stands in the heading as whole words of some length."""
    if len(word) >= 4 and re.search(rf"\b{re.escape(word)}\b", heading):
        return 0.9 + 0.001 * len(word)
    return SequenceMatcher(None, heading, word).ratio() if min(len(heading), len(word)) >= 4 else 0.0


def _plain(heading: str) -> str:
    spelled = unicodedata.normalize("NFKD", heading.casefold().translate(_LIGATURES))
    bare = "".join(c for c in spelled if not unicodedata.combining(c))
    return " ".join(re.findall("[^\\W_]+", re.sub(r"\(.*?\)|\[.*?\]", " ", bare)))


def read_mapping(path: Path) -> dict[str, str]:
    """The kept matches; none if there is no file.

    Raises
    ------
    DataError
        If the file is not TOML, or names a field that does not exist or twice.
    """
    if not path.exists():
        return {}
    columns = read_toml(path, name=f"sheet/{path.name}").get("columns", {})
    if not isinstance(columns, dict):
        raise DataError(f"sheet/{path.name}: columns must be a table of headings", "delete the file to begin anew")
    for heading, field in columns.items():
        if field != "" and field not in FIELDS:
            cure = did_you_mean(str(field), list(FIELDS), otherwise=f"fields are {', '.join(FIELDS)}")
            raise DataError(f"sheet/{path.name}: {heading!r} = {field!r}: no such field", cure)
    return dict(columns)


def mapping_content(mapping: Mapping[str, str]) -> bytes:
    """The file that keeps matches for the next time."""
    lines = ['# Which heading of your sheet means what. Change a match here; "" leaves a column out.']
    lines += ["# Several columns may go into the note: cells then stand there with their heading.", "[columns]"]
    lines += [f"{_quoted(heading)} = {_quoted(field)}" for heading, field in mapping.items()]
    lines += ["", f"# Fields: {', '.join(FIELDS)}"]
    return ("\n".join(lines) + "\n").encode("utf-8")


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'
