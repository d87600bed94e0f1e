"""How many bytes of a file are tags before and behind its sound.

ID3v2: id3.org, ID3 tag version 2.4.0, sections 3.1 and 3.4 (sizes of seven bits a byte; a footer counts ten more).
ID3v1: 128 bytes from ``TAG``. APEv2: 32 bytes of header or footer, size little-endian at byte 12 without the header.
Lyrics3 v2: ``LYRICS200`` after six digits of size.
"""

from typing import BinaryIO


def sound_span(file: BinaryIO) -> tuple[int, int]:
    """Where the sound begins and ends when tags of every kind, one behind the other, are left out."""
    end = _end(file, file.seek(0, 2))
    return sound_start(file), end


def sound_start(file: BinaryIO) -> int:
    """Where what is not an ID3v2 or APEv2 tag begins."""
    place, end = 0, file.seek(0, 2)
    while True:
        if place >= end:
            return 0  # a tag that reaches to the end leaves no sound, or lies
        file.seek(place)
        head = file.read(32)
        if head[:3] == b"ID3" and len(head) >= 10 and not any(byte & 0x80 for byte in head[6:10]):
            size = head[6] << 21 | head[7] << 14 | head[8] << 7 | head[9]
            place += 10 + size + (10 if head[5] & 0x10 else 0)
        elif head[:8] == b"APETAGEX" and len(head) == 32:
            place += 32 + int.from_bytes(head[12:16], "little")
        else:
            return place


def _end(file: BinaryIO, end: int) -> int:
    while True:
        file.seek(max(0, end - 128))
        last = file.read(min(end, 128))
        if len(last) == 128 and last[:3] == b"TAG":
            end -= 128
        elif len(last) >= 32 and last[-32:-24] == b"APETAGEX":
            size, flags = int.from_bytes(last[-20:-16], "little"), int.from_bytes(last[-12:-8], "little")
            end -= size + (32 if flags & 0x80000000 else 0)
        elif last[-9:] == b"LYRICS200" and last[-15:-9].isdigit():
            end -= int(last[-15:-9]) + 15
        elif len(last) >= 10 and last[-10:-7] == b"3DI":
            size = last[-4] << 21 | last[-3] << 14 | last[-2] << 7 | last[-1]
            end -= size + 20
        else:
            return max(end, 0)
        if end <= 0:
            return 0
