"""Dates as people write them, in English, German, French, Italian, Spanish and Dutch, as EDTF.

``edtf_of`` gives the one thing that a spelling can mean; what can mean two things is a question, and the cure says
both. In a catalogue's own tables a date must be EDTF and the spelling is only offered; ``add`` takes it, shown in its
difference, with the same yes.
"""

import calendar
import re
import unicodedata
from datetime import date as date_of_day
from datetime import timedelta

_MONTH_NAMES = (
    "january jan januar janner jaenner janvier janv gennaio genn gen enero ene januari",
    "february feb februar fevrier fevr fev febbraio febbr febrero febr februari",
    "march mar marz maerz mrz mars marzo maart mrt",
    "april apr avril avr aprile abril abr",
    "may mai maggio magg mag mayo mei",
    "june jun juni juin giugno giu junio",
    "july jul juli juillet juil luglio lug julio",
    "august aug aout agosto ago augustus",
    "september sep sept septembre settembre sett set septiembre setiembre",
    "october oct oktober okt octobre ottobre ott octubre",
    "november nov novembre noviembre",
    "december dec dezember dez decembre dicembre dic diciembre",
)
_ROMAN = "i ii iii iv v vi vii viii ix x xi xii"
_MONTHS = {name: number for number, names in enumerate(_MONTH_NAMES, start=1) for name in names.split()}
_MONTHS |= {name: number for number, name in enumerate(_ROMAN.split(), start=1)}
_SEASON_NAMES = (
    "spring fruhling fruhjahr fruehling printemps primavera lente voorjaar",
    "summer sommer ete estate verano zomer",
    "autumn fall herbst automne autunno otono herfst najaar",
    "winter hiver inverno invierno",
)
_SEASONS = {name: number for number, names in enumerate(_SEASON_NAMES, start=21) for name in names.split()}
_YEAR = r"(1[5-9][0-9]{2}|20[0-9]{2})"

# Old-draft tokens and what replaced them in 2019 (loc.gov/standards/datetime, changes from the draft).
_OLD: tuple[tuple[str, str], ...] = (
    (r"\?~|~\?", "%"),
    (r"(?i)\bunknown\b", ""),
    (r"(?i)\bopen\b", ".."),
    (r"(?<=[0-9Xux-])[ux](?=[0-9Xux/.,\]}?~%-]|$)", "X"),
    (r"^y(?=-?[0-9])", "Y"),
)

_ABOUT = (
    r"(?:c|ca|circa|cca|about|approx|approximately|around|roughly|um|etwa|gegen|zirka|ungefahr|vers|env|environ"
    r"|autour de|verso(?: il)?|intorno al|hacia|alrededor de|aprox|cerca de|omstreeks|rond|ongeveer)"
    r"(?:\.\s*|\s+|(?=[0-9]))"
)
_PERHAPS = (
    r"(?:probably|prob|possibly|perhaps|maybe|wohl|vermutlich|wahrscheinlich|vielleicht|sans doute|peut-etre"
    r"|probablement|forse|probabilmente|quizas?|tal vez|probablemente|misschien|waarschijnlijk|vermoedelijk)\.?\s+"
)
_BEFORE = r"(?:before|vor|avant|prima del|antes de|voor)\s+(.+)"
_UNTIL = r"(?:by|not after|no later than|until|bis|spatestens|jusqu'en|jusque|entro il|hasta|tot)\s+(.+)"
_AFTER = r"(?:after|nach|apres|dopo il|despues de|na)\s+(.+)"
_SINCE = r"(?:from|not before|since|seit|ab|fruhestens|depuis|des|dal|desde|vanaf|sinds)\s+(.+)"
_OR = r"\s+(?:or|oder|ou|o|of)\s+"
_BETWEEN = r"(?:between|zwischen|entre|tra|fra|tussen)\s+(.+?)\s+(?:and|und|et|e|y|en)\s+(.+)"
# Parts of a year, month or decade, which EDTF has no word for.
_PARTS = (
    r"early|beginning|start|anfang|fruhe?[rsn]?|debut|inizio|inizi|principios?|comienzos|begin|vroege?",
    r"mid|middle|mitte|mi|milieu|meta|mediados|midden|half",
    r"late|end|ende|spate?[rsn]?|fin|fine|finales?|fines|eind",
)
_FROM_TO = r"(?:from|von|de|dal|van|du|desde)\s+(.+?)\s+(?:to|bis|a|al|au|tot|hasta)\s+(.+)"


