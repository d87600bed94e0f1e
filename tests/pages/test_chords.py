"""Chords in pictures."""

import numpy as np

from pipeline.pages.chords import ChordCurve
from pipeline.pages.pictures import Drawn, Frame, rows


def test_curves_are_drawn_by_string_and_an_untold_onset_in_grey() -> None:
    at = np.array([1.0, 1.1, 1.2])
    told = ChordCurve("c", 1, at, np.full(3, 66.0), "D", 1.0, 0.014)
    untold = ChordCurve("c", 2, at, np.full(3, 74.0), "", 1.0, None)
    drawn = Drawn(np.empty(0), np.empty(0), [], [], [], {}, (told, untold))
    symbol = rows(np.zeros((240, 200), dtype=np.uint8), frame=Frame(50, 89), drawn=drawn, length_s=3.0)[0]["symbol"]
    assert '<polyline class="chord string-D" points="60.0,141.0 66.0,141.0 72.0,141.0"/>' in symbol
    # The onset's error to each side: 14 ms at 60 units a second.
    assert '<line class="chord string-D onset" x1="59.2" x2="60.8" y1="141.0" y2="141.0"/>' in symbol
    assert symbol.count("onset untold") == 1


def test_another_players_line_is_drawn_apart() -> None:
    at = np.array([1.0, 1.1, 1.2])
    drawn = Drawn(at, np.full(3, 74.0), [], [], [], {}, other=(at, np.full(3, 66.0)))
    symbol = rows(np.zeros((240, 200), dtype=np.uint8), frame=Frame(50, 89), drawn=drawn, length_s=3.0)[0]["symbol"]
    assert '<polyline class="pitch other" points="60.0,141.0 66.0,141.0 72.0,141.0"/>' in symbol
    assert symbol.count('<polyline class="pitch"') == 1
