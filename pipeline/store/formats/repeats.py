"""The bars of a MusicXML part in the order in which they are played: repeats, endings, da capo, dal segno, coda.

Read are the repeats and endings of ``<barline>`` and the attributes of ``<sound>`` (W3C, MusicXML 4.0). After a da
capo or dal segno repeats are not taken again and of endings the last is played (common practice, no source).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from pipeline.errors import DataError

MOST_BARS = 20_000


@dataclass
class _Bar:
    """What a bar says of the way on; ``times`` is how often a passage that ends here is played in all."""

    begins: bool = False
    times: int = 1
    endings: frozenset[int] = frozenset()
    last_ending: int = 0
    back_to: int | None = None
    stops: bool = False
    to_coda: int | None = None


def played_order(bars: Sequence[Element], *, file: str) -> list[int]:
    """Indices of the bars as they are played.

    Raises
    ------
    DataError
        If the repeats written out are more than ``MOST_BARS`` bars.
    """
    signs = _signs(bars)
    order: list[int] = []
    at, start, turn, furthest, returned = 0, 0, 1, -1, False
    while at < len(signs):
        bar = signs[at]
        if at > furthest:
            furthest = at
            if bar.begins or (at > 0 and signs[at - 1].endings and not bar.endings):
                start, turn = at, 1
        if bar.endings and (bar.last_ending if returned else turn) not in bar.endings:
            at += 1
            continue
        order.append(at)
        if len(order) > MOST_BARS:
            raise DataError(f"{file}: its repeats make more than {MOST_BARS} bars; mend them and export it again")
        times = bar.last_ending if bar.endings else bar.times
        if returned:
            if bar.stops:
                break
            at = bar.to_coda if bar.to_coda is not None else at + 1
        elif bar.times > 1 and turn < times:
            at, turn = start, turn + 1
        elif bar.back_to is not None:
            at, returned = bar.back_to, True
        else:
            if bar.times > 1 and not bar.endings:
                start, turn = at + 1, 1
            at += 1
    return order


def _signs(bars: Sequence[Element]) -> list[_Bar]:
    signs = [_Bar() for _ in bars]
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
                sign.back_to = 0
            elif (label := sound.get("dalsegno")) is not None:
                sign.back_to = marks["segno"].get(label)
            sign.stops |= sound.get("fine") is not None
            if (label := sound.get("tocoda")) is not None:
                sign.to_coda = marks["coda"].get(label)
    last = 0
    for sign in reversed(signs):
        last = max(last, *sign.endings) if sign.endings else 0
        sign.last_ending = last
    return signs
