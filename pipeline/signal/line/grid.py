"""Where the melody of each instrument is looked for: pitch range, registers, comb teeth.

Bins are 20 cents wide, ``BINS_PER_SEMITONE`` to a semitone, counted from the lowest pitch looked for. A transfer
may run three semitones fast or slow, so the range is that much wider than the compass of the instrument.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.line.spectrum import BASE_RATE_HZ, BINS_PER_SEMITONE, PitchGrid, Register
from pipeline.units import A4_HZ, midi_of_hz, semitones_of_ratio

Ints = npt.NDArray[np.int64]

SPEED_MARGIN_SEMITONES = 3  # how much faster or slower than it should a transfer may run (common practice, no source)
# Frames before and after a frame that its scoring looks at: 325 ms.
CONTEXT = 56
# Bins kept free below and above the searched range, so that no tooth or feature falls outside: a fifth of the pitch
# and four octaves, and a few bins.
BELOW = 28 * BINS_PER_SEMITONE + 4
ABOVE = 48 * BINS_PER_SEMITONE + 4
# Partials of the comb, their weights and those half-way between, which speak against it (common practice, no source).
TEETH = 10
HALF_TEETH = 6  # common practice, no source
TOOTH_DECAY = 0.85  # common practice, no source
HALF_TOOTH_WEIGHT = 0.5  # common practice, no source

# The sound as it is, and at half the rate, in which the window is twice as long.
HIGH = Register(halvings=0)
LOW = Register(halvings=1)
# Pitches below these are found with the longer window alone: a piano's partials lie between those of a low note, and
# the shorter window does not part them.
LOW_REGISTER_BELOW_MIDI = {"cello": 67}
# Pitches below this one are also refined with it: their own partials lie less than 110 Hz apart.
LOW_REFINED_BELOW_MIDI = 48


def bins_of_ratio(ratio: float) -> int:
    """Nearest whole number of bins of a frequency ratio."""
    return round(BINS_PER_SEMITONE * float(semitones_of_ratio(ratio)))


@dataclass(frozen=True)
class SearchRange:
    """The pitches looked for on one instrument.

    Attributes
    ----------
    lowest_midi : pitch of bin 0.
    n : number of bins.
    split : bins below this one are found in the low register alone, those above in both; 0 where there is none.
    low_refined : bins below this one are refined in it, at most ``split``.
    """

    instrument: str
    lowest_midi: float
    n: int
    split: int
    low_refined: int

    @property
    def grid(self) -> PitchGrid:
        """The whitened grid, wider than the search range by ``BELOW`` and ``ABOVE`` bins."""
        return PitchGrid(self.lowest_midi - BELOW / BINS_PER_SEMITONE, BELOW + self.n + ABOVE)

    @property
    def low_end(self) -> int:
        """Last + 1 bin of the grid that the low register reaches."""
        return self.grid.taps(LOW)[3]

    @property
    def low_refined_below_hz(self) -> float:
        """Frequency of bin ``low_refined``; 0 where no bin is below it."""
        return float(self.hz()[self.low_refined]) if self.low_refined else 0.0

    def hz(self) -> npt.NDArray[np.float64]:
        """Frequencies (n,) of the searched bins."""
        return self.grid.hz()[BELOW : BELOW + self.n]


def search_range(instrument: str) -> SearchRange:
    """The range of an instrument of ``INSTRUMENTS``."""
    low, high = INSTRUMENTS[instrument].lowest_midi, INSTRUMENTS[instrument].highest_midi
    low, high = low - SPEED_MARGIN_SEMITONES, high + SPEED_MARGIN_SEMITONES
    ceiling = midi_of_hz(0.46 * BASE_RATE_HZ, reference_pitch_hz=A4_HZ)
    n = int((min(high, ceiling) - low) * BINS_PER_SEMITONE) + 1
    split = (LOW_REGISTER_BELOW_MIDI.get(instrument, low) - low) * BINS_PER_SEMITONE
    low_refined = max(0, (LOW_REFINED_BELOW_MIDI - low) * BINS_PER_SEMITONE)
    return SearchRange(instrument, float(low), n, split, min(split, low_refined))


def comb_teeth() -> tuple[Ints, npt.NDArray[np.float32]]:
    """Offsets in bins and weights of the comb: partials, and negative teeth half-way between them."""
    decay = [TOOTH_DECAY ** (h - 1) for h in range(1, TEETH + 1)]
    offsets = [bins_of_ratio(h) for h in range(1, TEETH + 1)]
    offsets += [bins_of_ratio(h - 0.5) for h in range(1, HALF_TEETH + 1)]
    weights = decay + [-HALF_TOOTH_WEIGHT * w for w in decay[:HALF_TEETH]]
    return np.array(offsets, dtype=np.int64), np.array(weights, dtype=np.float32)
