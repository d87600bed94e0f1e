"""Uncertain dates as people write them: EDTF (ISO 8601-2:2019) levels 0 and 1 and the sets of level 2.

Reference: Extended Date/Time Format specification, Library of Congress, 4 February 2019,
loc.gov/standards/datetime. Strict bounds ignore the marks ``?``, ``~`` and ``%`` (ISO 8601-2, 8.4.2, note);
padded bounds follow ``PADDING_RULE``. An end can be known, open (``..``) or unknown (nothing written).

Single dates with unspecified digits are read by the ``edtf`` library. It is corrected or not used where it is
wrong (version 5.0.2): ``%`` sets neither flag; significant digits (``1950S2``) do not widen the bounds; open
ends and open sets raise TypeError; an unknown end is taken for ten years later; a reversed interval is
accepted; winter ends with December; a mark on each part (``1903?-05~``) is refused.

Seasons 21 to 24 follow the northern meteorological quarters; winter begins in December of its year and ends
with the next February. The library reads about 200 dates a second, so plain dates are read here and
all results are kept.
"""

import calendar
import re
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import Literal

from pipeline.errors import DataError
from pipeline.store.schema.date_hints import modern_spelling

PADDING_RULE = "moved outward by one unit of its own precision (day … century) if marked ~ or ?, by two if marked %"

EndIs = Literal["known", "open", "unknown"]
Span = tuple[date | None, date | None]

_ATOM = re.compile(r"[?~%]?([0-9X]{4})[?~%]?(?:-[?~%]?([0-9X]{2})[?~%]?(?:-[?~%]?([0-9X]{2})[?~%]?)?)?")
_SIGNIFICANT = re.compile(r"([0-9]{4})S([1-9])([?~%]?)")
_TIMED = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})T[0-9]{2}:[0-9]{2}(:[0-9]{2})?(Z|[+-][0-9]{2}(:[0-9]{2})?)?")
# Season code -> first month, number of months. 25-28 northern, 29-32 southern, 33-36 quarters, 37-39 thirds,
# 40-41 halves of a year (level 2).
_SEASONS = {
    **{21 + i: ((3, 6, 9, 12)[i], 3) for i in range(4)},
    **{25 + i: ((3, 6, 9, 12)[i], 3) for i in range(4)},
    **{29 + i: ((9, 12, 3, 6)[i], 3) for i in range(4)},
    **{33 + i: (1 + 3 * i, 3) for i in range(4)},
    **{37 + i: (1 + 4 * i, 4) for i in range(3)},
    **{40 + i: (1 + 6 * i, 6) for i in range(2)},
}


@dataclass(frozen=True)
class UncertainDate:
    """What a date says.

    Attributes
    ----------
    text : as written.
    form : a single date, an interval, one of a set, or all of a set.
    earliest, latest : strict bounds, both inclusive; None where open or unknown.
    padded_earliest, padded_latest : bounds with ``PADDING_RULE``.
    start_is, end_is : whether the bounds are known, open (no bound meant) or unknown.
    approximate, uncertain : the marks ``~`` and ``?``; ``%`` is both.
    spans : strict spans of days; more than one only for sets, so that gap years stay out.
    """

    text: str
    form: Literal["date", "interval", "one_of", "all_of"]
    earliest: date | None
    latest: date | None
    padded_earliest: date | None
    padded_latest: date | None
    start_is: EndIs
    end_is: EndIs
    approximate: bool
    uncertain: bool
    spans: tuple[Span, ...]

    @property
    def qualifier(self) -> str | None:
        """``approximate``, ``uncertain``, ``both`` or None."""
        if self.approximate and self.uncertain:
            return "both"
        return "approximate" if self.approximate else "uncertain" if self.uncertain else None


@dataclass(frozen=True)
class _Single:
    earliest: date
    latest: date
    padded_earliest: date
    padded_latest: date
    marks: str


class DateError(DataError):
    """A date cannot be read."""


