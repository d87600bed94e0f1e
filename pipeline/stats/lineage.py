"""Paths through teaching: every way up from a player, and the nearest teacher that two players share.

Links are given as (student, teacher) -> certainty; each path carries the certainty of its weakest link.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

CERTAINTIES = ("possible", "probable", "certain")
MOST_PATHS = 100_000  # a bound for memory; no tree of teachers has so many

Links = Mapping[tuple[str, str], str]


@dataclass(frozen=True)
class LineagePath:
    """A way up: the people from student to teacher, and the certainty of the weakest link (certain if none)."""

    people: tuple[str, ...]
    weakest_certainty: str

    @property
    def generations(self) -> int:
        """Steps from student to teacher."""
        return len(self.people) - 1


def paths_up(links: Links, player: str) -> tuple[LineagePath, ...]:
    """Every path of at least one step from ``player`` upwards, shortest first, then by name.

    Raises
    ------
    ValueError
        If there are more than ``MOST_PATHS``; counts of them are in the view stage.ancestor.
    """
    teachers = _teachers(links)
    found: list[LineagePath] = []
    level = [LineagePath((player,), CERTAINTIES[-1])]
    while level:
        level = [
            LineagePath((*path.people, teacher), _weaker(path.weakest_certainty, certainty))
            for path in level
            for teacher, certainty in teachers[path.people[-1]]
            if teacher not in path.people
        ]
        found += level
        if len(found) > MOST_PATHS:
            raise ValueError(f"more than {MOST_PATHS} paths above {player}; see the counts in stage.ancestor")
    return tuple(sorted(found, key=lambda path: (path.generations, path.people)))


def common_teachers(links: Links, player: str, other: str) -> tuple[LineagePath, ...]:
    """The teachers common to two players by the fewest steps in all; a player may be the other's teacher.

    Returns
    -------
    For each such teacher, by name, a shortest path from ``player`` and one from ``other``; of several shortest
    ones the surest, then the first by name. Empty if there is no common teacher.
    """
    above, other_above = _shortest(links, player), _shortest(links, other)
    shared = above.keys() & other_above.keys()
    if not shared:
        return ()

    def steps(teacher: str) -> int:
        return above[teacher].generations + other_above[teacher].generations

    fewest = min(steps(teacher) for teacher in shared)
    nearest = sorted(teacher for teacher in shared if steps(teacher) == fewest)
    return tuple(path for teacher in nearest for path in (above[teacher], other_above[teacher]))


def _shortest(links: Links, player: str) -> dict[str, LineagePath]:
    teachers = _teachers(links)
    found = {player: LineagePath((player,), CERTAINTIES[-1])}
    level = [found[player]]
    while level:
        best: dict[str, LineagePath] = {}
        for path in level:
            for teacher, certainty in teachers[path.people[-1]]:
                if teacher in found:
                    continue
                made = LineagePath((*path.people, teacher), _weaker(path.weakest_certainty, certainty))
                if teacher not in best or _preference(made) < _preference(best[teacher]):
                    best[teacher] = made
        found |= best
        level = [best[teacher] for teacher in sorted(best)]
    return found


def _preference(path: LineagePath) -> tuple[int, tuple[str, ...]]:
    return (-CERTAINTIES.index(path.weakest_certainty), path.people)


def _teachers(links: Links) -> dict[str, list[tuple[str, str]]]:
    teachers: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for (student, teacher), certainty in sorted(links.items()):
        teachers[student].append((teacher, certainty))
    return teachers


def _weaker(first: str, second: str) -> str:
    return min(first, second, key=CERTAINTIES.index)
