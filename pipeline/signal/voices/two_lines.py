"""The lines of two bowed players on one side: the soloist's and the other's, and how sure it is whose is whose."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.line.follow import MelodyLine, Scoring, follow
from pipeline.signal.line.grid import HIGH
from pipeline.signal.line.spectrum import resampled, unpadded
from pipeline.signal.passages.part import Part
from pipeline.signal.voices.by_part import odds_by_part
from pipeline.signal.voices.certain import loud_enough, right
from pipeline.signal.voices.colour import colour
from pipeline.signal.voices.taken_out import TRUSTED, taken_out
from pipeline.signal.voices.whose import ABOVE, Whose, whose
from pipeline.units import Floats

FAINT_DB = 14.0
"""What is so far below a player's usual level is an echo, or what is left of the other: on rendered duets 1 % of what
is played, and 95 % of what is followed where the soloist rests (``benchmarks.duets``)."""
Samples = npt.NDArray[np.float32]


@dataclass(frozen=True)
class TwoLines:
    """The soloist's line and the other's, n frames each; NaN, and silent, where the player rests.

    ``sure`` (n,): probability that they are not the other way round.
    """

    solo: MelodyLine
    other: MelodyLine
    sure: Floats


def two_lines(
    samples: Samples,
    *,
    sample_rate_hz: float,
    instrument: str | None,
    other_instrument: str | None,
    said: list[tuple[float, float]] | None = None,
    part: Part | None = None,
    others: int = 1,
    scoring: Scoring = "network",
) -> TwoLines:
    """Follow the loudest line, then what is left without it, and tell whose is which.

    Parameters
    ----------
    samples : mono sound (n,), any level.
    instrument, other_instrument : of the soloist and of the other player; None: estimated, and as the soloist's.
    said : seconds in which a person says that the solo is heard; who sounds alone there is the soloist.
    part : what is written for the soloist; of two, who plays from it is the soloist, unless a person says where the
        solo is.
    others : how many play beside the soloist; with two and more what is soft for the soloist is not sure.
    """
    sound = unpadded(resampled(samples, sample_rate_hz=sample_rate_hz, register=HIGH))
    rate_hz = HIGH.rate_hz
    first = follow(sound, sample_rate_hz=rate_hz, instrument=instrument, scoring=scoring)
    beside = other_instrument or first.instrument
    rest = taken_out(sound, first, sample_rate_hz=rate_hz).left
    second = follow(rest, sample_rate_hz=rate_hz, instrument=beside, scoring=scoring)
    softer = taken_out(rest, second, sample_rate_hz=rate_hz)
    # What is left of the second line is nothing of the first, whose own partials are read without it.
    louder = taken_out(sound - (rest - softer.left), first, sample_rate_hz=rate_hz)
    f0_hz = np.stack([first.f0_hz, second.f0_hz])
    above = INSTRUMENTS[first.instrument].lowest_midi - INSTRUMENTS[beside].lowest_midi or ABOVE
    spans = np.zeros(first.time_s.size, dtype=bool)
    for start, end in said or ():
        spans |= (first.time_s >= start) & (first.time_s < end)
    colours = colour(np.stack([louder.levels_db, softer.levels_db]), f0_hz)
    found = whose(first, second, colours, above=float(above), said=spans, others=others)
    # Among three each line is now one player's, now another's, and some notes of each lie on the part.
    if part is not None and others < 2 and not spans.any():
        one = _assigned(first, second, replace(found, odds=np.inf))
        if odds := odds_by_part(part, one.solo, one.other):
            found = replace(found, odds=odds)
    lines = _assigned(first, second, found)
    return lines if others < 2 else replace(lines, sure=lines.sure * loud_enough(lines.solo))


def _assigned(first: MelodyLine, second: MelodyLine, found: Whose) -> TwoLines:
    """The lines by player instead of by loudness."""
    straight = (found.straight >= 0.5) == (found.odds >= 0.0)
    solo = _chosen(straight, first, second)
    other = replace(_chosen(~straight, first, second), instrument=second.instrument)
    soloist, line = float(expit(abs(found.odds))), right(found.straight, solo, other)
    return TwoLines(solo, other, soloist * line + (1.0 - soloist) * (1.0 - line))


def _chosen(straight: npt.NDArray[np.bool_], first: MelodyLine, second: MelodyLine) -> MelodyLine:
    """The first line where ``straight``, the second elsewhere, both where that player sounds."""
    level_db = np.where(straight, first.level_db, second.level_db)
    trusted = np.where(straight, first.confidence, second.confidence) > TRUSTED
    usual_db = np.median(level_db[trusted]) if trusted.any() else 0.0
    there = (straight | trusted) & ~(level_db < usual_db - FAINT_DB)

    def of(name: str, silent: float) -> Floats:
        return np.where(there, np.where(straight, getattr(first, name), getattr(second, name)), silent)

    unknown = float("nan")
    return replace(
        first,
        f0_hz=of("f0_hz", unknown),
        voiced_probability=of("voiced_probability", 0.0),
        confidence=of("confidence", 0.0),
        level_db=of("level_db", unknown),
        prominence_db=of("prominence_db", unknown),
        gliding=of("gliding", 0.0),
    )