@lru_cache(maxsize=200_000)
def parse_date(text: str) -> UncertainDate:
    """Reads one date.

    Raises
    ------
    DateError
        If it is not EDTF, uses spellings of the old drafts, runs backwards, or does not exist.

    >>> found = parse_date("1911/1912~")
    >>> str(found.earliest), str(found.latest), found.qualifier
    ('1911-01-01', '1912-12-31', 'approximate')
    """
    text = text.strip()
    try:
        return _read(text)
    except DateError:
        hint = modern_spelling(text)
        if hint is None:
            raise
        raise DateError(hint[0], hint[1]) from None


def _read(text: str) -> UncertainDate:
    if text[:1] in "[{" and text[-1:] in "]}" and len(text) > 1:
        return _read_set(text)
    if "/" in text:
        return _read_interval(text)
    if text in ("", ".."):
        raise DateError("is not a date", "leave the cell empty if nothing is known")
    one = _read_single(text)
    return _made(text, "date", [one], [(one.earliest, one.latest)], "known", "known")


def _read_interval(text: str) -> UncertainDate:
    parts = text.split("/")
    if len(parts) != 2 or parts in (["", ""], ["", ".."], ["..", ""]):
        raise DateError("is not an interval of two ends", "write it as 1911/1913, 1908/.. or /1914")
    ends: list[_Single | None] = [None if part in ("", "..") else _read_single(part) for part in parts]
    said: list[EndIs] = ["unknown" if part == "" else "open" if part == ".." else "known" for part in parts]
    first, last = ends
    if first and last and first.earliest > last.latest:
        raise DateError("runs backwards", f"write the earlier end first: {parts[1]}/{parts[0]}")
    span = (first.earliest if first else None, last.latest if last else None)
    marks = "".join(end.marks for end in ends if end)
    return UncertainDate(
        text=text,
        form="interval",
        earliest=span[0],
        latest=span[1],
        padded_earliest=first.padded_earliest if first else None,
        padded_latest=last.padded_latest if last else None,
        start_is=said[0],
        end_is=said[1],
        approximate="~" in marks or "%" in marks,
        uncertain="?" in marks or "%" in marks,
        spans=(span,),
    )


def _read_set(text: str) -> UncertainDate:
    if text[0] + text[-1] not in ("[]", "{}"):
        raise DateError("has unlike brackets", "[ ] means one of these, { } means all of these")
    singles: list[_Single] = []
    spans: list[Span] = []
    start_is: EndIs = "known"
    end_is: EndIs = "known"
    members = [member.strip() for member in text[1:-1].split(",")]
    for number, member in enumerate(members):
        if ".." not in member:
            one = _read_single(member)
            singles.append(one)
            spans.append((one.earliest, one.latest))
            continue
        low, _, high = member.partition("..")
        if (not low and number > 0) or (not high and number < len(members) - 1) or not (low or high):
            raise DateError("has an open end inside the set", "only the first and last member may be open")
        first, last = (_read_single(part) if part else None for part in (low, high))
        if first and last and first.earliest > last.latest:
            raise DateError("runs backwards", f"write {high}..{low}")
        start_is = "open" if first is None else start_is
        end_is = "open" if last is None else end_is
        singles.extend(part for part in (first, last) if part)
        spans.append((first.earliest if first else None, last.latest if last else None))
    return _made(text, "one_of" if text[0] == "[" else "all_of", singles, spans, start_is, end_is)


def _made(
    text: str,
    form: Literal["date", "interval", "one_of", "all_of"],
    singles: list[_Single],
    spans: list[Span],
    start_is: EndIs,
    end_is: EndIs,
) -> UncertainDate:
    marks = "".join(one.marks for one in singles)
    start_open, end_open = start_is != "known", end_is != "known"
    return UncertainDate(
        text=text,
        form=form,
        earliest=None if start_open else min(one.earliest for one in singles),
        latest=None if end_open else max(one.latest for one in singles),
        padded_earliest=None if start_open else min(one.padded_earliest for one in singles),
        padded_latest=None if end_open else max(one.padded_latest for one in singles),
        start_is=start_is,
        end_is=end_is,
        approximate="~" in marks or "%" in marks,
        uncertain="?" in marks or "%" in marks,
        spans=tuple(sorted(spans, key=lambda span: (span[0] or date.min, span[1] or date.max))),
    )


