"""What the names and tags of audio files seem to say of their recordings: offered, each with where it came from.

Nothing here is entered by itself. A name is read by what people label in it (``mx 2345``, ``take 2``, ``side A``), by
a date, a key, and by `` - `` between artist and title; a tag by what its standard says it holds.
"""

import csv
import io
import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import PurePosixPath

from pipeline.store.adding.headings import SOURCES
from pipeline.store.audio.claims import Claim
from pipeline.store.catalogue.cell_values import CellError, read_date, read_key
from pipeline.store.schema.date_hints import ambiguous, month_words

FIELDS = ("player", "work", "composer", "key", "year", "matrix", "take", "face", "label", "issue_number")
_TAGS = {
    "player.name": "player",
    "work.title": "work",
    "work.composer": "composer",
    "work.key": "key",
    "take.recorded": "year",
    "side.label": "label",
    "side.issue_number": "issue_number",
}
_LABELLED = {
    "matrix": r"(?:mx|matrix|mtx|matrizennummer|matrize|matrice|matriz)%s(?:(?:no|nr)\.?\s*)?([\w½/.-]*[0-9][\w½/.-]*)",
    "take": r"(?:take|tk|prise|toma)%s([0-9]{1,2}[a-z]?|[ivx]{1,4}|[a-d])\b",
    "face": r"(?:side|seite|face|lato|cara|kant)%s([ab12])\b",
    "issue_number": r"(?:cat|catalogue|catalog|issue|katalog|bestell)%s(?:(?:no|nr)\.?\s*)?([\w.-]*[0-9][\w.-]*)",
}
_KEY = r"\b([a-h](?:[ -]?(?:flat|sharp|is|es|s|b|#|♭|♯))?[ -]?(?:major|minor|maj|min|dur|moll))\b"
_TITLES = r"^(?:miss|mr|mrs|ms|mme|mlle|madame|monsieur|herr|frau|fräulein|frl|signor|signora|signorina|sig)\b\.?\s+"
_READERS = {"year": read_date, "key": read_key}


@dataclass(frozen=True)
class Offer:
    """One cell: the file (below audio/), the field, its value in the catalogue's spelling, and where it came from."""

    file: str
    field: str
    value: str
    source: str


def offers(file: str, name: str, claims: Iterable[Claim]) -> list[Offer]:
    """What one file's name and tags say; of two sources for one field the tag is taken and the name stands second."""
    found = [
        *(Offer(file, _TAGS[c.about], c.value, f"tag {c.field}") for c in claims if c.about in _TAGS),
        *(Offer(file, field, value, "file name") for field, value in read_name(name).items()),
    ]
    made: dict[str, Offer] = {}
    for offer in found:
        value = offer.value.strip()
        if offer.field in _READERS:
            try:
                value = _READERS[offer.field](value)
            except CellError:
                continue
        if value and offer.field not in made:
            made[offer.field] = Offer(file, offer.field, value, offer.source)
    return [made[field] for field in FIELDS if field in made]


def read_name(name: str) -> dict[str, str]:
    """Fields that a file name seems to hold, as text."""
    rest = PurePosixPath(name).stem.replace("_", " ")
    found: dict[str, str] = {}
    for field, pattern in _LABELLED.items():
        if hit := re.search(r"\b" + pattern % r"(?![^\W\d_])[.:]?\s*", rest, re.IGNORECASE):
            found[field] = hit[1].strip(".-")
            rest = rest[: hit.start()] + " " + rest[hit.end() :]
    if hit := re.search(_KEY, rest, re.IGNORECASE):
        with suppress(CellError):
            found["key"] = read_key(hit[1].replace("♭", " flat").replace("♯", " sharp"))
    if dated := _dated(rest):
        found["year"], rest = dated
    rest = re.sub(r"^\s*(?:track\s*)?[0-9]{1,3}\s*[.)_-]?\s+(?=\D)", "", rest, flags=re.IGNORECASE)
    parts = [" ".join(part.split()).strip(" .,;()[]") for part in re.split(r"\s+[-–—]+\s+", rest)]
    parts = [part for part in parts if re.search(r"[^\W\d_]{2}", part)]
    if len(parts) >= 2:
        found["player"] = re.sub(_TITLES, "", parts[0], flags=re.IGNORECASE)
        title = parts[1]
        found["work"] = title + "".join(end for begin, end in ("()", "[]") if title.count(begin) > title.count(end))
    return found


def _dated(text: str) -> tuple[str, str] | None:
    """A date of the years 1888 to 1960 in a name, and the name without it."""
    year = r"(?:18[89][0-9]|19[0-5][0-9]|1960)"
    months = "|".join(month_words())
    digits = rf"{year}-[0-9]{{2}}-[0-9]{{2}}|[0-9]{{1,2}}\.[0-9]{{1,2}}\.{year}"
    day = rf"(?:[0-9]{{1,2}}\.?\s+)?(?:{months})\.?\s+{year}|{digits}"
    about = r"(?:\b(?:c|ca|circa|um|vers|env)\b\.?\s*)?"
    for hit in re.finditer(rf"[(\[]?({about}(?:{day}|\b{year}\b)\??)[)\]]?", text, re.IGNORECASE):
        before = re.search(r"([^\W\d_]+)[\s-]*$", text[: hit.start(1)])
        if before and ambiguous(f"{before[1]} {hit[1]}"):  # early 1905
            continue
        with suppress(CellError):
            return read_date(hit[1]), text[: hit.start()] + " " + text[hit.end() :]
    return None


def draft_content(found: Sequence[Offer]) -> bytes:
    """A sheet of what was found, a line a file, to be mended and given with ``--sheet``."""
    fields = [field for field in FIELDS if any(offer.field == field for offer in found)]
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow(["file", *fields, SOURCES])
    for file in dict.fromkeys(offer.file for offer in found):
        own = {offer.field: offer for offer in found if offer.file == file}
        sources = "; ".join(f"{offer.field}: {offer.source}" for offer in own.values())
        writer.writerow([file, *(own[field].value if field in own else "" for field in fields), sources])
    return ("\ufeff" + buffer.getvalue()).encode()
