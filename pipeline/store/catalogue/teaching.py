"""Refuses impossible teaching: of oneself, in a circle, before birth or after death.

Dates are compared by their strict bounds, so only what cannot be is refused; what is merely odd is a remark.
"""

from collections.abc import Mapping, Sequence
from typing import Any

Row = Mapping[str, Any]


def circles(edges: Sequence[tuple[str, str]]) -> list[list[str]]:
    """Groups of two or more people who, by the edges, teach each other in a circle (Tarjan 1972, not recursive).

    Each group is in the order of one way round, beginning with its first name; groups are sorted.
    """
    children: dict[str, list[str]] = {}
    for teacher, student in edges:
        children.setdefault(teacher, []).append(student)
        children.setdefault(student, [])
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    on_stack: set[str] = set()
    stack: list[str] = []
    groups: list[set[str]] = []
    for root in sorted(children):
        if root in index:
            continue
        work = [(root, iter(sorted(children[root])))]
        index[root] = low[root] = len(index)
        stack.append(root)
        on_stack.add(root)
        while work:
            person, rest = work[-1]
            for student in rest:
                if student not in index:
                    index[student] = low[student] = len(index)
                    stack.append(student)
                    on_stack.add(student)
                    work.append((student, iter(sorted(children[student]))))
                    break
                if student in on_stack:
                    low[person] = min(low[person], index[student])
            else:
                work.pop()
                if work:
                    low[work[-1][0]] = min(low[work[-1][0]], low[person])
                if low[person] == index[person]:
                    group = set()
                    while True:
                        member = stack.pop()
                        on_stack.discard(member)
                        group.add(member)
                        if member == person:
                            break
                    if len(group) > 1:
                        groups.append(group)
    return sorted(_one_way_round(group, children) for group in groups)


def _one_way_round(group: set[str], children: Mapping[str, Sequence[str]]) -> list[str]:
    """A shortest circle through the first name of the group."""
    start = min(group)
    came_from: dict[str, str] = {}
    front = [start]
    while front:
        following = []
        for person in front:
            for student in sorted(children[person]):
                if student == start:
                    way = [person]
                    while way[-1] != start:
                        way.append(came_from[way[-1]])
                    return way[::-1]
                if student in group and student not in came_from:
                    came_from[student] = person
                    following.append(student)
        front = following
    raise AssertionError("a strongly connected group has a way back to each member")


def impossible(row: Row, *, players: Mapping[str, Row]) -> tuple[str, str, str] | None:
    """(column, what is wrong, cure) of a teaching row that cannot be true; None if it can."""
    teacher, student = players[row["teacher_id"]], players[row["student_id"]]
    if row["teacher_id"] == row["student_id"]:
        return "student_id", f"{teacher['name']} teaches themself", "name another teacher, or delete the row"
    begins, ends = row["span_earliest"], row["span_latest"]
    for person, word in ((teacher, "taught"), (student, "was taught")):
        born, died = person["born_earliest"], person["died_latest"]
        if ends and born and ends < born:
            return (
                "span",
                f"{person['name']} {word} {row['span']}, before being born ({person['born']})",
                "mend the span, or player.born",
            )
        if begins and died and begins > died:
            return (
                "span",
                f"{person['name']} {word} {row['span']}, after having died ({person['died']})",
                "mend the span, or player.died",
            )
    if teacher["died_latest"] and student["born_earliest"] and teacher["died_latest"] < student["born_earliest"]:
        return (
            "teacher_id",
            f"{teacher['name']} died ({teacher['died']}) before {student['name']} was born ({student['born']})",
            "mend the dates in player.csv, or delete the row",
        )
    return None


def odd(row: Row, *, players: Mapping[str, Row]) -> tuple[str, str, str] | None:
    """(column, what is odd, cure) of a teaching row that is possible but asks for a look; None if nothing is."""
    teacher, student = players[row["teacher_id"]], players[row["student_id"]]
    born_teacher, born_student = teacher["born_earliest"], student["born_latest"]
    if born_teacher and born_student and born_teacher > born_student:
        return (
            "teacher_id",
            f"{teacher['name']} is younger than the student {student['name']}",
            "look whether it is so",
        )
    if row["span_latest"] and student["born_earliest"]:
        age = row["span_latest"].year - student["born_earliest"].year
        if age < 4:
            return "span", f"{student['name']} was at most {age} years old", "look whether the span is right"
    return None
