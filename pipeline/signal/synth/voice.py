"""Additive bowed-string voices with body resonances that stay fixed in Hz.

The bowed string gives partials falling as about 1/h, notched by where the bow stands (|sin(pi h beta)|, the ideal
Helmholtz motion). Each partial is weighted by the body's response at its own frequency, so vibrato and slides
sweep partials over the resonances and modulate their loudness. Frequencies of the body are true ones.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled
from pipeline.units import Floats, gain_of_db

# The body's response as a table by octaves: from 20 Hz to 20 kHz, in 36 and, between, 360 steps each.
_TABLE_LOWEST_HZ = 20.0
_TABLE_OCTAVES = 10
_TABLE_STEPS = 36
_FINE_STEPS = 360
# Main body modes in Hz and gains in dB, roughly (common practice: air mode, wood modes, bridge hill).
_MODES: dict[str, tuple[tuple[float, float], ...]] = {
    "violin": ((275.0, 8.0), (460.0, 10.0), (540.0, 8.0), (1000.0, 5.0), (2500.0, 9.0)),
    "viola": ((220.0, 8.0), (350.0, 9.0), (430.0, 8.0), (850.0, 5.0), (1900.0, 8.0)),
    "cello": ((98.0, 8.0), (180.0, 9.0), (220.0, 7.0), (520.0, 5.0), (1500.0, 7.0)),
}


@dataclass(frozen=True)
class Voice:
    """One instrument in one hand.

    ``body`` is a table of linear gains on an even log-frequency grid of ten octaves from 20 Hz. ``tilt`` is the
    exponent of the partials' fall, ``bow_place`` the bow's place as a share of the string, ``noise_db`` the bow
    noise against the tone, ``attack_s`` and ``release_s`` the usual times of strokes, ``jitter_cents`` the spread
    of the pitch's unsteadiness. A subclass may sound otherwise by its own ``play``.
    """

    body: Floats
    tilt: float
    bow_place: float
    noise_db: float
    attack_s: float
    release_s: float
    jitter_cents: float

    def play(
        self,
        hz: Floats,
        *,
        true_hz: Floats,
        amplitude: Floats,
        brightness_db: Floats,
        bow_drift: Floats,
        block: int,
        sample_rate_hz: float,
        limit_hz: float,
        n: int,
        partials: Floats,
    ) -> npt.NDArray[np.float32]:
        """Samples (n,) of one line.

        Control arrays (m,) have one value every ``block`` samples and are interpolated: the sounding ``hz``, the
        ``true_hz`` (which meets the body), linear ``amplitude``, ``brightness_db`` (louder is brighter), and
        ``bow_drift`` (relative change of the bow's place). ``limit_hz`` is the highest partial made. ``partials``
        (m, k) are linear gains of the first partials, the last of them that of all above; (m, 0) for none.
        """
        tilt = self.tilt - 0.02 * brightness_db
        place = self.bow_place * (1.0 + bow_drift)
        limit = min(limit_hz, 0.46 * sample_rate_hz)
        return np.asarray(
            _partials(hz, true_hz, amplitude, block, sample_rate_hz, self.body, tilt, place, partials, limit, n),
            dtype=np.float32,
        )


def random_voice(rng: np.random.Generator, *, instrument: str) -> Voice:
    """A voice with random resonances around those of the instrument, and random bowing."""
    hz = _table_hz(_TABLE_OCTAVES * _TABLE_STEPS + 1)
    modes = _MODES[instrument]
    gain_db = np.zeros(hz.size)
    for mode_hz, mode_db in modes:
        centre = mode_hz * float(rng.lognormal(0.0, 0.05))
        width = float(rng.uniform(0.08, 0.25)) * (2.5 if mode_hz > 1400 else 1.0)
        gain_db += (mode_db + rng.normal(0.0, 2.0)) * np.exp(-0.5 * (np.log2(hz / centre) / width) ** 2)
    for _ in range(28):
        centre = float(np.exp(rng.uniform(np.log(modes[1][0]), np.log(7000.0))))
        width = float(rng.uniform(0.02, 0.09))
        gain_db += rng.normal(0.0, 5.0) * np.exp(-0.5 * (np.log2(hz / centre) / width) ** 2)
    low, high = modes[0][0] * 0.8, float(rng.uniform(3200.0, 5500.0))
    gain_db -= 9.0 * np.clip(np.log2(low / hz), 0.0, None)
    gain_db -= float(rng.uniform(8.0, 14.0)) * np.clip(np.log2(hz / high), 0.0, None)
    return Voice(
        body=gain_of_db(gain_db),
        tilt=float(rng.uniform(0.8, 1.2)),
        bow_place=float(rng.uniform(0.07, 0.16)),
        noise_db=float(rng.uniform(-42.0, -26.0)),
        attack_s=float(rng.uniform(0.02, 0.07)),
        release_s=float(rng.uniform(0.03, 0.1)),
        jitter_cents=float(rng.uniform(1.0, 4.0)),
    )


def with_fine_resonances(rng: np.random.Generator, voice: Voice) -> Voice:
    """The voice with sixty resonances more, so narrow that vibrato moves the loudness of single partials.

    With a spread of 5 dB a partial moves by about .15 dB for each cent of vibrato, as in real tones (see ``manner``).
    """
    hz = _table_hz(_TABLE_OCTAVES * _FINE_STEPS + 1)
    gain_db = np.zeros(hz.size)
    for centre in np.exp(rng.uniform(np.log(180.0), np.log(7000.0), 60)):
        width = float(rng.uniform(0.01, 0.03))
        gain_db += rng.normal(0.0, 5.0) * np.exp(-0.5 * (np.log2(hz / centre) / width) ** 2)
    return replace(voice, body=body_response(hz, voice=voice) * gain_of_db(gain_db))


def _table_hz(size: int) -> Floats:
    return _TABLE_LOWEST_HZ * 2.0 ** (np.arange(size) / ((size - 1) // _TABLE_OCTAVES))


@compiled()
def _partials(  # pragma: no cover
    hz: Floats,
    true_hz: Floats,
    amplitude: Floats,
    block: int,
    sample_rate_hz: float,
    body: Floats,
    tilt: Floats,
    bow_place: Floats,
    partials: Floats,
    limit_hz: float,
    n: int,
) -> npt.NDArray[np.float32]:
    steps = (body.shape[0] - 1) // _TABLE_OCTAVES
    moved = partials.shape[1]
    out = np.zeros(n, dtype=np.float32)
    most = 400
    now = np.zeros(most)
    later = np.zeros(most)
    shares = np.zeros(block)
    twice = np.zeros(block)
    previous = np.zeros(block)
    current = np.zeros(block)
    total = np.zeros(block)
    phase = 0.0
    turn = 2.0 * np.pi / sample_rate_hz
    ready = -1
    for k in range(hz.shape[0] - 1):
        first = k * block
        if first >= n:
            break
        count = min(block, n - first)
        if amplitude[k] < 1e-6 and amplitude[k + 1] < 1e-6:
            for i in range(count):
                phase += turn * (hz[k] + (hz[k + 1] - hz[k]) * i / block)
            ready = -1
            continue
        for side in range(2):
            j = k + side
            target = now if side == 0 else later
            if side == 0 and ready == k:
                for h in range(most):
                    target[h] = later[h]
                continue
            top = min(most, int(limit_hz / true_hz[j]))
            for h in range(most):
                if h < top:
                    f = true_hz[j] * (h + 1)
                    at = steps * np.log2(f / _TABLE_LOWEST_HZ)
                    i0 = min(max(int(at), 0), body.shape[0] - 2)
                    gain = body[i0] + (body[i0 + 1] - body[i0]) * min(max(at - i0, 0.0), 1.0)
                    fade = min(1.0, (limit_hz - f) / (0.1 * limit_hz))
                    notch = np.abs(np.sin(np.pi * (h + 1) * bow_place[j])) + 0.05
                    target[h] = amplitude[j] * gain * fade * notch * (h + 1.0) ** (-tilt[j])
                    if moved:
                        target[h] *= partials[j, min(h, moved - 1)]
                else:
                    target[h] = 0.0
        ready = k + 1
        used = min(most, int(limit_hz / min(true_hz[k], true_hz[k + 1])) + 1)
        for i in range(count):
            share = i / block
            shares[i] = share
            twice[i] = 2.0 * np.cos(phase)
            previous[i] = 0.0
            current[i] = np.sin(phase)
            total[i] = 0.0
            phase += turn * (hz[k] + (hz[k + 1] - hz[k]) * share)
        phase %= 2.0 * np.pi
        # sin((h + 1) x) = 2 cos(x) sin(h x) - sin((h - 1) x), for the whole block at once.
        for h in range(used):
            start, slope = now[h], later[h] - now[h]
            for i in range(count):
                total[i] += current[i] * (start + slope * shares[i])
                following = twice[i] * current[i] - previous[i]
                previous[i] = current[i]
                current[i] = following
        for i in range(count):
            out[first + i] = total[i]
    return out


def body_response(hz: Floats, *, voice: Voice) -> Floats:
    """Linear gain of the body at frequencies (n,)."""
    return np.interp(hz, _table_hz(voice.body.size), voice.body)
