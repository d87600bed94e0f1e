"""What A4 may have been, as a quantity: named pitches of the time, each with a width.

Pitches are cents above A4 = 440 Hz on ``GRID_CENTS``. A pitch stated with its uncertainty is a normal distribution;
one that is only assumed has a second, wider part, since instruments were tuned to anything in between (the forks of
Ellis, in Helmholtz, On the Sensations of Tone, 1885, appendix XX, fill the range from 430 to 456 Hz).
"""

import re
from dataclasses import dataclass

import numpy as np

from pipeline.units import A4_HZ, Floats, cents_of_ratio

GRID_CENTS = np.arange(-130.0, 131.0, 1.0)  # every pitch from 408 to 474 Hz
_LEAST_SD_CENTS = 1.0  # the step of the grid
# Spread of Ellis's forks (1885, appendix XX); share by trial: limits hold as often as said for any A4 from 430 to 455.
_WIDE_SHARE, _WIDE_SD_CENTS = 0.6, 24.0
_HIGH_PITCH_GIVEN_UP, _STANDARD_FROM = 1929, 1940  # British bands gave it up in 1928; 440 Hz recommended in 1939

ASSUMED = "assumed"
"""Origin of the pitch that is usual today, where nothing is known."""


@dataclass(frozen=True)
class ReferencePitch:
    """A reference pitch that may have been in use.

    Attributes
    ----------
    hz, sd_cents : A4 and its standard deviation.
    probability : before listening.
    origin : where it comes from, in words.
    stated : whether somebody stated it; one that is only assumed is estimated along with the speed.
    """

    hz: float
    sd_cents: float
    probability: float
    origin: str
    stated: bool

    @property
    def cents(self) -> float:
        """Cents above 440 Hz."""
        return float(cents_of_ratio(self.hz / A4_HZ))

    def masses(self) -> Floats:
        """Prior probabilities on ``GRID_CENTS``, summing to ``probability``."""
        narrow = _normal_masses(self.cents, self.sd_cents)
        if not self.stated:
            narrow = (1.0 - _WIDE_SHARE) * narrow + _WIDE_SHARE * _normal_masses(self.cents, _WIDE_SD_CENTS)
        return self.probability * narrow


def _normal_masses(mean: float, sd: float) -> Floats:
    from scipy.special import ndtr  # Here, so that telling what must run need not wait for scipy.

    edges = np.concatenate((GRID_CENTS - 0.5, GRID_CENTS[-1:] + 0.5))
    masses = np.diff(ndtr((edges - mean) / max(sd, _LEAST_SD_CENTS)))
    return np.asarray(masses / masses.sum())


# Where recordings were made, by words in the name of the place. Countries, and cities with studios before 1940.
_REGION_WORDS = {
    "britain": "britain england scotland wales uk london hayes manchester birmingham edinburgh glasgow dublin",
    "america": "usa america york camden philadelphia chicago boston bridgeport richmond oakland toronto montreal",
    "continent": (
        "france germany austria italy russia hungary bohemia czechoslovakia poland belgium netherlands spain sweden "
        "denmark norway finland switzerland romania paris lyon berlin dresden munich hamburg hanover cologne "
        "vienna budapest prague milan rome naples petersburg petrograd leningrad moscow warsaw riga brussels amsterdam "
        "madrid barcelona stockholm copenhagen oslo kristiania helsinki zurich geneva bucharest"
    ),
}
_REGION = {word: region for region, words in _REGION_WORDS.items() for word in words.split()}


def region_of(place: str | None) -> str | None:
    """ "britain", "america" or "continent" if a word of the place's name tells; None if none does, or two disagree."""
    words = re.findall(r"[a-z]+", (place or "").casefold())
    found = {_REGION[word] for word in words if word in _REGION}
    return found.pop() if len(found) == 1 else None


def assumed(region: str | None, year: int | None) -> tuple[ReferencePitch, ...]:
    """Pitches that may have been in use where the catalogue states none, likeliest first.

    435 Hz is the French diapason normal (law of 16 February 1859), taken over at Vienna in 1885; 439 Hz the British
    Philharmonic pitch of 1896; 452 Hz about the older one, kept by bands to about 1928; 440 Hz was usual earlier in
    America than in Europe, and recommended at London in 1939. Shares and widths: common practice, no source.
    """
    modern, continental, old_high = 440.0, 0.25, 0.13
    if region == "britain":
        modern, continental, old_high = 439.0, 0.15, 0.2
    elif region == "america":
        continental, old_high = 0.2, 0.05
    elif region == "continent":
        continental, old_high = 0.55, 0.05
    if year is not None and year >= _HIGH_PITCH_GIVEN_UP:
        old_high = min(old_high, 0.05)
    if year is not None and year >= _STANDARD_FROM:
        modern, continental = 440.0, 0.1
    found = (
        ReferencePitch(modern, 7.0, 1.0 - continental - old_high, ASSUMED, stated=False),
        ReferencePitch(435.0, 5.0, continental, "for a nominal 435 Hz, the diapason normal", stated=False),
        ReferencePitch(452.0, 6.0, old_high, "for a nominal 452 Hz, old high pitch", stated=False),
    )
    return tuple(sorted(found, key=lambda pitch: -pitch.probability))
