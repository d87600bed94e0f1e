"""Writes corrected audio as FLAC beside a JSON file that says all that was done."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile as sf

from pipeline.store.audio.whole_sound import sound_info
from pipeline.store.files.durable import replacing, unwritten
from pipeline.units import db_of_gain

Samples = npt.NDArray[np.float32]
_DEEP = 24
_WIDTHS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}


def source_bits(path: Path) -> int | None:
    """Bits per sample of a file that has any; None for coded audio such as MP3."""
    return _WIDTHS.get(sound_info(path).coding)


def write_flac(path: Path, samples: npt.NDArray[Any], *, sample_rate_hz: int, bits: int) -> None:
    """Write samples (m,) or (m, channels) as FLAC.

    Raises
    ------
    DataError
        If the disk takes no more, or not there.
    """
    try:
        sf.write(path, samples, sample_rate_hz, format="FLAC", subtype=f"PCM_{bits}")
    except sf.SoundFileRuntimeError as error:
        raise unwritten(path, error) from error


def write_corrected(path: Path, samples: Samples, *, sample_rate_hz: int, account: Mapping[str, Any]) -> float:
    """Write samples (m, channels) as 24-bit FLAC at ``path`` and the account as JSON beside it; returns the gain.

    Where a peak would exceed full scale everything is turned down, by the gain in dB that the account then holds.
    """
    peak = float(np.max(np.abs(samples), initial=0.0))
    gain = min(1.0, (1.0 - 2.0 ** -(_DEEP - 1)) / peak) if peak > 0 else 1.0
    gain_db = float(db_of_gain(gain))
    path.parent.mkdir(parents=True, exist_ok=True)
    with replacing(path) as temporary:
        write_flac(temporary, samples * np.float32(gain), sample_rate_hz=sample_rate_hz, bits=_DEEP)
    whole = {**account, "gain_db": gain_db, "peak_before_gain": peak}
    with replacing(path.with_suffix(".json")) as temporary:
        temporary.write_text(json.dumps(whole, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return gain_db
