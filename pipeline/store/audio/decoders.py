"""Decodes an audio file of any kind so that every sample of it is read once, in order, or the reason is said.

libsndfile reads what it reads exactly (WAV, RF64, W64, AIFF, CAF, AU, FLAC, Vorbis, Opus, MP3 whose frames we have
counted); codecpod, a build of FFmpeg, the rest (AAC and ALAC in MPEG-4, bare AAC, FLAC that tells no length, WAV whose
size was never written, and kinds that are rare among transfers). MPEG frames reach the decoder without what lies
between them, links of an Ogg chain one by one.
"""

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from pipeline.errors import AudioError
from pipeline.store.audio import chunks, mpeg_frames, ogg
from pipeline.store.audio.kinds import CONVERT, Kind, kind_of, shortfall
from pipeline.store.audio.quiet import quiet
from pipeline.store.audio.spliced import Spliced
from pipeline.store.audio.tags import sound_start

BLOCK_FRAMES = 1 << 18
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 192_000
_UNKNOWN_FRAMES = 1 << 62
_TELL_LENGTH = ("MPEG-4 audio", "WavPack", "Monkey's Audio", "True Audio")  # the others' lengths are estimates
_MOST_MISSING = 4_096  # two frames of AAC with band replication: what encoders put before and behind the sound
_COPY = "copy the file again from its source"
_UNCLOSED = "states no size of its sound, as a recorder leaves it that was cut off: read to its end"
_UNMARKED = "lacks the mark of its last page, as live streams do: read to its end"
Block = npt.NDArray[np.float32]


@dataclass(frozen=True)
class SoundInfo:
    """What a file says of its own form; ``remarks`` are in words: odd, but no sample is lost by it."""

    sample_rate_hz: int
    channels: int
    frames: int
    container: str
    coding: str
    remarks: tuple[str, ...] = ()

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz


class Source(Protocol):
    """An open file."""

    @property
    def info(self) -> SoundInfo:
        """Its form."""

    def blocks(self, first: int, last: int) -> Iterator[Block]:
        """Samples ``first`` to ``last``, shape (n, channels), n at most ``BLOCK_FRAMES``; fewer if they end early."""


@contextmanager
def opened(path: Path, *, whole: bool = True) -> Iterator[Source]:
    """The file, opened for reading; not ``whole`` to learn its form alone.

    Raises
    ------
    AudioError
        If it is not there, may not be read, is empty, cut short, of no kind that can be decoded, or of a rate outside
        8 to 192 kHz.
    """
    refuse_unreadable(path)
    with ExitStack() as stack:
        source = _source(path, stack)
        if whole and isinstance(source, _Coded):
            source.decode()
        info = source.info
        if not LOWEST_RATE_HZ <= info.sample_rate_hz <= HIGHEST_RATE_HZ:
            raise AudioError(
                f"has a sample rate of {info.sample_rate_hz} Hz", "8 to 192 kHz can be used", where=path.name
            )
        if info.frames <= 0:
            raise AudioError("holds no samples", _COPY, where=path.name)
        yield source


def refuse_unreadable(path: Path) -> None:
    """Raises AudioError if the file is not there, no file, empty, or may not be read."""
    try:
        if not path.exists():
            raise AudioError(
                "there is no such file", "mend the path in transfer.csv or bring the file back", where=path.name
            )
        if not path.is_file():
            raise AudioError("is not a file", "mend the path in transfer.csv", where=path.name)
        if path.stat().st_size == 0:
            raise AudioError("is empty", _COPY, where=path.name)
        with path.open("rb") as file:
            file.read(1)
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno else str(error)
        raise AudioError(
            f"cannot be read ({reason.lower()})", "give yourself the right to read it", where=path.name
        ) from error


def _source(path: Path, stack: ExitStack) -> Source:
    with path.open("rb") as file:
        kind = kind_of(file)
        pages = ogg.read_pages(file) if kind is not None and kind.name == "OGGS" else None
        missing = shortfall(file, kind, pages)
        if missing is not None:
            raise AudioError(f"is cut short: {missing}", _COPY, where=path.name)
        _refuse_run_over(path, file)
        unclosed = chunks.unclosed(file)
        frames = mpeg_frames.find_frames(file) if kind is None else None
    if kind is not None and (kind.coded or unclosed):
        return _Coded(path, kind, (_UNCLOSED,) if unclosed else ())
    if frames is not None:
        return _mpeg(path, frames, stack)
    if pages is not None:
        links = [Spliced(path, [link]) for link in pages.links]
        return _Plain(path, links, stack, () if pages.marked else (_UNMARKED,))
    source = _Plain(path, [path], stack, ())
    return source if source.info.frames < _UNKNOWN_FRAMES else _Coded(path, Kind(source.info.container, True), ())


def _refuse_run_over(path: Path, file: Any) -> None:
    """A size of 32 bits counts to 4 GB and then begins anew; what lies beyond would be lost without a word."""
    beyond = chunks.unclaimed(file)
    sound = next((c.size for c in chunks.chunks(file) if c.name in ("data", "SSND")), 0)
    if beyond > max(sound, 1 << 20):
        raise AudioError(
            f"says that {sound:,} bytes are sound, but {beyond:,} bytes follow that belong to nothing: "
            "its header is wrong (32 bits count to 4 GB)",
            "save it anew as RF64, or open it as raw data",
            where=path.name,
        )


