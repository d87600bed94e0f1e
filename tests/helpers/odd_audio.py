"""Audio files as other programs leave them: headers stripped, tags around, sizes never written, chains, old forms."""

import struct
from pathlib import Path

import codecpod
import numpy as np
import soundfile

RATE = 44_100


def music(length_s: float = 4.0, *, rate: int = RATE, channels: int = 1) -> np.ndarray:
    """A tone that grows louder by steps, with noise: variable-rate coders give its parts different rates."""
    time = np.arange(round(length_s * rate)) / rate
    rng = np.random.default_rng(3)
    level = np.where(time < length_s / 2, 0.02, 0.4)
    sides = [level * (np.sin(2 * np.pi * hz * time) + 0.05 * rng.normal(size=time.size)) for hz in (440, 550)]
    return np.stack(sides[:channels], axis=1).astype(np.float32) * 0.5


def mp3(path: Path, *, header: bool = True, variable: bool = False, **form: int | float) -> Path:
    """An MP3; ``header=False`` cuts off the first frame, which tells the length."""
    samples = music(**form)  # type: ignore[arg-type]
    rate = int(form.get("rate", RATE))
    mode = "VARIABLE" if variable else "CONSTANT"
    soundfile.write(path, samples, rate, format="MP3", bitrate_mode=mode, compression_level=0.5)
    if not header:
        content = path.read_bytes()
        at = max(content.find(b"Xing"), content.find(b"Info"))
        start = content.rfind(b"\xff", 0, at)
        following = content.find(content[start : start + 2], at)
        path.write_bytes(content[following:])
    return path


def id3(size: int) -> bytes:
    """An ID3v2.4 tag, unsynchronised, with a padded private frame of ``size`` bytes."""
    frame = b"PRIV" + _sevens(size) + b"\0\0" + bytes(size)
    return b"ID3\x04\x00\x80" + _sevens(len(frame)) + frame


def ape(text: bytes = b"Title\0Air") -> bytes:
    """An APEv2 tag with header and footer."""
    item = struct.pack("<II", 3, 0) + text
    end = b"APETAGEX" + struct.pack("<IIII", 2000, len(item) + 32, 1, 0x80000000) + bytes(8)
    start = b"APETAGEX" + struct.pack("<IIII", 2000, len(item) + 32, 1, 0xA0000000) + bytes(8)
    return start + item + end


def id3v1() -> bytes:
    """An ID3v1 tag."""
    return b"TAG" + b"Air".ljust(30, b"\0") + bytes(95)


def m4a(path: Path, *, lossless: bool = False, **form: int | float) -> Path:
    """AAC or ALAC in MPEG-4."""
    coding = codecpod.Alac(bits_per_sample=16) if lossless else codecpod.Aac(bit_rate=128_000)
    codecpod.save(path, music(**form), int(form.get("rate", RATE)), coding, channels_first=False)  # type: ignore[arg-type]
    return path


def adts(path: Path, source: Path) -> Path:
    """The AAC frames of an MPEG-4 file as a bare stream, each behind its ADTS header (ISO/IEC 13818-7, 6.2)."""
    content = source.read_bytes()
    sizes = _table(content, b"stsz", skip=8, count_at=4)
    place = content.index(b"mdat") + 4
    if int.from_bytes(content[place - 8 : place - 4], "big") == 1:
        place += 8
    index = {96_000: 0, 48_000: 3, 44_100: 4, 22_050: 7}[RATE]
    made = b""
    for size in sizes:
        length = size + 7
        made += bytes(
            [0xFF, 0xF1, 0x40 | index << 2, 0x40 | length >> 11, length >> 3 & 255, (length & 7) << 5 | 31, 0xFC]
        )
        made += content[place : place + size]
        place += size
    path.write_bytes(made)
    return path


def _table(content: bytes, name: bytes, *, skip: int, count_at: int) -> list[int]:
    start = content.index(name) + 4
    count = int.from_bytes(content[start + 4 + count_at : start + 8 + count_at], "big")
    entries = content[start + 4 + skip : start + 4 + skip + 4 * count]
    return list(struct.unpack(f">{count}I", entries))


def _sevens(size: int) -> bytes:
    return bytes(size >> shift & 127 for shift in (21, 14, 7, 0))
