"""The order in which a written part is played out: repeats taken, endings in turn, da capo without repeats.

After a da capo or dal segno repeats are not taken again and of endings the last is played (common practice, no
source).
"""

from collections.abc import Sequence

from pipeline.errors import DataError
from pipeline.store.parts.part import MOST_NOTES, Way


def played(last_event: int, ways: Sequence[Way]) -> list[int]:
    """Events from 1 to ``last_event`` in the order played.

    Raises
    ------
    DataError
        If the repeats make more than ``MOST_NOTES`` events.
    """
    on: dict[int, list[Way]] = {}
    for way in sorted(ways):
        on.setdefault(way.from_event, []).append(way)
    left = {way: way.times for way in ways if way.way in ("repeat", "da_capo", "dal_segno")}
    order: list[int] = []
    returned = False
    at = _ending(1, on.get(0, []), left, returned=returned)
    while 1 <= at <= last_event:
        order.append(at)
        if len(order) > MOST_NOTES:
            raise DataError(f"its repeats make more than {MOST_NOTES} notes", "mend them in written_way.csv")
        here = on.get(at, [])
        back = next((w for w in here if left.get(w, 0) > 0 and (w.way != "repeat" or not returned)), None)
        if returned and any(w.way == "fine" for w in here):
            break
        coda = next((w.to_event for w in here if w.way == "coda"), None)
        if returned and coda is not None:
            at = coda
        elif back is not None:
            left[back] -= 1
            returned = returned or back.way != "repeat"
            at = back.to_event
        else:
            at = _ending(at + 1, here, left, returned=returned)
    return order


def _ending(following: int, here: list[Way], left: dict[Way, int], *, returned: bool) -> int:
    """The first of the endings whose own repeat is still to be taken; the last one if all have been."""
    starts = [following, *sorted(w.to_event for w in here if w.way == "ending")]
    if len(starts) == 1 or returned:
        return starts[-1]
    for start, after in zip(starts, [*starts[1:], None], strict=True):
        closes = [w for w in left if w.way == "repeat" and start <= w.from_event and w.from_event < (after or start)]
        if after is None or any(left[w] > 0 for w in closes):
            return start
    return starts[-1]
