"""One side's measurement: tracks, tuning curve and the evidence for the semitone, as plain numbers."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.signal.tuning.coarse_path import wrap100
from pipeline.signal.tuning.curve import TuningCurve, tuning_curve
from pipeline.signal.tuning.held_beside import held_beside
from pipeline.signal.tuning.hum import HumLine, hum_lines
from pipeline.signal.tuning.jump_time import PitchFrames, sure_frames
from pipeline.signal.tuning.partials import accompaniment_tracks, peaks_beside, slow_samples
from pipeline.signal.tuning.repeated_groove import Repeat, repeated_grooves
from pipeline.signal.tuning.steady_tones import ACCOMPANIMENT, SOLO, SteadyNotes, Tracks, join, only, solo_tracks
from pipeline.units import A4_MIDI, Floats

# What a tuning must rest on: tones, seconds, partials a second, confidence, cents (common practice, no source).
LEAST_TONES = 12
LEAST_STEADY_S = 6.0
LEAST_PARTIALS_PER_S = 2.0
LEAST_CONFIDENCE = 0.5
MOST_DOUBTFUL_CENTS = 12.0
# The drift of worn and slowing turntables stays under a semitone (common practice, no source).
MOST_DRIFT_CENTS = 120.0
# Concentration of the tones round a scale of semitones: real violins and cellos .61-.93, sung and spoken lines .06-.51
# (trial); .45 is that of normal deviations with a standard deviation of 20 cents.
LEAST_IN_TUNE = 0.45
# The same of what sounds beside the solo: pianos .94-.99, other notes of a soloist's chords .42-.55, a second violin
# .14 (trial).
LEAST_BESIDE_IN_TUNE = 0.3
# Share of the time in which other tones are held as loud as the line, see ``held_beside``: four winds .50-.86, three
# .29; beside a solo a piano as loud at most .25, one 8 dB louder .35, orchestral strings .02, winds 6 dB softer .34;
# real violins alone 0 (trial).
LEAST_CROWDED = 0.45
# The longest sides, of long-playing discs, have half an hour; memory for the fit grows with the square of the length.
MOST_LENGTH_S = 2400.0
SECTION_S = 15.0


@dataclass(frozen=True)
class TooLong:
    """The transfer lasts ``length_s``, longer than a side: over ``MOST_LENGTH_S``."""

    length_s: float


@dataclass(frozen=True)
class TooLittle:
    """Fewer steady tones than ``LEAST_TONES``, or shorter in all than ``LEAST_STEADY_S``."""

    tones: int
    steady_s: float


@dataclass(frozen=True)
class AtOdds:
    """The tones disagree: the tuning is known to ``se_cents`` only, over ``MOST_DOUBTFUL_CENTS``."""

    se_cents: float


@dataclass(frozen=True)
class Wanders:
    """The tuning would move by ``drift_cents`` along the side, over ``MOST_DRIFT_CENTS``."""

    drift_cents: float


@dataclass(frozen=True)
class OffScale:
    """The tones lie on no common scale of semitones: their ``concentration`` is under ``LEAST_IN_TUNE``."""

    concentration: float


@dataclass(frozen=True)
class Crowded:
    """Other tones are held as loud as the line for this ``share`` of its time, over ``LEAST_CROWDED``."""

    share: float


Doubt = TooLong | TooLittle | AtOdds | Wanders | OffScale | Crowded


@dataclass(frozen=True)
class MeasuredSide:
    """What one side sounds. ``curve`` is None if no tuning is stated; ``doubt`` says why, unless there is no solo.

    ``notes`` are the solo's steady notes; ``accompaniment`` (sections, 12) counts the other tones by pitch class;
    ``repeats`` is what the stylus played again.
    """

    length_s: float
    doubt: Doubt | None
    solo_tones: int
    accompaniment_tones: int
    curve: TuningCurve | None
    notes: SteadyNotes
    accompaniment: Floats
    hum: tuple[HumLine, ...]
    repeats: tuple[Repeat, ...] = ()


def measure_side(
    samples: npt.NDArray[np.float32],
    *,
    sample_rate_hz: float,
    time_s: Floats,
    f0_hz: Floats,
    confidence: Floats,
    with_solo: bool = True,
    bowed_beside: bool = False,
) -> MeasuredSide:
    """Measure one side from its samples and its pitch line in raw transfer time.

    ``confidence`` is the probability that the line is right at each frame; all three arrays of shape (frames,).
    Without a solo no tuning is stated, whatever the tones. Where another bowed player sounds beside the line, the line
    alone counts: partials that vibrate are known badly, and crossed by those of the solo.
    """
    slow = slow_samples(samples, sample_rate_hz=sample_rate_hz)
    notes, solo = solo_tracks(time_s, f0_hz, confidence=confidence, least_confidence=LEAST_CONFIDENCE)
    peaks = peaks_beside(slow, line_time_s=time_s, line_f0_hz=f0_hz)
    others = accompaniment_tracks(peaks)
    frames = sure_frames(time_s, f0_hz, confidence=confidence, least_confidence=LEAST_CONFIDENCE)
    side = measure_tracks(
        notes,
        solo,
        only(others, np.zeros(others.count, dtype=np.bool_)) if bowed_beside else others,
        frames=frames,
        length_s=samples.size / sample_rate_hz,
        hum=hum_lines(slow),
        with_solo=with_solo,
        crowded=0.0 if peaks is None or bowed_beside else held_beside(peaks),
    )
    return replace(side, repeats=repeated_grooves(slow))


def measure_tracks(
    notes: SteadyNotes,
    solo: Tracks,
    others: Tracks,
    *,
    frames: PitchFrames,
    length_s: float,
    hum: tuple[HumLine, ...],
    with_solo: bool = True,
    crowded: float = 0.0,
) -> MeasuredSide:
    """The same from tracks that were made before; see ``measure_side``. ``crowded`` is as ``held_beside`` gives it."""
    tracks = join(solo, others) if _worth(others, length_s) else solo
    curve, doubt = None, _unfit(tracks, length_s)
    if doubt is None and crowded >= LEAST_CROWDED:
        doubt = Crowded(crowded)
    if with_solo and doubt is None:
        curve = tuning_curve(tracks, length_s=length_s, frames=frames)
        beside = tracks.source == ACCOMPANIMENT
        if (
            beside.any()
            and _in_tune(curve, only(tracks, beside)) < LEAST_BESIDE_IN_TUNE
            and _unfit(solo, length_s) is None
        ):
            # what sounds beside the solo lies on no scale with it: other players' vibrato, or no tones at all
            tracks = solo
            curve = tuning_curve(tracks, length_s=length_s, frames=frames)
        doubt = _doubtful(curve, tracks)
        curve = curve if doubt is None else None
    return MeasuredSide(
        length_s=length_s,
        doubt=doubt if with_solo else None,
        solo_tones=solo.count,
        accompaniment_tones=tracks.count - solo.count,
        curve=curve,
        notes=notes,
        accompaniment=_pitch_classes(tracks, curve, length_s),
        hum=hum,
    )


def _worth(others: Tracks, length_s: float) -> bool:
    # a few stray peaks beside a solo are the solo's own room and noise
    return others.count >= LEAST_PARTIALS_PER_S * length_s and bool(others.anchor.sum() >= LEAST_TONES)


def _unfit(tracks: Tracks, length_s: float) -> Doubt | None:
    """Why no curve can be fitted; None where one can."""
    if length_s > MOST_LENGTH_S:
        return TooLong(length_s)
    steady_s = float(np.sum(tracks.window_s[tracks.source[tracks.track] == SOLO]))
    steady_s = max(steady_s, 0.25 * float(np.sum(tracks.window_s)))
    if tracks.count < LEAST_TONES or steady_s < LEAST_STEADY_S:
        return TooLittle(tracks.count, steady_s)
    return None


def _doubtful(curve: TuningCurve, tracks: Tracks) -> Doubt | None:
    """Why a fitted curve is no tuning; None where it is one."""
    se = float(curve.mean_se())
    if se > MOST_DOUBTFUL_CENTS:
        return AtOdds(se)
    drift = float(np.ptp(curve.columns(np.linspace(0.0, curve.length_s, 200)) @ curve.coefficient))
    if drift > MOST_DRIFT_CENTS:
        return Wanders(drift)
    share = _in_tune(curve, tracks)
    return OffScale(share) if share < LEAST_IN_TUNE else None


def _in_tune(curve: TuningCurve, tracks: Tracks) -> float:
    """Concentration of the anchors' deviations round the semitone: 1 all in tune, 0 anywhere.

    The mean resultant length of directional statistics (Mardia and Jupp 2000, ch. 2).
    """
    total = np.bincount(tracks.track, tracks.weight, tracks.count)
    time_s = np.bincount(tracks.track, tracks.weight * tracks.time_s, tracks.count) / total
    cents = np.bincount(tracks.track, tracks.weight * tracks.cents, tracks.count) / total
    off = (cents - curve.at(time_s))[tracks.anchor]
    return float(np.abs(np.mean(np.exp(2j * np.pi * off / 100.0)))) if off.size else 0.0


def semitones(cents: Floats, *, curve: Floats) -> npt.NDArray[np.int64]:
    """Semitone numbers (A4 = 69) of tones (n,), counted from the tuning curve at their times (n,)."""
    return np.round((cents - curve) / 100.0).astype(np.int64) + A4_MIDI


def _pitch_classes(tracks: Tracks, curve: TuningCurve | None, length_s: float) -> Floats:
    sections = max(1, round(length_s / SECTION_S))
    table = np.zeros((sections, 12))
    kept = (tracks.source == ACCOMPANIMENT) & tracks.anchor
    if curve is None or not kept.any():
        return table
    total = np.bincount(tracks.track, tracks.weight, tracks.count)
    time_s = np.bincount(tracks.track, tracks.weight * tracks.time_s, tracks.count) / total
    cents = np.bincount(tracks.track, tracks.weight * tracks.cents, tracks.count) / total
    number = semitones(cents[kept], curve=curve.at(time_s[kept]))
    row = np.clip((time_s[kept] / length_s * sections).astype(np.int64), 0, sections - 1)
    np.add.at(table, (row, number % 12), np.minimum(total[kept] / 6.0, 1.5))
    return table


def side_row(side: MeasuredSide) -> dict[str, Any]:
    """The side as a row of the table ``tuning``, without its transfer."""
    notes, curve = side.notes, side.curve
    row: dict[str, Any] = {
        "measured": curve is not None,
        "length_s": side.length_s,
        "solo_tone_count": side.solo_tones,
        "accompaniment_tone_count": side.accompaniment_tones,
        "note_start_s": notes.start_s.tolist(),
        "note_length_s": (notes.end_s - notes.start_s).tolist(),
        "note_wobble_cents": notes.wobble_cents.tolist(),
        "accompaniment_pitch_classes": side.accompaniment.ravel().tolist(),
        "hum_hz": [line.hz for line in side.hum],
        "hum_clear_db": [line.clear_db for line in side.hum],
    }
    middle = 0.5 * (notes.start_s + notes.end_s)
    number = semitones(notes.cents, curve=curve.at(middle)) if curve else np.empty(0, dtype=np.int64)
    row["note_semitone"] = number.tolist()
    above = notes.cents - curve.at(middle) if curve else np.empty(0)
    row["note_deviation_cents"] = wrap100(above).tolist()
    return {**row, **(_curve_values(curve) if curve else _no_curve())}


def _curve_values(curve: TuningCurve) -> dict[str, Any]:
    grid = np.linspace(0.0, curve.length_s, max(3, round(curve.length_s) + 1))
    wow = curve.wow
    return {
        "sharp_cents": curve.mean(),
        "sharp_se_cents": curve.mean_se(),
        "curve_time_s": grid.tolist(),
        "curve_cents": curve.smooth_at(grid).tolist(),
        "curve_se_cents": curve.se_at(grid).tolist(),
        "jump_s": [jump.time_s for jump in curve.jumps],
        "jump_se_s": [jump.se_s for jump in curve.jumps],
        "jump_from_s": [jump.bounds_s[0] for jump in curve.jumps],
        "jump_to_s": [jump.bounds_s[1] for jump in curve.jumps],
        "jump_cents": [jump.cents for jump in curve.jumps],
        "jump_least_cents": curve.least_jump_cents,
        "jump_log_odds": curve.jump_log_odds if np.isfinite(curve.jump_log_odds) else None,
        "wow_hz": wow.hz if wow else None,
        "wow_hz_se": wow.hz_se if wow else None,
        "wow_cents": wow.cents if wow else None,
        "wow_se_cents": wow.cents_se if wow else None,
        "wow_phase_rad": wow.phase_rad if wow else None,
        "wow_shrink": wow.shrink if wow else None,
        "wow_chance": curve.wow_chance,
        "flutter_hz": curve.flutter.hz if curve.flutter else None,
        "flutter_cents": curve.flutter.cents if curve.flutter else None,
    }


def _no_curve() -> dict[str, Any]:
    lists = "curve_time_s curve_cents curve_se_cents jump_s jump_se_s jump_from_s jump_to_s jump_cents"
    names = (
        "sharp_cents sharp_se_cents jump_least_cents jump_log_odds wow_hz wow_hz_se wow_cents wow_se_cents "
        "wow_phase_rad wow_shrink wow_chance flutter_hz flutter_cents"
    )
    return {**{name: [] for name in lists.split()}, **dict.fromkeys(names.split())}
