"""The samples of an audio file, whole, and their hash; files are never written to.

Samples are float32, which holds 16- and 24-bit integers exactly, so that the same recording as WAV and as
FLAC has the same samples and the same hash. One block of frames is in memory beside the result, except of kinds that
are decoded whole. ``decoders`` decodes, and tells which kind is read by what.
"""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.errors import AudioError
from pipeline.store.audio.channels import CHANNEL_RULES, MEASURED, ChannelMeter, ChannelUse, to_one
from pipeline.store.audio.decoders import BLOCK_FRAMES, SoundInfo, Source, opened, refuse_unreadable

Samples = npt.NDArray[np.float32]

SILENT_PEAK = 2.0**-15
"""A file that never exceeds half a step of 14 bits carries no recording."""
LOUDEST_PEAK = 2.0**31
"""Full scale is 1; floating-point files scaled as integers of 32 bits reach this, a recording nothing beyond."""
CLIPPED_SHARE = 0.2
"""Share of samples at the very peak from which a file counts as clipped throughout (a pure sine has 0.03)."""


@dataclass(frozen=True)
class Heard:
    """Samples of a span of a file as one channel, float32 of shape (n,); their rate; where they come from."""

    samples: Samples
    sample_rate_hz: int
    use: ChannelUse
    info: SoundInfo


def sound_info(path: Path) -> SoundInfo:
    """Form of the file.

    Raises
    ------
    AudioError
        If it is not there, may not be read, is empty, cut short, or is no audio that we can decode.
    """
    with opened(path, whole=False) as source:
        return source.info


def read_sound(path: Path, *, channel_rule: str, start_s: float | None = None, end_s: float | None = None) -> Heard:
    """A span of the file as one channel.

    Parameters
    ----------
    channel_rule : ``sum`` (half of left plus right), ``difference`` (half of left minus right), ``left`` or
        ``right``; ``measured_lateral`` or ``measured_vertical`` to choose by the sound of the span. Of no effect on a
        file with one channel.
    start_s, end_s : span in seconds of the file; None for its beginning or end.

    Raises
    ------
    AudioError
        If the file is not there, may not be read, is empty, cut short, no audio, of an unknown coding, of a
        rate outside 8 to 192 kHz, or has NaN samples; if the span lies outside it, or the rule does not fit.
    """
    _refuse_unknown(path, channel_rule)
    with opened(path) as source:
        info = source.info
        _refuse_many(path, info, channel_rule)
        first, last = _span(path, info, start_s, end_s)
        samples, use = _one_channel(path, source, channel_rule, first, last)
    return Heard(_finite(path, samples, first, info), info.sample_rate_hz, use, info)


def read_channels(path: Path, *, start_s: float | None, end_s: float | None) -> tuple[Samples, int]:
    """All channels of a span of a file, (n, channels) float32, and the rate in Hz; raises as ``read_sound`` does."""
    with opened(path) as source:
        info = source.info
        first, last = _span(path, info, start_s, end_s)
        samples = np.empty((last - first, info.channels), dtype=np.float32)
        done = 0
        for block in source.blocks(first, last):
            samples[done : done + len(block)] = block
            done += len(block)
    if done < len(samples):
        raise _cut_short(path, info, first + done)
    return samples, info.sample_rate_hz


def check_usable(samples: Samples, *, sample_rate_hz: int, shortest_s: float, name: str) -> None:
    """Refuses samples in which nothing can be measured.

    Raises
    ------
    AudioError
        If they are shorter than ``shortest_s``, silent, beyond all scale, or clipped throughout.
    """
    length_s = len(samples) / sample_rate_hz
    if length_s < shortest_s:
        raise AudioError(
            f"lasts {length_s:.2f} s, too short to measure", f"at least {shortest_s:g} s are needed", where=name
        )
    peak = float(max(samples.max(), -samples.min()))
    if peak < SILENT_PEAK:
        raise AudioError(f"is silent (peak {peak:.1e})", "look whether the right channel or span is named", where=name)
    if peak > LOUDEST_PEAK:
        raise AudioError(
            f"has a peak of {peak:.1e} where full scale is 1",
            "export it again from the program that made it",
            where=name,
        )
    blocks = (samples[at : at + BLOCK_FRAMES] for at in range(0, len(samples), BLOCK_FRAMES))  # no copy of the whole
    at_peak = sum(np.count_nonzero(np.abs(block) >= 0.999 * peak) for block in blocks) / len(samples)
    if at_peak > CLIPPED_SHARE:
        raise AudioError(
            f"is clipped throughout ({100 * at_peak:.0f} % of its samples stand at the peak)",
            "transfer or export it again at a lower level",
            where=name,
        )


