"""What a part says of the way through its bars: repeats, endings, da capo, dal segno, coda, fine.

Of MusicXML the repeats and endings of ``<barline>`` and the attributes of ``<sound>`` are read (W3C, version 4.0).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from pipeline.errors import DataError
from pipeline.store.parts.part import WayKind

MOST_TIMES = 100


@dataclass(frozen=True)
class BarWay:
    """After the end of bar ``after`` (an index; -1: before the first) one may go on at bar ``to``; None is the end."""

    after: int
    to: int | None
    way: WayKind
    times: int = 1


@dataclass
class BarSigns:
    """What a bar says of the way on; ``times`` is how often a passage that ends here is played in all."""

    begins: bool = False
    times: int = 1
    endings: frozenset[int] = frozenset()
    opens: bool = False
    back_to: int | None = None
    back_way: WayKind = "da_capo"
    stops: bool = False
    to_coda: int | None = None


def bar_ways(signs: Sequence[BarSigns], *, file: str) -> list[BarWay]:
    """The ways on that the signs of bars say.

    Raises
    ------
    DataError
        If a passage is to be played more than ``MOST_TIMES`` times.
    """
    ways: list[BarWay] = []
    start, first_ending = 0, -1
    for at, bar in enumerate(signs):
        after_endings = at > 0 and bool(signs[at - 1].endings) and not bar.endings
        if bar.begins or after_endings:
            start, first_ending = at, -1
        if bar.opens:
            if first_ending < 0:
                first_ending = at
            else:
                ways.append(BarWay(first_ending - 1, at, "ending"))
        times = len(bar.endings) if bar.endings and bar.times > 1 else bar.times - 1
        if times > MOST_TIMES:
            raise DataError(
                f"{file}: bar {at + 1}: a repeat is played {bar.times} times", "mend it and export it again"
            )
        if times > 0:
            ways.append(BarWay(at, start, "repeat", times))
            if not bar.endings:
                start, first_ending = at + 1, -1
        if bar.back_to is not None:
            ways.append(BarWay(at, bar.back_to, bar.back_way))
        if bar.to_coda is not None:
            ways.append(BarWay(at, bar.to_coda, "coda"))
        if bar.stops:
            ways.append(BarWay(at, None, "fine"))
    return ways


def musicxml_signs(bars: Sequence[Element]) -> list[BarSigns]:
    """Signs of ``<measure>`` elements."""
    signs = [BarSigns() for _ in bars]
    marks: dict[str, dict[str, int]] = {"segno": {}, "coda": {}}
    for at, bar in enumerate(bars):
        for sound in bar.iter("sound"):
            for name, found in marks.items():
                if (label := sound.get(name)) is not None:
                    found.setdefault(label, at)
    open_endings: frozenset[int] = frozenset()
    for bar, sign in zip(bars, signs, strict=True):
        closes = False
        for line in bar.findall("barline"):
            if (ending := line.find("ending")) is not None:
                if ending.get("type") == "start":
                    open_endings = frozenset(int(n) for n in ending.get("number", "").split(",") if n.strip().isdigit())
                    sign.opens = True
                else:
                    closes = True
            if (repeat := line.find("repeat")) is not None:
                if repeat.get("direction") == "forward":
                    sign.begins = True
                else:
                    times = repeat.get("times", "")
                    sign.times = max(int(times), 2) if times.isdecimal() else 2
        sign.endings = open_endings
        if closes:
            open_endings = frozenset()
        for sound in bar.iter("sound"):
            if sound.get("dacapo") == "yes":
                sign.back_to, sign.back_way = 0, "da_capo"
            elif (label := sound.get("dalsegno")) is not None:
                sign.back_to, sign.back_way = marks["segno"].get(label), "dal_segno"
            sign.stops |= sound.get("fine") is not None
            if (label := sound.get("tocoda")) is not None:
                sign.to_coda = marks["coda"].get(label)
    return signs
