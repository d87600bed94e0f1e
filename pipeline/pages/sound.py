"""Corrected sound for pages: a whole side as MP3, and slowed excerpts with the pitch kept.

MP3 because every browser plays it; a constant bit rate, so that seeking lands where it should. The archive's
files are only read.
"""

from pathlib import Path

import librosa
import numpy as np
import numpy.typing as npt
import soundfile as sf
import soxr

from pipeline.signal.correct import SpeedMap
from pipeline.signal.resample import correct_samples

PAGE_RATE_HZ = 22_050
SLOW_RATE_HZ = 11_025
_WINDOW = 512
Samples = npt.NDArray[np.float32]

# MPEG-2 layer III at 22,050 Hz: 0.55 lies near 72 kbit/s, mono.
_COMPRESSION = 0.55


def corrected_sound(samples: Samples, *, sample_rate_hz: int, speed_map: SpeedMap) -> Samples:
    """Samples at true speed and pitch, at ``PAGE_RATE_HZ``, scaled to a peak of 0.9; shape (m,), float32."""
    corrected = correct_samples(samples, sample_rate_hz=sample_rate_hz, speed_map=speed_map)
    made = corrected if sample_rate_hz == PAGE_RATE_HZ else soxr.resample(corrected, sample_rate_hz, PAGE_RATE_HZ)
    peak = float(np.max(np.abs(made), initial=0.0))
    return np.asarray(made * (0.9 / peak if peak > 0 else 1.0), dtype=np.float32)


def excerpt(sound: Samples, *, start_s: float, end_s: float, fade_s: float = 0.02) -> Samples:
    """A stretch of ``sound`` (at ``PAGE_RATE_HZ``) between corrected times in s, clipped to it, ends faded."""
    start = max(0, round(start_s * PAGE_RATE_HZ))
    end = min(sound.size, max(round(end_s * PAGE_RATE_HZ), start))
    cut = sound[start:end].copy()
    ramp = np.linspace(0, 1, min(round(fade_s * PAGE_RATE_HZ), cut.size // 2), dtype=np.float32)
    if ramp.size:
        cut[: ramp.size] *= ramp
        cut[-ramp.size :] *= ramp[::-1]
    return cut


def slowed(sound: Samples, *, rate: float) -> Samples:
    """``sound`` (at ``PAGE_RATE_HZ``) at ``rate`` times its speed, pitch kept; at ``SLOW_RATE_HZ``.

    Phase vocoder of librosa with a window of 46 ms. Discs of the time hold nothing above 5 kHz that a slowed
    listening needs, so half the rate serves.
    """
    thinned = soxr.resample(sound, PAGE_RATE_HZ, SLOW_RATE_HZ)
    if thinned.size < _WINDOW:
        thinned = np.pad(thinned, (0, _WINDOW - thinned.size))
    slow = librosa.effects.time_stretch(thinned, rate=rate, n_fft=_WINDOW, hop_length=_WINDOW // 4)
    return np.asarray(slow, dtype=np.float32)


def write_mp3(path: Path, sound: Samples, *, sample_rate_hz: int) -> None:
    """Write mono ``sound``; under a temporary name first."""
    temporary = path.with_name(f".{path.name}.tmp")
    with sf.SoundFile(
        temporary,
        "w",
        samplerate=sample_rate_hz,
        channels=1,
        format="MP3",
        subtype="MPEG_LAYER_III",
        compression_level=_COMPRESSION,
        bitrate_mode="CONSTANT",
    ) as file:
        file.write(np.clip(sound, -1, 1))
    temporary.replace(path)