def file_hash(path: Path) -> str:
    """SHA-256 of the file's bytes, as 64 hexadecimal digits; raises AudioError if it cannot be read."""
    digest = hashlib.sha256()
    refuse_unreadable(path)
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


def hash_and_sound(path: Path, *, channel_rule: str | None) -> tuple[str, Heard | None]:
    """``samples_hash``, and with a rule what ``read_sound`` gives of the whole file, which is decoded but once.

    A second time only where the sound itself speaks against the usual rule. The sound is None where ``read_sound``
    would refuse it.
    """
    with opened(path) as source:
        info = source.info
        digest = hashlib.sha256(f"{info.sample_rate_hz} {info.channels}\n".encode())
        wanted = channel_rule is not None and info.channels <= 2
        if not wanted or channel_rule is None:
            done = 0
            for block in source.blocks(0, info.frames):
                digest.update(np.ascontiguousarray(block, dtype="<f4").data)
                done += len(block)
            if done < info.frames:
                raise _cut_short(path, info, done)
            return digest.hexdigest(), None
        _refuse_unknown(path, channel_rule)
        samples, use = _one_channel(path, source, channel_rule, 0, info.frames, digest)
    try:
        heard = Heard(_finite(path, samples, 0, info), info.sample_rate_hz, use, info)
    except AudioError:
        heard = None
    return digest.hexdigest(), heard


def _one_channel(
    path: Path, source: Source, rule: str, first: int, last: int, digest: "hashlib._Hash | None" = None
) -> tuple[Samples, ChannelUse]:
    """The span by a rule; where that is measured, by the usual one, and again if the sound speaks against it."""
    info = source.info
    usual = MEASURED.get(rule, rule)
    meter = ChannelMeter(info.sample_rate_hz) if rule in MEASURED and info.channels == 2 else None
    samples = np.empty(last - first, dtype=np.float32)
    done = 0
    for block in source.blocks(first, last):
        if digest is not None:
            digest.update(np.ascontiguousarray(block, dtype="<f4").data)
        if meter is not None:
            meter.add(block)
        samples[done : done + len(block)] = to_one(block, usual)
        done += len(block)
    if done < len(samples):
        raise _cut_short(path, info, first + done)
    if info.channels == 1:
        return samples, ChannelUse("mono", "file", "the file has one channel")
    if meter is None:
        return samples, ChannelUse(usual, "catalogue", "the catalogue's channel_rule says so")
    use = meter.use(usual)
    if use.rule != usual:
        done = 0
        for block in source.blocks(first, last):
            samples[done : done + len(block)] = to_one(block, use.rule)
            done += len(block)
    return samples, use


def _refuse_unknown(path: Path, rule: str) -> None:
    if rule not in (*CHANNEL_RULES, *MEASURED):
        raise AudioError(f"channel rule {rule!r}", f"use one of {', '.join(CHANNEL_RULES)}", where=path.name)


def _refuse_many(path: Path, info: SoundInfo, rule: str) -> None:
    if info.channels > 2 and rule not in ("left", "right"):
        raise AudioError(
            f"has {info.channels} channels, so {MEASURED.get(rule, rule)} is not clear",
            "make a file of the two channels meant, or use left or right (first or second channel)",
            where=path.name,
        )


def _finite(path: Path, samples: Samples, first: int, info: SoundInfo) -> Samples:
    with np.errstate(invalid="ignore"):
        total = np.sum(samples, dtype=np.float64)
    if not np.isfinite(total):
        bad = int(np.argmin(np.isfinite(samples)))
        raise AudioError(
            f"holds a sample that is not a number at {(first + bad) / info.sample_rate_hz:.3f} s",
            "export it again from the program that made it",
            where=path.name,
        )
    return samples


def _span(path: Path, info: SoundInfo, start_s: float | None, end_s: float | None) -> tuple[int, int]:
    first = 0 if start_s is None else round(start_s * info.sample_rate_hz)
    last = info.frames if end_s is None else round(end_s * info.sample_rate_hz)
    if end_s is not None and info.frames < last <= info.frames + 0.05 * info.sample_rate_hz:
        last = info.frames  # the end of the file, rounded to a tenth of a second by hand
    if not 0 <= first < last <= info.frames:
        raise AudioError(
            f"the span {start_s or 0:g} to {info.length_s if end_s is None else end_s:g} s does not "
            f"lie in the file's {info.length_s:.2f} s",
            "mend file_start_s and file_end_s",
            where=path.name,
        )
    return first, last


def _cut_short(path: Path, info: SoundInfo, frames: int) -> AudioError:
    return AudioError(
        f"is cut short or damaged: {frames / info.sample_rate_hz:.1f} s can be decoded of {info.length_s:.1f} s",
        "copy the file again from its source",
        where=path.name,
    )
