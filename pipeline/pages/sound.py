"""Corrected sound for pages: a whole side, and slowed excerpts with the pitch kept, as FLAC.

Every browser plays FLAC, seeks in it to the sample, and it is made in a twentieth of the time that MP3 takes. Rounded
to 12 bits it is hardly larger; the rounding lies 70 dB below the loudest, far below the noise of any disc. The
archive's files are only read.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soxr
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from pipeline.signal.speed.resample import correct_samples
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.store.audio.corrected import write_flac
from pipeline.store.files.durable import whole

PAGE_RATE_HZ = 22_050
SLOW_RATE_HZ = 11_025
_WINDOW = 512
_HOP = _WINDOW // 4
Samples = npt.NDArray[np.float32]
Spectra = npt.NDArray[np.complexfloating]

# Of 16 bits, those left at zero, which FLAC does not store.
_SPARED_BITS = 4


def corrected_sound(samples: Samples, *, sample_rate_hz: int, speed_map: SpeedMap) -> Samples:
    """Samples at true speed and pitch, at ``PAGE_RATE_HZ``, scaled to a peak of 0.9; shape (m,), float32."""
    made = np.asarray(samples, dtype=np.float32)
    if sample_rate_hz != PAGE_RATE_HZ:
        made = soxr.resample(made, sample_rate_hz, PAGE_RATE_HZ)
    made = correct_samples(made, sample_rate_hz=PAGE_RATE_HZ, speed_map=speed_map)
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


def spectra(sound: Samples, *, window: int, hop: int, bins: int) -> Spectra:
    """Spectra under a Hann window around each ``hop`` samples; shape (times, bins)."""
    padded = np.pad(sound, window // 2)
    padded = np.pad(padded, (0, max(0, window - padded.size)))
    return np.asarray(fft.rfft(sliding_window_view(padded, window)[::hop] * _hann(window), n=2 * (bins - 1), axis=1))


def _hann(length: int) -> Samples:
    """A Hann window whose shifts by a quarter add up to the same everywhere."""
    return np.asarray(0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length), dtype=np.float32)


def slowed(sound: Samples, *, rates: Sequence[float]) -> list[Samples]:
    """``sound`` (at ``PAGE_RATE_HZ``) at each of ``rates`` times its speed, pitch kept; at ``SLOW_RATE_HZ``.

    Phase vocoder (Flanagan and Golden 1966) with a window of 46 ms. Discs of the time hold nothing above 5 kHz that a
    slowed listening needs, so half the rate serves.
    """
    thinned = soxr.resample(sound, PAGE_RATE_HZ, SLOW_RATE_HZ)
    heard = spectra(thinned, window=_WINDOW, hop=_HOP, bins=_WINDOW // 2 + 1)
    heard = np.concatenate([heard, np.zeros_like(heard[:1])])
    size = np.abs(heard)
    # Each frame's turn against the one before, which the slowed frames make too, only later.
    turn = np.angle(heard[1:] * heard[:-1].conj())
    made = []
    for rate in rates:
        at = np.arange(0, heard.shape[0] - 1, rate)
        whole = at.astype(int)
        part = (at - whole).astype(np.float32)[:, None]
        # Summed in double precision: a long sum of angles loses the last places otherwise.
        turned = np.cumsum(turn[whole[:-1]], axis=0, dtype=np.float64)
        phase = np.remainder(np.angle(heard[:1]) + np.concatenate([np.zeros_like(turned[:1]), turned]), 2 * np.pi)
        phase = phase.astype(np.float32)
        level = size[whole] * (1 - part) + size[whole + 1] * part
        made.append(_summed(level * (np.cos(phase) + 1j * np.sin(phase)), length=round(thinned.size / rate)))
    return made


def _summed(frames: Spectra, *, length: int) -> Samples:
    """The sound of overlapping spectra (times, bins), ``length`` samples from the middle of the first."""
    parts = fft.irfft(frames, n=_WINDOW, axis=1) * _hann(_WINDOW)
    folds = _WINDOW // _HOP
    whole = np.zeros((frames.shape[0] + folds - 1, _HOP))
    for fold in range(folds):
        whole[fold : fold + frames.shape[0]] += parts[:, fold * _HOP : (fold + 1) * _HOP]
    # Four squared Hann windows a quarter apart add up to 1.5 everywhere.
    sound = whole.ravel()[_WINDOW // 2 :][:length] / 1.5
    return np.asarray(np.pad(sound, (0, length - sound.size)), dtype=np.float32)


def write_sound(path: Path, sound: Samples, *, sample_rate_hz: int) -> None:
    """Write mono ``sound``; under a temporary name first."""
    step = 1 << _SPARED_BITS
    rounded = np.rint(np.clip(sound, -1, 1) * (32_768 / step)).clip(max=32_768 / step - 1).astype(np.int16) * step
    with whole(path) as part:
        write_flac(part, rounded.astype(np.int16), sample_rate_hz=sample_rate_hz, bits=16)
