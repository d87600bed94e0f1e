"""Frames of MPEG audio (MP3 and its elders), counted one by one: a file may tell no length, or a wrong one.

Frame header: ISO/IEC 11172-3, 2.4.1.3, and 13818-3, 2.4.2.3 (half the rates; ``MPEG-2.5``, a common extension,
halves them again). A frame has ``samples / 8 * bitrate / rate`` bytes, and one slot more if padded. The first
frame of most files holds no sound but a header: ``Xing`` or ``Info`` behind the side information (flags, then the
number of frames), or ``VBRI`` 32 bytes behind the frame header (number of frames 14 bytes on).
"""

from dataclasses import dataclass
from typing import BinaryIO

from pipeline.store.audio.tags import sound_span

_BITRATES = {
    (1, 1): (0, 32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448),
    (1, 2): (0, 32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384),
    (1, 3): (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    (2, 1): (0, 32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256),
    (2, 2): (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
_BITRATES[2, 3] = _BITRATES[2, 2]
_RATES = (44_100, 48_000, 32_000)
_LONGEST_FREE = 8_192
"""Bytes of a frame of free bitrate: at most 320 kbit/s at 32 kHz for decoders must read no more; twice that here."""


@dataclass(frozen=True)
class Head:
    """What a frame header says; ``size`` in bytes is 0 where the bitrate is free."""

    version: int
    layer: int
    rate_hz: int
    channels: int
    samples: int
    size: int
    side_bytes: int
    padded: int


@dataclass(frozen=True)
class Frames:
    """The frames of a file.

    Attributes
    ----------
    count : frames with sound that are whole.
    spans : where they lie in the file, as (start, end); more than one where something else lies between.
    stated : number of frames that the file's own header tells, None without one.
    header : the file's own header frame as (start, end), None without one; it is in no span.
    vbri : whether that header is of the rarer kind, which decoders pass over.
    cut : bytes that the last frame lacks.
    between : bytes between frames that are neither frames nor tags.
    """

    first: Head
    first_bytes: bytes
    count: int
    spans: tuple[tuple[int, int], ...]
    stated: int | None
    header: tuple[int, int] | None
    vbri: bool
    cut: int
    between: int

    @property
    def samples(self) -> int:
        """Samples of each channel that the frames hold."""
        return self.count * self.first.samples


def read_head(head: bytes) -> Head | None:
    """Reads the four bytes of a frame header; None if they are none."""
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE0 != 0xE0:
        return None
    version_bits, layer_bits = head[1] >> 3 & 3, head[1] >> 1 & 3
    bitrate, rate_bits = head[2] >> 4, head[2] >> 2 & 3
    if version_bits == 1 or layer_bits == 0 or bitrate == 15 or rate_bits == 3:
        return None
    version = 1 if version_bits == 3 else 2
    layer = 4 - layer_bits
    rate = _RATES[rate_bits] // {3: 1, 2: 2, 0: 4}[version_bits]
    samples = 384 if layer == 1 else 576 if layer == 3 and version == 2 else 1152
    channels = 1 if head[3] >> 6 == 3 else 2
    padded = head[2] >> 1 & 1
    bits = _BITRATES[version, layer][bitrate] * 1000
    slot = 4 if layer == 1 else 1
    size = (samples // 8 // slot * bits // rate + padded) * slot if bits else 0
    side = (17, 32) if version == 1 else (9, 17)
    return Head(version, layer, rate, channels, samples, size, side[channels - 1], padded)


def find_frames(file: BinaryIO) -> Frames | None:
    """Counts the frames of an open file; None if it does not hold two that follow each other."""
    start, end = sound_span(file)
    file.seek(start)
    data = file.read(end - start)
    place = _next_frame(data, 0, None)
    if place is None:
        return None
    first = read_head(data[place : place + 4])
    assert first is not None  # for type checkers: _next_frame gives places of heads
    free = _free_size(data, place, first)
    header, stated = _own_header(data, place, first)
    first_bytes = data[place : place + 4]
    where, vbri = None, data[place + 36 : place + 40] == b"VBRI"
    if header:
        where = (start + place, start + place + header)
        place += header
    spans: list[tuple[int, int]] = []
    count = cut = between = 0
    begun = place
    while place < len(data):
        head = read_head(data[place : place + 4])
        size = 0 if head is None or not _alike(head, first) else head.size or free + head.padded
        if size and place + size <= len(data):
            count += 1
            place += size
            continue
        if place > begun:
            spans.append((start + begun, start + place))
        if size:
            follows = _next_frame(data, place + 4, first)
            if follows is None:
                cut = place + size - len(data)
                break
        found = _next_frame(data, place + 1, first)
        rest = data[place : len(data) if found is None else found]
        if rest.strip(b"\0") and not rest.startswith((b"ID3", b"TAG", b"APETAGEX", b"LYRICSBEGIN")):
            between += len(rest)
        if found is None:
            begun = place = len(data)
            break
        begun = place = found
    else:
        if place > begun:
            spans.append((start + begun, start + place))
    return Frames(first, first_bytes, count, tuple(spans), stated, where, vbri, cut, between) if count else None


def counted_header(frames: Frames) -> bytes:
    """A frame that holds no sound but tells how many frames follow, alike in form to those of the file."""
    head = bytearray(frames.first_bytes)
    head[1] |= 1  # no checksum
    head[2] = head[2] & 0x0D | 9 << 4  # a bitrate at which the frame holds the header, not padded
    told = read_head(bytes(head))
    assert told is not None  # for type checkers
    body = bytearray(told.size)
    body[:4] = head
    at = 4 + told.side_bytes
    body[at : at + 12] = b"Info" + (1).to_bytes(4, "big") + frames.count.to_bytes(4, "big")
    return bytes(body)


def _alike(head: Head, other: Head) -> bool:
    return (head.version, head.layer, head.rate_hz) == (other.version, other.layer, other.rate_hz)


def _next_frame(data: bytes, place: int, like: Head | None) -> int | None:
    """Where the next frame begins that another follows; alike to ``like`` if one is given."""
    while (place := data.find(b"\xff", place)) >= 0:
        head = read_head(data[place : place + 4])
        if head is not None and (like is None or _alike(head, like)):
            size = head.size or _free_size(data, place, head) + head.padded
            follower = read_head(data[place + size : place + size + 4])
            if size > 4 and follower is not None and _alike(follower, head):
                return place
            if like is not None and size > 4 and place + size == len(data):
                return place
        place += 1
    return None


def _free_size(data: bytes, place: int, first: Head) -> int:
    """Bytes of an unpadded frame of free bitrate: the distance to the next alike header, padding taken off."""
    if first.size:
        return 0
    wanted = data[place : place + 2]
    at = place + 4
    while (at := data.find(wanted, at, place + _LONGEST_FREE)) >= 0:
        head = read_head(data[at : at + 4])
        if head is not None and head.size == 0 and _alike(head, first):
            size = at - place - first.padded
            further = read_head(data[at + size + head.padded : at + size + head.padded + 4])
            if further is None or _alike(further, first):
                return size
        at += 1
    return 0


def _own_header(data: bytes, place: int, first: Head) -> tuple[int, int | None]:
    """Bytes of the file's header frame (0 if it has none), and the number of frames that it tells."""
    frame = data[place : place + first.size]
    for at in (4 + first.side_bytes, 6 + first.side_bytes):  # behind a checksum of two bytes, where there is one
        if frame[at : at + 4] in (b"Xing", b"Info"):
            told = int.from_bytes(frame[at + 8 : at + 12], "big") if frame[at + 7] & 1 else None
            return first.size, told
    if frame[36:40] == b"VBRI":
        return first.size, int.from_bytes(frame[50:54], "big")
    return 0, None
