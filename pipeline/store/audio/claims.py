"""What audio files say of themselves, as claims: shown beside the catalogue, never obeyed.

The broadcast chunk is read by the layout of EBU Tech 3285 version 2 (May 2011,
tech.ebu.ch/docs/tech/tech3285.pdf): offsets Description 0 (256), Originator 256 (32), OriginatorReference 288
(32), OriginationDate 320 (10), OriginationTime 330 (8), TimeReference low 338 and high 342, Version 346, UMID
348 (64, from version 1), loudness 412 to 421 (from version 2, hundredths, 0x7FFF for none), reserved,
CodingHistory from 602.
The coding history follows EBU R98-1999: one line a generation, oldest first, ``A=`` algorithm, ``F=`` Hz, ``B=``
kbit/s, ``W=`` bits, ``M=`` mode, ``T=`` free text. LIST-INFO is RIFF's own. Tags are read by mutagen.
"""

import re
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.store.audio.chunks import Chunk, chunks

MOST_BYTES = 1 << 20
LONGEST_VALUE = 4_000

# LIST-INFO fields with a plain meaning (RIFF 1.0, chapter 2), and the catalogue column each speaks of.
_INFO = {
    "INAM": ("title", "work.title"),
    "IART": ("artist", "player.name"),
    "ICRD": ("creation date", None),
    "IARL": ("archival location", "transfer.archive"),
    "ICMT": ("comment", None),
    "ICOP": ("copyright", None),
    "IENG": ("engineer", "transfer.transferred_by"),
    "ISFT": ("software", None),
    "ISRC": ("source", None),
    "IPRD": ("product", None),
    "IGNR": ("genre", None),
    "IMED": ("medium", None),
    "ITCH": ("technician", "transfer.transferred_by"),
}
_TAGS = {
    "title": "work.title",
    "artist": "player.name",
    "performer": "player.name",
    "composer": "work.composer",
    "isrc": "take.isrc",
    "label": "side.label",
    "organization": "side.label",
    "publisher": "side.label",
    "catalognumber": "side.issue_number",
}
_ID3 = {
    "TIT2": ("title", "work.title"),
    "TPE1": ("artist", "player.name"),
    "TCOM": ("composer", "work.composer"),
    "TSRC": ("isrc", "take.isrc"),
    "TPUB": ("publisher", "side.label"),
    "TDRC": ("recording time", "take.recorded"),
    "TDOR": ("original release time", "side.published"),
    "TALB": ("album", None),
    "TRCK": ("track", None),
    "TKEY": ("initial key", "work.key"),
}
_MP4 = {
    "©nam": ("title", "work.title"),
    "©ART": ("artist", "player.name"),
    "©wrt": ("composer", "work.composer"),
    "©day": ("date", "take.recorded"),
    "©alb": ("album", None),
    "trkn": ("track", None),
}
_LOUDNESS = ("LoudnessValue", "LoudnessRange", "MaxTruePeakLevel", "MaxMomentaryLoudness", "MaxShortTermLoudness")
_RPM = re.compile(r"([0-9]{2,3}(?:[.,][0-9]+)?)\s*(?:rpm|r\.p\.m\.|rev/min|U/min)", re.IGNORECASE)


@dataclass(frozen=True)
class Claim:
    """One statement: where it stands, the field, what it says, and the catalogue column it speaks of."""

    carrier: str
    field: str
    value: str
    about: str | None = None


def read_claims(path: Path) -> list[Claim]:
    """All statements found in the file, in a fixed order; damaged parts are passed over. OSError if unreadable."""
    found: list[Claim] = []
    with path.open("rb") as file:
        for chunk in chunks(file):
            if chunk.name == "bext":
                found.extend(read_bext(chunk.content(file, most=MOST_BYTES)))
            elif chunk.name == "LIST":
                found.extend(_read_info(chunk, chunk.content(file, most=MOST_BYTES)))
    found.extend(_read_tags(path))
    return found


