"""Made-up audio files."""

from pathlib import Path

import numpy as np
import soundfile

from pipeline.store.audio.whole_sound import read_sound


def mono(path: Path, **how: object) -> tuple[np.ndarray, int]:
    """Samples and rate as ``read_sound`` gives them."""
    heard = read_sound(path, **how)  # type: ignore[arg-type]
    return heard.samples, heard.sample_rate_hz


def write_tone(
    path: Path,
    *,
    length_s: float = 3.0,
    rate: int = 22_050,
    hz: float = 440.0,
    channels: int = 1,
    subtype: str | None = None,
) -> Path:
    """A tone with a little noise."""
    path.parent.mkdir(parents=True, exist_ok=True)
    time = np.arange(round(length_s * rate)) / rate
    noise = np.random.default_rng(7).normal(size=time.size)
    tone = 0.3 * np.sin(2 * np.pi * hz * time) + 0.003 * noise
    # integers, so that every lossless kind of file holds the very same samples
    sides = [np.round(level * tone * 32_000).astype(np.int16) for level in (1.0, -0.5)[:channels]]
    samples = np.stack(sides, 1)
    soundfile.write(path, samples / 32_768 if subtype == "FLOAT" else samples, rate, subtype=subtype)
    return path