def edtf_of(text: str) -> str | None:
    """EDTF of a date in words that can mean one thing only; None where it can mean none or several."""
    return _whole(_plain(text))


def _plain(text: str) -> str:
    spelled = unicodedata.normalize("NFKD", text.replace("’", "'").casefold())
    plain = " ".join("".join(c for c in spelled if not unicodedata.combining(c)).split())
    for dash in "‐‑–—":
        plain = plain.replace(dash, "-")
    return re.sub(r"^(?:on|in|am|im|den|le|en|el|il|nel|op|a|al|alla)\s+(?:the\s+)?", "", plain)


def month_words() -> list[str]:
    """Names of months in all six languages, longest first."""
    return sorted((name for names in _MONTH_NAMES for name in names.split()), key=len, reverse=True)


def ambiguous(text: str) -> str | None:
    """What a date that can be read in two ways may mean, as a question; None for all others.

    ``1907-09`` is September 1907 in EDTF, and 1907 to 1909 in most lists; so are ``1902-3`` and ``ca. 1902-04``. How
    many months are meant by ``early 1905`` is nobody's to guess.
    """
    if question := _part_of_time(_plain(text)):
        return question
    plain = re.sub(rf"^(?:{_ABOUT}|{_PERHAPS})", "", text.strip(), flags=re.IGNORECASE).rstrip("?~%").rstrip()
    # A slash before two figures is read as years: nobody writes months so.
    if found := re.fullmatch(r"([0-9]{2})([0-9]{2})(?:[-–—]([0-9]{2})|[-–—/]([0-9]))", plain):
        later = found[3] or found[2][0] + found[4]
        number = int(found[3] or found[4])
        if found[2] < later and 1 <= number <= 12:
            month = f"{calendar.month_name[number]} {found[1]}{found[2]}"
            return f"is {month}, or {found[1]}{found[2]}/{found[1]}{later}? write the one meant"
    if found := re.fullmatch(rf"([0-9]{{1,2}})\s?[/-]\s?([0-9]{{1,2}})\s?[/-]\s?{_YEAR}", plain):
        one, other = _day(found[3], found[2], found[1]), _day(found[3], found[1], found[2])
        if one and other and one != other:
            return f"is {one}, or {other}? write the one meant"
    return None


def _part_of_time(plain: str) -> str | None:
    """What the beginning, middle or end of a year, month or decade may mean."""
    for third, words in enumerate(_PARTS):
        joints = r"(?:(?:of|the|de|del|des|der|den|la|les|los|anni|annees)\s+)*"
        found = re.fullmatch(rf"(?:{words})[\s-]+{joints}(.+)", plain)
        whole = _marked(found[1]) if found else None
        if whole is None:
            continue
        bare = whole.rstrip("?~%")
        if re.fullmatch("[0-9]{4}", bare):
            part = f"[{bare}-{4 * third + 1:02d}..{bare}-{4 * third + 4:02d}]"
        elif re.fullmatch("[0-9]{3}X", bare):
            part = f"[{bare[:3]}{(0, 4, 7)[third]}..{bare[:3]}{(3, 6, 9)[third]}]"
        elif re.fullmatch("[0-9]{4}-(?:0[1-9]|1[0-2])", bare):
            last = calendar.monthrange(int(bare[:4]), int(bare[5:]))[1]
            part = f"[{bare}-{(1, 11, 21)[third]:02d}..{bare}-{(10, 20, last)[third]:02d}]"
        else:
            return f"is {whole}, or a part of it? write that, or [first..last]"
        return f"is {part}, or no more than {bare}? write the one meant"
    return None


