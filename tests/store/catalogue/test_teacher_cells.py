"""Teachers as people write of them: in words of six languages, with doubts, and with a bracket behind the name."""

import pytest

from pipeline.store.catalogue.cell_values import CellError
from pipeline.store.catalogue.teacher_cells import Taught, read_teachers

ROOK, LATCH = Taught("Alden Rook", "certain"), Taught("Jem Latch", "certain")
CELLS = {
    "Studied with Alden Rook": [ROOK],
    "taught by Alden Rook": [ROOK],
    "pupil of Alden Rook; later with Jem Latch": [ROOK, LATCH],
    "Pupil of Alden Rook, later Jem Latch": [ROOK, LATCH],
    "Studied with Alden Rook and then with Jem Latch": [ROOK, LATCH],
    "studied first with Alden Rook": None,
    "Studied with Alden Rook and Jem Latch": [ROOK, LATCH],
    "Studied with Jem Latch?": [Taught("Jem Latch", "possible")],
    "probably pupil of Jem Latch": [Taught("Jem Latch", "probable")],
    "Schüler von Alden Rook": [ROOK],
    "Schülerin von Alden Rook, später bei Jem Latch": [ROOK, LATCH],
    "élève de Alden Rook, puis de Jem Latch": [ROOK, LATCH],
    "Élève d’Alden Rook": [ROOK],
    "élève de Jem Latch et d’Alden Rook": [LATCH, ROOK],
    "élève d’Alden Rook et de Jem Latch (?)": [ROOK, Taught("Jem Latch", "possible")],
    "Schüler von Alden Rook und von Jem Latch": [ROOK, LATCH],
    "élève d’Alden Rook et de Wend": [ROOK, Taught("de Wend", "certain")],
    "élève de Alden Rook puis Jem Latch": [ROOK, LATCH],
    "allievo di Alden Rook": [ROOK],
    "alumna de Alden Rook": [ROOK],
    "leerling van Alden Rook, daarna bij Jem Latch": [ROOK, LATCH],
    "Alden Rook (Arl, 1901-03)": [Taught("Alden Rook", "certain", "1901/1903", "Arl")],
    "Rook, Alden [Arl, c. 1901]; Jem Latch": [
        Taught("Alden Rook", "certain", "1901~", "Arl"),
        LATCH,
    ],
    "Alden Rook (in Arl and Ferrow)?": [Taught("Alden Rook", "possible", "", "in Arl and Ferrow")],
    "Alden Rook (Arl, later with others)": [Taught("Alden Rook", "certain", "", "Arl, later with others")],
    "Hal von Ort; Joss de Wend": [Taught("Hal von Ort", "certain"), Taught("Joss de Wend", "certain")],
    "Alden Rook or Jem Latch": [
        Taught("Alden Rook", "possible"),
        Taught("Jem Latch", "possible"),
    ],
    "self-taught": [],
    "no teacher is mentioned in the press": None,
    "Arl Conservatory": None,
    "Alden Rook at Arl": None,
    "Alden Rook 1901-03": None,
}


@pytest.mark.parametrize("cell", CELLS)
def test_words_around_a_teacher_are_no_part_of_the_name(cell: str) -> None:
    if (meant := CELLS[cell]) is not None:
        assert read_teachers(cell) == meant
        return
    with pytest.raises(CellError, match="is not names of teachers alone"):
        read_teachers(cell)
