"""Identifiers of people, works and recordings: check digits, and the plain form of what people paste.

ISNI is ISO 27729, its check character ISO/IEC 7064 MOD 11-2; ISRC is ISO 3901:2019 (12 characters, hyphens are
for show only, no check digit). VIAF, Wikidata and MusicBrainz have patterns only, which stand in the schemas.
"""

import re

_UUID = "[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}"
# What is found in pasted addresses and spellings -> the plain form.
_PLAIN = {
    "wikidata": (r"(?:https?://)?(?:www\.)?wikidata\.org/(?:wiki|entity)/(Q[1-9][0-9]*)", r"[qQ]([1-9][0-9]*)"),
    "viaf": (r"(?:https?://)?(?:www\.)?viaf\.org/(?:viaf/)?([1-9][0-9]*)/?.*",),
    "musicbrainz": (rf"(?:https?://)?(?:www\.)?musicbrainz\.org/\w+/({_UUID})/?.*",),
    "isni": (r"(?:https?://)?(?:www\.)?isni\.org/(?:isni/)?([0-9 ]{15,18}[0-9xX])/?",),
}


def mod_11_2(digits: str) -> str:
    """Check character of a string of digits by ISO/IEC 7064 MOD 11-2: ``0`` to ``9`` or ``X``.

    >>> mod_11_2("000000021694233")
    'X'
    """
    total = 0
    for digit in digits:
        total = (total + int(digit)) * 2
    result = (12 - total % 11) % 11
    return "X" if result == 10 else str(result)


def isni_fault(text: str) -> tuple[str, str] | None:
    """(what is wrong, cure) of an ISNI, with or without spaces; None if it is right."""
    plain = text.replace(" ", "").replace("-", "").upper()
    if not re.fullmatch("[0-9]{15}[0-9X]", plain):
        return "is not an ISNI", "write 16 characters, digits and perhaps a final X, with or without spaces"
    if mod_11_2(plain[:15]) != plain[15]:
        return "has a wrong check digit", "look for a slip of the keys: one character is wrong or two are swapped"
    return None


def plain_form(kind: str, text: str) -> str | None:
    """The plain form of a pasted address or another spelling of an identifier; None if it cannot be told."""
    text = text.strip()
    if kind == "isrc":
        bare = re.sub("[- ]", "", text).upper().removeprefix("ISRC:")
        return bare if re.fullmatch("[A-Z]{2}[A-Z0-9]{3}[0-9]{7}", bare) else None
    if kind == "musicbrainz" and re.fullmatch(_UUID, text.casefold()):
        return text.casefold()
    for pattern in _PLAIN.get(kind, ()):
        if found := re.fullmatch(pattern, text):
            return found[1] if found[1].startswith("Q") or kind != "wikidata" else f"Q{found[1]}"
    return None
