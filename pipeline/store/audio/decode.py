"""Decodes and hashes audio files; never writes to them.

Samples are float32, which holds 16- and 24-bit integers exactly, so that the same recording as WAV and as
FLAC has the same samples and the same hash. One block of frames is in memory beside the result.
"""

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.errors import AudioError
from pipeline.store.audio.chunks import shortfall

BLOCK_FRAMES = 1 << 18
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 192_000
SUFFIXES = (".wav", ".wave", ".bwf", ".rf64", ".flac", ".aif", ".aiff", ".ogg", ".oga", ".mp3")
CHANNEL_RULES = ("sum", "difference", "left", "right")

SILENT_PEAK = 2.0**-15
"""A file that never exceeds half a step of 14 bits carries no recording."""
CLIPPED_SHARE = 0.2
"""Share of samples at the very peak from which a file counts as clipped throughout (a pure sine has 0.03)."""

# First bytes of kinds of file that are sound but that we cannot decode.
_OTHER_KINDS = (
    (4, b"ftyp", "MPEG-4 audio (m4a, aac, alac)"),
    (0, b"\x30\x26\xb2\x75", "Windows Media audio"),
    (0, b"wvpk", "WavPack"),
    (0, b"MAC ", "Monkey's Audio"),
    (0, b"DSD ", "DSD"),
    (0, b"FRM8", "DSD"),
    (0, b"\x1a\x45\xdf\xa3", "Matroska"),
    (0, b"#!AMR", "AMR"),
    (0, b"ADIF", "AAC"),
)
_CONVERT = "convert it to WAV or FLAC with the program that made it"


@dataclass(frozen=True)
class SoundInfo:
    """What a file says of its own form, without decoding it."""

    sample_rate_hz: int
    channels: int
    frames: int
    container: str
    coding: str

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz


def sound_info(path: Path) -> SoundInfo:
    """Form of the file.

    Raises
    ------
    AudioError
        If it is not there, may not be read, is empty, or is no audio that we can decode.
    """
    with _opened(path) as file:
        return _info(file)


def read_sound(
    path: Path, *, channel_rule: str, start_s: float | None = None, end_s: float | None = None
) -> tuple[npt.NDArray[np.float32], int]:
    """Samples of a span of the file as one channel, and their rate in Hz.

    Parameters
    ----------
    channel_rule : ``sum`` (half of left plus right), ``difference`` (half of left minus right), ``left`` or
        ``right``; of no effect on a file with one channel.
    start_s, end_s : span in seconds of the file; None for its beginning or end.

    Returns
    -------
    samples : float32, shape (n,)
    sample_rate_hz : int

    Raises
    ------
    AudioError
        If the file is not there, may not be read, is empty, cut short, no audio, of an unknown coding, of a
        rate outside 8 to 192 kHz, or has NaN samples; if the span lies outside it, or the rule does not fit.
    """
    if channel_rule not in CHANNEL_RULES:
        raise AudioError(f"{path.name}: channel rule {channel_rule!r}; use one of {', '.join(CHANNEL_RULES)}")
    with _opened(path) as file:
        info = _info(file)
        if info.channels > 2 and channel_rule in ("sum", "difference"):
            raise AudioError(
                f"{path.name}: has {info.channels} channels, so {channel_rule} is not clear; "
                "make a file of the two channels meant, or use left or right (first or second channel)"
            )
        first, last = _span(path, info, start_s, end_s)
        samples = np.empty(last - first, dtype=np.float32)
        file.seek(first)
        done = 0
        for block in _blocks(path, file, last - first):
            samples[done : done + len(block)] = _one_channel(block, channel_rule)
            done += len(block)
    if done < len(samples):
        raise _cut_short(path, info, first + done)
    if not np.isfinite(np.sum(samples, dtype=np.float64)):
        bad = int(np.argmin(np.isfinite(samples)))
        raise AudioError(
            f"{path.name}: holds a sample that is not a number at {(first + bad) / info.sample_rate_hz:.3f} s; "
            "export it again from the program that made it"
        )
    return samples, info.sample_rate_hz


def check_usable(samples: npt.NDArray[np.float32], *, sample_rate_hz: int, shortest_s: float, name: str) -> None:
    """Refuses samples in which nothing can be measured.

    Raises
    ------
    AudioError
        If they are shorter than ``shortest_s``, silent, or clipped throughout.
    """
    length_s = len(samples) / sample_rate_hz
    if length_s < shortest_s:
        raise AudioError(f"{name}: lasts {length_s:.2f} s, too short to measure; at least {shortest_s:g} s are needed")
    peak = float(max(samples.max(), -samples.min()))
    if peak < SILENT_PEAK:
        raise AudioError(f"{name}: is silent (peak {peak:.1e}); look whether the right channel or span is named")
    blocks = (samples[at : at + BLOCK_FRAMES] for at in range(0, len(samples), BLOCK_FRAMES))  # no copy of the whole
    at_peak = sum(np.count_nonzero(np.abs(block) >= 0.999 * peak) for block in blocks) / len(samples)
    if at_peak > CLIPPED_SHARE:
        raise AudioError(
            f"{name}: is clipped throughout ({100 * at_peak:.0f} % of its samples stand at the peak); "
            "transfer or export it again at a lower level"
        )


def file_hash(path: Path) -> str:
    """SHA-256 of the file's bytes, as 64 hexadecimal digits; raises AudioError if it cannot be read."""
    digest = hashlib.sha256()
    _refuse_unreadable(path)
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def samples_hash(path: Path) -> str:
    """SHA-256 of the decoded samples of the whole file, all channels, with rate and number of channels.

    The same for one recording kept as WAV, FLAC or AIFF, and untouched by tags. Raises AudioError as
    ``read_sound`` does, but for NaN samples.
    """
    return hash_and_sound(path, channel_rule=None)[0]


