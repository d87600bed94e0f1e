"""Reads a written part from a file; its ending says what it is."""

import zipfile
from pathlib import Path
from xml.etree.ElementTree import ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from pipeline.errors import DataError
from pipeline.store.parts.engraved import ENDINGS, read_engraved
from pipeline.store.parts.midi import read_midi
from pipeline.store.parts.musicxml import read_musicxml
from pipeline.store.parts.part import WrittenPart
from pipeline.store.parts.table import Sounding, read_table

MOST_BYTES = 50_000_000
MOST_FILES = 500
MUSICXML = (".musicxml", ".xml", ".mxl")
MIDI = (".mid", ".midi")


def read_part(
    path: Path,
    *,
    strings: tuple[str, ...],
    part: str | None = None,
    sounding: Sounding | None = None,
    signature: int | None = None,
) -> WrittenPart:
    """The solo part that a file holds.

    Parameters
    ----------
    path : MusicXML (``.musicxml``, ``.xml``, compressed ``.mxl``), MIDI, CSV; with verovio also MEI, Humdrum
        (``.krn``) and ABC.
    strings : names of the strings, lowest first; a string number of MusicXML counts from the highest.
    part : which part of a score, by name or by number from 1; None for the first with fingerings, else with notes.
    sounding : for a CSV that names times instead of pitches.
    signature : key signature by which a CSV or MIDI that tells none is spelt: sharps, flats negative.

    Raises
    ------
    DataError
        If the file is not readable, too large, or holds no notes; names the row or bar where it can.
    """
    ending = path.suffix.lower()
    if ending == ".csv":
        return read_table(path, strings=strings, sounding=sounding, signature=signature)
    if ending in MUSICXML:
        document = _document(path, compressed=ending == ".mxl")
        return read_musicxml(document, file=path.name, strings=strings, part=part)
    if ending in MIDI:
        return read_midi(_document(path, compressed=False), file=path.name, part=part, signature=signature)
    if ending in ENDINGS:
        text = _document(path, compressed=False).decode("utf-8", "replace")
        return read_engraved(text, kind=ENDINGS[ending], file=path.name, part=part)
    known = ".csv, .musicxml, .xml, .mxl, .mid, .mei, .krn nor .abc"
    raise DataError(f"{path.name}: is neither {known}", "export it as one of these")


def _document(path: Path, *, compressed: bool) -> bytes:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise DataError(f"{path.name}: is larger than {MOST_BYTES // 1_000_000} MB", "export the solo part alone")
        if not compressed:
            return path.read_bytes()
        with zipfile.ZipFile(path) as archive:
            if len(archive.infolist()) > MOST_FILES:
                raise DataError(f"{path.name}: holds more than {MOST_FILES} files", "export it again")
            names = archive.namelist()
            inner = next((n for n in names if n.endswith((".musicxml", ".xml")) and "META-INF" not in n), None)
            if "META-INF/container.xml" in names:
                container = fromstring(_bounded(archive, "META-INF/container.xml", path.name))
                listed = [e.get("full-path") for e in container.iter() if e.tag.endswith("rootfile")]
                inner = listed[0] if listed and listed[0] in names else inner
            if inner is None:
                raise DataError(f"{path.name}: holds no score", "export it again as .musicxml")
            return _bounded(archive, inner, path.name)
    except FileNotFoundError as error:
        raise DataError("there is no such file", "check its name and folder", where=str(path)) from error
    except IsADirectoryError as error:
        raise DataError(f"{path.name}: is a folder", "give the file itself") from error
    except (
        OSError,
        zipfile.BadZipFile,
        ParseError,
        DefusedXmlException,
        RuntimeError,
        NotImplementedError,
    ) as error:
        raise DataError(f"{path.name}: is not readable ({error})", "export it again") from error


def _bounded(archive: zipfile.ZipFile, name: str, file: str) -> bytes:
    with archive.open(name) as stream:
        found = stream.read(MOST_BYTES + 1)
    if len(found) > MOST_BYTES:
        raise DataError(f"{file}: unpacks to more than {MOST_BYTES // 1_000_000} MB", "export the solo part alone")
    return found
