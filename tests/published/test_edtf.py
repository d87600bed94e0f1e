"""Dates against the specification of the Library of Congress, 4 February 2019 (loc.gov/standards/datetime).

Strict bounds follow from it by ISO 8601-2:2019, 8.4.2: marks of doubt do not move the bounds.
"""

from datetime import date

import pytest
from edtf import parse_edtf, struct_time_to_date
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.store.schema.dates import DateError, parse_date

OPEN, UNKNOWN = "open", "unknown"
# Expressions with their earliest and latest days. Bounds of examples from the specification are plain calendar
# arithmetic; seasons by the northern meteorological quarters, as store/dates.py says.
BOUNDS = [
    ("1912", "1912-01-01", "1912-12-31"),
    ("1912-05-03?", "1912-05-03", "1912-05-03"),
    ("191X", "1910-01-01", "1919-12-31"),
    ("19XX", "1900-01-01", "1999-12-31"),
    ("1912-XX", "1912-01-01", "1912-12-31"),
    ("1912-XX-XX", "1912-01-01", "1912-12-31"),
    ("1908/1912-06", "1908-01-01", "1912-06-30"),
    ("1908/..", "1908-01-01", OPEN),
    ("1908/", "1908-01-01", UNKNOWN),
    ("/1914", UNKNOWN, "1914-12-31"),
    ("../1914", OPEN, "1914-12-31"),
    ("[1908..1912]", "1908-01-01", "1912-12-31"),
    ("{1908,1912}", "1908-01-01", "1912-12-31"),
    ("[..1912-12-03]", OPEN, "1912-12-03"),
    ("[1760-12..]", "1760-12-01", OPEN),
    ("1912-21", "1912-03-01", "1912-05-31"),
    ("1912-24", "1912-12-01", "1913-02-28"),
    ("1950S2", "1900-01-01", "1999-12-31"),
    ("1985-04-12T23:20:30", "1985-04-12", "1985-04-12"),
    ("1985-04-12T23:20:30Z", "1985-04-12", "1985-04-12"),
    ("2004-06-XX/2004-07-03", "2004-06-01", "2004-07-03"),
    ("1984?/2004%", "1984-01-01", "2004-12-31"),
    ("1984~/2004-06", "1984-01-01", "2004-06-30"),
    ("2004-02-01/2005", "2004-02-01", "2005-12-31"),
    ("156X-12-25", "1560-12-25", "1569-12-25"),
    ("15XX-12-XX", "1500-12-01", "1599-12-31"),
    ("1XXX-XX", "1000-01-01", "1999-12-31"),
    ("[1667,1668,1670..1672]", "1667-01-01", "1672-12-31"),
    ("{1960,1961-12}", "1960-01-01", "1961-12-31"),
    ("2004-06~-11", "2004-06-11", "2004-06-11"),
    ("?2004-06-~11", "2004-06-11", "2004-06-11"),
    ("2001-34", "2001-04-01", "2001-06-30"),
]
MARKS = [("1984?", False, True), ("2004-06~", True, False), ("2004-06-11%", True, True), ("2004", False, False)]


@pytest.mark.parametrize(("text", "earliest", "latest"), BOUNDS)
def test_strict_bounds(text: str, earliest: str, latest: str) -> None:
    read = parse_date(text)
    for end, is_, wanted in ((read.earliest, read.start_is, earliest), (read.latest, read.end_is, latest)):
        if wanted in (OPEN, UNKNOWN):
            assert (end, is_) == (None, wanted)
        else:
            assert (end, is_) == (date.fromisoformat(wanted), "known")


@pytest.mark.parametrize(("text", "approximate", "uncertain"), MARKS)
def test_marks(text: str, approximate: bool, uncertain: bool) -> None:
    read = parse_date(text)
    assert (read.approximate, read.uncertain) == (approximate, uncertain)


def test_all_of_a_set_leaves_gap_years_out() -> None:
    assert parse_date("{1908,1912}").spans == (
        (date(1908, 1, 1), date(1908, 12, 31)),
        (date(1912, 1, 1), date(1912, 12, 31)),
    )
    assert parse_date("{1908,1912}").form == "all_of"
    assert parse_date("[1908,1912]").form == "one_of"


