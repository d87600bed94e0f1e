"""Pitch lines with known notes and glides, as a perfect tracker with a 46 ms window would give them."""

from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.units import Floats

HOP_S = 64 / 11_025
WINDOW_S = 0.046


@dataclass
class MadeLine:
    """The columns of a melody line."""

    time_s: Floats
    f0_hz: Floats
    voiced_probability: Floats
    confidence: Floats
    level_db: Floats
    prominence_db: Floats
    sound_db: Floats
    gliding: Floats


@dataclass
class Score:
    """Pitch in time: held notes and what lies between them, added one after the other from 0.3 s on."""

    pieces: list[tuple[float, object]] = field(default_factory=list)

    def note(self, midi: float, seconds: float, *, vibrato_hz: float = 0.0, vibrato_cents: float = 0.0) -> "Score":
        """A held note; the vibrato is a sine, its extent half from crest to trough."""

        def pitch(t: Floats) -> Floats:
            return midi + vibrato_cents / 100.0 * np.sin(2 * np.pi * vibrato_hz * t)

        self.pieces.append((seconds, pitch))
        return self

    def glide(self, start: float, end: float, seconds: float, *, shape: str = "logistic") -> "Score":
        """A glide; logistic has ends cut where 2 % of the way are left."""

        def pitch(t: Floats) -> Floats:
            x = t / seconds
            if shape == "linear":
                way = x
            else:
                steep = 2.0 * np.log(49.0)
                low = 1.0 / 50.0
                way = (1.0 / (1.0 + np.exp(-steep * (x - 0.5))) - low) / (1.0 - 2.0 * low)
            return start + (end - start) * way

        self.pieces.append((seconds, pitch))
        return self

    def rest(self, seconds: float) -> "Score":
        """Silence."""
        self.pieces.append((seconds, None))
        return self

    @property
    def now_s(self) -> float:
        """When the next piece will begin."""
        return 0.3 + sum(seconds for seconds, _ in self.pieces)

    def curve(self) -> Floats:
        """MIDI pitch every millisecond, NaN in silence."""
        parts = [np.full(300, np.nan)]
        for seconds, pitch in self.pieces:
            t = np.arange(round(seconds * 1000)) / 1000.0
            parts.append(np.full(t.size, np.nan) if pitch is None else np.asarray(pitch(t), dtype=np.float64))
        return np.concatenate([*parts, np.full(300, np.nan)])

    def line(self, *, noise_cents: float = 0.0, seed: int = 0, hop_s: float = HOP_S) -> MadeLine:
        """The line of a tracker: weighted median of the pitch in the window, so that steps stay steps."""
        return line_of(self.curve(), noise_cents=noise_cents, seed=seed, hop_s=hop_s)


def line_of(midi: Floats, *, noise_cents: float = 0.0, seed: int = 0, hop_s: float = HOP_S) -> MadeLine:
    """A tracker's line of a pitch curve on a 1 ms grid (A4 = 440 Hz)."""
    half = round(500 * WINDOW_S)
    window = np.hanning(2 * half + 3)[1:-1]
    padded = np.pad(midi, half, constant_values=np.nan)
    time = np.arange(0.0, midi.size / 1000.0, hop_s)
    index = np.round(time * 1000).astype(int)
    index = index[index < midi.size]
    time = time[: index.size]
    seen = padded[index[:, None] + np.arange(2 * half + 1)[None]]
    weight = np.where(np.isfinite(seen), window[None], 0.0)
    order = np.argsort(np.where(np.isfinite(seen), seen, np.inf), axis=1)
    sorted_weight = np.cumsum(np.take_along_axis(weight, order, axis=1), axis=1)
    middle = (sorted_weight >= 0.5 * sorted_weight[:, -1:]).argmax(axis=1)
    pitch = np.take_along_axis(seen, order, axis=1)[np.arange(index.size), middle]
    level = 20.0 * np.log10(np.maximum(weight.sum(axis=1) / window.sum(), 1e-3))
    sounding = level > -6.0
    pitch = pitch + np.random.default_rng(seed).normal(0.0, noise_cents / 100.0, pitch.size)
    return MadeLine(
        time_s=time,
        f0_hz=np.where(sounding, 440.0 * 2.0 ** ((pitch - 69.0) / 12.0), np.nan),
        voiced_probability=sounding.astype(np.float64),
        confidence=np.where(sounding, 0.97, 0.02),
        level_db=level,
        prominence_db=level + 30.0,
        sound_db=level + 1.0,
        gliding=np.full(pitch.size, np.nan),
    )


def swelling(line: MadeLine) -> MadeLine:
    """Notes that swell over their first tenth of a second, as bowed ones do."""
    return with_levels(line, lambda since_s: np.minimum(since_s, 0.1) * 60.0)


def struck(line: MadeLine) -> MadeLine:
    """Notes that fade by 20 dB a second from their beginning, as those of a piano's middle register do."""
    return with_levels(line, lambda since_s: -20.0 * since_s)


def with_levels(line: MadeLine, course: object) -> MadeLine:
    cents = 1200.0 * np.log2(np.where(np.isfinite(line.f0_hz), line.f0_hz, 1.0))
    fresh = np.abs(np.diff(cents, prepend=0.0)) > 50.0
    begin_s = np.maximum.accumulate(np.where(fresh, line.time_s, 0.0))
    return replace(line, level_db=-20.0 + course(line.time_s - begin_s))  # type: ignore[operator]


def tune(note_s: float, *, seconds: float = 20.0, vibrato_cents: float = 0.0) -> Score:
    rng, score, midi = np.random.default_rng(1), Score(), 74
    while score.now_s < seconds:
        midi = int(np.clip(midi + rng.choice((-4, -2, -1, 1, 2, 3)), 62, 90))
        score = score.note(float(midi), note_s, vibrato_hz=6.0, vibrato_cents=vibrato_cents)
    return score


def speech(*, seconds: float = 20.0) -> Score:
    rng, score = np.random.default_rng(2), Score()
    while score.now_s < seconds:
        start, way = rng.uniform(50, 60), rng.choice((-1.0, 1.0)) * rng.uniform(2.0, 6.0)
        score = score.glide(start, start + way, rng.uniform(0.1, 0.35), shape="linear").rest(rng.uniform(0.02, 0.15))
    return score
