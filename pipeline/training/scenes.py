"""Random sides for training: every voice, piano, horn and noise drawn from wider ranges than any test uses.

Two sides in five are plain ones, as the demonstration and the older benchmarks have them; the others are played,
recorded and copied as real ones are. What was measured on real sound made the difference: old notes ring on, slides
fall deep and grow dull, runs are fast, notes begin low, tones are uneven, grooves whine and crackle.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.instruments import INSTRUMENTS, Instrument
from pipeline.signal.synth.beside import Beside, BowedPart, open_strings_ringing, strings
from pipeline.signal.synth.copies import denoised, lossy
from pipeline.signal.synth.degrade import Chain, in_live_room, random_chain
from pipeline.signal.synth.manner import PLAIN, real_manner
from pipeline.signal.synth.plan import AccompanimentNote, Plan, Truth
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.player import Player, random_player
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import random_speed
from pipeline.signal.synth.voice import Voice, random_voice, with_fine_resonances
from pipeline.signal.synth.wear import random_wear
from pipeline.training.playing import as_played, broken_under
from pipeline.units import gain_of_db

SAMPLE_RATE_HZ = 16000
PIANO_SHARE = 0.7
REAL_SHARE = 0.6
# Of the sides like real ones: those with piano, and of the others those with a second bowed voice or an orchestra's
# strings; those denoised and those coded with loss.
REAL_PIANO_SHARE = 0.5
SECOND_SHARE, STRINGS_SHARE = 0.12, 0.1
DENOISED_SHARE, LOSSY_SHARE = 0.08, 0.12


def training_side(
    rng: np.random.Generator,
    *,
    instrument: str,
    length_s: float,
    loud_share: float = 0.0,
    high_share: float = 0.0,
    alone_share: float = 0.0,
    shifting_share: float = 0.0,
    low_share: float = 0.0,
    noisy_share: float = 0.0,
    real_share: float = REAL_SHARE,
    kind_shares: Mapping[str, float] | None = None,
) -> tuple[npt.NDArray[np.float32], Truth]:
    """One random side: 70 % with piano from 8 dB above the solo to 14 dB below, noise from none to 0 dB.

    Parameters
    ----------
    loud_share : share of sides that have a piano as loud as the solo or up to 10 dB louder, and much noise.
    high_share : share of sides whose tune lies as high as the instrument goes.
    alone_share : share of sides on which the piano plays alone.
    shifting_share : share of sides whose hand shifts often under the slur, so that many shifts are hidden.
    low_share : share of sides whose tune begins at the lowest notes of the instrument.
    noisy_share : share of sides without piano that lie deep in noise, 2 to 14 dB under the solo.
    real_share : share of sides played, recorded and copied as real ones are (``playing``, ``manner``, ``wear``).
    kind_shares : weights of the kinds of slide; those of ``random_plan`` if None.
    """
    kind = _drawn_kind(rng, loud_share=loud_share, noisy_share=noisy_share, real_share=real_share)
    player = varied_player(rng, real=kind.real)
    if shifting_share > 0 and rng.random() < shifting_share:
        player = replace(player, slur_share=float(rng.uniform(0.7, 1.0)), shift_share=float(rng.uniform(0.15, 0.5)))
    plan = random_plan(
        rng,
        instrument=instrument,
        length_s=length_s,
        reference_pitch_hz=440.0,
        with_piano=kind.with_piano,
        slide_share=float(rng.uniform(0.2, 0.6)),
        negative_share=float(rng.uniform(0.05, 0.2)),
        kind_shares=kind_shares,
        player=player,
        introduction_s=float(rng.uniform(2.0, 8.0)) if rng.random() < 0.4 else 0.0,
    )
    snr_db, piano_below_db = _levels(rng, kind)
    if kind.real:
        plan = as_played(rng, plan, with_piano=kind.with_piano)
    plan = _in_register(rng, plan, INSTRUMENTS[instrument], high_share=high_share, low_share=low_share)
    plan, voice = _varied(rng, plan), varied_voice(rng, instrument=instrument)
    alone = alone_share > 0 and rng.random() < alone_share and bool(plan.accompaniment)
    if alone:
        # The solo is there, but so far below the piano that it is not heard.
        plan = replace(plan, notes=tuple(replace(note, level_db=-90.0) for note in plan.notes))
        voice = replace(voice, noise_db=-100.0)
        piano_below_db, snr_db = -80.0, None if snr_db is None else snr_db - 80.0
    band = str(rng.choice(("acoustic", "electrical", "full"), p=(0.5, 0.3, 0.2)))
    chain, manner, beside = random_chain(rng, band=band), PLAIN, None
    if kind.real:
        voice, chain, manner = with_fine_resonances(rng, voice), real_chain(rng, chain), real_manner(rng)
        beside = None if alone else _beside(rng, plan, with_piano=kind.with_piano)
    samples, truth = render_side(
        plan,
        rng=rng,
        sample_rate_hz=SAMPLE_RATE_HZ,
        voice=voice,
        snr_db=snr_db,
        piano_below_db=piano_below_db,
        band=band,
        speed=random_speed(rng, offset_sd_cents=80.0, drift_max_cents=40.0, wow_max_cents=20.0, step_share=0.1),
        chain=chain,
        manner=manner,
        beside=beside,
    )
    if kind.real:
        samples = _copied(rng, samples)
    if alone:
        truth = replace(truth, f0_hz=np.full_like(truth.f0_hz, np.nan), slides=())
    return samples, truth


@dataclass(frozen=True)
class _Kind:
    """What kind of side is made; see ``training_side``."""

    real: bool
    loud: bool
    noisy: bool
    with_piano: bool


def _drawn_kind(rng: np.random.Generator, *, loud_share: float, noisy_share: float, real_share: float) -> _Kind:
    real = real_share > 0 and rng.random() < real_share
    # Real unaccompanied playing is what is hardest beside loud pianos: half of these sides go to it.
    loud = loud_share > 0 and rng.random() < loud_share * (0.5 if real else 1.0)
    noisy = not loud and noisy_share > 0 and rng.random() < noisy_share
    with_piano = loud or (not noisy and rng.random() < (REAL_PIANO_SHARE if real else PIANO_SHARE))
    return _Kind(real, loud, noisy, with_piano)


def _levels(rng: np.random.Generator, kind: _Kind) -> tuple[float | None, float | None]:
    """How far the noise and the piano lie under the solo, dB; None without."""
    # Solos show what a bowed string is under noise, pianos what it is not.
    snr_db = None if rng.random() < 0.1 else float(rng.triangular(0.0, 5.0, 30.0))
    piano_below_db = float(rng.uniform(-8.0, 14.0)) if kind.with_piano else None
    if kind.loud:
        snr_db, piano_below_db = float(rng.uniform(3.0, 14.0)), float(rng.uniform(-10.0, 2.0))
    elif kind.noisy:
        snr_db = float(rng.uniform(2.0, 14.0))
    return snr_db, piano_below_db


def _in_register(
    rng: np.random.Generator, plan: Plan, instrument: Instrument, *, high_share: float, low_share: float
) -> Plan:
    """The tune where it is, or as high as the instrument goes, or from its lowest notes."""
    if high_share > 0 and rng.random() < high_share:
        top = max(note.midi for note in plan.notes)
        return _moved(plan, float(rng.uniform(6.0, max(6.0, instrument.highest_midi - top))))
    if low_share > 0 and rng.random() < low_share:
        bottom = min(note.midi for note in plan.notes)
        return _moved(plan, instrument.lowest_midi + float(rng.uniform(0.0, 3.0)) - bottom)
    return plan


def varied_player(rng: np.random.Generator, *, real: bool) -> Player:
    """A player with wider habits than ``random_player``; of real sides some play fast."""
    player = random_player(rng)
    if rng.random() < 0.5:
        player = replace(
            player,
            vibrato_hz=float(rng.uniform(4.0, 8.0)),
            vibrato_cents=float(rng.choice((0.0, 10.0, 30.0, 60.0))),
            still_share=float(rng.uniform(0.0, 1.0)),
            beat_s=float(rng.uniform(0.3, 1.1)),
            rest_share=float(rng.uniform(0.02, 0.25)),
        )
    elif real:
        player = replace(player, vibrato_cents=float(rng.lognormal(np.log(18.0), 0.55)))
    if real and rng.random() < 0.25:
        player = replace(player, beat_s=float(rng.uniform(0.2, 0.4)), shortest_note_s=0.08)
    return player


def real_chain(rng: np.random.Generator, chain: Chain) -> Chain:
    """The chain with the noise of real grooves, half of them in a room in which notes ring on."""
    worn = replace(
        chain,
        noise_tilt=float(rng.uniform(2.0, 9.0)),
        rumble_db=float(rng.uniform(-50.0, -5.0)),
        wear=random_wear(rng) if rng.random() < 0.8 else None,
    )
    return in_live_room(rng, worn) if rng.random() < 0.5 else worn


def _beside(rng: np.random.Generator, plan: Plan, *, with_piano: bool) -> Beside | None:
    """What else sounds: strings that ring on, a second bowed voice, or the strings of an orchestra."""
    ringing = open_strings_ringing(rng, plan) if rng.random() < 0.25 else ()
    ringing += broken_under(plan)
    bowed: tuple[BowedPart, ...] = ()
    draw = 1.0 if with_piano else rng.random()
    if draw < SECOND_SHARE:
        other = str(rng.choice(list(INSTRUMENTS)))
        second = random_plan(
            rng, instrument=other, length_s=plan.length_s, reference_pitch_hz=440.0, key=plan.key, slide_share=0.1
        )
        bowed = (BowedPart(second, varied_voice(rng, instrument=other), float(rng.uniform(5.0, 20.0))),)
    elif draw < SECOND_SHARE + STRINGS_SHARE:
        bowed = strings(rng, plan, below_db=float(rng.uniform(4.0, 18.0)))
    return Beside(bowed, ringing, float(rng.uniform(8.0, 25.0))) if bowed or ringing else None


def _copied(rng: np.random.Generator, samples: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    draw = rng.random()
    if draw < DENOISED_SHARE:
        return denoised(samples, sample_rate_hz=SAMPLE_RATE_HZ, rng=rng)
    if draw < DENOISED_SHARE + LOSSY_SHARE:
        return lossy(samples, sample_rate_hz=SAMPLE_RATE_HZ, rng=rng)
    return samples


def varied_voice(rng: np.random.Generator, *, instrument: str) -> Voice:
    """A voice with wider variation of slope, bow place, noise, strokes and resonances than ``random_voice``."""
    voice = random_voice(rng, instrument=instrument)
    steps = np.arange(voice.body.size)
    bumps = sum(
        rng.normal(0.0, 4.0) * np.exp(-0.5 * ((steps - rng.uniform(0, steps.size)) / rng.uniform(2.0, 40.0)) ** 2)
        for _ in range(24)
    )
    return replace(
        voice,
        body=voice.body * gain_of_db(bumps),
        tilt=float(rng.uniform(0.5, 1.7)),
        bow_place=float(rng.uniform(0.04, 0.25)),
        noise_db=float(rng.uniform(-45.0, -16.0)),
        attack_s=float(rng.uniform(0.008, 0.09)),
        release_s=float(rng.uniform(0.02, 0.2)),
        jitter_cents=float(rng.uniform(0.5, 8.0)),
    )


def _moved(plan: Plan, semitones: float) -> Plan:
    """The plan with its tune so much higher, whatever the hand could do."""

    def up(midi: float | None) -> float | None:
        return None if midi is None else midi + semitones

    return replace(
        plan,
        notes=tuple(replace(n, midi=n.midi + semitones, double_midi=up(n.double_midi)) for n in plan.notes),
        slides=tuple(
            replace(
                s,
                from_midi=s.from_midi + semitones,
                to_midi=s.to_midi + semitones,
                step_from_midi=up(s.step_from_midi),
                step_to_midi=up(s.step_to_midi),
            )
            for s in plan.slides
        ),
    )


def _varied(rng: np.random.Generator, plan: Plan) -> Plan:
    """The plan with its accompaniment spread over the keyboard, thinned or doubled, and shorter or longer."""
    lift = rng.choice((0.0, 0.25, 0.6))
    drop = rng.uniform(0.0, 0.4)
    hold = float(np.exp(rng.uniform(np.log(0.3), np.log(2.0))))
    notes = []
    for note in plan.accompaniment:
        if rng.random() < drop:
            continue
        up = int(rng.choice((-12, 12, 24))) if rng.random() < lift else 0
        midi = float(np.clip(note.midi + up, 28, 100))
        end = note.start_s + (note.end_s - note.start_s) * hold * float(rng.uniform(0.7, 1.4))
        notes.append(AccompanimentNote(note.start_s, end, midi, note.level_db + float(rng.normal(0.0, 3.0))))
    # The piano often doubles the tune an octave away.
    if notes and rng.random() < 0.15:
        shift = int(rng.choice((-12, 12)))
        notes += [
            AccompanimentNote(n.start_s, n.end_s, float(round(n.midi) + shift), float(rng.normal(0.0, 3.0)))
            for n in plan.notes
            if rng.random() < 0.5 and 28 <= n.midi + shift <= 100
        ]
    return replace(plan, accompaniment=tuple(sorted(notes, key=lambda n: (n.start_s, n.midi))))
