"""Follows the solo line of a side: pitch, voicing and confidence every 5.8 ms, in the transfer's own time.

The way: noise-floor normalised spectra on a whitened 20-cent grid (``spectrum``), a comb of partials with negative
teeth between them, whose best candidates are scored (``candidates``), a path through them that may glide and
leap (``path``), refinement on the partials (``refine``), and a second look at what lies between the notes so found
(``second_look``); ``follower`` leads through it.

Voicing is an output of its own: the line goes on wherever a pitch can be followed, so that slides under noise or
piano are not cut up; a caller that wants clean gaps thresholds ``voiced_probability``.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.line.calibration import PLAIN, calibrated, evidence
from pipeline.signal.line.follower import Follower
from pipeline.signal.line.grid import search_range
from pipeline.signal.line.network import network
from pipeline.signal.line.spectrum import HOP_S
from pipeline.units import A4_HZ, Floats, midi_of_hz

Scoring = Literal["network", "comb"]
# Below this level there is nothing.
SILENT_DB = -120.0
# How much of a side is heard to estimate its instrument.
EXCERPT_S = 40.0


@dataclass(frozen=True)
class MelodyLine:
    """The solo line, n frames 5.8 ms apart, in transfer time and uncorrected pitch.

    Attributes
    ----------
    time_s : centres of the frames, from 0.
    f0_hz : pitch; NaN where no line can be followed.
    voiced_probability : that the solo sounds here, in [0, 1], whatever its pitch.
    confidence : probability that the solo sounds and ``f0_hz`` is within 50 cents of its pitch.
    level_db : level of the line's partials, 0 dB for a full-scale sine; NaN without a line.
    prominence_db : partials against the gaps between them; NaN without a line.
    sound_db : level of everything that sounds, 0 dB for a full-scale sine.
    gliding : probability that the pitch glides here from one note to another; NaN where nothing tells.
    instrument : whose range was searched; estimated where none was given, see ``instrument_estimated``.
    """

    time_s: Floats
    f0_hz: Floats
    voiced_probability: Floats
    confidence: Floats
    level_db: Floats
    prominence_db: Floats
    sound_db: Floats
    gliding: Floats
    instrument: str
    instrument_estimated: bool

    @property
    def hop_s(self) -> float:
        """Distance of frames in s."""
        return HOP_S


def follow(
    samples: npt.NDArray[np.float32],
    *,
    sample_rate_hz: float,
    instrument: str | None,
    scoring: Scoring = "network",
) -> MelodyLine:
    """Follow the solo line.

    Parameters
    ----------
    samples : mono sound (n,), any level.
    instrument : a name of ``INSTRUMENTS``, or None: estimated from the range in which the line lies.
    scoring : what scores the comb's candidates: the trained network, or the comb alone.

    Raises
    ------
    ValueError
        If the samples are not one-dimensional or hold values that are not finite, the rate is not positive, or the
        instrument is unknown.

    >>> time_s = np.arange(2 * 22_050) / 22_050
    >>> tone = sum(np.sin(2 * np.pi * 440.0 * k * time_s) / k for k in range(1, 9))
    >>> line = follow(0.1 * tone, sample_rate_hz=22_050, instrument="violin")
    >>> round(float(np.nanmedian(line.f0_hz)))
    440
    """
    sound = np.asarray(samples, dtype=np.float32)
    if sound.ndim != 1:
        raise ValueError(f"samples have shape {sound.shape}; give one channel (n,)")
    # One sum tells in an eighth of the time; that of very large values is looked into.
    if not np.isfinite(sound.sum()) and not np.isfinite(sound).all():
        raise ValueError("samples hold NaN or infinite values; decode the file again")
    if not sample_rate_hz > 0:
        raise ValueError(f"sample_rate_hz {sample_rate_hz} is not positive")
    if instrument is not None and instrument not in INSTRUMENTS:
        raise ValueError(f"instrument {instrument!r}: known are {', '.join(INSTRUMENTS)}")
    name = instrument or _estimated_instrument(sound, sample_rate_hz=sample_rate_hz, scoring=scoring)
    line, side = first_look(sound, sample_rate_hz=sample_rate_hz, instrument=name, scoring=scoring)
    line = replace(line, instrument_estimated=instrument is None)
    return line if side.network is None else _looked_again(line, side)


def first_look(
    sound: npt.NDArray[np.float32], *, sample_rate_hz: float, instrument: str, scoring: Scoring = "network"
) -> tuple[MelodyLine, Follower]:
    """The line before what lies between its notes is looked at again, and who has followed it."""
    side = _follower(sound, sample_rate_hz=sample_rate_hz, instrument=instrument, scoring=scoring)
    found, net = side.run(), side.network
    known = {"sounding": found.sounding, "mass": found.mass, "prominence_db": found.prominence_db}
    worth = PLAIN if net is None else net.calibration
    voiced, sure = (calibrated(evidence(**known, voiced=v), worth[i]) for i, v in enumerate((True, False)))
    heard = found.sound_db > SILENT_DB
    line = MelodyLine(
        time_s=np.asarray(np.arange(found.f0_hz.size) * HOP_S, dtype=np.float64),
        f0_hz=found.f0_hz,
        voiced_probability=np.where(heard, voiced, 0.0),
        confidence=np.where(np.isfinite(found.f0_hz), np.minimum(sure, voiced), 0.0),
        level_db=found.level_db,
        prominence_db=found.prominence_db,
        sound_db=found.sound_db,
        gliding=np.full(found.f0_hz.size, np.nan),
        instrument=instrument,
        instrument_estimated=False,
    )
    return line, side


def _looked_again(line: MelodyLine, side: Follower) -> MelodyLine:
    """The line with what a second look between its notes says (see ``second_look``)."""
    looked = side.look_again(line)
    moved = np.isfinite(looked.f0_hz)
    if not moved.any():
        return replace(line, gliding=looked.gliding)
    f0_hz, level_db, prominence_db = side.refined(looked.f0_hz, looked.f0_hz < side.search.low_refined_below_hz)
    f0_hz = np.where(np.isfinite(f0_hz), f0_hz, looked.f0_hz)
    return replace(
        line,
        f0_hz=np.where(moved, f0_hz, line.f0_hz),
        voiced_probability=np.where(moved, np.maximum(looked.sure, line.voiced_probability), line.voiced_probability),
        confidence=np.where(moved, looked.sure, line.confidence),
        level_db=np.where(moved & np.isfinite(level_db), level_db, line.level_db),
        prominence_db=np.where(moved & np.isfinite(prominence_db), prominence_db, line.prominence_db),
        gliding=looked.gliding,
    )


def _follower(sound: npt.NDArray[np.float32], *, sample_rate_hz: float, instrument: str, scoring: Scoring) -> Follower:
    net = network(instrument) if scoring == "network" else None
    return Follower(sound, sample_rate_hz=sample_rate_hz, search=search_range(instrument), network=net)


def _estimated_instrument(sound: npt.NDArray[np.float32], *, sample_rate_hz: float, scoring: Scoring) -> str:
    """The instrument that best explains the middle of the side: a sure line, and near its usual compass.

    The line of each is weighted by how usual its median pitch is: a normal curve of 6 semitones around 17 above the
    lowest string, and its lowest notes must be within reach.
    """
    half = round(0.5 * EXCERPT_S * sample_rate_hz)
    middle = sound.size // 2
    excerpt = sound[max(0, middle - half) : middle + half]
    best, most = "violin", 0.0
    for name, kind in INSTRUMENTS.items():
        line = _follower(excerpt, sample_rate_hz=sample_rate_hz, instrument=name, scoring=scoring).run()
        sure = line.f0_hz[np.isfinite(line.f0_hz) & (line.mass > 0.7)]
        if not sure.size:
            continue
        lowest, median = midi_of_hz(np.quantile(sure, (0.02, 0.5)), reference_pitch_hz=A4_HZ)
        # Solos lie some octave and a half above the lowest string, seldom under it (common practice, no source).
        usual = np.exp(-0.5 * ((median - kind.lowest_midi - 17.0) / 6.0) ** 2)
        worth = sure.size / line.f0_hz.size * usual * (1.0 if lowest > kind.lowest_midi - 2.0 else 0.2)
        if worth > most:
            best, most = name, float(worth)
    return best