# The specification's list of differences from the draft of 2012: u, ?~, unknown, open, and others.
@pytest.mark.parametrize(
    ("old", "modern"),
    [
        ("190u", "190X"),
        ("19uu", "19XX"),
        ("1912-uu", "1912-XX"),
        ("1903?~", "1903%"),
        ("unknown/1914", "/1914"),
        ("1908/open", "1908/.."),
        ("1908/unknown", "1908/"),
        ("2004-06-uu/2004-07-03", "2004-06-XX/2004-07-03"),
    ],
)
def test_spellings_of_the_old_draft_are_refused_with_the_modern_one(old: str, modern: str) -> None:
    with pytest.raises(DateError, match="old draft") as caught:
        parse_date(old)
    assert caught.value.cure == f"write {modern}"
    assert parse_date(modern)


@pytest.mark.parametrize(
    "text",
    ["1913/1911", "1903-02-30", "1903-13", "XXXX", "", "..", "/", "../", "1903-5", "{1908", "1908]", "1908..1912",
     "[1912..1908]", "0000", "Y170000002", "-1985", "1950S5", "1900-02-29/1899", "1904 or 1905", "c. 1903",
     "\u0661\u0669\u0660\u0663"],
)  # fmt: skip
def test_what_is_no_date_is_refused_with_a_cure(text: str) -> None:
    with pytest.raises(DateError) as caught:
        parse_date(text)
    assert caught.value.message
    assert caught.value.cure


@pytest.mark.parametrize(
    ("text", "offered"),
    [("c. 1903", "1903~"), ("1904 or 1905", "[1904,1905]"), ("before 1913", "[..1912]"), ("1900s", "190X"),
     ("1903-1905", "1903/1905"), ("1903/04", "1903/1904"), ("Nov 1903", "1903-11"), ("spring 1903", "1903-21"),
     ("5 November 1903", "1903-11-05"), ("05.11.1903", "1903-11-05"), ("19031105", "1903-11-05"),
     ("1913/1911", "1911/1913")],
)  # fmt: skip
def test_a_spelling_is_offered_for_what_people_write(text: str, offered: str) -> None:
    with pytest.raises(DateError) as caught:
        parse_date(text)
    assert offered in caught.value.cure
    assert parse_date(offered)


def test_padding_follows_its_rule() -> None:
    assert (parse_date("1903~").padded_earliest, parse_date("1903~").padded_latest) == (
        date(1902, 1, 1),
        date(1904, 12, 31),
    )
    assert parse_date("1903%").padded_earliest == date(1901, 1, 1)
    assert parse_date("1903-05?").padded_latest == date(1903, 6, 30)
    assert parse_date("1903-05-31~").padded_latest == date(1903, 6, 1)
    assert parse_date("190X~").padded_earliest == date(1890, 1, 1)
    assert parse_date("1908/1912~").padded_earliest == date(1908, 1, 1)
    assert parse_date("1908/1912~").padded_latest == date(1913, 12, 31)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1000, 2999),
    st.integers(0, 12),
    st.integers(0, 28),
    st.sampled_from(["", "?", "~"]),
    st.integers(0, 3),
)
def test_single_dates_agree_with_the_edtf_library(year: int, month: int, day: int, mark: str, masked: int) -> None:
    """Second opinion where the library is right: plain, marked and right-masked dates."""
    text = f"{year}"
    if masked:
        text = text[: 4 - masked] + "X" * masked
    elif month:
        text += f"-{month:02d}" + (f"-{day:02d}" if day else "")
    theirs = parse_edtf(text + (mark if not masked else ""))
    ours = parse_date(text + mark)
    assert ours.earliest == struct_time_to_date(theirs.lower_strict())
    assert ours.latest == struct_time_to_date(theirs.upper_strict())


@settings(max_examples=2_000, deadline=None)
@given(st.text(alphabet="0123456789Xu-/.,[]{}?~%STYopenk ", max_size=24))
def test_any_text_is_a_date_or_refused_with_a_cure(text: str) -> None:
    try:
        read = parse_date(text)
    except DateError:
        read = parse_date("1903")
    assert read.earliest is None or read.latest is None or read.earliest <= read.latest
    assert read.earliest is None or (read.padded_earliest is not None and read.padded_earliest <= read.earliest)
    assert read.latest is None or (read.padded_latest is not None and read.padded_latest >= read.latest)
