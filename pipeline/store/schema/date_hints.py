"""Offers the modern spelling for dates that are not EDTF: old drafts, and the ways people write.

A hint is only offered, never applied: turning "1904 or 1905" into a date is a decision.
"""

import calendar
import re
import unicodedata

# Months in English, German, French and Italian, without accents.
_MONTH_NAMES = (
    ("january", "jan", "januar", "janner", "jaenner", "janvier", "janv", "gennaio", "genn", "gen"),
    ("february", "feb", "februar", "fevrier", "fevr", "fev", "febbraio", "febbr"),
    ("march", "mar", "marz", "maerz", "mrz", "mars", "marzo"),
    ("april", "apr", "avril", "avr", "aprile"),
    ("may", "mai", "maggio", "magg", "mag"),
    ("june", "jun", "juni", "juin", "giugno", "giu"),
    ("july", "jul", "juli", "juillet", "juil", "luglio", "lug"),
    ("august", "aug", "aout", "agosto", "ago"),
    ("september", "sep", "sept", "septembre", "settembre", "sett", "set"),
    ("october", "oct", "oktober", "okt", "octobre", "ottobre", "ott"),
    ("november", "nov", "novembre"),
    ("december", "dec", "dezember", "dez", "decembre", "dicembre", "dic"),
)
_MONTH_NUMBERS = {name: number for number, names in enumerate(_MONTH_NAMES, start=1) for name in names}
_SEASON_WORDS = {"spring": 21, "summer": 22, "autumn": 23, "fall": 23, "winter": 24}
_YEAR = r"(1[5-9][0-9]{2}|20[0-9]{2})"

# Old-draft tokens and what replaced them in 2019 (loc.gov/standards/datetime, changes from the draft).
_OLD: tuple[tuple[str, str], ...] = (
    (r"\?~|~\?", "%"),
    (r"(?i)\bunknown\b", ""),
    (r"(?i)\bopen\b", ".."),
    (r"(?<=[0-9Xux-])[ux](?=[0-9Xux/.,\]}?~%-]|$)", "X"),
    (r"^y(?=-?[0-9])", "Y"),
)

# Everyday spellings; the replacement is what the writer may have meant.
_EVERYDAY: tuple[tuple[str, str], ...] = (
    (rf"(?:c|ca|circa|about|approx|um|etwa|gegen|vers|env|environ|verso)\.?\s*{_YEAR}", r"\1~"),
    (rf"(?:probably|possibly|perhaps|wohl|vermutlich|sans doute|peut-être|forse)\s+{_YEAR}", r"\1?"),
    (rf"{_YEAR}\s+(?:or|oder|ou|o)\s+{_YEAR}", r"[\1,\2]"),
    (rf"(?:between|zwischen|entre|tra)\s+{_YEAR}\s+(?:and|und|et|e)\s+{_YEAR}", r"[\1..\2]"),
    (rf"(?:before|by|not after|until|vor|bis|avant|prima del)\s+{_YEAR}", r"[..\1]"),
    (rf"(?:after|from|not before|since|nach|seit|ab|après|dopo il)\s+{_YEAR}", r"[\1..]"),
    (rf"{_YEAR}\s*[-–—]\s*{_YEAR}", r"\1/\2"),
    (r"([0-9]{2})([0-9]{2})\s*[-–—/]\s*([0-9]{2})", r"\1\2/\1\3"),
    (r"(?:the\s+)?([0-9]{3})0'?s", r"\1X"),
    (r"([0-9]{4})([0-9]{2})([0-9]{2})", r"\1-\2-\3"),
)


def modern_spelling(text: str) -> tuple[str, str] | None:
    """(what is wrong, cure) for a spelling that EDTF does not know; None if nothing is recognised."""
    modern = text
    for old, new in _OLD:
        modern = re.sub(old, new, modern)
    if modern != text and re.search("[0-9]", modern):
        return "uses the spelling of an old draft", f"write {modern}"
    if text.startswith(("-", "Y")) and re.fullmatch(r"[-YES0-9]+", text):
        return "is far outside the years of recording", "write a year of four digits"
    plain = re.sub(r"\s+", " ", text.strip().casefold())
    for pattern, meant in _EVERYDAY:
        if found := re.fullmatch(pattern, plain):
            suggestion = found.expand(meant)
            return ("is not a date in EDTF", f"write {suggestion} if that is meant") if suggestion != text else None
    return _named(plain) or _with_separators(plain)


def month_of_year(text: str) -> str | None:
    """EDTF of a month and year that can mean one thing only (March 1908, März 1908, 03.1908, 3/1908); else None."""
    spelled = unicodedata.normalize("NFKD", text.strip().casefold())
    plain = re.sub(r"\s+", " ", "".join(c for c in spelled if not unicodedata.combining(c)))
    if found := re.fullmatch(rf"([a-z]+)\.?,? {_YEAR}", plain):
        month = _MONTH_NUMBERS.get(found[1], 0)
    elif found := re.fullmatch(rf"([0-9]{{1,2}}) ?[./-] ?{_YEAR}", plain):
        month = int(found[1])
    else:
        return None
    return f"{found[2]}-{month:02d}" if 1 <= month <= 12 else None


def _named(plain: str) -> tuple[str, str] | None:
    if found := re.fullmatch(rf"(spring|summer|autumn|fall|winter)(?: of)? {_YEAR}", plain):
        return "is not a date in EDTF", f"write {found[2]}-{_SEASON_WORDS[found[1]]} if that is meant"
    bare = "".join(c for c in unicodedata.normalize("NFKD", plain) if not unicodedata.combining(c))
    if found := re.fullmatch(rf"(?:([0-9]{{1,2}})(?:\.|er|st|nd|rd|th)? )?([a-z]{{3,}})\.?,? {_YEAR}", bare):
        month, day, year = _MONTH_NUMBERS.get(found[2], 0), int(found[1] or 1), int(found[3])
        if _is_day(year, month, day):
            spelled = f"{year}-{month:02d}" + (f"-{day:02d}" if found[1] else "")
            return "is not a date in EDTF", f"write {spelled} if that is meant"
    return None


def _with_separators(plain: str) -> tuple[str, str] | None:
    if found := re.fullmatch(rf"([0-9]{{1,2}})[./-]([0-9]{{1,2}})[./-]{_YEAR}", plain):
        first, second, year = int(found[1]), int(found[2]), found[3]
        if (first > 12 or "." in plain) and not _is_day(int(year), second, first):
            return None
        if first > 12 or "." in plain:
            return "is not a date in EDTF", f"write {year}-{second:02d}-{first:02d} if that is meant"
        return "is not a date in EDTF", f"write {year}-month-day, {year}-{second:02d}-{first:02d} or the other way"
    if found := re.fullmatch(rf"{_YEAR}[./-]([0-9]{{1,2}})(?:[./-]([0-9]{{1,2}}))?", plain):
        spelled = f"{found[1]}-{int(found[2]):02d}" + (f"-{int(found[3]):02d}" if found[3] else "")
        if spelled != plain:
            return "is not a date in EDTF", f"write {spelled} if that is meant"
    return None


def _is_day(year: int, month: int, day: int) -> bool:
    return 1 <= month <= 12 and 1 <= day <= calendar.monthrange(year, month)[1]
