"""A sampled violin, viola or cello from a sound font: for tests and benchmarks only, never for what we ship.

Reads the SoundFont 2 that the ``pretty_midi`` package carries, or another file of that format (RIFF form ``sfbk``,
16-bit samples in ``smpl``, headers of 46 bytes in ``shdr``). Each sample's own vibrato is taken out: its period is
tracked and the sample resampled to a constant one. Then a single voice reads cycles at the rate the plan asks for,
blended between neighbouring samples by pitch, so that a glide passes over the instrument's resonances without a
new attack.
"""

import struct
from dataclasses import dataclass
from pathlib import Path

import numba
import numpy as np
import pretty_midi

from pipeline.signal.synth.voice import Voice, random_voice
from pipeline.units import Floats

PERIOD = 256
NAMES = {"violin": "violin", "viola": "violin", "cello": "cello"}


@dataclass(frozen=True)
class Cycles:
    """One sample with a constant period: ``table`` (cycles, PERIOD) and the pitch at which it was recorded."""

    name: str
    hz: float
    table: Floats


def font_path() -> Path:
    """The sound font of the ``pretty_midi`` package."""
    return next(Path(pretty_midi.__file__).parent.glob("*.sf2"))


def read_cycles(path: Path, *, instrument: str) -> list[Cycles]:
    """The looped parts of all bowed samples of an instrument, their period made constant; lowest first.

    Raises
    ------
    ValueError
        If the file is no sound font or holds no such sample.
    """
    data = path.read_bytes()
    if data[:4] != b"RIFF" or data[8:12] != b"sfbk":
        raise ValueError(f"{path.name} is no SoundFont 2 file")
    samples = np.frombuffer(_chunk(data, b"smpl"), dtype="<i2").astype(np.float64) / 32768.0
    headers = _chunk(data, b"shdr")
    found = []
    for k in range(len(headers) // 46):
        record = headers[46 * k : 46 * k + 46]
        name = record[:20].split(b"\0")[0].decode("latin-1").strip()
        first, last, loop_from, loop_to, rate = struct.unpack("<5I", record[20:40])
        if NAMES[instrument] not in name.lower() or "pizz" in name.lower():
            continue
        cycles = _cycles(samples[first:last], loop=(loop_from - first, loop_to - first), rate_hz=rate)
        if cycles is not None:
            found.append(Cycles(name, *cycles))
    if not found:
        raise ValueError(f"{path.name} holds no bowed {instrument}")
    return sorted(found, key=lambda cycles: cycles.hz)


def _chunk(data: bytes, name: bytes) -> bytes:
    at = 12
    while at < len(data):
        kind, size = data[at : at + 4], struct.unpack("<I", data[at + 4 : at + 8])[0]
        if kind == b"LIST":
            inner, end = at + 12, at + 8 + size
            while inner < end:
                length = struct.unpack("<I", data[inner + 4 : inner + 8])[0]
                if data[inner : inner + 4] == name:
                    return data[inner + 8 : inner + 8 + length]
                inner += 8 + length + (length & 1)
        at += 8 + size + (size & 1)
    raise ValueError(f"sound font without {name.decode()}")


def _cycles(sample: Floats, *, loop: tuple[int, int], rate_hz: int) -> tuple[float, Floats] | None:
    """Recorded pitch and cycles of constant period of a sample's loop, or None if it is not periodic."""
    start, end = loop
    held = sample[start:end]
    if held.size < 8:
        return None
    if held.size < 0.04 * rate_hz:
        # The loop is one or a few cycles already; they are even, as the loop repeats exactly.
        count = _cycles_in_loop(held)
        table = _resampled(np.concatenate((held, held[:1])), np.linspace(0, held.size, PERIOD * count + 1)[:-1])
        return rate_hz * count / held.size, table.reshape(count, PERIOD)
    marks = _period_marks(held, rate_hz=rate_hz)
    if marks.size < 4:
        return None
    inside = np.interp(np.arange((marks.size - 1) * PERIOD) / PERIOD, np.arange(marks.size), marks)
    table = _resampled(held, inside).reshape(-1, PERIOD)
    return float(rate_hz / np.median(np.diff(marks))), table


def _cycles_in_loop(held: Floats) -> int:
    """How many periods an exactly repeating loop holds: the common divisor of its strong partials."""
    power = np.abs(np.fft.rfft(held - held.mean())) ** 2
    strong = np.flatnonzero(power > 1e-3 * power.max())
    return int(np.gcd.reduce(strong)) if strong.size else 1


def _period_marks(held: Floats, *, rate_hz: int) -> Floats:
    """Places (in samples, fractional) one period apart, following the sample's own wobble."""
    spectrum = np.abs(np.fft.rfft(held * np.hanning(held.size), 4 * held.size)) ** 2
    lags = np.fft.irfft(spectrum)[: held.size]
    low, high = int(rate_hz / 3000), min(int(rate_hz / 50), held.size // 3)
    peaks = [i for i in range(low, high) if lags[i] >= lags[i - 1] and lags[i] >= lags[i + 1]]
    good = [i for i in peaks if lags[i] > 0.85 * max(lags[j] for j in peaks)] if peaks else []
    if not good:
        return np.zeros(0)
    period = float(good[0])
    # Phase of the fundamental, by demodulation over two periods: it turns once a period whatever the wobble.
    n = np.arange(held.size)
    turning = held * np.exp(-2j * np.pi * n / period)
    window = np.hanning(2 * int(2 * period) + 1)
    phase = np.unwrap(np.angle(np.convolve(turning, window / window.sum(), mode="same"))) + 2 * np.pi * n / period
    edge = int(2 * period)
    turns = phase[edge:-edge] / (2 * np.pi)
    whole = np.arange(np.ceil(turns[0]), np.floor(turns[-1]) + 1)
    return np.interp(whole, turns, n[edge:-edge])


def _resampled(values: Floats, at: Floats) -> Floats:
    """Values at fractional places by four-point cubic interpolation."""
    i = np.clip(at.astype(np.int64), 0, values.size - 2)
    u = at - i
    p0, p1 = values[np.maximum(i - 1, 0)], values[i]
    p2, p3 = values[i + 1], values[np.minimum(i + 2, values.size - 1)]
    return p1 + 0.5 * u * (p2 - p0 + u * (2 * p0 - 5 * p1 + 4 * p2 - p3 + u * (3 * (p1 - p2) + p3 - p0)))


@numba.njit(cache=True)
def _read(hz, true_hz, amplitude, block, rate_hz, roots, tables, counts, n):  # pragma: no cover
    out = np.zeros(n, dtype=np.float32)
    phase = 0.0
    size = tables.shape[2]
    zones = roots.shape[0]
    for i in range(n):
        k = i // block
        u = (i - k * block) / block
        f = hz[k] + (hz[k + 1] - hz[k]) * u
        pitch = np.log2(true_hz[k] + (true_hz[k + 1] - true_hz[k]) * u)
        z = 0
        while z < zones - 2 and pitch > roots[z + 1]:
            z += 1
        share = 0.0
        if zones > 1:
            share = min(1.0, max(0.0, (pitch - roots[z]) / (roots[z + 1] - roots[z])))
        total = 0.0
        for side in range(min(2, zones)):
            weight = share if side else 1.0 - share
            count = counts[z + side]
            at = (phase % count) * size
            j = int(at)
            v = at - j
            cycle, place = j // size, j % size
            later = cycle if place + 1 < size else (cycle + 1) % count
            a = tables[z + side, cycle, place]
            total += weight * (a + (tables[z + side, later, (place + 1) % size] - a) * v)
        out[i] = total * (amplitude[k] + (amplitude[k + 1] - amplitude[k]) * u)
        phase += f / rate_hz
    return out


class SampledVoice(Voice):
    """A voice that reads the cycles of a sound font; bow noise and strokes as in our own voices."""

    def with_cycles(self, cycles: list[Cycles]) -> "SampledVoice":
        """The same voice with its sound."""
        most = max(c.table.shape[0] for c in cycles)
        tables = np.zeros((len(cycles), most, PERIOD))
        for z, c in enumerate(cycles):
            level = np.sqrt(np.mean(c.table**2))
            tables[z, : c.table.shape[0]] = _aligned(c.table) / level
        object.__setattr__(self, "_roots", np.log2([c.hz for c in cycles]))
        object.__setattr__(self, "_tables", tables)
        object.__setattr__(self, "_counts", np.array([c.table.shape[0] for c in cycles]))
        return self

    def play(self, hz, *, true_hz, amplitude, block, sample_rate_hz, n, **_):
        """Samples (n,) of one line; what only additive voices know is left alone."""
        return _read(hz, true_hz, amplitude, block, sample_rate_hz, self._roots, self._tables, self._counts, n)


def _aligned(table: Floats) -> Floats:
    """The cycles turned so that their fundamentals start together (neighbouring samples blend without beating)."""
    flat = table.reshape(-1)
    turn = np.exp(-2j * np.pi * np.arange(flat.size) / PERIOD)
    shift = round(float(np.angle(np.sum(flat * turn))) / (2 * np.pi) * PERIOD)
    return np.roll(flat, shift).reshape(table.shape)


def sampled_voice(rng: np.random.Generator, *, instrument: str, path: Path | None = None) -> SampledVoice:
    """A voice of a sound font (that of ``pretty_midi`` unless another is given) with random bowing."""
    plain = random_voice(rng, instrument=instrument)
    voice = SampledVoice(**{name: getattr(plain, name) for name in plain.__dataclass_fields__})
    return voice.with_cycles(read_cycles(path or font_path(), instrument=instrument))


if __name__ == "__main__":
    for which in NAMES:
        for cycles in read_cycles(font_path(), instrument=which):
            print(f"{which:7} {cycles.name:20} {cycles.hz:8.1f} Hz, {cycles.table.shape[0]} cycles")
