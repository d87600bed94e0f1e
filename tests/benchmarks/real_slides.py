"""Slides made of real notes, clean and under real surface noise: what is found, and what is claimed besides.

    python -m tests.benchmarks.real_slides --folder ../shared/real [--slides 20] [--draws 3]

Hardly a slide is in the recordings of the folder, so slides are made: a real steady note (of the cello, note by note,
or of the solo violin, held half a second and more) is read faster or slower along a slide's curve into another real
note of the same player. Level, dullness, shape and length follow what was measured on real slides of a cello and three
violins: 190 ms (quartiles 150 and 230), straight or settling slowly, 8 dB down in the middle at 4 semitones and more
and the higher partials by 4 dB more, into a softer note, the old note ringing on 14 dB below. Between them stand as
many changes without a slide, in which nothing must be found. The range in brackets is that of the draws of the noise.
"""

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.signal import butter as butterworth
from scipy.signal import fftconvolve, sosfilt

from pipeline.signal.line.follow import follow
from pipeline.signal.slides.detect import find_notes_and_slides
from pipeline.signal.slides.measures import Slide
from pipeline.signal.speed.speed_map import SpeedMap
from tests.benchmarks.real_sound import RATE, RealSound, Samples, movements, single_notes, with_surface

LEAST_OVERLAP = 0.3


@dataclass(frozen=True)
class Made:
    """A string of real notes; ``slides`` (n, 3): start and end in s, interval in semitones."""

    name: str
    instrument: str
    samples: Samples
    slides: list[tuple[float, float, float]]
    changes: int


def held_violin(folder: Path) -> dict[int, Samples]:
    """Notes of the solo violin that are held for half a second and more, by pitch, without their ends."""
    found: dict[int, Samples] = {}
    for read in movements(folder, most_s=240.0):
        sound = read()
        for start, end, midi in sound.notes if sound.notes is not None and sound.single else ():
            if end - start > 0.5:
                found.setdefault(round(midi), sound.samples[int((start + 0.06) * RATE) : int((end - 0.04) * RATE)])
    return found


def made(notes: dict[int, Samples], *, name: str, instrument: str, count: int, seed: int) -> Made:
    """A string of notes, every other change of which is a slide."""
    rng = np.random.default_rng(seed)
    pitches = sorted(midi for midi, samples in notes.items() if samples.size > 0.4 * RATE)
    out = np.zeros(0, dtype=np.float32)
    slides, midi = [], int(rng.choice(pitches))
    for k in range(2 * count):
        near = [p for p in pitches if 2 <= abs(p - midi) <= 9]
        after = int(rng.choice(near or pitches))
        held = _steady(notes[midi], float(rng.uniform(0.35, 0.8)), rng)
        out = _joined(out, held)
        if k % 2 and after != midi:
            length_s = float(np.clip(rng.normal(0.19, 0.055), 0.09, 0.33))
            start_s = out.size / RATE
            out = _joined(out, _glide(notes[midi], after - midi, length_s, rng))
            slides.append((start_s, out.size / RATE, float(after - midi)))
        midi = after
    out = _joined(out, _steady(notes[midi], 0.8, rng))
    return Made(name, instrument, _in_room(out, rng), slides, count)


def _steady(note: Samples, length_s: float, rng: np.random.Generator) -> Samples:
    """The middle of a note at one level."""
    at = int(0.15 * note.size)
    part = note[at : at + int(length_s * RATE)]
    return np.asarray(part / max(float(np.sqrt(np.mean(part**2))), 1e-9) * 10 ** (rng.normal(0, 2) / 20), np.float32)


def _glide(note: Samples, semitones: float, length_s: float, rng: np.random.Generator) -> Samples:
    """The note read along a slide's curve, quieter and duller on the way."""
    u = np.linspace(0.0, 1.0, int(length_s * RATE))
    way = u if rng.random() < 0.5 else 1.0 - (1.0 - u) ** float(rng.uniform(1.2, 2.2))
    place = int(0.3 * note.size) + np.cumsum(2.0 ** (semitones * way / 12.0))
    sound = np.interp(np.minimum(place, note.size - 1), np.arange(note.size), note)
    sound /= max(float(np.sqrt(np.mean(sound**2))), 1e-9)
    dull = sosfilt(butterworth(1, 900.0, fs=RATE, output="sos"), sound)
    within = np.sin(np.pi * u) ** 2
    fall_db = float(np.clip(rng.normal(2.0 + 1.1 * abs(semitones), 3.5), 0.0, 16.0)) + 2.0 * (semitones < 0)
    return np.asarray((sound + 0.5 * within * (dull - sound)) * 10 ** (-fall_db * within / 20), dtype=np.float32)


def _joined(out: Samples, more: Samples) -> Samples:
    """One after the other, over a cross-fade of 12 ms."""
    n = min(int(0.012 * RATE), out.size, more.size)
    fade = np.linspace(0.0, 1.0, n, dtype=np.float32)
    return np.concatenate((out[: out.size - n], out[out.size - n :] * (1 - fade) + more[:n] * fade, more[n:]))


def _in_room(samples: Samples, rng: np.random.Generator) -> Samples:
    """With a tail in which an old note is about 14 dB down after a tenth of a second."""
    at = np.arange(int(1.2 * RATE)) / RATE
    tail = rng.standard_normal(at.size) * np.exp(-6.9 * at / 1.0) * (at > 0.008)
    tail *= 10 ** (-7.0 / 20) / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    return np.asarray(fftconvolve(samples, tail)[: samples.size], dtype=np.float32)


def found_in(made_of: Made, samples: Samples) -> tuple[int, int]:
    """How many of the slides are found, and how many others are claimed."""
    line = follow(samples, sample_rate_hz=RATE, instrument=made_of.instrument, scoring="network")
    level = SpeedMap.constant(correction_cents=0.0, length_s=samples.size / RATE)
    slides = find_notes_and_slides(line, speed_map=level, reference_pitch_hz=440.0, spans=None).slides
    met = [next((s for s in slides if _meets(s, true)), None) for true in made_of.slides]
    return sum(s is not None for s in met), len(slides) - len({id(s) for s in met if s is not None})


def _meets(slide: Slide, true: tuple[float, float, float]) -> bool:
    start, end, interval = true
    both = min(end, slide.transfer_end_s) - max(start, slide.transfer_start_s)
    either = max(end, slide.transfer_end_s) - min(start, slide.transfer_start_s)
    return both / either > LEAST_OVERLAP and slide.interval_cents * interval > 0


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--slides", type=int, default=20)
    parser.add_argument("--draws", type=int, default=3)
    given = parser.parse_args()
    strings = [
        made(single_notes(given.folder / "cello_notes"), name="cello", instrument="cello", count=given.slides, seed=5),
        made(held_violin(given.folder), name="solo violin", instrument="violin", count=given.slides, seed=6),
    ]
    for string in strings:
        for snr_db in (None, 12.0, 5.0):
            sound = RealSound(string.name, "bowed", string.instrument, string.samples)
            noisy = (
                [string.samples]
                if snr_db is None
                else [with_surface(sound, given.folder, snr_db=snr_db, draw=draw) for draw in range(given.draws)]
            )
            counts = [found_in(string, samples) for samples in noisy]
            found, false = np.array(counts).T
            print(
                f"{string.name:12} {'clean' if snr_db is None else f'{snr_db:g} dB':6} of {len(string.slides)} slides "
                f"{found.mean():.1f} ({found.min()}-{found.max()}), false in {string.changes} other changes "
                f"{false.mean():.1f} ({false.min()}-{false.max()})",
                flush=True,
            )


if __name__ == "__main__":
    main()
