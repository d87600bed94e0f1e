"""What the 78-era chain does to a sound: horn or microphone band, room, surface noise, rumble and hum.

``snr_db`` is the solo's level while it sounds against the noise, both measured between 100 and 5000 Hz.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import fft

from pipeline.signal.synth.wear import Wear, clicks, unrest, whine
from pipeline.units import Floats, gain_of_db

Samples = npt.NDArray[np.float32]
BANDS = ("acoustic", "electrical", "full")
_TILTS_ABOUT_HZ = 1000.0  # where tilted noise keeps its level


@dataclass(frozen=True)
class Chain:
    """One recording chain: band edges in Hz, slopes in dB per octave, horn resonances, room and noise.

    The room's tail takes ``room_s`` to fall by 60 dB, holds ``room_db`` of the direct sound's energy and begins
    ``room_gap_s`` after it.
    """

    band: str
    low_hz: float
    high_hz: float
    low_slope: float
    high_slope: float
    resonances: tuple[tuple[float, float, float], ...]
    room_s: float
    room_db: float
    noise_tilt: float
    crackle_per_s: float
    rumble_db: float
    hum_hz: float
    hum_db: float
    clip: float
    room_gap_s: float = 0.0
    wear: Wear | None = None

    @property
    def rings_s(self) -> float:
        """How long after a note its tail is less than 25 dB below it."""
        return max(0.0, self.room_s * (25.0 + self.room_db) / 60.0)


def random_chain(rng: np.random.Generator, *, band: str) -> Chain:
    """A chain of one band: acoustic about 150-3500 Hz through a horn, electrical about 80-6000 Hz, or full."""
    if band not in BANDS:
        raise ValueError(f"band {band!r}: use one of {', '.join(BANDS)}")
    acoustic, full = band == "acoustic", band == "full"
    low = rng.uniform(130.0, 240.0) if acoustic else rng.uniform(50.0, 110.0)
    high = rng.uniform(2600.0, 3900.0) if acoustic else rng.uniform(4800.0, 6800.0)
    count = int(rng.integers(3, 7)) if acoustic else int(rng.integers(0, 3))
    resonances = tuple(
        (
            float(np.exp(rng.uniform(np.log(250.0), np.log(2600.0)))),
            float(rng.normal(0.0, 5.0)),
            float(rng.uniform(0.06, 0.3)),
        )
        for _ in range(count)
    )
    return Chain(
        band=band,
        low_hz=20.0 if full else float(low),
        high_hz=18_000.0 if full else float(high),
        low_slope=float(rng.uniform(10.0, 22.0)),
        high_slope=float(rng.uniform(16.0, 36.0)),
        resonances=() if full else resonances,
        room_s=float(rng.uniform(0.15, 0.35)) if acoustic else float(rng.uniform(0.3, 1.0)),
        room_db=float(rng.uniform(-26.0, -16.0)) if acoustic else float(rng.uniform(-22.0, -12.0)),
        noise_tilt=float(rng.uniform(0.0, 6.0)),
        crackle_per_s=float(np.exp(rng.uniform(np.log(3.0), np.log(80.0)))),
        rumble_db=float(rng.uniform(-20.0, 0.0)),
        hum_hz=float(rng.choice((50.0, 60.0))),
        hum_db=-100.0 if acoustic or full else float(rng.uniform(-30.0, -12.0)),
        clip=float(rng.uniform(1.2, 3.0)) if rng.random() < 0.15 else 0.0,
    )


def in_live_room(rng: np.random.Generator, chain: Chain) -> Chain:
    """The chain in a room like those of real unaccompanied solos.

    There the old note is 14 dB down (quartiles 11 and 17) a tenth of a second after a change, and 18 after another.
    """
    return replace(
        chain,
        room_s=float(rng.lognormal(np.log(0.9), 0.45)),
        room_db=float(rng.uniform(-12.0, -3.0)),
        room_gap_s=float(rng.uniform(0.004, 0.015)),
    )


def response(hz: Floats, *, chain: Chain) -> Floats:
    """Linear gain of the chain at frequencies (n,)."""
    f = np.maximum(hz, 1.0)
    gain_db = -chain.low_slope / 2 * np.log2(1.0 + (chain.low_hz / f) ** 2)
    gain_db -= chain.high_slope / 2 * np.log2(1.0 + (f / chain.high_hz) ** 2)
    for centre, height, width in chain.resonances:
        gain_db += height * np.exp(-0.5 * (np.log2(f / centre) / width) ** 2)
    return np.asarray(gain_of_db(gain_db))


def through_chain(samples: Samples, *, chain: Chain, sample_rate_hz: int, rng: np.random.Generator) -> Samples:
    """The sound in its room, through the chain's band."""
    length = int(chain.room_s * sample_rate_hz)
    n = fft.next_fast_len(samples.size + length, real=True)
    at = np.arange(length, dtype=np.float32) / sample_rate_hz
    tail = rng.standard_normal(length, dtype=np.float32) * np.exp(-6.9 * at / chain.room_s).astype(np.float32)
    tail[: int(chain.room_gap_s * sample_rate_hz)] = 0.0
    tail *= np.float32(gain_of_db(chain.room_db) / max(np.sqrt(float(np.sum(tail**2))), 1e-9))
    tail[0] += 1.0
    spectrum = fft.rfft(samples, n)
    spectrum *= fft.rfft(tail, n)
    spectrum *= _on_bins(n, sample_rate_hz, chain)
    return np.asarray(fft.irfft(spectrum, n)[: samples.size], dtype=np.float32)