def hash_and_sound(path: Path, *, channel_rule: str | None) -> tuple[str, tuple[npt.NDArray[np.float32], int] | None]:
    """``samples_hash``, and with a rule what ``read_sound`` gives of the whole file, which is decoded but once.

    The sound is None where ``read_sound`` would refuse it.
    """
    with _opened(path) as file:
        info = _info(file)
        digest = hashlib.sha256(f"{info.sample_rate_hz} {info.channels}\n".encode())
        wanted = channel_rule in CHANNEL_RULES and info.channels <= 2
        samples = np.empty(info.frames if wanted else 0, dtype=np.float32)
        done = 0
        for block in _blocks(path, file, info.frames):
            digest.update(np.ascontiguousarray(block, dtype="<f4").data)
            if wanted and channel_rule is not None:
                samples[done : done + len(block)] = _one_channel(block, channel_rule)
            done += len(block)
        if done < info.frames:
            raise _cut_short(path, info, done)
    sound = wanted and np.isfinite(np.sum(samples, dtype=np.float64))
    return digest.hexdigest(), (samples, info.sample_rate_hz) if sound else None


def channel_rule_of(*, channel_rule: str | None, groove: str | None) -> str:
    """The rule that holds for a transfer: its own, else by the groove (vertical: difference), else sum."""
    return channel_rule or ("difference" if groove == "vertical" else "sum")


def _refuse_unreadable(path: Path) -> None:
    try:
        if not path.exists():
            raise AudioError(
                f"{path.name}: there is no such file; mend the path in transfer.csv or bring the file back"
            )
        if not path.is_file():
            raise AudioError(f"{path.name}: is not a file; mend the path in transfer.csv")
        if path.stat().st_size == 0:
            raise AudioError(f"{path.name}: is empty; copy the file again from its source")
        with path.open("rb") as file:
            file.read(1)
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno else str(error)
        raise AudioError(
            f"{path.name}: cannot be read ({reason.lower()}); give yourself the right to read it"
        ) from error


def _opened(path: Path) -> Any:
    import soundfile

    _refuse_unreadable(path)
    missing = shortfall(path)
    if missing is not None:
        raise AudioError(f"{path.name}: is cut short: {missing}; copy the file again from its source")
    try:
        return soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, RuntimeError, TypeError) as error:
        raise AudioError(f"{path.name}: {_why_not(path, str(error))}") from error


def _why_not(path: Path, said: str) -> str:
    with path.open("rb") as file:
        head = file.read(64)
    for offset, magic, kind in _OTHER_KINDS:
        if head[offset : offset + len(magic)] == magic:
            return f"is {kind}, which cannot be decoded here; {_CONVERT}"
    known = (b"RIFF", b"RF64", b"BW64", b"FORM", b"fLaC", b"OggS", b"ID3", b"\xff\xfb", b"\xff\xf3")
    if head.startswith(known):
        return f"is damaged or of an unsupported coding ({said.rstrip('. ').rpartition(': ')[2]}); {_CONVERT}"
    return "is not an audio file that can be decoded; use WAV, FLAC, AIFF, Ogg or MP3"


def _info(file: Any) -> SoundInfo:
    name = Path(file.name).name
    if not LOWEST_RATE_HZ <= file.samplerate <= HIGHEST_RATE_HZ:
        raise AudioError(f"{name}: has a sample rate of {file.samplerate} Hz; 8 to 192 kHz can be used")
    if file.frames <= 0:
        raise AudioError(f"{name}: holds no samples; copy the file again from its source")
    return SoundInfo(file.samplerate, file.channels, file.frames, file.format, file.subtype)


def _span(path: Path, info: SoundInfo, start_s: float | None, end_s: float | None) -> tuple[int, int]:
    first = 0 if start_s is None else round(start_s * info.sample_rate_hz)
    last = info.frames if end_s is None else round(end_s * info.sample_rate_hz)
    if end_s is not None and info.frames < last <= info.frames + 0.05 * info.sample_rate_hz:
        last = info.frames  # the end of the file, rounded to a tenth of a second by hand
    if not 0 <= first < last <= info.frames:
        raise AudioError(
            f"{path.name}: the span {start_s or 0:g} to {info.length_s if end_s is None else end_s:g} s does not "
            f"lie in the file's {info.length_s:.2f} s; mend file_start_s and file_end_s"
        )
    return first, last


def _cut_short(path: Path, info: SoundInfo, frames: int) -> AudioError:
    return AudioError(
        f"{path.name}: is cut short: {frames / info.sample_rate_hz:.1f} s can be decoded of "
        f"{info.length_s:.1f} s; copy the file again from its source"
    )


def _blocks(path: Path, file: Any, frames: int) -> Iterator[npt.NDArray[np.float32]]:
    import soundfile

    left = frames
    while left > 0:
        try:
            block = file.read(min(BLOCK_FRAMES, left), dtype="float32", always_2d=True)
        except (soundfile.LibsndfileError, RuntimeError) as error:
            raise AudioError(f"{path.name}: is damaged ({error}); copy the file again from its source") from error
        if len(block) == 0:
            return
        left -= len(block)
        yield block


def _one_channel(block: npt.NDArray[np.float32], rule: str) -> npt.NDArray[np.float32]:
    if block.shape[1] == 1 or rule == "left":
        return block[:, 0]
    if rule == "right":
        return block[:, 1]
    other = block[:, 1] if rule == "sum" else -block[:, 1]
    return np.float32(0.5) * (block[:, 0] + other)