def _mpeg(path: Path, frames: mpeg_frames.Frames, stack: ExitStack) -> Source:
    rate = frames.first.rate_hz
    if frames.stated is not None and frames.stated > frames.count + 1:
        there, stated = (n * frames.first.samples / rate for n in (frames.count, frames.stated))
        raise AudioError(f"is cut short: {there:.1f} s are there of {stated:.1f} s", _COPY, where=path.name)
    if frames.cut:
        raise AudioError(f"is cut short: its last frame lacks {frames.cut:,} bytes", _COPY, where=path.name)
    remarks = (f"holds {frames.between:,} bytes between its frames that are no sound",) if frames.between else ()
    if frames.first.layer < 3:
        return _Coded(path, Kind("MPEG audio", True), remarks)
    told = frames.header is not None and frames.stated is not None and abs(frames.stated - frames.count) <= 1
    if told and frames.header is not None and not frames.vbri:
        file = Spliced(path, [frames.header, *frames.spans])
    else:
        file = Spliced(path, frames.spans, before=mpeg_frames.counted_header(frames))
    source = _Plain(path, [file], stack, remarks)
    if abs(source.info.frames - frames.samples) > 4 * frames.first.samples:
        raise AudioError(
            f"holds {frames.samples:,} samples by its frames, {source.info.frames:,} by its decoder",
            f"{CONVERT}",
            where=path.name,
        )
    return source


class _Plain:
    """One file, or several one behind the other, read by libsndfile."""

    def __init__(self, path: Path, files: list[Any], stack: ExitStack, remarks: tuple[str, ...]) -> None:
        import soundfile

        self._path = path
        self._files = []
        for file in files:
            if isinstance(file, Spliced):
                stack.callback(file.close)
            try:
                with quiet():
                    self._files.append(stack.enter_context(soundfile.SoundFile(file)))
            except (soundfile.LibsndfileError, RuntimeError, TypeError) as error:
                raise AudioError(*_why_not(path, str(error)), where=path.name) from error
        first = self._files[0]
        alike = {(file.samplerate, file.channels) for file in self._files}
        if len(alike) > 1:
            raise AudioError("holds recordings of several rates or channels", "make a file of each", where=path.name)
        if len(self._files) > 1:
            remarks = (*remarks, f"holds {len(self._files)} recordings one behind the other, read as one")
        count = sum(file.frames for file in self._files)
        self.info = SoundInfo(first.samplerate, first.channels, count, first.format, first.subtype, remarks)

    def blocks(self, first: int, last: int) -> Iterator[Block]:
        """Samples ``first`` to ``last``."""
        import soundfile

        before = 0
        for file in self._files:
            start, end = max(first - before, 0), min(last - before, file.frames)
            before += file.frames
            if start >= end:
                continue
            while start < end:
                try:
                    with quiet():
                        if file.tell() != start:
                            file.seek(start)
                        block = file.read(min(BLOCK_FRAMES, end - start), dtype="float32", always_2d=True)
                except (soundfile.LibsndfileError, RuntimeError) as error:
                    reason = str(error).rstrip(". ").rpartition(": ")[2] or "its coding breaks off"
                    raise AudioError(f"is cut short or damaged ({reason})", _COPY, where=self._path.name) from error
                if len(block) == 0:
                    return
                start += len(block)
                yield block


class _Coded:
    """A file decoded whole, since its decoder does not go to a place in it to the sample."""

    def __init__(self, path: Path, kind: Kind, remarks: tuple[str, ...]) -> None:
        self._path, self._kind = path, kind
        try:
            import codecpod
        except ImportError as error:
            raise AudioError(
                f"is {kind.name}, for which there is no decoder on this kind of machine", CONVERT, where=path.name
            ) from error
        self._decoder = codecpod
        self._samples: Block | None = None
        try:
            said = codecpod.info(path)
        except codecpod.CodecpodError as error:
            raise AudioError(*_why_not(path, str(error)), where=path.name) from error
        coding = (said.codec or "unknown").upper()
        self.info = SoundInfo(said.sample_rate, said.channels, said.frames or 0, kind.name, coding, remarks)
        if not said.frames or kind.name not in _TELL_LENGTH:
            self.decode()

    def blocks(self, first: int, last: int) -> Iterator[Block]:
        """Samples ``first`` to ``last``."""
        samples = self.decode()
        for start in range(first, min(last, len(samples)), BLOCK_FRAMES):
            yield samples[start : min(start + BLOCK_FRAMES, last)]

    def decode(self) -> Block:
        """All samples; what they turn out to be stands in ``info``."""
        if self._samples is None:
            try:
                buffer: Any = self._decoder.load(self._path, channels_first=False, return_buffer=True)
            except self._decoder.CodecpodError as error:
                raise AudioError(f"is cut short or damaged ({error})", _COPY, where=self._path.name) from error
            samples, rate = buffer.samples, buffer.sample_rate
            if self._kind.name in _TELL_LENGTH and len(samples) < self.info.frames - _MOST_MISSING:
                there, stated = len(samples) / rate, self.info.length_s
                raise AudioError(
                    f"is cut short: {there:.1f} s are there of {stated:.1f} s", _COPY, where=self._path.name
                )
            self._samples = np.asarray(samples.reshape(len(samples), -1), dtype=np.float32)
            self.info = replace(self.info, sample_rate_hz=rate, frames=len(samples), channels=self._samples.shape[1])
        return self._samples


def _why_not(path: Path, said: str) -> tuple[str, str]:
    with path.open("rb") as file:
        kind = kind_of(file)
        file.seek(sound_start(file))
        mpeg_sync = file.read(2)[:1] == b"\xff"
    if kind is not None and kind.coded:
        return f"is {kind.name}, damaged or of a coding that cannot be decoded here", CONVERT
    if kind is not None or mpeg_sync:
        return f"is damaged or of an unsupported coding ({said.rstrip('. ').rpartition(': ')[2]})", CONVERT
    return "is not an audio file that can be decoded", "use WAV, FLAC, AIFF, Ogg, MP3 or M4A"
