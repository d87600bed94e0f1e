"""Who taught, as a cell says it: names alone, or in words such as ``pupil of A. Vint, later with B. Ort?``.

What is no plain name after the words around it are taken off is a question, so that no sentence becomes a player.
"""

import re
from contextlib import suppress
from dataclasses import dataclass

from pipeline.store.catalogue.cell_values import CellError, read_date
from pipeline.store.catalogue.player_cells import DOUBTS, Named, people

# In the six languages. Prepositions that also begin names (von, van, de, di) count only with the word before them.
_PUPIL = (
    r"(?:(?:private\s+)?(?:pupil|student|disciple)\s+(?:of|under)|(?:has\s+)?(?:studied|trained)\s+(?:with|under|by)"
    r"|studies\s+with|taught\s+by|learn(?:ed|t)\s+(?:with|from)|lessons\s+(?:with|from)"
    r"|(?:privat)?sch(?:ü|ue)ler(?:in)?\s+(?:von|bei)|studierte\s+(?:bei|mit)|(?:studium|studien|unterricht|lernte)\s+bei"
    r"|ausgebildet\s+(?:bei|von)|unterrichtet\s+von"
    r"|[ée]l[èe]ve\s+(?:de|du)|(?:a\s+)?[ée]tudi(?:é|ée|a)\s+(?:avec|chez|sous)|[ée]tudes\s+(?:avec|chez)|form[ée]e?\s+par"
    r"|alliev[oa]\s+di|(?:ha\s+)?studi(?:ato|ò|o)\s+con|studi\s+con"
    r"|(?:alumn|disc[ií]pul)[oa]\s+de|estudi(?:ó|o|os)\s+con"
    r"|leerlinge?\s+van|(?:ge)?studeer(?:de|d)\s+(?:bij|met)|less?(?:en)?\s+(?:bij|van))\s+|[ée]l[èe]ve\s+d['’]\s*"
)
_WITH = r"(?:with|under|by|of|from|bei|mit|avec|chez|con|bij|met)\s+"
_BIG = r"(?-i:[^\W\d_a-zß-öø-ÿ])[^\s;,]*"
_OF = rf"(?:de|di|von|van)\s+(?={_BIG}\s+{_BIG})"
_LATER = (
    r"(?:later|then|afterwards|subsequently|später|spaeter|danach|dann|anschließend|puis|ensuite|plus\s+tard|poi|dopo"
    r"|in\s+seguito|luego|despu[ée]s|m[áa]s\s+tarde|daarna|vervolgens)"
)
_FIRST = r"(?:first|initially|also|zuerst|zunächst|auch|d['’]abord|aussi|prima|anche|primero|tambi[ée]n|eerst|ook)"
_JOINT = r"(?:^|[;,/|&+]|\s(?:and|und|et|e|y|en|or|oder|ou)\s)"
_DOUBT = rf"(?:\?|(?:{'|'.join(DOUBTS)})\.?\s)"
_SELF_TAUGHT = re.compile(r"(?i)self[- ]?taught|autodid[ak][kc]?te?|autodidatta|autodidacta|nobody|no ?one|none")
_PARTICLES = frozenset(
    (
        *("von", "van", "vom", "zu", "zur", "der", "den", "dem", "ten", "ter", "te", "het", "de", "du", "des", "d"),
        *("di", "da", "del", "della", "dos", "la", "le", "y", "e", "af", "av"),
    )
)
_SCHOOL = re.compile(
    r"(?i)\b(?:[ck]onserv\w*|acad[eé]m\w*|a[ck]+adem\w*|hochschule|school|college|musikschule|university)\b"
)
_YEAR = r"1[5-9][0-9]{2}|20[0-9]{2}"
_LONGEST_DATE = 8  # words, as in "from the 1st of May 1901 to 1903"
_CURE = "write names alone, with ; between them, and the rest into a column of notes"


@dataclass(frozen=True)
class Taught:
    """A teacher: how sure that is, when it was (EDTF), and what else a bracket behind the name says."""

    name: str
    certainty: str
    span: str = ""
    more: str = ""


def read_teachers(text: str) -> list[Taught]:
    """The teachers named, each by themself: many may have taught one; who is said to be self-taught had none.

    Raises
    ------
    CellError
        If something is left that is no plain name.
    """
    parts = re.split(r"([(\[][^()\[\]]*[)\]])", text.strip())  # what stands in brackets is left as it is
    bare = "".join(part if place % 2 else _bare(part) for place, part in enumerate(parts))
    named = [one for one in people(bare.strip())[0] if not _SELF_TAUGHT.fullmatch(one.name)]
    return [_taught(one) for one in named]


def _bare(text: str) -> str:
    """Names without the words that say that they taught; ``later`` begins another teacher."""
    apart = re.sub(rf"(?i)\s*[,;]?\s+(?:(?:and|und|et|e|y|en)\s+)?({_LATER}\s)(?=\s*[^\W\d_?])", r"; \1", text)
    if re.match(rf"(?i)\s*(?:{_FIRST}\s+)?{_PUPIL}", apart):  # "pupil of A. Vint and of B. Ort"
        apart = re.sub(rf"(?i)({_JOINT}\s*)(?:{_OF}|d['’]\s*(?={_BIG}))", r"\1", apart)
    words = rf"(?:(?:{_LATER}|{_FIRST})\s+)?(?:{_PUPIL}|{_WITH})|(?:{_LATER}|{_FIRST})\s+(?:{_OF})?"
    return re.sub(rf"(?i)({_JOINT}\s*{_DOUBT}?\s*)(?:{words})", r"\1", apart)


def _taught(one: Named) -> Taught:
    words = re.findall(r"[^\W_]+", one.name)
    small = [word for word in words if word[0].islower() and word not in _PARTICLES]
    if not words or small or re.search(r"[0-9()\[\]:!?]", one.name) or _SCHOOL.search(one.name):
        raise CellError("is not names of teachers alone", _CURE)
    span, rest = "", []
    for piece in re.split(r"\s*[,;]\s*", one.more):
        before, date = ("", "") if span else _dated(piece)
        span = span or date
        rest.append(before if date else piece)
    return Taught(one.name, one.certainty, span, ", ".join(piece for piece in rest if piece))


def _dated(piece: str) -> tuple[str, str]:
    """What stands before a date at the end of a text, and the date; 1901-03 is three years of lessons, no March."""
    words = piece.split()
    for place in range(max(0, len(words) - _LONGEST_DATE), len(words)):
        said = " ".join(words[place:])
        if years := re.fullmatch(rf"({_YEAR})\s*[-–—/]\s*([0-9]{{2}})", said):
            if years[2] > years[1][2:]:
                return " ".join(words[:place]), f"{years[1]}/{years[1][:2]}{years[2]}"
        elif re.search(_YEAR, said):
            with suppress(CellError):
                return " ".join(words[:place]), read_date(said)
    return "", ""
