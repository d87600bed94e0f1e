"""Real sound for ``tests.benchmarks.real``: read from a folder, strung together from real notes, or spoken.

The folder holds ``solo_violin`` (recordings, each with ``_notes.csv``: onset, offset, pitch, velocity in ticks, and
``_alignments.csv``: start, end in seconds), ``cello_notes`` and ``piano`` (one note a file, named by its pitch),
``voice`` (singers) and ``surface`` (record noise). Speech is made by espeak-ng where it is installed: a stand-in.
"""

import csv
import itertools
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile
import soxr
from scipy.signal import butter, sosfiltfilt

from pipeline.errors import AudioError
from pipeline.store.audio.whole_sound import read_sound

Samples = npt.NDArray[np.float32]
RATE = 44_100
REFUSED: list[str] = []
NAMES = {name: i for i, name in enumerate(("C", "Cs", "D", "Ds", "E", "F", "Fs", "G", "Gs", "A", "As", "B"))}
# Our own sentences; every voice reads those of its language.
SPOKEN = {
    "en": "The old machine stood in the corner by the window, and nobody could say when it had last been wound. "
    "What did you bring me today? Three discs, a broken needle, and a letter from my uncle!",
    "de": "Am Morgen lag Nebel über dem Fluss, und die Fähre fuhr erst gegen neun. Hast du die Platten mitgebracht? "
    "Nein, sie liegen noch im Keller, gleich neben dem alten Schrank.",
    "fr": "Le marchand ouvrit la porte et regarda longtemps la pluie tomber sur la place. Combien de disques avez-vous "
    "trouvés? Une douzaine, peut-être davantage, mais beaucoup sont usés.",
    "es": "La casa estaba vacía desde hacía años, pero alguien había dejado la luz encendida. ¿Quién vive allí ahora? "
    "Nadie lo sabe, y nadie se atreve a preguntar.",
    "it": "Quando arrivò la primavera, il vecchio musicista tornò al paese con una valigia piena di dischi. Chi lo "
    "aspettava alla stazione? Soltanto il cane, sotto la pioggia.",
    "ru": "Вечером мы сидели у окна и слушали, как ветер шумит в саду. Ты помнишь эту песню? Нет, её давно "
    "никто не поёт.",
    "pl": "Wieczorem przyszedł listonosz i przyniósł paczkę owiniętą w szary papier. Kto ją wysłał? Nie było nadawcy.",
    "hu": "A régi gép a sarokban állt, és senki sem tudta, mikor szólt utoljára. Hoztál nekem valamit? "
    "Csak egy levelet.",
}
VARIANTS = ("", "+f2", "+m3", "+f4", "+Annie", "+Alex", "+Linda", "+f5")


@dataclass(frozen=True)
class RealSound:
    """One mono sound and what is known of it.

    ``notes`` (n, 3): start s, end s, MIDI pitch; ``single`` if its notes come one at a time; ``playing`` the seconds
    from the first note to the end of the last.
    """

    name: str
    kind: str
    instrument: str
    samples: Samples
    notes: npt.NDArray[np.float64] | None = None
    single: bool = False

    @property
    def length_s(self) -> float:
        """Length in s."""
        return self.samples.size / RATE

    @property
    def playing(self) -> tuple[float, float]:
        """From when to when there is something to be heard, in s."""
        if self.notes is None:
            return 0.0, self.length_s
        return float(self.notes[:, 0].min()), min(float(self.notes[:, 1].max()), self.length_s)


def movements(folder: Path, *, most_s: float) -> Iterator[Callable[[], RealSound]]:
    """The solo violin recordings with their note lists, at most ``most_s`` of each; read when called."""
    for path in sorted((folder / "solo_violin").glob("*.[mo]p[3u]*")):
        yield lambda path=path: _movement(path, most_s)  # type: ignore[misc]


