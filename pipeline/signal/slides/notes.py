"""Cuts the corrected line into held notes; measures intonation and vibrato of each."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.compiled import mean, median_of_known
from pipeline.signal.slides.frames import Frames, stretches
from pipeline.signal.slides.partition import Piece, partition
from pipeline.units import Floats, ms_of_s

SHORTEST_NOTE_S = 0.045  # about the tracker's window; shorter notes cannot be told
LONGEST_PLATEAU_S = 2.9  # for speed: a longer note is several plateaus, joined again
SHORTEST_GLIDE_S = 0.023  # four frames: half the tracker's window
LONGEST_GLIDE_S = 0.46  # for speed: a longer glide is several (common practice, no source)
SAME_PITCH = 0.4
"""Semitones between the middles of two plateaus that are one note."""
GREATEST_UNREST = 0.9
"""Semitones; the median distance from its middle of a line that is still a note (a vibrato of 1.2 either way)."""
GREATEST_CREEP = 1.0
"""Semitones that a short note of a run may creep: of real violins' quick notes 13 of 15 that do are in the score."""
LEAST_GLIDING = 0.3
"""Mean probability of a glide from which it is one: at most .18 in those notes, from .65 in rendered slides."""
LEAST_APART = 0.6  # semitones from both neighbours: a semitone, less what such a note creeps
IN_RUN_S = 0.25
"""Greatest length of the note after it: into longer ones what creeps is a low beginning."""
VIBRATO_BAND_HZ = (3.5, 9.5)  # usual rates of vibrato and beyond (common practice, no source)


@dataclass(frozen=True)
class Span:
    """A held note on the frame grid, ``end`` exclusive; ``region`` numbers the unbroken stretch it lies in."""

    start: int
    end: int
    level: float
    region: int


@dataclass(frozen=True)
class Note:
    """A held note; times of the transfer and corrected; cents against equal temperament at the reference pitch.

    ``vibrato_cents`` is half the distance from crest to trough (NaN, with ``vibrato_hz``, where none is found);
    ``spread_cents`` the standard deviation of the note's pitch with its vibrato. ``approach_cents`` is how far off its
    pitch the note begins (negative: low), ``approach_ms`` how long it takes to come in; NaN where it does neither.
    """

    transfer_start_s: float
    transfer_end_s: float
    start_s: float
    end_s: float
    midi: float
    start_cents: float
    middle_cents: float
    end_cents: float
    spread_cents: float
    vibrato_hz: float
    vibrato_cents: float
    level_db: float
    approach_cents: float
    approach_ms: float
    begins: str
    rebowed_probability: float
    confidence: float


def find_spans(frames: Frames) -> list[Span]:
    """Held notes of the whole line, in time order; never overlapping."""
    shortest = frames.frames(SHORTEST_NOTE_S, least=3)
    spans: list[Span] = []
    for region, (first, last) in enumerate(stretches(frames.midi, shortest=shortest)):
        pieces = partition(
            frames.midi[first:last],
            plateau_min=frames.frames(0.0175, least=3),
            plateau_max=frames.frames(LONGEST_PLATEAU_S),
            glide_min=frames.frames(SHORTEST_GLIDE_S, least=4),
            glide_max=frames.frames(LONGEST_GLIDE_S),
        )
        midi = frames.midi[first:last]
        pieces = _vibrato_as_plateaus(pieces, midi, frames)
        pieces = _creeping_as_plateaus(pieces, frames.gliding[first:last], frames)
        held = [p for p in _joined(pieces, midi) if p.length >= shortest and _is_held(p, midi)]
        spans += [Span(first + p.start, first + p.end, p.level, region) for p in held]
    return spans


def _is_held(piece: Piece, midi: Floats) -> bool:
    part = midi[piece.start : piece.end]
    return not piece.glide and float(median_of_known(np.abs(part - median_of_known(part)))) <= GREATEST_UNREST


def _vibrato_as_plateaus(pieces: list[Piece], midi: Floats, frames: Frames) -> list[Piece]:
    """Runs of at least three alternating glides of like size are one note with a wide vibrato (or a trill)."""
    between = frames.frames(0.046)
    done: list[Piece] = []
    i = 0
    while i < len(pieces):
        run = _run_length(pieces, i, between)
        if run > 1:
            start, end = pieces[i].start, pieces[i + run - 1].end
            done.append(Piece(False, start, end, mean(midi[start:end]), 0.0))
        else:
            done.append(pieces[i])
        i += max(run, 1)
    return done


def _creeping_as_plateaus(pieces: list[Piece], gliding: Floats, frames: Frames) -> list[Piece]:
    """Short notes of a run that creep: small glides between notes where the look at the sound there heard none."""
    done, shortest, short = list(pieces), frames.frames(SHORTEST_NOTE_S, least=3), frames.frames(IN_RUN_S)
    for i, (before, piece, after) in enumerate(zip(pieces, pieces[1:], pieces[2:], strict=False), start=1):
        alone = piece.glide and not before.glide and not after.glide
        if (
            alone
            and min(before.length, piece.length, after.length) >= shortest
            and after.length <= short
            and abs(piece.rise) < GREATEST_CREEP
            and min(abs(piece.level - before.level), abs(piece.level - after.level)) >= LEAST_APART
            and mean(gliding[piece.start : piece.end]) < LEAST_GLIDING
        ):
            done[i] = replace(piece, glide=False, rise=0.0)
    return done


