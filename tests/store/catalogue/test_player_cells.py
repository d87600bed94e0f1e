"""Who is named in a cell, in the ways that people write it; what can be read in two ways is nobody's certainty."""

import pytest

from pipeline.store.catalogue.cell_values import CellError
from pipeline.store.catalogue.player_cells import Named, how_read, name_and_life, read_lives, read_players
from pipeline.store.catalogue.teacher_cells import read_teachers


@pytest.mark.parametrize("text", ["A. Vint & B. Ort", "A. Vint and B. Ort", "A. Vint / B. Ort", "A. Vint; B. Ort",
                                  "A. Vint und B. Ort", "A. Vint et B. Ort", "Vint, A.; Ort, B.",
                                  "A. Vint, B. Ort"])  # fmt: skip
def test_two_names_are_two_players_of_whom_neither_is_certain(text: str) -> None:
    assert read_players(text) == [Named("A. Vint", "probable"), Named("B. Ort", "probable")]
    message, cure = how_read(text) or ("", "")
    assert message == "is read as A. Vint and B. Ort playing together, none of them certain"
    assert "A. Vint (violin) & B. Ort (cello)" in cure
    assert [one.certainty for one in read_teachers(text)] == ["certain", "certain"]  # many may teach one


@pytest.mark.parametrize("joint", ["or", "oder", "ou", "o", "of", "OR"])
def test_one_of_two_players_is_possible_each(joint: str) -> None:
    text = f"A. Vint {joint} B. Ort"
    assert read_players(text) == [Named("A. Vint", "possible"), Named("B. Ort", "possible")]
    assert (how_read(text) or ("",))[0] == "is read as one of A. Vint and B. Ort, each possible"


@pytest.mark.parametrize("text", ["A. Vint (violin) & B. Ort (2nd violin)", "Vint, A., violin; Ort, B., violin"])
def test_who_is_named_with_an_instrument_plays(text: str) -> None:
    assert read_players(text) == [Named("A. Vint", "certain", "violin"), Named("B. Ort", "certain", "violin")]
    assert how_read(text) is None


@pytest.mark.parametrize(
    "text", ["A. Vint / B. Ort (pf)", "A. Vint with B. Ort, piano", "A. Vint, acc. by B. Ort (piano)",
             "A. Vint, B. Ort (piano)", "A. Vint & B. Ort am Klavier"]
)  # fmt: skip
def test_a_pianist_is_no_soloist(text: str) -> None:
    assert read_players(text) == [Named("A. Vint", "certain"), Named("B. Ort", "certain", "piano", "accompanist")]
    assert how_read(text) is None


@pytest.mark.parametrize(
    ("text", "name"),
    [("Vint, Anna Maria", "Anna Maria Vint"), ("van den Berg, Anna Maria", "Anna Maria van den Berg"),
     ("Berg, A. van den", "A. van den Berg"), ("Anna Vint, Jr.", "Anna Vint, Jr."), ("E. Y. Vint", "E. Y. Vint"),
     ("Leader of the Owl Quartet", "Leader of the Owl Quartet")],
)  # fmt: skip
def test_one_name_is_one_player(text: str, name: str) -> None:
    assert read_players(text) == [Named(name, "certain")]


def test_commas_that_divide_in_several_ways_are_a_question() -> None:
    with pytest.raises(CellError, match="several ways"):
        read_players("Vint, Anna, Ort, Bela")


@pytest.mark.parametrize(
    ("text", "certainty"),
    [
        ("A. Vint?", "possible"), ("A. Vint (?)", "possible"), ("[A. Vint]", "possible"), ("attr. A. Vint", "possible"),
        ("A. Vint (probably)", "probable"), ("prob. A. Vint", "probable"), ("vielleicht A. Vint", "possible"),
        ("peut-être A. Vint", "possible"), ("Attribuito a A. Vint", "possible"), ("Vint, A. (quizá)", "possible"),
        ("waarschijnlijk A. Vint", "probable"), ("A. Vint", "certain"),
    ],
)  # fmt: skip
def test_a_word_of_doubt_is_a_doubt_and_no_part_of_the_name(text: str, certainty: str) -> None:
    assert read_players(text) == [Named("A. Vint", certainty)]


def test_lives() -> None:
    for text in ("1871–1940", "(1871-1940)", "* 1871 † 1940", "b. 1871, d. 1940", "1871 – 1940"):
        assert read_lives(text) == ("1871", "1940")
    assert read_lives("c. 1871–1940?") == ("1871~", "1940?")
    assert read_lives("b. 1871") == read_lives("1871–") == ("1871", "")
    assert read_lives("d. 1940") == ("", "1940")
    with pytest.raises(CellError):
        read_lives("unknown")


def test_a_life_behind_a_name_is_no_part_of_it() -> None:
    assert name_and_life("Anna Vint (vers 1871-1940)") == ("Anna Vint", "1871~", "1940")
    assert name_and_life("Anna Vint [b. 1871] ?") == ("Anna Vint?", "1871", "")
    for text in ("Anna Vint (violin)", "Anna Vint (Arl)", "Anna Vint (1871–1940) & Bela Ort", "Anna Vint"):
        assert name_and_life(text) == (text, "", "")


@pytest.mark.parametrize(
    ("text", "names"),
    [("Anna Vint (Prague, later Brno) & Bela Ort", ["Anna Vint (Prague, later Brno)", "Bela Ort"]),
     ("A[nna] Vint", ["A[nna] Vint"]), ("Vint, Anna (née Ort, of Graz)", ["Anna Vint (née Ort, of Graz)"]),
     ("[Anna Vint]; [Bela Ort]", ["Anna Vint", "Bela Ort"]), ("Anna Vint [?]", ["Anna Vint"])],
)  # fmt: skip
def test_a_bracket_is_never_cut(text: str, names: list[str]) -> None:
    assert [one.name for one in read_players(text)] == names
