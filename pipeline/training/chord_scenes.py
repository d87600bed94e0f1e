"""Random mixes for the judges of chords: single notes, double stops, chords, notes that ring on, and a piano.

Chords are drawn from what one hand can stop on neighbouring strings. Levels lie 0 to 14 dB apart; what rings on lies 4
to 20 dB under the bowed note and falls by 15 to 90 dB a second, as measured at 460 changes of note of two violinists
(quartiles 4 to 19 dB and 17 to 79 dB a second).
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import fft

from pipeline.signal.chords.grid import HOP, HOP_S, RATE_HZ
from pipeline.signal.hand.fingerboard import FINGERS, Fingerboard, chord_ways, fingerboard
from pipeline.signal.synth.curve import glide, wander
from pipeline.signal.synth.degrade import level_through, random_chain, surface, through_chain
from pipeline.signal.synth.keys import TONICS
from pipeline.signal.synth.piano import accompany, random_piano, render_piano
from pipeline.signal.synth.voice import Voice, body_response, with_fine_resonances
from pipeline.training.scenes import real_chain, varied_voice
from pipeline.units import A4_HZ, Floats, gain_of_db, hz_of_midi, ratio_of_semitones

Samples = npt.NDArray[np.float32]
BLOCK = 6
LIMIT_HZ = 5300.0
PIANO_SHARE = 0.35
MOST_NOTES = 4
TRIES = 200
# Shares of one to four notes at once, by what a piece is full of.
STYLES = {"single": (0.85, 0.12, 0.02, 0.01), "double": (0.25, 0.65, 0.07, 0.03), "chords": (0.35, 0.25, 0.25, 0.15)}


@dataclass(frozen=True)
class MixedNote:
    """One note of a mix: bowed from ``start_s`` to ``end_s``, then ringing until ``rings_s``; its string.

    ``midi`` is its pitch without vibrato at 440 Hz; ``level_db`` against the loudest of its chord; it begins
    ``glide_from`` semitones off and arrives within ``glide_s``.
    """

    start_s: float
    end_s: float
    rings_s: float
    midi: float
    string: int
    level_db: float
    vibrato_cents: float
    vibrato_hz: float
    attack_s: float
    drop_db: float
    fall_db_s: float
    glide_from: float = 0.0
    glide_s: float = 0.0


@dataclass(frozen=True)
class Mix:
    """Samples at ``RATE_HZ``, the notes in them, and the pitch (frames,) of each at 440 Hz, NaN where it is silent."""

    samples: Samples
    notes: tuple[MixedNote, ...]
    midi: tuple[Floats, ...]


def random_mix(rng: np.random.Generator, *, instrument: str, length_s: float) -> Mix:
    """One mix: a room, the band of a recording and its noise on most, a piano on a third."""
    tuning = float(rng.normal(0.0, 0.3))
    notes = random_notes(rng, board=fingerboard(instrument), length_s=length_s, tuning=tuning)
    voice = varied_voice(rng, instrument=instrument)
    if rng.random() < 0.6:
        voice = with_fine_resonances(rng, voice)
    solo, curves = render_notes(rng, notes, voice=voice, length_s=length_s)
    band = str(rng.choice(("acoustic", "electrical", "full"), p=(0.4, 0.3, 0.3)))
    chain = random_chain(rng, band=band)
    if rng.random() < 0.6:
        chain = real_chain(rng, chain)
    loud = float(np.sqrt(np.mean(np.square(solo[solo != 0.0], dtype=np.float64))))
    mix = solo
    if rng.random() < PIANO_SHARE:
        piano = _piano(rng, solo.size, length_s=length_s, tuning=tuning)
        level = float(np.sqrt(np.mean(np.square(piano, dtype=np.float64))))
        mix = solo + piano * np.float32(loud / max(level, 1e-9) * gain_of_db(-rng.uniform(-2.0, 14.0)))
    heard = through_chain(mix, chain=chain, sample_rate_hz=RATE_HZ, rng=rng)
    if rng.random() < 0.85:
        snr_db = float(rng.triangular(3.0, 14.0, 32.0))
        level = level_through(solo, chain=chain, sample_rate_hz=RATE_HZ) / np.sqrt(np.mean(solo != 0.0))
        noise = surface(solo.size, chain=chain, sample_rate_hz=RATE_HZ, rng=rng)
        heard = heard + noise * np.float32(level * gain_of_db(-snr_db))
    samples = np.asarray(heard * np.float32(0.5 / max(float(np.abs(heard).max()), 1e-9)), dtype=np.float32)
    # What the room holds on to is ringing as well.
    rung = tuple(replace(note, rings_s=max(note.rings_s, note.end_s + chain.rings_s)) for note in notes)
    return Mix(samples, rung, curves)


def _piano(rng: np.random.Generator, size: int, *, length_s: float, tuning: float) -> Samples:
    return render_piano(
        accompany(rng, key=f"{rng.choice(TONICS)} major", beat_s=float(rng.uniform(0.3, 1.0)), length_s=length_s),
        piano=random_piano(rng),
        rng=rng,
        true_s=np.arange(size) / RATE_HZ,
        reference_pitch_hz=A4_HZ * float(ratio_of_semitones(tuning)),
        highest_hz=0.45 * RATE_HZ,
    )


def random_notes(
    rng: np.random.Generator, *, board: Fingerboard, length_s: float, tuning: float
) -> tuple[MixedNote, ...]:
    """Notes one after another and at once, each chord one that a hand can stop."""
    shares = STYLES[str(rng.choice(list(STYLES), p=(0.25, 0.3, 0.45)))]
    quick = rng.random() < 0.3
    vibrating, vibrato_hz = float(rng.uniform(0.0, 1.0)), float(rng.uniform(4.5, 7.5))
    slow_bow = 0.05 if board.instrument == "cello" else 0.03
    notes: list[MixedNote] = []
    held: MixedNote | None = None
    at = 0.3
    while at < length_s - 2.5:
        count = int(rng.choice((1, 2, 3, 4), p=shares))
        chord = random_chord(rng, board, count, held)
        lasts = float(np.exp(rng.uniform(np.log(0.1 if quick and count < 3 else 0.25), np.log(0.4 if quick else 1.6))))
        delays, ends = _delays(rng, count), _ends(rng, count, lasts)
        apart = 6.0 if rng.random() < 0.5 else 14.0
        levels = rng.uniform(-apart, 0.0, count)
        levels -= levels.max()
        whole = float(rng.normal(0.0, 2.5))
        new: list[MixedNote] = []
        for i, (string, midi, opened) in enumerate(chord):
            moving = not opened and rng.random() < vibrating
            start = at + delays[i]
            rings = rng.random() < 0.7
            drop, fall = float(rng.uniform(4.0, 20.0)), float(rng.uniform(15.0, 90.0))
            end = at + max(ends[i], delays[i] + 0.08)
            note = MixedNote(
                start_s=start,
                end_s=end,
                rings_s=end + ((32.0 - drop) / fall if rings else 0.0),
                midi=midi + tuning + float(rng.normal(0.0, 0.04 if opened else 0.12)),
                string=string,
                level_db=float(levels[i]) + whole,
                vibrato_cents=float(rng.lognormal(np.log(18.0), 0.6)) if moving else 0.0,
                vibrato_hz=vibrato_hz * float(rng.normal(1.0, 0.03)),
                attack_s=float(np.clip(rng.lognormal(np.log(slow_bow), 0.7), 0.006, 0.3)),
                drop_db=drop if rings else 60.0,
                fall_db_s=fall if rings else 1000.0,
            )
            if not opened and rng.random() < 0.25:
                wide = (
                    float(rng.uniform(-5.0, 5.0)) if count == 1 and rng.random() < 0.4 else float(rng.normal(0.0, 0.3))
                )
                note = replace(note, glide_from=wide, glide_s=float(rng.uniform(0.05, 0.25)))
            new.append(note)
        if held is not None:
            same = [i for i, note in enumerate(new) if note.string == held.string and abs(note.midi - held.midi) < 0.7]
            if same:
                # The note goes on under the same bow: lengthen it instead of beginning it anew.
                last = new.pop(same[0])
                notes.remove(held)
                new.append(replace(held, end_s=last.end_s, rings_s=last.rings_s))
        notes += new
        held = new[int(rng.integers(len(new)))] if rng.random() < (0.35 if shares[1] > 0.5 else 0.15) else None
        at = max(note.end_s for note in new)
        if held is None:
            at += 0.0 if rng.random() < 0.6 else float(rng.uniform(0.02, 0.15 if rng.random() < 0.8 else 0.8))
        else:
            at = max(at, held.end_s)
    return _damped(sorted(notes, key=lambda note: note.start_s))


def random_chord(
    rng: np.random.Generator, board: Fingerboard, count: int, held: MixedNote | None
) -> list[tuple[int, float, bool]]:
    """String, pitch and whether it is open, of each note of a chord; with string and pitch of ``held`` if it can."""
    for attempt in range(TRIES):
        lowest = int(rng.integers(0, len(board.strings) - count + 1))
        place = int(np.clip(rng.exponential(4.0), 0, 14))
        found = []
        for string in range(lowest, lowest + count):
            finger = int(rng.integers(0, 5)) if place < 6 else int(rng.integers(1, 5))
            reach = {0: 0, 1: 0, 2: 2, 3: 3, 4: 5}[finger] + int(rng.integers(-1, 2)) * (finger in FINGERS)
            above = 0 if finger == 0 else max(1, place + reach)
            if held is not None and string == held.string and attempt < TRIES // 2:
                above = max(0, round(held.midi - board.open_midi[string]))
            found.append((string, board.open_midi[string] + above, above == 0))
        if held is not None and attempt < TRIES // 2 and all(string != held.string for string, _, _ in found):
            continue
        if count == 1 or chord_ways(board, tuple(round(midi) for _, midi, _ in found)):
            return found
    return [(string, float(board.open_midi[string]), True) for string in range(count)]


def _delays(rng: np.random.Generator, count: int) -> Floats:
    """Start of each note, lowest string first, after the beginning of the chord."""
    delays = np.abs(rng.normal(0.0, 0.006, count))
    draw = rng.random()
    if count > 1 and draw < 0.4:
        step = float(rng.uniform(0.02, 0.13))
        delays += step * np.arange(count)
        if rng.random() < 0.15:
            delays = delays[::-1].copy()
    elif count > 1 and draw < 0.5:
        delays[int(rng.integers(count))] += float(rng.uniform(0.04, 0.2))
    return delays


def _ends(rng: np.random.Generator, count: int, lasts_s: float) -> Floats:
    """End of each note after the beginning of the chord: the lower strings of three or four are mostly left first."""
    ends = np.full(count, lasts_s)
    if count > 2 and rng.random() < 0.7:
        left = int(rng.integers(1, count))
        ends[:left] = np.minimum(lasts_s, rng.uniform(0.12, 0.5))
    elif count == 2 and rng.random() < 0.2:
        ends[int(rng.integers(2))] *= float(rng.uniform(0.3, 0.8))
    return ends


def _damped(notes: list[MixedNote]) -> tuple[MixedNote, ...]:
    """No string rings on once it is wanted again; nor does it for two of its own notes to overlap."""
    out = []
    for i, note in enumerate(notes):
        wanted = [
            later.start_s for later in notes[i + 1 :] if later.string == note.string and later.start_s > note.start_s
        ]
        end_s = min(note.end_s, wanted[0]) if wanted else note.end_s
        rings_s = min(note.rings_s, wanted[0]) if wanted else note.rings_s
        out.append(replace(note, end_s=end_s, rings_s=max(rings_s, end_s)))
    return tuple(out)


def render_notes(
    rng: np.random.Generator, notes: tuple[MixedNote, ...], *, voice: Voice, length_s: float
) -> tuple[Samples, tuple[Floats, ...]]:
    """Samples of the notes with bow noise, and the pitch of each at the frames of the grid."""
    size = int(length_s * RATE_HZ)
    out, stroke = np.zeros(size, dtype=np.float32), np.zeros(size, dtype=np.float32)
    frames = np.arange(-(-size // HOP), dtype=np.float64) * HOP_S
    curves = []
    for note in notes:
        first = int(note.start_s * RATE_HZ / BLOCK)
        last = min(int((note.rings_s + 0.1) * RATE_HZ / BLOCK), size // BLOCK - 1)
        at = np.arange(first, max(last, first + 4), dtype=np.float64) * (BLOCK / RATE_HZ)
        midi, amplitude = _pitch(rng, note, at), _loudness(rng, note, at)
        hz = hz_of_midi(midi, reference_pitch_hz=A4_HZ)
        count = min((at.size - 1) * BLOCK, size - first * BLOCK)
        # Two strings do not sound alike: each note has its own slope, bow place and unevenness of partials.
        own = replace(
            voice, tilt=voice.tilt + float(rng.normal(0, 0.1)), bow_place=voice.bow_place * float(rng.lognormal(0, 0.2))
        )
        gains = np.tile(gain_of_db(rng.normal(0.0, 2.5, 24)), (at.size, 1))
        sound = own.play(
            hz,
            true_hz=hz,
            amplitude=amplitude,
            brightness_db=np.full(at.size, note.level_db),
            bow_drift=0.08 * wander(rng, at, rate_hz=0.7),
            block=BLOCK,
            sample_rate_hz=float(RATE_HZ),
            limit_hz=LIMIT_HZ,
            n=count,
            partials=gains,
        )
        level = float(np.sqrt(np.mean(np.square(sound[: int(0.3 * RATE_HZ)], dtype=np.float64)))) or 1.0
        scale = np.float32(gain_of_db(note.level_db) / level)
        span = slice(first * BLOCK, first * BLOCK + count)
        out[span] += sound * scale
        bowing = np.where(at < note.end_s, amplitude, 0.0) * gain_of_db(note.level_db) / max(amplitude.max(), 1e-9)
        stroke[span] += np.interp(np.arange(count), np.arange(at.size) * BLOCK, bowing).astype(np.float32)
        inside = (frames >= note.start_s) & (frames < note.rings_s)
        curve = np.full(frames.size, np.nan)
        curve[inside] = np.interp(frames[inside], at, midi)
        curves.append(curve)
    return out + _rustle(rng, stroke, voice), tuple(curves)


def _pitch(rng: np.random.Generator, note: MixedNote, at: Floats) -> Floats:
    cents = note.vibrato_cents * np.sin(2.0 * np.pi * note.vibrato_hz * at + rng.uniform(0.0, 6.28))
    cents *= np.clip((at - note.start_s) / 0.15, 0.0, 1.0) * (at < note.end_s)
    cents += 2.0 * wander(rng, at, rate_hz=9.0) + 2.0 * wander(rng, at, rate_hz=25.0)
    midi = note.midi + cents / 100.0
    if note.glide_s > 0:
        midi += note.glide_from * (1.0 - glide("cosine", (at - note.start_s) / note.glide_s))
    return np.asarray(midi)


def _loudness(rng: np.random.Generator, note: MixedNote, at: Floats) -> Floats:
    """Linear level: the stroke rises, is uneven, and after the bow has left only falls."""
    rise = np.clip((at - note.start_s) / note.attack_s, 0.0, 1.0)
    level_db = 1.5 * wander(rng, at, rate_hz=12.0) + float(rng.normal(0.0, 6.0)) * (at - note.start_s)
    after = at >= note.end_s
    held_db = float(level_db[~after][-1]) if (~after).any() else 0.0
    left = at - note.end_s
    fallen = held_db - note.drop_db * np.clip(left / 0.025, 0.0, 1.0) - note.fall_db_s * np.maximum(left - 0.025, 0.0)
    level_db = np.where(after, fallen, level_db)
    damped = np.clip((note.rings_s + 0.02 - at) / 0.02, 0.0, 1.0)
    return np.asarray(glide("cosine", rise) * gain_of_db(level_db) * damped)


def _rustle(rng: np.random.Generator, stroke: Samples, voice: Voice) -> Samples:
    """Noise of the bow, as the body lets it through and as loud as the strokes."""
    size = fft.next_fast_len(stroke.size, real=True)
    hz = fft.rfftfreq(size, 1.0 / RATE_HZ)
    spectrum = rng.standard_normal(hz.size) + 1j * rng.standard_normal(hz.size)
    noise = fft.irfft(spectrum * body_response(hz, voice=voice) / np.sqrt(1.0 + (hz / 4000.0) ** 2), size)[
        : stroke.size
    ]
    noise *= gain_of_db(voice.noise_db) / max(float(np.sqrt(np.mean(noise**2))), 1e-9)
    return np.asarray(noise * stroke, dtype=np.float32)
