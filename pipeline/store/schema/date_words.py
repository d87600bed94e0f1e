"""Uncertain dates in words, as tables, pages and texts say them: ``[1926..1928]`` is "1926 to 1928, one of them"."""

import re

_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
_SEASONS = {
    21: ("spring", "March to May"),
    22: ("summer", "June to August"),
    23: ("autumn", "September to November"),
    24: ("winter", "December to February"),
}
_DOUBTS = {"~": "about ", "?": "perhaps ", "%": "perhaps about "}


def date_words(edtf: str) -> str:
    """A date of the catalogue (EDTF) in words; as it stands where it is of a rarer form."""
    if edtf.startswith("[") and edtf.count("..") == 1 and "," not in edtf:
        return _span(*edtf[1:-1].split(".."), more=", one of them")
    if edtf.count("/") == 1:
        return _span(*edtf.split("/"))
    return _single(edtf)


def _span(first: str, last: str, *, more: str = "") -> str:
    if first in ("", ".."):
        return f"{_single(last)} or earlier"
    if last in ("", ".."):
        return f"{_single(first)} or later"
    return f"{_single(first)} to {_single(last)}{more}"


def _single(text: str) -> str:
    doubt = _DOUBTS.get(text[-1:], "")
    bare = text[:-1] if doubt else text
    if re.fullmatch("[0-9]{3}X", bare):
        return f"{doubt}{bare[:3]}0s"
    if re.fullmatch("[0-9]{2}XX", bare):
        return f"{doubt}{bare[:2]}00 to {bare[:2]}99"
    if not re.fullmatch("[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?", bare):
        return text
    year, month, day = (*map(int, bare.split("-")), 0, 0)[:3]
    if month in _SEASONS:
        season, months = _SEASONS[month]
        return f"{doubt}{season} {year}, {months}" + (f" {year + 1}" if season == "winter" else "")
    named = f"{_MONTHS[month - 1]} " if 1 <= month <= 12 else ""
    return f"{doubt}{f'{day} ' if day else ''}{named}{year}"
