"""What a side is found to hold, in words; and when that is too little of a solo to state anything of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import polars as pl

from pipeline.units import Floats

NOT_COUNTED = {
    "accompaniment_only": "no solo is heard",
    "not_music": "nothing is heard above the noise",
    "speech": "sounds like speech or song",
    "cannot_tell": "the solo is covered or the noise too strong to follow it",
}
_WORDS = {**NOT_COUNTED, "speech": "the side sounds like speech or song"}
# A speed, a drift or an instrument is stated of a side on which the solo is heard for this long, for this share of what
# sounds, and for longer than anything like speech. Songs and bands seem a solo for single seconds (common practice).
LEAST_SOLO_S, LEAST_SOLO_SHARE = 2.0, 0.2


@dataclass(frozen=True)
class Line:
    """The followed line of a transfer, (n,) arrays in time order; NaN where the table ``pitch_frame`` is empty."""

    time_s: Floats
    f0_hz: Floats
    voiced_probability: Floats
    confidence: Floats
    level_db: Floats
    prominence_db: Floats
    sound_db: Floats
    gliding: Floats


def line_of(frames: pl.DataFrame) -> Line:
    """The line that a table ``pitch_frame`` holds."""
    frames = frames.sort("transfer_time_s")

    def column(name: str) -> Floats:
        return frames[name].cast(pl.Float64).fill_null(float("nan")).to_numpy(writable=True)

    names = ("f0_hz", "voiced_probability", "confidence", "level_db", "prominence_db", "sound_db", "gliding")
    return Line(column("transfer_time_s"), *(column(name) for name in names))


class Heard(Protocol):
    """A span with its measured content, see ``pipeline.signal.line.solo_parts``."""

    @property
    def start_s(self) -> float: ...
    @property
    def end_s(self) -> float: ...
    @property
    def content(self) -> str: ...


def why_no_solo(spans: Sequence[Heard]) -> str:
    """Why nothing can be stated of a solo on this side; "" where a solo is heard for long enough."""
    lengths = dict.fromkeys(("solo", *NOT_COUNTED), 0.0)
    for span in spans:
        lengths[span.content] += span.end_s - span.start_s
    solo_s = lengths.pop("solo")
    sounding_s = solo_s + sum(lengths.values()) - lengths["not_music"]
    if solo_s >= max(LEAST_SOLO_S, LEAST_SOLO_SHARE * sounding_s) and solo_s > lengths["speech"]:
        return ""
    most = max(lengths, key=lambda content: lengths[content])
    if lengths[most] == 0.0:
        return f"the side holds only {solo_s:.1f} s of solo; {LEAST_SOLO_S:.0f} s are needed"
    return f"a solo string is heard for {solo_s:.1f} s only; for {lengths[most]:.1f} s {_WORDS[most]}"