def modern_spelling(text: str) -> tuple[str, str] | None:
    """(what is wrong, cure) for a spelling that EDTF does not know; None if nothing is recognised."""
    modern = text
    for old, new in _OLD:
        modern = re.sub(old, new, modern)
    if modern != text and re.search("[0-9]", modern) and not re.search(r"[a-wyz]{2}", modern):
        return "uses the spelling of an old draft", f"write {modern}"
    if text.startswith(("-", "Y")) and re.fullmatch(r"[-YES0-9]+", text):
        return "is far outside the years of recording", "write a year of four digits"
    if question := ambiguous(text):
        return "is not a date in EDTF", f"it {question}"
    meant = edtf_of(text)
    return ("is not a date in EDTF", f"write {meant} if that is meant") if meant and meant != text else None


def _whole(plain: str) -> str | None:
    if found := re.fullmatch(_BETWEEN, plain):
        return _pair(found[1], found[2], "[{}..{}]")
    if found := re.fullmatch(_FROM_TO, plain):
        return _pair(found[1], found[2], "{}/{}")
    if len(parts := re.split(_OR, plain)) > 1:
        dates = [_marked(part) for part in _with_common_parts(parts)]
        return f"[{','.join(d for d in dates if d)}]" if all(dates) else None
    if found := re.fullmatch(_BEFORE, plain):
        return f"[..{date}]" if (date := _next_to(_marked(found[1]), -1)) else None
    if found := re.fullmatch(_UNTIL, plain):
        return f"[..{date}]" if (date := _marked(found[1])) else None
    if found := re.fullmatch(_AFTER, plain):
        return f"[{date}..]" if (date := _next_to(_marked(found[1]), 1)) else None
    if found := re.fullmatch(_SINCE, plain):
        return f"[{date}..]" if (date := _marked(found[1])) else None
    if found := re.fullmatch(rf"{_YEAR}\s*[-/]\s*([0-9]{{2}})", plain):
        return _pair(found[1], found[1][:2] + found[2], "{}/{}") if found[2] > "12" or "/" in plain else None
    if found := re.fullmatch(r"(.*?[^\s-])\s*-\s*([^-].*)", plain):
        first, last = _with_common_parts([found[1], found[2]])
        if (made := _pair(first, last, "{}/{}")) is not None:
            return made
    return _marked(plain)


def _with_common_parts(parts: list[str]) -> list[str]:
    """Parts that lack the year have that of the last: ``Nov or Dec 1908``."""
    year = re.search(rf"\b{_YEAR}\b", parts[-1])
    return [part if year is None or re.search(r"[0-9]{4}", part) else f"{part} {year[1]}" for part in parts]


def _pair(first: str, last: str, form: str) -> str | None:
    one, other = _marked(first), _marked(last)
    return form.format(one, other) if one and other and one[:4] <= other[:4] else None


def _marked(plain: str) -> str | None:
    """A single date with its marks of doubt."""
    marks = ""
    bare = plain
    while True:
        if found := re.match(_ABOUT, bare):
            marks, bare = marks + "~", bare[found.end() :]
        elif found := re.match(_PERHAPS, bare):
            marks, bare = marks + "?", bare[found.end() :]
        elif found := re.search(r"\s*(?:\(\?\)|\?)$", bare):
            marks, bare = marks + "?", bare[: found.start()]
        elif found := re.search(r"\s*(?:~|\(c(?:irc)?a?\.?\))$", bare):
            marks, bare = marks + "~", bare[: found.start()]
        else:
            break
    date = _single(bare.strip(" ,"))
    if date is None:
        return None
    return date + ("%" if {"~", "?"} <= set(marks) else marks[:1])


