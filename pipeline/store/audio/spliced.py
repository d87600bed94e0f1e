"""Parts of a file as one file, so that a decoder sees the sound alone: no tags, no neighbours, a right header."""

import io
from collections.abc import Sequence
from pathlib import Path


class Spliced(io.RawIOBase):
    """A few bytes of our own, then spans (start, end) of a file, one behind the other; for reading."""

    def __init__(self, path: Path, spans: Sequence[tuple[int, int]], *, before: bytes = b"") -> None:
        super().__init__()
        self._file = path.open("rb")
        self._before = before
        self._spans: list[tuple[int, int, int]] = []  # where it begins here, start and end in the file
        place = len(before)
        for start, end in spans:
            self._spans.append((place, start, end))
            place += end - start
        self._length = place
        self._place = 0
        self._span = 0

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def tell(self) -> int:
        """Place from the beginning."""
        return self._place

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Goes to a place as files do; never before the beginning."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._place, io.SEEK_END: self._length}[whence]
        self._place = max(0, base + offset)
        self._span = 0
        return self._place

    def readinto(self, buffer: object) -> int:
        """Fills the buffer as far as the bytes go; 0 at the end."""
        view = memoryview(buffer).cast("B")  # type: ignore[arg-type]
        done = 0
        while done < len(view):
            piece = self._piece(len(view) - done)
            if not piece:
                break
            view[done : done + len(piece)] = piece
            done += len(piece)
            self._place += len(piece)
        return done

    def _piece(self, most: int) -> bytes:
        if self._place < len(self._before):
            return self._before[self._place : self._place + most]
        while self._span < len(self._spans):
            place, start, end = self._spans[self._span]
            inside = start + self._place - place
            if inside < end:
                self._file.seek(inside)
                return self._file.read(min(most, end - inside))
            self._span += 1
        return b""

    def close(self) -> None:
        """Closes the file beneath."""
        self._file.close()
        super().close()
