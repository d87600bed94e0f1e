"""Walks the chunks of WAV, RF64, BW64 and AIFF files, and looks for the last page of Ogg files; reads no sound.

Layout: RIFF (IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0, 1991): four
letters, 32-bit size, content padded to even length. RF64 and BW64 (EBU Tech 3306; ITU-R BS.2088): sizes of
0xFFFFFFFF stand for the 64-bit ones in the leading ``ds64`` chunk (riff size, data size, sample count, then a
table of other chunks). AIFF has the same shape, big-endian. Ogg pages: RFC 3533, section 6.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

MOST_CHUNKS = 10_000
_BY_DS64 = 0xFFFFFFFF


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
    file.seek(0, 2)
    end = file.tell()
    file.seek(0)
    head = file.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64", b"FORM"):
        return
    order = ">" if head[:4] == b"FORM" else "<"
    long_sizes: dict[bytes, int] = {}
    place = 12
    for _ in range(MOST_CHUNKS):
        file.seek(place)
        header = file.read(8)
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


def shortfall(path: Path) -> str | None:
    """In words, how much sound is missing at the end of a WAV, AIFF or Ogg file; None if none, or for other files.

    A recorder that was cut off leaves a size of 0 or 0xFFFFFFFF without ds64; then the file's end counts.
    """
    with path.open("rb") as file:
        if file.read(4) == b"OggS":
            return _ogg_shortfall(file)
        for chunk in chunks(file):
            if chunk.name in ("data", "SSND") and chunk.size != _BY_DS64 and chunk.there < chunk.size:
                return f"{chunk.size - chunk.there:,} of {chunk.size:,} bytes of sound are missing"
    return None


def _ogg_shortfall(file: BinaryIO) -> str | None:
    """Whether the last page is whole and marked as the last."""
    file.seek(0, 2)
    end = file.tell()
    file.seek(max(0, end - 70_000))  # a page has at most 65,307 bytes
    tail = file.read()
    page = tail.rfind(b"OggS")
    whole = len(tail) >= page + 27 and len(tail) >= page + 27 + tail[page + 26]
    if page < 0 or not whole or not tail[page + 5] & 4:
        return "its last page is missing"
    length = 27 + tail[page + 26] + sum(tail[page + 27 : page + 27 + tail[page + 26]])
    return None if len(tail) >= page + length else "its last page is not whole"


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