def _next_to(date: str | None, step: int) -> str | None:
    """The year, month or day before (step -1) or after (1) a date: before 1915 is 1914 at the latest, since EDTF's
    ``[..1915]`` holds the year itself. None for a season, which has no neighbour in EDTF."""
    if date is None:
        return None
    bare = date.rstrip("?~%")
    marks = date[len(bare) :]
    if re.fullmatch("[0-9]{3}X", bare):
        bare = bare.replace("X", "0" if step < 0 else "9")
    if re.fullmatch("[0-9]{4}", bare):
        return f"{int(bare) + step}{marks}"
    if re.fullmatch("[0-9]{4}-(?:0[1-9]|1[0-2])", bare):
        years, month = divmod(12 * int(bare[:4]) + int(bare[5:]) - 1 + step, 12)
        return f"{years}-{month + 1:02d}{marks}"
    if re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", bare):
        return f"{date_of_day.fromisoformat(bare) + timedelta(days=step)}{marks}"
    return None


def _single(plain: str) -> str | None:
    if found := re.fullmatch(_YEAR, plain):
        return found[1]
    decade = r"(?:the |les annees |gli anni |los anos |de jaren )?([0-9]{3})0(?:'?s|er|-?er jahre)"
    if found := re.fullmatch(decade, plain):
        return f"{found[1]}X"
    if found := re.fullmatch(rf"([a-z]+)(?: of| de| del)? {_YEAR}|{_YEAR} ([a-z]+)", plain):
        word, year = found[1] or found[4], found[2] or found[3]
        if word in _SEASONS:
            return f"{year}-{_SEASONS[word]}"
    if found := re.fullmatch(rf"([a-z]+)\.?,? (?:de |del )?{_YEAR}", plain):
        return _month(found[2], found[1])
    if found := re.fullmatch(rf"{_YEAR},? ([a-z]+)\.?", plain):
        return _month(found[1], found[2])
    day = r"([0-9]{1,2})(?:\.|er|st|nd|rd|th|o|º)?"
    if found := re.fullmatch(rf"{day}[ ./-]?\s?(?:of |de )?([a-z]+)[.,]?[ ./-]?\s?(?:de |del )?{_YEAR}", plain):
        return _day(found[3], found[2], found[1])
    if found := re.fullmatch(rf"([a-z]+)\.? {day},? {_YEAR}", plain):
        return _day(found[3], found[1], found[2])
    if found := re.fullmatch(rf"{_YEAR},? ([a-z]+)\.? {day}", plain):
        return _day(found[1], found[2], found[3])
    return _in_digits(plain)


def _in_digits(plain: str) -> str | None:
    if found := re.fullmatch(rf"([0-9]{{1,2}})\s?[./-]\s?{_YEAR}", plain):
        return _month(found[2], found[1])
    if found := re.fullmatch(rf"([0-9]{{1,2}})(\s?[./-]\s?)([0-9]{{1,2}})\s?[./-]\s?{_YEAR}", plain):
        day_first, month_first = _day(found[4], found[3], found[1]), _day(found[4], found[1], found[3])
        if "." in found[2] or month_first is None or day_first == month_first:
            return day_first  # with points the day stands first wherever points are used
        return month_first if day_first is None else None
    if found := re.fullmatch(rf"{_YEAR}[./ -]([0-9]{{1,2}})(?:[./ -]([0-9]{{1,2}}))?", plain):
        return _day(found[1], found[2], found[3]) if found[3] else _month(found[1], found[2])
    if found := re.fullmatch(rf"{_YEAR}([0-9]{{2}})([0-9]{{2}})", plain):
        return _day(found[1], found[2], found[3])
    return None


def _month(year: str, month: str) -> str | None:
    number = int(month) if month.isdigit() else _MONTHS.get(month, 0)
    return f"{year}-{number:02d}" if 1 <= number <= 12 else None


def _day(year: str, month: str, day: str) -> str | None:
    of = _month(year, month)
    if of is None or not 1 <= int(day) <= calendar.monthrange(int(year), int(of[-2:]))[1]:
        return None
    return f"{of}-{int(day):02d}"