def _movement(path: Path, most_s: float) -> RealSound:
    samples = _read(path)[: int(most_s * RATE)]
    listed = path.with_name(f"{path.stem}_notes.csv")
    if not listed.exists():  # an excerpt: its list is that of the whole
        listed = next(path.parent.glob(f"{'_'.join(path.stem.split('_')[:2])}*_notes.csv"))
    pitches = np.array([float(r["pitch"]) for r in _rows(listed)])
    timed = _rows(listed.with_name(listed.name.replace("_notes", "_alignments")))
    notes = np.column_stack([np.array([[float(r["start"]), float(r["end"])] for r in timed]), pitches[: len(timed)]])
    notes = notes[(notes[:, 1] < samples.size / RATE) & (notes[:, 1] > notes[:, 0])]  # some in the lists last nothing
    alone = np.mean(np.diff(notes[:, 0]) > 0.01) if len(notes) > 1 else 0.0
    # Movements in which a tenth of the notes begin together are chords and double stops.
    return RealSound(path.stem, "violin", "violin", samples, notes, bool(alone > 0.9))


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _read(path: Path) -> Samples:
    """The file as this program reads it; what it refuses is noted in ``REFUSED`` and read by libsndfile instead."""
    try:
        heard = read_sound(path, channel_rule="measured_lateral")
        samples, rate = heard.samples, heard.sample_rate_hz
    except AudioError as refusal:
        REFUSED.append(str(refusal))
        samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
        samples = samples.mean(axis=1)
    return _at_rate(samples, rate)


def _at_rate(samples: Samples, rate: int) -> Samples:
    return samples if rate == RATE else np.asarray(soxr.resample(samples, rate, RATE), dtype=np.float32)


def single_notes(folder: Path) -> dict[int, Samples]:
    """Real notes by MIDI pitch, from files whose names begin with the pitch (``Cs3``, ``F#2v10``)."""
    found: dict[int, Samples] = {}
    for path in sorted(folder.iterdir()):
        named = re.match(r"([A-G])([s#]?)(\d)", path.name)
        if named is None or path.suffix not in (".mp3", ".ogg", ".flac", ".wav"):
            continue
        midi = NAMES[named[1] + ("s" if named[2] else "")] + 12 * (int(named[3]) + 1)
        samples = _read(path)
        loud = np.flatnonzero(np.abs(samples) > 0.02 * np.abs(samples).max())
        found.setdefault(midi, samples[max(int(loud[0]) - 200, 0) :])
    return found


