"""Every find of a corpus as plain numbers, read once: whose it is, on which side, of which class and kind."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
from scipy import sparse

from pipeline.kinds import KINDS
from pipeline.stats.recovery import CLASS_MS, CLASS_SEMITONES
from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
Numbers = npt.NDArray[np.integer[Any]]
"""Whole numbers of whatever size they need."""
CLASSES = 2 * CLASS_MS.size * CLASS_SEMITONES.size
"""Classes of finds, as ``class_sql`` numbers them."""
DIRECTIONS = ("falling", "rising", "unknown")
MEASURES = {"duration": "ms", "interval": "cents", "gradient": "cents_per_s"}
"""What is measured of each find, and in which unit; size and slope without their sign."""


def class_sql() -> str:
    """The class of a find (``stats.recovery.classes``) as SQL over duration_ms, interval_cents and found_kind."""
    step = float(np.log(CLASS_MS[1] / CLASS_MS[0]))
    steps = f"round(ln(greatest(duration_ms, 1) / {float(CLASS_MS[0])!r}) / {step!r})"
    ms = f"least(greatest({steps}, 0), {CLASS_MS.size - 1})"
    ends = np.sqrt(CLASS_SEMITONES[1:] * CLASS_SEMITONES[:-1])
    size = " + ".join(f"(abs(interval_cents) / 100 > {float(end)!r})::int" for end in ends)
    broken = "(found_kind in ('departing_finger', 'arriving_finger', 'two_finger'))::int"
    return f"(({ms}::bigint * {CLASS_SEMITONES.size} + {size}) * 2 + {broken})"


def _place_sql(column: str, names: tuple[str, ...]) -> str:
    """The place of a value in a list, from 0; the last where it is none of them."""
    listed = ", ".join(f"'{name}'" for name in names)
    return f"(coalesce(list_position([{listed}], {column}), {len(names)}) - 1)::tinyint"


# Small numbers, since there may be millions of rows; in no order, since all that is made of them are whole sums.
_FINDS = f"""
select part_number.part::integer as part, side_number.side::integer as side, {class_sql()}::smallint as class,
    {_place_sql("found_kind", KINDS)} as found_kind, {_place_sql("direction", DIRECTIONS)} as direction,
    coalesce(semitones, 0)::smallint as semitones, {_place_sql("kind", KINDS)} as kind, is_slide,
    {", ".join(f"abs({name}_{unit}) as {name}" for name, unit in MEASURES.items())}
from stage.owned_slide
join part_number
    on part_number.take_id = owned_slide.take_id
    and part_number.player_id is not distinct from owned_slide.player_id
join side_number on side_number.transfer_id = owned_slide.transfer_id
where origin = 'found'
"""


@dataclass(frozen=True)
class Finds:
    """Finds as numbers, shape (finds,) each.

    ``part`` is the take and player whose find it is, ``side`` the transfer, ``classes`` by ``stats.recovery``,
    ``kind`` a place in ``KINDS``, ``direction`` one in ``DIRECTIONS``; ``semitones`` is rounded.
    """

    part: Numbers
    side: Numbers
    classes: Numbers
    kind: Numbers
    direction: Numbers
    semitones: Numbers

    def of(self, chosen: Ints) -> "Finds":
        """Those at some places."""
        return Finds(*(getattr(self, each.name)[chosen] for each in fields(self)))


@dataclass(frozen=True)
class Measured:
    """What listeners leave of the finds, and what was measured of each, shape (finds,) each.

    ``kind`` is that which they say, ``is_slide`` whether one is there; ``values`` are by the names of ``MEASURES``.
    """

    kind: Numbers
    is_slide: npt.NDArray[np.bool_]
    values: Mapping[str, Floats]

    def of(self, chosen: Ints) -> "Measured":
        """Those at some places."""
        return Measured(
            self.kind[chosen], self.is_slide[chosen], {name: values[chosen] for name, values in self.values.items()}
        )


def finds_of(con: duckdb.DuckDBPyConnection) -> tuple[Finds, Measured]:
    """All finds of the corpus, whatever takes are chosen; needs the numbers of ``parts.Parts``."""
    made: Mapping[str, Any] = con.execute(_FINDS).fetchnumpy()
    names = ("part", "side", "class", "found_kind", "direction", "semitones")
    values = {name: np.ma.filled(made[name], np.nan) for name in MEASURES}
    return Finds(*(made[name] for name in names)), Measured(made["kind"], made["is_slide"], values)


def groups_of_slides(
    grouping: str, kind: Numbers, direction: Numbers, semitones: Numbers
) -> tuple[Ints, list[str], Ints]:
    """Which slides lie in a group of a grouping of slides, the keys of the groups, and the group of each that does."""
    used = np.arange(kind.size)
    if grouping == "kind":
        there, at = np.unique(kind, return_inverse=True)
        return used, [str(KINDS[each]) for each in there], at
    is_interval = grouping == "interval"
    if is_interval:
        used = np.flatnonzero(direction < DIRECTIONS.index("unknown"))
    first, second = (direction, semitones) if is_interval else (kind, direction)
    size = int(second.max(initial=0)) + 1
    there, at = np.unique(first[used].astype(np.intp) * size + second[used], return_inverse=True)
    if is_interval:
        return used, [f"{DIRECTIONS[each // size]}/{each % size}" for each in there], at
    return used, [f"{KINDS[each // size]}/{DIRECTIONS[each % size]}" for each in there], at


@dataclass(frozen=True)
class Cells:
    """How many finds of each class each of some sums has on each side that it has any on.

    ``side`` and ``of``, the number of the sum, have shape (cells,), ``counts`` (cells, classes).
    """

    side: Ints
    of: Ints
    counts: sparse.csr_array

    def times(self, per_find: Floats) -> sparse.csr_array:
        """Counts times a number for each class on each side, given as (classes, sides)."""
        row = np.repeat(np.arange(self.side.size), np.diff(self.counts.indptr))
        worth = per_find[self.counts.indices, self.side[row]]
        return sparse.csr_array((self.counts.data * worth, self.counts.indices, self.counts.indptr), self.counts.shape)


def cells(finds: Finds, of: Numbers, number: int, *, weights: Floats | None = None) -> Cells:
    """The finds of each of so many sums by side and class.

    Parameters
    ----------
    of : the sum that each find belongs to, shape (finds,).
    weights : what each find counts, 1 if None.
    """
    at = finds.side.astype(np.int64) * number + of
    named, place = np.unique(at, return_inverse=True)
    worth = np.ones(at.size) if weights is None else weights
    counts = sparse.csr_array((worth, (place, finds.classes)), shape=(named.size, CLASSES))
    counts.sum_duplicates()  # which sorts, so that sums do not hang on the order of finds
    return Cells(named // number, named % number, counts)


def summing(of: Ints, number: int) -> sparse.csr_array:
    """What sums the rows of another matrix that belong to each of so many sums."""
    return sparse.csr_array((np.ones(of.size), (of, np.arange(of.size))), shape=(number, of.size))
