"""Uses what is compiled once, on made-up sound, so that no side waits for it.

Compiled code is kept on disk between processes; what has been used once in a process is loaded in all that are forked
from it. Each part imports what it uses by itself: who compiles one loads that one, and who only names them none.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from pipeline.kinds import KINDS
from pipeline.units import A4_HZ, Floats, hz_of_midi, ratio_of_cents

if TYPE_CHECKING:
    from pipeline.signal.line.follow import MelodyLine

RATE_HZ = 11025.0
"""What the analysis of the line begins with: nothing need be resampled."""
NOTES = np.array([69.0, 71.0, 73.0, 76.0, 74.0, 73.0, 71.0, 69.0] * 4)
"""Pitches of a made-up melody, each note as long as the next."""
NOTE_S, GLIDE_S, ENTRY_S = 0.6, 0.12, 0.25
"""Lengths of notes, of glides between them, and of that into the one after a rest."""
REST_S = 12 * NOTE_S  # where that rest begins
JUMP_CENTS = 45.0
"""A sudden change of speed half-way, so that it is looked for and placed."""


@dataclass(frozen=True)
class Made:
    """A made-up side at ``RATE_HZ``, and its pitch line."""

    sound: npt.NDArray[np.float32]
    line: "MelodyLine"


def made_side() -> Made:
    """A melody with slides and one double stop over two held tones and a little noise."""
    from pipeline.signal.line.follow import MelodyLine
    from pipeline.signal.line.spectrum import HOP_S

    length_s = NOTES.size * NOTE_S
    time_s = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    jumped = np.where(time_s > 0.5 * length_s, ratio_of_cents(JUMP_CENTS), 1.0)
    hz = _pitch(time_s) * jumped
    rng = np.random.default_rng(0)
    plays = ~((time_s >= REST_S) & (time_s < REST_S + NOTE_S))
    sound = 0.1 * plays * _tone(hz) + rng.normal(0.0, 0.002, time_s.size)
    stopped = (time_s > 2 * NOTE_S) & (time_s < 4 * NOTE_S)
    sound += 0.1 * stopped * _tone(np.full(time_s.size, hz_of_midi(62.0, reference_pitch_hz=A4_HZ)))
    for midi in (45.0, 52.0):
        sound += 0.03 * _tone(hz_of_midi(midi, reference_pitch_hz=A4_HZ) * jumped)
    at = HOP_S * np.arange(int(length_s / HOP_S), dtype=np.float64)
    rests = (at >= REST_S) & (at < REST_S + NOTE_S)
    heard = np.where(rests, np.nan, np.interp(at, time_s, hz))
    sure, level = np.where(rests, 0.0, 0.99), np.where(rests, -60.0, -20.0)
    line = MelodyLine(at, heard, sure, sure, level, level + 40.0, level, np.zeros(at.size), "violin", False)
    return Made(sound.astype(np.float32), line)


def _pitch(time_s: Floats) -> Floats:
    """The melody in Hz: each second note glides on to the next, and that after the rest is come into from below."""
    number = np.minimum((time_s / NOTE_S).astype(int), NOTES.size - 1)
    following = NOTES[np.minimum(number + 1, NOTES.size - 1)]
    gone = np.clip((time_s - number * NOTE_S - (NOTE_S - GLIDE_S)) / GLIDE_S, 0.0, 1.0) * (number % 2)
    since_s = time_s - REST_S - NOTE_S
    low = np.where(since_s >= 0.0, np.clip(1.0 - since_s / ENTRY_S, 0.0, 1.0), 0.0)
    vibrato = 0.15 * np.sin(2.0 * np.pi * 6.0 * time_s)
    midi = NOTES[number] * (1.0 - gone) + following * gone - 4.0 * low + vibrato
    return np.asarray(hz_of_midi(midi, reference_pitch_hz=A4_HZ))


def _tone(hz: Floats) -> Floats:
    phase = 2.0 * np.pi * np.cumsum(hz) / RATE_HZ
    return np.asarray(sum(np.sin(k * phase) / k for k in range(1, 9)))


def _hears(made: Made) -> None:
    from pipeline.signal.line.follow import follow

    follow(made.sound, sample_rate_hz=RATE_HZ, instrument="violin")


def _tunes(made: Made) -> None:
    from pipeline.signal.line.solo_parts import where_solo
    from pipeline.signal.tuning.measure import measure_side

    line = made.line
    where_solo(line, length_s=made.sound.size / RATE_HZ)
    measure_side(made.sound, sample_rate_hz=RATE_HZ, time_s=line.time_s, f0_hz=line.f0_hz, confidence=line.confidence)


def _finds_slides(made: Made) -> None:
    from pipeline.signal.slides.detect import find_notes_and_slides
    from pipeline.signal.speed.speed_map import SpeedMap

    speed_map = SpeedMap.identity(made.sound.size / RATE_HZ)
    find_notes_and_slides(made.line, speed_map=speed_map, reference_pitch_hz=A4_HZ, spans=None)


def _finds_chords(made: Made) -> None:
    from pipeline.signal.chords.find import find_chords
    from pipeline.signal.hand.fingerboard import fingerboard

    board = fingerboard("violin")
    find_chords(made.sound, sample_rate_hz=RATE_HZ, board=board, correction=lambda at: np.zeros(np.shape(at)))


def _reads_hands(_: Made) -> None:
    from pipeline.signal.hand.chain import Slides
    from pipeline.signal.hand.chord_hand import PlayedChord, chord_hands
    from pipeline.signal.hand.fingerboard import fingerboard
    from pipeline.signal.hand.one_slide import ways_of_slide
    from pipeline.signal.hand.passage import reconstruct
    from pipeline.signal.hand.played_line import Line

    board, none = fingerboard("violin"), np.full(2, np.nan)
    start_s = NOTE_S * np.arange(NOTES.size, dtype=np.float64)
    slide = np.full(NOTES.size, -1, dtype=np.int64)
    slide[[2, 4]] = 0, 1
    kinds = np.full((2, len(KINDS)), 1.0 / len(KINDS))
    slides = Slides(kinds, np.array([71.0, 76.0]), np.array([73.0, 74.0]), none, none, np.full(2, 0.9))
    unknown = np.full(NOTES.size, np.nan)
    line = Line(NOTES, start_s, start_s + NOTE_S, unknown, unknown, slide, slides)
    reconstruct(line, board=board)
    for note_before in (True, False):
        ways_of_slide(
            board=board, kinds=kinds[0], from_midi=71.0, to_midi=73.0, step_from_midi=72.0, step_to_midi=72.5,
            note_before=note_before,
        )  # fmt: skip
    chord = PlayedChord(np.array([57.0, 69.0]), np.zeros(2), np.ones(2), none)
    chord_hands(line, [chord], board=board)


def _places_notes(_: Made) -> None:
    from pipeline.signal.passages.lay import lay
    from pipeline.signal.passages.part import Part

    beats = np.arange(NOTES.size, dtype=np.float64)
    part = Part(tuple((float(m),) for m in NOTES), beats, float(NOTES.size), beats % 4 == 0)
    lay(part, midi=NOTES, start_s=NOTE_S * beats)


def _plants(made: Made) -> None:
    from pipeline.signal.recovery.partials import taken

    sound = made.sound[: int(RATE_HZ * NOTE_S)].astype(np.float64)
    hz = np.full(sound.size, A4_HZ)
    taken(sound, hz, sounding=(0, sound.size), partials=2, sample_rate_hz=RATE_HZ).sound()


def _tells_players_apart(made: Made) -> None:
    from pipeline.signal.voices.colour import colour
    from pipeline.signal.voices.whose import whose

    line = made.line
    whose(line, line, colour(np.zeros((2, line.time_s.size, 2)), np.stack([line.f0_hz, line.f0_hz])))


def _renders(made: Made) -> None:
    from pipeline.signal.speed.resample import correct_samples
    from pipeline.signal.speed.speed_map import SpeedMap
    from pipeline.signal.synth.plans import random_plan
    from pipeline.signal.synth.render import render_side
    from pipeline.signal.synth.speedplan import SpeedPlan
    from pipeline.signal.synth.voice import random_voice

    rng = np.random.default_rng(0)
    plan = random_plan(rng, instrument="violin", length_s=4.0, reference_pitch_hz=A4_HZ, with_piano=True)
    render_side(
        plan, rng=rng, sample_rate_hz=44_100, voice=random_voice(rng, instrument="violin"), snr_db=20.0,
        piano_below_db=9.0, band="electrical", speed=SpeedPlan(),
    )  # fmt: skip
    speed_map = SpeedMap.identity(NOTE_S)
    correct_samples(made.sound[: int(NOTE_S * RATE_HZ)], sample_rate_hz=RATE_HZ, speed_map=speed_map)


PARTS: dict[str, Callable[[Made], None]] = {
    "line": _hears,
    "hands": _reads_hands,
    "tuning": _tunes,
    "chords": _finds_chords,
    "slides": _finds_slides,
    "places": _places_notes,
    "plantings": _plants,
    "players": _tells_players_apart,
    "rendering": _renders,
}
"""What is to be used, in an order in which several processes can take one after another: the longest first, and slides
when the line has compiled what they share."""
EACH_SIDE = ("line", "hands", "tuning", "chords", "slides", "plantings")
"""What every side needs; places are for notes of a written part, players for sides with several who bow, and rendering
for the demo."""
