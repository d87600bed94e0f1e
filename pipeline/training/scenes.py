"""Random sides for training: every voice, piano, horn and noise drawn from wider ranges than any test uses."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.synth.plan import AccompanimentNote, Plan, Truth
from pipeline.signal.synth.plans import random_plan, random_player
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import random_speed
from pipeline.signal.synth.voice import Voice, random_voice

SAMPLE_RATE_HZ = 16000
PIANO_SHARE = 0.7


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
    kind_shares: dict[str, float] | None = None,
) -> tuple[npt.NDArray[np.float32], Truth]:
    """One random side: 70 % with piano from 8 dB above the solo to 14 dB below, noise from none to 0 dB.

    Parameters
    ----------
    loud_share : share of sides that have a piano as loud as the solo or up to 10 dB louder, and much noise.
    high_share : share of sides whose tune lies as high as the instrument goes.
    alone_share : share of sides on which the piano plays alone.
    shifting_share : share of sides whose hand shifts often under the slur, so that many shifts are hidden.
    low_share : share of sides whose tune begins at the lowest notes of the instrument.
    kind_shares : weights of the kinds of slide; those of ``random_plan`` if None.
    """
    loud = loud_share > 0 and rng.random() < loud_share
    with_piano = loud or rng.random() < PIANO_SHARE
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
    if shifting_share > 0 and rng.random() < shifting_share:
        player = replace(player, slur_share=float(rng.uniform(0.7, 1.0)), shift_share=float(rng.uniform(0.15, 0.5)))
    plan = random_plan(
        rng,
        instrument=instrument,
        length_s=length_s,
        reference_pitch_hz=440.0,
        with_piano=with_piano,
        slide_share=float(rng.uniform(0.2, 0.6)),
        negative_share=float(rng.uniform(0.05, 0.2)),
        kind_shares=kind_shares,
        player=player,
        introduction_s=float(rng.uniform(2.0, 8.0)) if rng.random() < 0.4 else 0.0,
    )
    # Solos show what a bowed string is under noise, pianos what it is not.
    snr_db = None if rng.random() < 0.1 else float(rng.triangular(0.0, 5.0, 30.0))
    piano_below_db = float(rng.uniform(-8.0, 14.0)) if with_piano else None
    if loud:
        snr_db, piano_below_db = float(rng.uniform(3.0, 14.0)), float(rng.uniform(-10.0, 2.0))
    if high_share > 0 and rng.random() < high_share:
        top = max(note.midi for note in plan.notes)
        plan = _moved(plan, float(rng.uniform(6.0, max(6.0, INSTRUMENTS[instrument].highest_midi - top))))
    elif low_share > 0 and rng.random() < low_share:
        bottom = min(note.midi for note in plan.notes)
        plan = _moved(plan, INSTRUMENTS[instrument].lowest_midi + float(rng.uniform(0.0, 3.0)) - bottom)
    plan, voice = _varied(rng, plan), varied_voice(rng, instrument=instrument)
    alone = alone_share > 0 and rng.random() < alone_share and bool(plan.accompaniment)
    if alone:
        # The solo is there, but so far below the piano that it is not heard.
        plan = replace(plan, notes=tuple(replace(note, level_db=-90.0) for note in plan.notes))
        voice = replace(voice, noise_db=-100.0)
        piano_below_db, snr_db = -80.0, None if snr_db is None else snr_db - 80.0
    samples, truth = render_side(
        plan,
        rng=rng,
        sample_rate_hz=SAMPLE_RATE_HZ,
        voice=voice,
        snr_db=snr_db,
        piano_below_db=piano_below_db,
        band=str(rng.choice(("acoustic", "electrical", "full"), p=(0.5, 0.3, 0.2))),
        speed=random_speed(rng, offset_sd_cents=80.0, drift_max_cents=40.0, wow_max_cents=20.0, step_share=0.1),
    )
    if alone:
        truth = replace(truth, f0_hz=np.full_like(truth.f0_hz, np.nan), slides=())
    return samples, truth


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
        body=voice.body * 10.0 ** (bumps / 20.0),
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