def bowed(
    notes: dict[int, Samples], *, style: str, seed: int, length_s: float, name: str, instrument: str
) -> RealSound:
    """A tune of real bowed notes: ``legato`` (joined), ``detache`` (short gaps), ``runs`` or ``slow``."""
    rng = np.random.default_rng(seed)
    low, high = {"legato": (0.4, 1.2), "detache": (0.18, 0.5), "runs": (0.11, 0.2), "slow": (1.0, 2.5)}[style]
    gap_s = {"legato": 0.0, "detache": 0.04, "runs": 0.0, "slow": 0.0}[style]
    pitches = sorted(notes)
    out = np.zeros(int((length_s + 3.0) * RATE), dtype=np.float32)
    at, place, listed = 0.3, len(pitches) // 2, []
    while at < length_s - high:
        last_s = float(np.exp(rng.uniform(np.log(low), np.log(high))))
        place = int(np.clip(place + rng.choice((-4, -2, -1, -1, 1, 1, 2, 5)), 0, len(pitches) - 1))
        sound = notes[pitches[place]]
        last_s = min(last_s, sound.size / RATE - 0.1)
        begin = 0 if style in ("detache", "slow") else min(int(0.06 * RATE), sound.size // 4)
        part = sound[begin : begin + int((last_s + 0.03 - gap_s) * RATE)].copy()
        part *= 0.2 / max(float(np.sqrt(np.mean(part**2))), 1e-6) * 10 ** (rng.normal(0, 1.5) / 20)
        fade = int(0.03 * RATE)
        part[-fade:] *= np.linspace(1, 0, fade)
        if begin:
            part[: fade // 2] *= np.linspace(0, 1, fade // 2)
        start = int(at * RATE)
        out[start : start + part.size] += part
        listed.append((at, at + last_s - gap_s, pitches[place]))
        at += last_s
    samples = out[: int((at + 0.4) * RATE)]
    return RealSound(f"{name} {style}", "bowed notes", instrument, samples, np.array(listed, dtype=np.float64), True)


def piano(notes: dict[int, Samples], *, style: str, seed: int, length_s: float) -> RealSound:
    """A real piano alone: ``chords``, a ``tune`` of single notes, or a tune over chords (``both``)."""
    rng = np.random.default_rng(seed)
    out = np.zeros(int((length_s + 8.0) * RATE), dtype=np.float32)

    def strike(at: float, midi: int, last_s: float, gain: float) -> None:
        nearest = min(notes, key=lambda m: abs(m - midi))
        sound = notes[nearest][: int((last_s + 0.25) * RATE * 1.2)]
        if midi != nearest:
            sound = soxr.resample(sound, RATE * 2 ** ((midi - nearest) / 12), RATE)
        part = np.array(sound[: int((last_s + 0.2) * RATE)], dtype=np.float32)
        # The damper falls when the key is let go.
        let_go = int(last_s * RATE)
        part[let_go:] *= np.exp(-np.arange(max(part.size - let_go, 0)) / (0.06 * RATE))
        start = int(at * RATE)
        out[start : start + part.size] += gain * part

    root, at = 48 + int(rng.integers(0, 12)), 0.3
    beat = float(rng.uniform(0.3, 0.7))
    tune = root + 24
    while at < length_s:
        bar = root + int(rng.choice((0, 5, 7, -3)))
        if style in ("chords", "both"):
            for k, step in enumerate((-12, 0, 4, 7)):
                strike(at if k == 0 else at + beat * (rng.random() < 0.5), bar + step, 1.8 * beat, 0.7)
        if style in ("tune", "both"):
            left = 0.0
            while left < 2 * beat:
                last_s = beat * float(rng.choice((0.25, 0.5, 0.5, 1.0)))
                tune = int(np.clip(tune + rng.choice((-4, -2, -1, 1, 2, 3)), root + 12, root + 36))
                strike(at + left, tune, last_s * 1.05, 1.0)
                left += last_s
        at += 2 * beat
    return RealSound(f"piano {style} {seed}", "piano alone", "violin", out[: int(length_s * RATE)])


def speech(*, most: int) -> Iterator[Callable[[], RealSound]]:
    """Speech of several voices and languages, by espeak-ng; nothing where it is not installed."""
    program = shutil.which("espeak-ng")
    if program is None:
        return
    for i, (language, variant) in enumerate(itertools.islice(_voices(), most)):
        yield lambda i=i, v=language + variant, t=SPOKEN[language]: _spoken(program, v, t, i)  # type: ignore[misc]


def _voices() -> Iterator[tuple[str, str]]:
    for shift in range(len(VARIANTS)):
        for i, language in enumerate(SPOKEN):
            yield language, VARIANTS[(i + shift) % len(VARIANTS)]


def _spoken(program: str, voice: str, text: str, number: int) -> RealSound:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "spoken.wav"
        pace, pitch = str(130 + 15 * (number % 5)), str(35 + 10 * (number % 4))
        command = [program, "-v", voice, "-s", pace, "-p", pitch, "-w", str(path), text]
        subprocess.run(command, check=True, capture_output=True)
        samples = _read(path)
    return RealSound(f"speech {voice}", "speech", "violin", samples)


def singers(folder: Path) -> Iterator[Callable[[], RealSound]]:
    """The singers alone."""
    for path in sorted((folder / "voice").glob("*.wav")):
        yield lambda path=path: RealSound(  # type: ignore[misc]
            f"song {path.stem}", "song", "violin", _read(path)
        )


def surface(folder: Path, *, length_s: float, seed: int) -> Samples:
    """Record noise: one of the folder's cuts, over and over from a random place, its ends crossfaded."""
    rng = np.random.default_rng([78, seed])
    cuts = [_read(path) for path in sorted((folder / "surface").glob("*.flac"))]
    cut, fade = cuts[seed % len(cuts)].copy(), int(0.5 * RATE)
    # Equal power: the two ends are independent. No turn of a record repeats so, for the cuts are many turns long.
    cut[:fade] *= np.sqrt(np.linspace(0, 1, fade, dtype=np.float32))
    cut[:fade] += cut[-fade:] * np.sqrt(np.linspace(1, 0, fade, dtype=np.float32))
    loop = np.roll(cut[:-fade], int(rng.integers(0, cut.size)))
    return np.resize(loop, int(length_s * RATE))


def with_surface(sound: RealSound, folder: Path, *, snr_db: float, draw: int) -> Samples:
    """The sound with record noise ``snr_db`` below it, both measured over the whole file from 150 to 3500 Hz."""
    noise = surface(folder, length_s=sound.length_s + 0.1, seed=draw)[: sound.samples.size]
    gain = _band_level(sound.samples) / max(_band_level(noise), 1e-9) * 10 ** (-snr_db / 20)
    return np.asarray(sound.samples + np.float32(gain) * noise, dtype=np.float32)


def _band_level(samples: Samples) -> float:
    band: Any = butter(4, (150.0, 3500.0), btype="bandpass", fs=RATE, output="sos")
    return float(np.sqrt(np.mean(sosfiltfilt(band, samples.astype(np.float64)) ** 2)))
