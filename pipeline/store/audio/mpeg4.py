"""Whether MPEG-4 files (boxes: ISO/IEC 14496-12, 4.2) and bare AAC (frames of ADTS: 13818-7, 6.2) are whole."""

from typing import BinaryIO

from pipeline.store.audio.tags import sound_span

_MOST_BOXES = 100_000


def boxes_shortfall(file: BinaryIO) -> str | None:
    """In words, what an open MPEG-4 file lacks at its end; None if nothing."""
    file.seek(0, 2)
    end = file.tell()
    place, names = 0, set()
    for _ in range(_MOST_BOXES):
        if place >= end:
            break
        file.seek(place)
        head = file.read(16)
        if len(head) < 8 or not head[4:8].isalnum():
            break  # a tag or padding behind the boxes is no fault
        size = int.from_bytes(head[:4], "big")
        if size == 1:
            size = int.from_bytes(head[8:16], "big")
        size = size or end - place
        names.add(head[4:8])
        if size < 8:
            break
        if place + size > end:
            return f"{place + size - end:,} of {size:,} bytes of its part {head[4:8].decode('ascii')!r} are missing"
        place += size
    return None if b"moov" in names else "its table of contents (moov) is missing"


def adts_frames(file: BinaryIO) -> tuple[int, str | None]:
    """Number of whole ADTS frames of an open file, and in words what the last lacks; None if nothing."""
    start, end = sound_span(file)
    file.seek(start)
    data = file.read(end - start)
    place = count = 0
    while place + 7 <= len(data):
        if data[place] != 0xFF or data[place + 1] & 0xF6 != 0xF0:
            return count, None
        size = (data[place + 3] & 3) << 11 | data[place + 4] << 3 | data[place + 5] >> 5
        if size < 7:
            return count, None
        if place + size > len(data):
            return count, "its last frame is not whole"
        place += size
        count += 1
    return count, "its last frame is not whole" if 0 < len(data) - place < 7 else None