def _on_bins(n: int, sample_rate_hz: int, chain: Chain) -> npt.NDArray[np.float32]:
    coarse = np.geomspace(1.0, sample_rate_hz / 2, 2000)
    bins = fft.rfftfreq(n, 1.0 / sample_rate_hz)
    return np.asarray(np.interp(bins, coarse, response(coarse, chain=chain)), dtype=np.float32)


def surface(n: int, *, chain: Chain, sample_rate_hz: int, rng: np.random.Generator) -> Samples:
    """Surface noise (n,) of unit level between 100 and 5000 Hz (clicks of wear apart): hiss, crackle, rumble, hum."""
    size = fft.next_fast_len(n, real=True)
    noise = rng.standard_normal(size, dtype=np.float32)
    count = rng.poisson(chain.crackle_per_s * n / sample_rate_hz)
    where = rng.integers(0, n, size=count)
    noise[where] += (rng.standard_normal(count) * rng.exponential(14.0, size=count)).astype(np.float32)
    spectrum = fft.rfft(noise)
    hz = fft.rfftfreq(size, 1.0 / sample_rate_hz).astype(np.float32)
    shape = (np.maximum(hz, 60.0) / _TILTS_ABOUT_HZ) ** np.float32(-chain.noise_tilt / 6.02)
    shape /= np.sqrt(1.0 + (hz / 7000.0) ** 8)
    shape += np.float32(gain_of_db(chain.rumble_db) * 40.0) * np.exp(-((hz / 35.0) ** 2))
    spectrum *= shape
    shaped = np.asarray(fft.irfft(spectrum, size)[:n], dtype=np.float32)
    inside = (hz >= 100.0) & (hz <= 5000.0)
    power = 2.0 * float(np.sum(np.abs(spectrum[inside]) ** 2)) / size**2
    unit = np.sqrt(max(power, 1e-20))
    shaped /= np.float32(unit)
    if chain.wear is not None:
        shaped *= unrest(n, wear=chain.wear, sample_rate_hz=sample_rate_hz, rng=rng)
        density = 2.0 * np.square(np.abs(spectrum) / (size * unit)) * (size / sample_rate_hz)
        shaped += whine(n, wear=chain.wear, hz=hz, density=density, sample_rate_hz=sample_rate_hz)
        shaped += clicks(n, wear=chain.wear, sample_rate_hz=sample_rate_hz, rng=rng)
    if chain.hum_db > -90.0:
        at = np.arange(n, dtype=np.float64) * (2.0 * np.pi * chain.hum_hz / sample_rate_hz)
        level = gain_of_db(chain.hum_db) * np.sqrt(2.0)
        shaped += (level * (np.sin(at) + 0.5 * np.sin(2 * at + 1.0) + 0.3 * np.sin(3 * at + 2.0))).astype(np.float32)
    return shaped


def level_through(samples: Samples, *, chain: Chain, sample_rate_hz: int) -> float:
    """Root mean square that the part between 100 and 5000 Hz has after the chain's band (room left out)."""
    size = 4096
    frames = samples[: samples.size // size * size].reshape(-1, size)
    power = np.mean(np.abs(fft.rfft(frames * np.hanning(size).astype(np.float32), axis=1)) ** 2, axis=0)
    hz = fft.rfftfreq(size, 1.0 / sample_rate_hz)
    inside = (hz >= 100.0) & (hz <= 5000.0)
    gain = response(hz[inside], chain=chain)
    # 3/8 is the mean square of the Hann window.
    return float(np.sqrt(2.0 * np.sum(power[inside] * gain**2) / (size**2 * 0.375)))
