"""Follows the solo line of a side: pitch, voicing and confidence every 5.8 ms, in the transfer's own time.

The way: noise-floor normalised spectra on a whitened 20-cent grid (``spectrum``), a comb of partials with negative
teeth between them, whose best candidates are scored (``melody_score``), a path through them that may glide and
leap (``melody_path``), and refinement on the partials (``melody_refine``); ``melody_follower`` leads through it.

Voicing is an output of its own: the line goes on wherever a pitch can be followed, so that slides under noise or
piano are not cut up; a caller that wants clean gaps thresholds ``voiced_probability``.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.line.calibration import PLAIN, calibrated, evidence
from pipeline.signal.line.follower import Followed, Follower
from pipeline.signal.line.grid import search_range
from pipeline.signal.line.network import Network, network
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
    instrument : whose range was searched; estimated where none was given, see ``instrument_estimated``.
    """

    time_s: Floats
    f0_hz: Floats
    voiced_probability: Floats
    confidence: Floats
    level_db: Floats
    prominence_db: Floats
    sound_db: Floats
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
    found, net = _followed(sound, sample_rate_hz=sample_rate_hz, instrument=name, scoring=scoring)
    known = {"sounding": found.sounding, "mass": found.mass, "prominence_db": found.prominence_db}
    worth = PLAIN if net is None else net.calibration
    voiced, sure = (calibrated(evidence(**known, voiced=v), worth[i]) for i, v in enumerate((True, False)))
    heard = found.sound_db > SILENT_DB
    return MelodyLine(
        time_s=np.asarray(np.arange(found.f0_hz.size) * HOP_S, dtype=np.float64),
        f0_hz=found.f0_hz,
        voiced_probability=np.where(heard, voiced, 0.0),
        confidence=np.where(np.isfinite(found.f0_hz), np.minimum(sure, voiced), 0.0),
        level_db=found.level_db,
        prominence_db=found.prominence_db,
        sound_db=found.sound_db,
        instrument=name,
        instrument_estimated=instrument is None,
    )


def _followed(
    sound: npt.NDArray[np.float32], *, sample_rate_hz: float, instrument: str, scoring: Scoring
) -> tuple[Followed, Network | None]:
    net = network(instrument) if scoring == "network" else None
    side = Follower(sound, sample_rate_hz=sample_rate_hz, search=search_range(instrument), network=net)
    return side.run(), net


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
        line, _ = _followed(excerpt, sample_rate_hz=sample_rate_hz, instrument=name, scoring=scoring)
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
