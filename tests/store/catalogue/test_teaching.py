"""Circles and impossible dates are refused by name; networkx is the second opinion on circles."""

import random
from collections.abc import Callable
from pathlib import Path

import networkx

from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.catalogue.teaching import circles

PLAYERS = (
    "player_id,name,born,died\na,Anna,1850,1910\nb,Bela,1880,1950~\nc,Carl,1905,\nd,Dora,1912,\ne,Ehm,[..1840],1849\n"
)


def messages(root: Path) -> list[str]:
    return [str(problem) for problem in Catalogue(root).problems()]


def test_circles_agree_with_networkx() -> None:
    rng = random.Random(5)
    for people in (5, 12, 40):
        for _ in range(20):
            edges = [(f"p{rng.randrange(people)}", f"p{rng.randrange(people)}") for _ in range(people + 4)]
            edges = [edge for edge in edges if edge[0] != edge[1]]
            graph = networkx.DiGraph(edges)
            theirs = [group for group in networkx.strongly_connected_components(graph) if len(group) > 1]
            ours = circles(edges)
            assert len(ours) == len(theirs)
            for circle in ours:
                assert any(set(circle) <= group for group in theirs)
                assert all(graph.has_edge(one, two) for one, two in zip(circle, [*circle[1:], circle[0]], strict=True))


def test_a_long_line_of_teachers_does_not_exhaust_the_stack() -> None:
    line = [(f"p{i:05d}", f"p{i + 1:05d}") for i in range(20_000)]
    assert circles(line) == []
    assert len(circles([*line, ("p20000", "p00000")])[0]) == 20_001


def test_a_circle_is_named_and_its_rows_left_out(corpus: Path, write: Callable[[str, str], None]) -> None:
    write("player", PLAYERS.replace("1905", "1880").replace("1850,1910", "1880,1950"))
    write(
        "teaching",
        "teacher_id,student_id,certainty\na,b,certain\nb,c,certain\nc,a,possible\na,d,certain\n",
    )
    found = [message for message in messages(corpus) if "teaching" in message]
    assert len(found) == 3
    assert "closes a circle: Anna taught Bela taught Carl taught Anna" in found[0]
    kept = Catalogue(corpus).frame("teaching")
    assert kept.select("teacher_id", "student_id").rows() == [("a", "d")]


def test_two_circles_that_share_a_person_are_both_opened(corpus: Path, write: Callable[[str, str], None]) -> None:
    write("player", "player_id,name\na,Anna\nb,Bela\nc,Carl\n")
    write(
        "teaching",
        "teacher_id,student_id,certainty\na,b,certain\nb,a,certain\na,c,certain\nc,a,certain\n",
    )
    edges = Catalogue(corpus).frame("teaching").select("teacher_id", "student_id").rows()
    assert circles(edges) == []


def test_impossible_teaching_is_refused_by_name(corpus: Path, write: Callable[[str, str], None]) -> None:
    write("player", PLAYERS)
    rows = [
        ("a,a,,certain", "Anna teaches themself"),
        ("b,c,1899,certain", "Carl was taught 1899, before being born (1905)"),
        ("a,c,1912/1914,certain", "Anna taught 1912/1914, after having died (1910)"),
        ("a,d,,certain", "Anna died (1910) before Dora was born (1912)"),
        ("e,a,1849-06,certain", "Anna was taught 1849-06, before being born (1850)"),
    ]
    write("teaching", "teacher_id,student_id,span,certainty\n" + "\n".join(row for row, _ in rows) + "\n")
    found = [message for message in messages(corpus) if "teaching" in message]
    assert len(found) == len(rows)
    for number, (_, message) in enumerate(rows):
        assert any(message in line and f"row {number + 2}" in line for line in found), message
    assert Catalogue(corpus).frame("teaching").is_empty()


def test_what_is_only_doubtful_is_not_refused(corpus: Path, write: Callable[[str, str], None]) -> None:
    write("player", "player_id,name,born,died\na,Anna,185X,1910~\nc,Carl,190X,\n")
    write("teaching", "teacher_id,student_id,span,certainty\na,c,1908/1912,possible\n")
    assert not [message for message in messages(corpus) if "teaching" in message]
    assert Catalogue(corpus).frame("teaching").height == 1