def read_bext(content: bytes) -> list[Claim]:
    """Statements of a broadcast chunk of version 0, 1 or 2; what a short chunk lacks is left out."""
    found: list[Claim] = []

    def say(name: str, value: str, about: str | None = None) -> None:
        if value:
            found.append(Claim("bext", name, value[:LONGEST_VALUE], about))

    for name, start, length in (
        ("Description", 0, 256),
        ("Originator", 256, 32),
        ("OriginatorReference", 288, 32),
        ("OriginationDate", 320, 10),
        ("OriginationTime", 330, 8),
    ):
        # the date is that of the file's own sound, so it speaks of the transfer, never of the recording
        say(
            name,
            _text(content[start : start + length]),
            "transfer.transferred" if name == "OriginationDate" else None,
        )
    if len(content) < 348:
        return found
    low, high, version = struct.unpack_from("<IIH", content, 338)
    say("TimeReference", str((high << 32) + low))
    say("Version", str(version))
    if version >= 1 and len(content) >= 412 and any(content[348:412]):
        say("UMID", content[348:412].hex())
    if version >= 2 and len(content) >= 422:
        for name, hundredths in zip(_LOUDNESS, struct.unpack_from("<5h", content, 412), strict=True):
            if hundredths != 0x7FFF:
                say(name, f"{hundredths / 100:.2f}")
    found.extend(read_coding_history(_text(content[602:])))
    return found


def read_coding_history(text: str) -> list[Claim]:
    """Statements of a coding history: each line as it stands, and a turntable speed where a line names one."""
    found = []
    for number, line in enumerate(re.split(r"\r\n|\n|\r", text), start=1):
        if not line.strip():
            continue
        found.append(Claim("coding_history", f"generation {number}", line.strip()[:LONGEST_VALUE]))
        for part in re.findall(r"(?:^|,)\s*T=(.*)$", line):
            if speed := _RPM.search(part):
                value = speed[1].replace(",", ".")
                found.append(Claim("coding_history", f"rpm of generation {number}", value, "transfer.turntable_rpm"))
    return found


def _read_info(chunk: Chunk, content: bytes) -> list[Claim]:
    if content[:4] != b"INFO":
        return []
    found = []
    place = 4
    while place + 8 <= len(content):
        name = content[place : place + 4].decode("latin-1")
        size = struct.unpack_from("<I", content, place + 4)[0]
        value = _text(content[place + 8 : place + 8 + size])
        meaning, about = _INFO.get(name, (None, None))
        if value:
            label = f"{_printable(name)} ({meaning})" if meaning else _printable(name)
            found.append(Claim("info", label, value[:LONGEST_VALUE], about))
        place += 8 + size + size % 2
    return found


def _read_tags(path: Path) -> list[Claim]:
    import mutagen

    try:
        file = mutagen.File(path)
        tags = None if file is None else file.tags
        if not tags:
            return []
        if hasattr(tags, "getall"):
            return _id3_claims(tags)
        return _keyed_claims(tags) if hasattr(tags, "items") and not isinstance(tags, list) else _comment_claims(tags)
    except Exception:  # mutagen raises many kinds on damaged tags; a damaged tag claims nothing
        return []


def _comment_claims(tags: Any) -> list[Claim]:
    found = []
    for name, value in sorted((str(k).casefold(), str(v)) for k, v in tags):
        if name == "metadata_block_picture" or not value.strip():
            continue
        found.append(Claim("vorbis", _printable(name), _printable(value)[:LONGEST_VALUE], _TAGS.get(name)))
    return found


def _keyed_claims(tags: Any) -> list[Claim]:
    """Tags of MPEG-4 (atoms) and APEv2 (items): names with one or several values."""
    found = []
    for name, values in sorted(tags.items()):
        carrier = "mp4" if type(tags).__name__ == "MP4Tags" else "ape"
        own = str(name).rpartition(":")[2]
        meaning, about = _MP4.get(own, (None, _TAGS.get(own.casefold())))
        label = f"{_printable(own)} ({meaning})" if meaning else _printable(own)
        for value in values if isinstance(values, list) else [values]:
            if isinstance(value, bytes) and len(value) > LONGEST_VALUE:
                continue  # a picture
            text = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
            if text.strip():
                found.append(Claim(carrier, label, _printable(text)[:LONGEST_VALUE], about))
    return found


def _id3_claims(tags: Any) -> list[Claim]:
    found: list[Claim] = []
    for key in sorted(tags):
        frame = tags[key]
        texts = getattr(frame, "text", None)
        if not isinstance(texts, list | tuple):
            continue
        meaning, about = _ID3.get(frame.FrameID, (None, None))
        label = f"{key} ({meaning})" if meaning else str(key)
        found.extend(
            Claim("id3", _printable(label), _printable(str(text))[:LONGEST_VALUE], about) for text in texts if str(text)
        )
    return found


def _text(raw: bytes) -> str:
    """Text of a fixed field: up to the first zero byte; the standard says ASCII, many writers use UTF-8."""
    cut = raw.split(b"\x00", 1)[0]
    try:
        text = cut.decode("utf-8")
    except UnicodeDecodeError:
        text = cut.decode("latin-1")
    return "".join(c for c in text if c.isprintable() or c in "\r\n").strip()


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text).strip()
