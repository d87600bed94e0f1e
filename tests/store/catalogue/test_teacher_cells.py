"""Teachers as people write of them: in words of six languages, with doubts, and with a bracket behind the name."""

import pytest

from pipeline.store.catalogue.cell_values import CellError
from pipeline.store.catalogue.teacher_cells import Taught, read_teachers

MIREK, OSTEN = Taught("Anton Mirek", "certain"), Taught("Josef Osten", "certain")
CELLS = {
    "Studied with Anton Mirek": [MIREK],
    "taught by Anton Mirek": [MIREK],
    "pupil of Anton Mirek; later with Josef Osten": [MIREK, OSTEN],
    "Pupil of Anton Mirek, later Josef Osten": [MIREK, OSTEN],
    "Studied with Anton Mirek and then with Josef Osten": [MIREK, OSTEN],
    "studied first with Anton Mirek": None,
    "Studied with Anton Mirek and Josef Osten": [MIREK, OSTEN],
    "Studied with Josef Osten?": [Taught("Josef Osten", "possible")],
    "probably pupil of Josef Osten": [Taught("Josef Osten", "probable")],
    "Schüler von Anton Mirek": [MIREK],
    "Schülerin von Anton Mirek, später bei Josef Osten": [MIREK, OSTEN],
    "élève de Anton Mirek, puis de Josef Osten": [MIREK, OSTEN],
    "Élève d’Anton Mirek": [MIREK],
    "élève de Anton Mirek puis Josef Osten": [MIREK, OSTEN],
    "allievo di Anton Mirek": [MIREK],
    "alumna de Anton Mirek": [MIREK],
    "leerling van Anton Mirek, daarna bij Josef Osten": [MIREK, OSTEN],
    "Anton Mirek (Prague, 1901-03)": [Taught("Anton Mirek", "certain", "1901/1903", "Prague")],
    "Mirek, Anton [Prague, c. 1901]; Josef Osten": [Taught("Anton Mirek", "certain", "1901~", "Prague"), OSTEN],
    "Anton Mirek (in Prague and Brno)?": [Taught("Anton Mirek", "possible", "", "in Prague and Brno")],
    "Anton Mirek (Prague, later with others)": [Taught("Anton Mirek", "certain", "", "Prague, later with others")],
    "Hans von Ort; Jan de Vries": [Taught("Hans von Ort", "certain"), Taught("Jan de Vries", "certain")],
    "Anton Mirek or Josef Osten": [Taught("Anton Mirek", "possible"), Taught("Josef Osten", "possible")],
    "self-taught": [],
    "no teacher is mentioned in the press": None,
    "Prague Conservatory": None,
    "Anton Mirek at Prague": None,
    "Anton Mirek 1901-03": None,
}


@pytest.mark.parametrize("cell", CELLS)
def test_words_around_a_teacher_are_no_part_of_the_name(cell: str) -> None:
    if (meant := CELLS[cell]) is not None:
        assert read_teachers(cell) == meant
        return
    with pytest.raises(CellError, match="is not names of teachers alone"):
        read_teachers(cell)
