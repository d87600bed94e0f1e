"""Pages of Ogg files (RFC 3533, section 6): where each link of a chain lies, and whether the last page is whole."""

from dataclasses import dataclass
from typing import BinaryIO

from pipeline.store.audio.tags import sound_start

_BEGINS, _ENDS = 2, 4
_MOST_SKIPPED = 1 << 20


@dataclass(frozen=True)
class Pages:
    """What the pages of a file say.

    Attributes
    ----------
    links : (start, end) of each link: recordings one behind the other in one file.
    shortfall : in words, what is missing at the end; None if nothing is.
    marked : whether the last page is marked as the last; live streams lack that.
    """

    links: tuple[tuple[int, int], ...]
    shortfall: str | None
    marked: bool


def read_pages(file: BinaryIO) -> Pages | None:
    """Walks the pages of an open file; None if it holds none."""
    file.seek(0, 2)
    end = file.tell()
    place = sound_start(file)
    starts: list[int] = []
    last, beginning, marked = place, False, False
    while place < end:
        file.seek(place)
        head = file.read(27 + 255)
        if head[:4] != b"OggS":
            found = _next_page(file, place)
            if found is None:
                break
            place = found
            continue
        segments = head[26] if len(head) > 26 else 256
        length = 27 + segments + sum(head[27 : 27 + segments])
        if len(head) < 27 + segments or place + length > end:
            return Pages(_links(starts, place), "its last page is not whole", False)
        begins = bool(head[5] & _BEGINS)
        if begins and not beginning:  # several streams of one link begin on neighbouring pages
            starts.append(place)
        beginning, marked = begins, bool(head[5] & _ENDS)
        place += length
        last = place
    return Pages(_links(starts, last), None, marked) if starts else None


def _links(starts: list[int], end: int) -> tuple[tuple[int, int], ...]:
    return tuple(zip(starts, [*starts[1:], end], strict=True)) if starts else ()


def _next_page(file: BinaryIO, place: int) -> int | None:
    file.seek(place + 1)
    at = file.read(_MOST_SKIPPED).find(b"OggS")
    return None if at < 0 else place + 1 + at
