"""Walks the chunks of WAV, RF64, BW64, AIFF, W64, CAF and AU files; reads no sound.

Layout: RIFF (IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0, 1991): four
letters, 32-bit size, content padded to even length. RF64 and BW64 (EBU Tech 3306; ITU-R BS.2088): sizes of
0xFFFFFFFF stand for the 64-bit ones in the leading ``ds64`` chunk (riff size, data size, sample count, then a
table of other chunks). AIFF has the same shape, big-endian. W64: names of 16 bytes, sizes of 64 bits that count the
header, padded to eight (Sonic Foundry). CAF: Apple Core Audio Format 1.0. AU: Sun, audio file format, 1992.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from pipeline.store.audio.tags import sound_start

MOST_CHUNKS = 10_000
_BY_DS64 = 0xFFFFFFFF
_W64_RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")


@dataclass(frozen=True)
class Chunk:
    """One chunk: its four letters, where its content begins, the size it states, and what is really there."""

    name: str
    start: int
    size: int
    there: int

    def content(self, file: BinaryIO, *, most: int) -> bytes:
        """The first ``most`` bytes of the content that are there."""
        file.seek(self.start)
        return file.read(min(self.there, most))


def chunks(file: BinaryIO) -> Iterator[Chunk]:
    """Chunks of an open WAV, RF64, BW64 or AIFF file, in their order; none for other files."""
    end = file.seek(0, 2)
    begin = sound_start(file)
    head = _at(file, begin, 12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64", b"FORM"):
        return
    order = ">" if head[:4] == b"FORM" else "<"
    long_sizes: dict[bytes, int] = {}
    place = begin + 12
    for _ in range(MOST_CHUNKS):
        header = _at(file, place, 8)
        if len(header) < 8:
            return
        name, size = header[:4], struct.unpack(f"{order}I", header[4:])[0]
        if name == b"ds64" and not long_sizes:
            long_sizes = _read_ds64(file.read(min(size, end - place - 8, 65_536)))
        if size == _BY_DS64 and name in long_sizes:
            size = long_sizes[name]
        there = max(0, min(size, end - place - 8))
        yield Chunk(name.decode("latin-1"), place + 8, size, there)
        place += 8 + size + size % 2
        if place >= end:
            return
        if size % 2 and not _is_name(_at(file, place, 4)) and _is_name(_at(file, place - 1, 4)):
            place -= 1  # a writer that does not pad


def shortfall(file: BinaryIO) -> str | None:
    """In words, how much sound an open WAV, W64, AIFF, CAF or AU file lacks at its end; None if none.

    A recorder that was cut off leaves a size of 0 or 0xFFFFFFFF without ds64; then the file's end counts.
    """
    end = file.seek(0, 2)
    for chunk in chunks(file):
        if chunk.name not in ("data", "SSND"):
            continue
        if chunk.size != _BY_DS64 and chunk.there < chunk.size:
            return f"{chunk.size - chunk.there:,} of {chunk.size:,} bytes of sound are missing"
        break
    for start, size in _other_data(file):
        if size > 0 and start + size > end:
            return f"{start + size - end:,} of {size:,} bytes of sound are missing"
    return None


def unclaimed(file: BinaryIO) -> int:
    """Bytes behind the sound of a WAV or AIFF file that belong to no chunk.

    More than a whole chunk of sound of them means a size that has run over: 32 bits count to 4 GB.
    """
    end = file.seek(0, 2)
    behind = None
    for chunk in chunks(file):
        if behind is not None and not chunk.name.isprintable():
            return end - behind
        if chunk.name in ("data", "SSND") or behind is not None:
            if chunk.size in (0, _BY_DS64) and chunk.name == "data":
                return 0
            behind = chunk.start + chunk.size + chunk.size % 2
    return max(0, end - behind) if behind is not None else 0


def unclosed(file: BinaryIO) -> bool:
    """Whether a WAV file's sound states no size although there is some: its recorder was cut off."""
    end = file.seek(0, 2)
    return any(
        c.name == "data" and c.size in (0, _BY_DS64) and end > c.start and not _is_name(_at(file, c.start, 4))
        for c in chunks(file)
    )


def _other_data(file: BinaryIO) -> Iterator[tuple[int, int]]:
    """(start, size) of the sound of a W64, CAF or AU file, where the file states them."""
    file.seek(0)
    head = file.read(40)
    if head[:16] == _W64_RIFF:
        place = 40
        while len(name := _at(file, place, 24)) == 24:
            size = int.from_bytes(name[16:], "little")
            if name[:4] == b"data":
                yield place + 24, size - 24
            if size < 24:
                return
            place += size + -size % 8
    elif head[:4] == b"caff":
        place = 8
        while len(name := _at(file, place, 12)) == 12:
            size = int.from_bytes(name[4:], "big", signed=True)
            if size < 0:
                return
            if name[:4] == b"data":
                yield place + 12, size
            place += 12 + size
    elif head[:4] == b".snd" and (size := int.from_bytes(head[8:12], "big")) != _BY_DS64:
        yield int.from_bytes(head[4:8], "big"), size


def _is_name(letters: bytes) -> bool:
    return len(letters) == 4 and all(32 <= letter < 127 for letter in letters)


def _at(file: BinaryIO, place: int, count: int) -> bytes:
    """Bytes at a place; none where a lying size leads beyond all files."""
    if not 0 <= place < 1 << 40:
        return b""
    file.seek(place)
    return file.read(count)


def _read_ds64(content: bytes) -> dict[bytes, int]:
    if len(content) < 24:
        return {}
    sizes = {b"data": struct.unpack_from("<Q", content, 8)[0]}
    if len(content) >= 28:
        count = struct.unpack_from("<I", content, 24)[0]
        for number in range(min(count, (len(content) - 28) // 12)):
            name, size = struct.unpack_from("<4sQ", content, 28 + 12 * number)
            sizes[name] = size
    return sizes