def _run_length(pieces: list[Piece], i: int, between: int) -> int:
    """Number of pieces, from ``i`` on, that swing about one pitch in strokes of like size and length."""
    if not pieces[i].glide:
        return 1
    run = [pieces[i]]
    last = i
    for j in range(i + 1, len(pieces)):
        piece = pieces[j]
        if not piece.glide:
            if piece.length > between:
                break
            continue
        size = sum(abs(p.rise) for p in run) / len(run)
        length = sum(p.length for p in run) / len(run)
        level = sum(p.level for p in run) / len(run)
        turns = piece.rise * run[-1].rise < 0
        # Swings of one vibrato differ by less than twice (common practice, no source).
        alike = 0.5 < abs(piece.rise) / size < 2.0 and 0.45 < piece.length / length < 2.2
        if not (turns and alike and abs(piece.level - level) < 0.5 * max(size, abs(piece.rise))):
            break
        run.append(piece)
        last = j
    return last - i + 1 if len(run) >= 3 else 1


def _joined(pieces: list[Piece], midi: Floats) -> list[Piece]:
    """Neighbouring plateaus of one pitch become one; so do two around a bump that returns."""
    done: list[Piece] = []
    for piece in pieces:
        done.append(piece)
        while True:
            merged = _merge_last(done, midi)
            if merged is None:
                break
            done = merged
    return done


def _merge_last(done: list[Piece], midi: Floats) -> list[Piece] | None:
    last = done[-1]
    if last.glide:
        return None
    for back in (2, 4):
        if len(done) < back:
            return None
        first = done[-back]
        if first.glide or abs(first.level - last.level) >= SAME_PITCH:
            continue
        inner = done[len(done) - back + 1 : -1]
        if back == 4 and not (inner[0].glide and inner[1].glide and inner[0].rise * inner[1].rise < 0):
            continue
        level = float(median_of_known(midi[first.start : last.end]))
        return [*done[:-back], replace(first, end=last.end, level=level)]
    return None


def measure_vibrato(midi: Floats, *, frame_s: float) -> tuple[float, float]:
    """Rate in Hz and half extent in cents of the vibrato of one held note; NaN, NaN where there is none.

    The trend is taken out by a straight line; the rate is the peak of the windowed spectrum between 3.5 and 9.5
    Hz, the extent from the amplitude there (a sine of extent A has standard deviation A / sqrt 2).
    """
    n = midi.size
    # Shorter than a period and a half of a vibrato tells none (common practice, no source).
    if n * frame_s < 0.25:
        return float("nan"), float("nan")
    at = np.arange(n) - 0.5 * (n - 1)
    flat = midi - mean(midi)
    flat = flat - at * (float(at @ flat) / float(at @ at))
    window = np.hanning(n)
    size = 1 << int(np.ceil(np.log2(max(4 * n, 256))))
    spectrum = np.abs(np.fft.rfft(flat * window, size)) * 2.0 / window.sum()
    hz = np.fft.rfftfreq(size, frame_s)
    band = np.flatnonzero((hz >= VIBRATO_BAND_HZ[0]) & (hz <= VIBRATO_BAND_HZ[1]))
    if band.size < 3:
        return float("nan"), float("nan")
    k = int(band[np.argmax(spectrum[band])])
    amplitude = 100.0 * float(spectrum[k])
    rest = float(np.sqrt(max(mean((flat - mean(flat)) ** 2) - 0.5 * float(spectrum[k]) ** 2, 0.0)))
    # Less than 4 cents, or than four fifths of what is left, is no vibrato (common practice, no source).
    if k in (band[0], band[-1]) or amplitude < 4.0 or amplitude < 100.0 * 0.8 * rest:
        return float("nan"), float("nan")
    left, middle, right = np.log(spectrum[k - 1 : k + 2] + 1e-12)
    bend = left - 2 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(hz[k] + shift * (hz[1] - hz[0])), amplitude


def measure_note(
    span: Span, frames: Frames, *, approach: tuple[float, float], begins: str, rebowed_probability: float
) -> Note:
    """All measures of one held note; ``approach`` is how many cents off it begins, and for how many s."""
    part = frames.midi[span.start : span.end]
    trim = min(frames.frames(0.02), part.size // 6)
    inner = part[trim : part.size - trim]
    third = max(inner.size // 3, 1)
    middle = mean(inner)
    nearest = round(middle)
    vibrato_hz, vibrato_cents = measure_vibrato(inner, frame_s=frames.frame_s)
    # Half a frame before the first one would be before the sound.
    start, end = max(frames.transfer_at(span.start - 0.5), 0.0), frames.transfer_at(span.end - 0.5)
    true = np.interp([start, end], frames.transfer_s, frames.true_s)
    level = frames.level_db[span.start : span.end]
    return Note(
        transfer_start_s=start,
        transfer_end_s=end,
        start_s=float(true[0]),
        end_s=float(true[1]),
        midi=middle,
        start_cents=100.0 * (mean(inner[:third]) - nearest),
        middle_cents=100.0 * (mean(inner[third : inner.size - third or None]) - nearest),
        end_cents=100.0 * (mean(inner[-third:]) - nearest),
        spread_cents=100.0 * float(np.sqrt(mean((inner - middle) ** 2))),
        vibrato_hz=vibrato_hz,
        vibrato_cents=vibrato_cents,
        level_db=median_of_known(level),
        approach_cents=approach[0],
        approach_ms=ms_of_s(approach[1]),
        begins=begins,
        rebowed_probability=rebowed_probability,
        confidence=mean(frames.confidence[span.start : span.end]),
    )
