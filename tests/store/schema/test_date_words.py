"""Dates in words: each form that sheets are read into says what it means (EDTF specification, levels 0 to 2)."""

import pytest

from pipeline.store.schema.date_words import date_words

DATES = {
    "1923": "1923",
    "1923~": "about 1923",
    "1923?": "perhaps 1923",
    "1923%": "perhaps about 1923",
    "192X": "1920s",
    "1924-21": "spring 1924, March to May",
    "1924-24~": "about winter 1924, December to February 1925",
    "1924-05": "May 1924",
    "1924-05-03": "3 May 1924",
    "[1926..1928]": "1926 to 1928, one of them",
    "1926/1928~": "1926 to about 1928",
    "[..1914]": "1914 or earlier",
    "[1916..]": "1916 or later",
    "1916/..": "1916 or later",
    "../1914": "1914 or earlier",
    "[1667,1670..1672]": "[1667,1670..1672]",
    "19XX": "1900 to 1999",
}


@pytest.mark.parametrize("edtf", DATES)
def test_dates_in_words(edtf: str) -> None:
    assert date_words(edtf) == DATES[edtf]
