"""Notes of basic-pitch, a general learned transcriber, by the ONNX model that its package carries.

Install it beside the extra ``bench`` with ``pip install --no-deps basic-pitch resampy``: its own requirements ask for a
TensorFlow runtime that our numpy excludes, and the ONNX model needs none of it.
"""

import tempfile
from pathlib import Path
from typing import Any

import basic_pitch
import numpy as np
import soundfile
from basic_pitch.inference import predict


def notes_of(samples: Any, rate: int) -> tuple[Any, Any]:
    """Start and end in s (n, 2) and MIDI pitch (n,) of its notes, at its own settings."""
    model = Path(basic_pitch.__file__).parent / "saved_models" / "icassp_2022" / "nmp.onnx"
    with tempfile.TemporaryDirectory() as folder:
        soundfile.write(Path(folder) / "sound.wav", samples, rate)
        _, _, events = predict(str(Path(folder) / "sound.wav"), str(model))
    spans = np.array([event[:2] for event in events], dtype=np.float64).reshape(-1, 2)
    return spans, np.array([event[2] for event in events], dtype=np.float64)
