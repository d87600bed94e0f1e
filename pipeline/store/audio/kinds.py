"""Kinds of audio files: told by their first bytes, never by their name alone."""

from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from pipeline.store.audio import chunks, mpeg4
from pipeline.store.audio.ogg import Pages
from pipeline.store.audio.tags import sound_start

SUFFIXES = (
    *(".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".au", ".snd"),
    *(".flac", ".ogg", ".oga", ".opus", ".mp3", ".mp2", ".mpga", ".m4a", ".m4b", ".mp4", ".aac", ".adts"),
    *(".wv", ".ape", ".tta", ".wma", ".mka", ".mkv", ".webm", ".mov"),
)
"""Endings by which files in a folder are taken for sound."""

CONVERT = "convert it to WAV or FLAC with the program that made it"

# First bytes of files that libsndfile does not read, and their names; those of the second list nothing here reads.
_CODED = (
    (4, b"ftyp", "MPEG-4 audio"),
    (4, b"moov", "MPEG-4 audio"),
    (4, b"mdat", "MPEG-4 audio"),
    (0, b"ADIF", "AAC"),
    (0, b"\x30\x26\xb2\x75", "Windows Media audio"),
    (0, b"wvpk", "WavPack"),
    (0, b"MAC ", "Monkey's Audio"),
    (0, b"TTA1", "True Audio"),
    (0, b"\x1a\x45\xdf\xa3", "Matroska"),
    (0, b"#!AMR", "AMR"),
    (0, b"DSD ", "DSD"),
    (0, b"FRM8", "DSD"),
)
_PLAIN = (b"RIFF", b"RF64", b"BW64", b"FORM", b"riff", b"fLaC", b"OggS", b"caff", b".snd")


@dataclass(frozen=True)
class Kind:
    """``coded``: the decoder of coded audio must read it; ``name`` is said where it cannot."""

    name: str
    coded: bool


def kind_of(file: BinaryIO) -> Kind | None:
    """The kind of an open file; None for MPEG audio without anything that tells, and for what is no sound."""
    file.seek(sound_start(file))
    head = file.read(16)
    for offset, magic, name in _CODED:
        if head[offset : offset + len(magic)] == magic:
            return Kind(name, coded=True)
    if len(head) > 1 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0:
        return Kind("AAC", coded=True)
    return next(
        (Kind(magic.decode().strip(".").upper(), coded=False) for magic in _PLAIN if head.startswith(magic)), None
    )


def is_audio(path: Path) -> bool:
    """Whether a file is taken for sound: by its ending, else by its first bytes."""
    if path.suffix.casefold() in SUFFIXES:
        return True
    try:
        with path.open("rb") as file:
            kind = kind_of(file)
    except OSError:
        return False
    return kind is not None


def shortfall(file: BinaryIO, kind: Kind | None, pages: Pages | None) -> str | None:
    """In words, what is missing at the end of an open file; None if nothing, or if only decoding can tell."""
    if pages is not None:
        return pages.shortfall
    if kind is None:
        return None
    if kind.name == "MPEG-4 audio":
        return mpeg4.boxes_shortfall(file)
    if kind.name == "AAC":
        return mpeg4.adts_frames(file)[1]
    return chunks.shortfall(file)