def _read_single(text: str) -> _Single:
    marks = "".join(sorted(set(text) & set("?~%")))
    if timed := _TIMED.fullmatch(text):
        text = timed[1]
    if digits := _SIGNIFICANT.fullmatch(text):
        if int(digits[2]) > 4:
            raise DateError("has more significant digits than the year has", "write S1 to S4")
        width = 10 ** (4 - int(digits[2]))
        low = int(digits[1]) // width * width
        bounds = _years(low, low + width - 1)
        return _padded(bounds, marks, months=12 * width, days=0)
    atom = _ATOM.fullmatch(text)
    if atom is None:
        raise DateError("is not a date in EDTF", "write it as 1903, 1903-11, 1903-11-05, 1904~ or 190X")
    year, month, day = atom[1], atom[2], atom[3]
    bare = "-".join(part for part in (year, month, day) if part)
    months, days = 0, 0
    if "X" in year or month in (None, "XX") or "X" in (month or ""):
        months = 12 * 10 ** len(year[len(year.rstrip("X")) :])
    elif day is None or "X" in day:
        months = 1
    else:
        days = 1
    if month is not None and day is None and month.isdigit() and int(month) in _SEASONS:
        if "X" in year:
            raise DateError("has a season in an unspecified year", "write the span of years")
        first, length = _SEASONS[int(month)]
        start = _day(int(year), first, 1, text)
        return _padded((start, _plus_months(start, length) - timedelta(days=1)), marks, months=length, days=0)
    return _padded(_bounds(bare, text), marks, months=months, days=days)


def _bounds(bare: str, text: str) -> tuple[date, date]:
    bare = bare.removesuffix("-XX").removesuffix("-XX")
    if "X" in bare:
        known = bare.rstrip("X")
        if known.isdigit() and len(bare) == 4:
            return _years(int(known.ljust(4, "0")), int(known.ljust(4, "9")))
        return _bounds_by_library(bare)
    numbers = [int(part) for part in bare.split("-")]
    if len(numbers) == 1:
        return _years(numbers[0], numbers[0])
    if len(numbers) == 2:
        first = _day(numbers[0], numbers[1], 1, text)
        return first, first.replace(day=calendar.monthrange(first.year, first.month)[1])
    day = _day(numbers[0], numbers[1], numbers[2], text)
    return day, day


def _bounds_by_library(bare: str) -> tuple[date, date]:
    from edtf import parse_edtf, struct_time_to_date  # loads for as long as some questions take, for what few write

    try:
        parsed = parse_edtf(bare)
        low, high = struct_time_to_date(parsed.lower_strict()), struct_time_to_date(parsed.upper_strict())
    except Exception as error:  # the library raises many kinds for one thing: a date that is none
        raise DateError("is not a date that exists", "write X only for digits that are not known: 190X") from error
    return low, high


def _years(first: int, last: int) -> tuple[date, date]:
    if first < 1:
        raise DateError("is not a year after year 0", "write four digits, as in 1903")
    return date(first, 1, 1), date(last, 12, 31)


def _day(year: int, month: int, day: int, text: str) -> date:
    try:
        return date(year, month, day)
    except ValueError as error:
        cure = "months run from 01 to 12, seasons from 21 to 24"
        raise DateError(f"is no day of the calendar ({error})", cure) from error


def _padded(bounds: tuple[date, date], marks: str, *, months: int, days: int) -> _Single:
    times = 2 if "%" in marks else 1 if marks else 0
    low, high = bounds
    try:
        wide_low = _plus_months(low, -months * times) - timedelta(days=days * times)
    except (ValueError, OverflowError):
        wide_low = date.min
    try:
        wide_high = _plus_months(high + timedelta(days=1), months * times) - timedelta(days=1)
        wide_high += timedelta(days=days * times)
    except (ValueError, OverflowError):
        wide_high = date.max
    return _Single(low, high, wide_low, wide_high, marks)


def _plus_months(day: date, months: int) -> date:
    count = day.year * 12 + day.month - 1 + months
    year, month = divmod(count, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))
