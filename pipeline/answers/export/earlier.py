"""What has changed since an earlier export: takes, dates, speeds, and slides gained, lost and moved.

What an export would hold now is set against what the earlier one holds, so that right after an export nothing has
changed; takes that may not be shared are in neither. Ids of slides are not promised across versions, so slides are
matched by place: of the same transfer, in the same direction, overlapping by more than ``SAME_SLIDE`` of their union,
largest overlap first.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.answers.export.folder import shared_frame, withheld_takes
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.errors import DataError
from pipeline.overlap import SAME_SLIDE, overlap
from pipeline.store.corpus import Corpus
from pipeline.store.formats.data_package import unguarded
from pipeline.store.formats.stata_spss import short_names
from pipeline.units import ms_of_s, ratio_of_cents

MOVED_MS = 10.0  # a slide whose bounds moved by less has not moved
MOVED_CENTS = 5.0  # the same of its interval, and of a speed

_NEEDED = {
    "take": ("take_id", "player_id", "recorded", "minutes", "transitions", "slides"),
    "speed": ("transfer_id", "offset_cents", "state"),
    "slide": ("transfer_id", "transfer_audible_start_s", "transfer_audible_end_s", "interval_cents", "kind"),
}
_COUNTS = ("minutes", "transitions", "slides")


Row = tuple[Any, ...]


@dataclass(frozen=True)
class Comparison:
    """Differences, one frame each; empty frames where nothing has changed.

    Attributes
    ----------
    takes : take_id, player_id, change (gained, lost, counts), and minutes, transitions and slides before and now.
    dates : take_id, change (date), and recorded before and now, as written; of takes that are in both.
    speeds : transfer_id, change (gained, lost, moved, state), offset and state before and now.
    slides : transfer_id, change (gained, lost, moved), and place, interval and kind before and now.
    slides_same : how many slides are where they were.
    """

    takes: pl.DataFrame
    dates: pl.DataFrame
    speeds: pl.DataFrame
    slides: pl.DataFrame
    slides_same: int

    def lines(self) -> Iterator[str]:
        """The comparison in words, counts first."""
        for name, frame in (
            ("takes", self.takes),
            ("dates", self.dates),
            ("speeds", self.speeds),
            ("slides", self.slides),
        ):
            counts = dict(frame.group_by("change").len().sort("change").iter_rows())
            said = ", ".join(f"{count} {change}" for change, count in counts.items()) or "none changed"
            yield f"{name}: {said}" + (f", {self.slides_same} as they were" if name == "slides" else "")


def compare(corpus: Path | str | Corpus, earlier: Path | str) -> Comparison:
    """Set a corpus against an earlier export of it.

    Raises
    ------
    DataError
        If the corpus has no database, or the folder is not an export.
    """
    corpus = corpus if isinstance(corpus, Corpus) else Corpus(corpus)
    with OpenCorpus(corpus.root) as opened:
        withheld = sorted(withheld_takes(opened))
        now = {name: shared_frame(opened, name, withheld).select(needed) for name, needed in _NEEDED.items()}
    before = {name: read_exported(Path(earlier), name, like=now[name]) for name in _NEEDED}
    slides, same = compare_slides(before["slide"], now["slide"])
    takes = before["take"], now["take"]
    speeds = compare_speeds(before["speed"], now["speed"])
    return Comparison(compare_takes(*takes), compare_dates(*takes), speeds, slides, same)


def read_exported(folder: Path, table: str, *, like: pl.DataFrame) -> pl.DataFrame:
    """The columns of ``like`` of a table of an export, in whichever format it is there, with the types of ``like``.

    Raises
    ------
    DataError
        If the table is not there, cannot be read, or lacks a column.
    """
    for kind, ending in (("parquet", "parquet"), ("arrow", "arrow"), ("csv", "csv"), ("stata", "dta"), ("spss", "sav")):
        path = folder / kind / f"{table}.{ending}"
        if not path.is_file():
            continue
        try:
            frame = _read(path, like.columns)
            return frame.select(_typed(frame[name], like.schema[name]) for name in like.columns)
        except Exception as error:  # each reader raises kinds of its own on damaged files
            raise DataError(
                f"{path}: cannot be read as {kind} ({error})", "give the folder as export wrote it"
            ) from error
    raise _no_export(folder, table)


def _no_export(folder: Path, table: str) -> DataError:
    """What is wrong with a folder that holds no such table, and the nearest that is an export."""
    if not folder.is_dir():
        return DataError(f"{folder}: there is no such folder", "give the folder that `glideline export` has written")
    near = [other for other in (folder.parent, *sorted(folder.iterdir())) if (other / "datapackage.json").is_file()]
    if (folder / "datapackage.json").is_file():
        return DataError(f"{folder}: there is no table {table} in any of its folders", "export anew")
    cure = f"give {near[-1]}" if near else "give the folder that `glideline export` has written"
    return DataError(f"{folder}: is not an export itself", cure)


def _read(path: Path, columns: list[str]) -> pl.DataFrame:
    """A table as it stands, under the names of the catalogue; CSV as text."""
    if path.suffix == ".parquet":
        return pl.read_parquet(path)
    if path.suffix == ".arrow":
        return pl.read_ipc(path)
    if path.suffix == ".csv":
        text = pl.read_csv(path, infer_schema=False)
        return text.with_columns(pl.col(pl.String).map_elements(unguarded, return_dtype=pl.String))
    import pyreadstat

    read = pyreadstat.read_dta if path.suffix == ".dta" else pyreadstat.read_sav
    made, _ = read(path, apply_value_formats=True, formats_as_category=False, output_format="polars")
    short = short_names(columns)  # none of these names is shortened by what stands beside it
    return pl.DataFrame(made).select(pl.col(short[name]).alias(name) for name in columns)


def _typed(series: pl.Series, kind: pl.DataType) -> pl.Series:
    if series.dtype == pl.String:  # statistics formats have no empty text
        series = series.replace("", None)
    return series.cast(kind)


def compare_takes(before: pl.DataFrame, now: pl.DataFrame) -> pl.DataFrame:
    """Takes gained and lost, and takes whose counts have changed; of a take of several players, each for itself.

    Minutes have changed where they did by more than a speed does that has not moved.
    """
    both = _joined(before, now, ("take_id", "player_id"), _COUNTS)
    was, is_ = pl.col("minutes_before"), pl.col("minutes")
    minutes = (is_ - was).abs() > (ratio_of_cents(MOVED_CENTS) - 1) * was
    changed = [pl.col(f"{name}_before").ne_missing(pl.col(name)) for name in _COUNTS if name != "minutes"]
    return _kept(both, pl.any_horizontal(minutes.fill_null(was.is_null() != is_.is_null()), *changed), "counts")


def compare_dates(before: pl.DataFrame, now: pl.DataFrame) -> pl.DataFrame:
    """Takes of both whose date of recording has changed."""
    old, new = (takes.select("take_id", "recorded").unique() for takes in (before, now))
    both = _joined(old, new, ("take_id",), ("recorded",))
    changed = pl.col("recorded_before").ne_missing(pl.col("recorded"))
    return _kept(both, changed, "date").filter(change="date")


def compare_speeds(before: pl.DataFrame, now: pl.DataFrame) -> pl.DataFrame:
    """Transfers gained and lost, and those whose speed or its state has changed."""
    both = _joined(before, now, ("transfer_id",), ("offset_cents", "state"))
    moved = (pl.col("offset_cents") - pl.col("offset_cents_before")).abs() >= MOVED_CENTS
    state = pl.col("state").ne_missing(pl.col("state_before"))
    moved_or_state = pl.when(moved.fill_null(False)).then(pl.lit("moved")).when(state).then(pl.lit("state"))
    return _kept(both, moved_or_state.is_not_null(), moved_or_state)


def _joined(before: pl.DataFrame, now: pl.DataFrame, key: tuple[str, ...], columns: tuple[str, ...]) -> pl.DataFrame:
    old = before.select(*key, *(pl.col(name).alias(f"{name}_before") for name in columns), was=True)
    new = now.select(*key, *columns, there=True)
    return old.join(new, on=key, how="full", coalesce=True, nulls_equal=True).sort(key)


def _kept(both: pl.DataFrame, changed: pl.Expr, word: str | pl.Expr) -> pl.DataFrame:
    change = (
        pl.when(pl.col("was").is_null())
        .then(pl.lit("gained"))
        .when(pl.col("there").is_null())
        .then(pl.lit("lost"))
        .when(changed)
        .then(pl.lit(word) if isinstance(word, str) else word)
    )
    found = both.with_columns(change=change).filter(pl.col("change").is_not_null())
    keys = found.columns[: found.columns.index("was")]
    keys = [name for name in keys if not name.endswith("_before")]
    return found.select(*keys, "change", pl.exclude(*keys, "change", "was", "there"))


def compare_slides(before: pl.DataFrame, now: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """Slides gained, lost and moved, and the number of those that are where they were."""
    columns = ["transfer_audible_start_s", "transfer_audible_end_s", "interval_cents", "kind"]
    old = {key[0]: part for key, part in before.partition_by("transfer_id", as_dict=True).items()}
    new = {key[0]: part for key, part in now.partition_by("transfer_id", as_dict=True).items()}
    rows: list[Row] = []
    same = 0
    nothing = (None,) * len(columns)
    for transfer_id in sorted({*old, *new}, key=str):
        was = old[transfer_id].select(columns).rows() if transfer_id in old else []
        is_ = new[transfer_id].select(columns).rows() if transfer_id in new else []
        pairs = _pairs(was, is_)
        for i, j in pairs:
            if _has_moved(was[i], is_[j]):
                rows.append((transfer_id, "moved", *was[i], *is_[j]))
            else:
                same += 1
        lost = sorted(set(range(len(was))) - {i for i, _ in pairs})
        gained = sorted(set(range(len(is_))) - {j for _, j in pairs})
        rows += [(transfer_id, "lost", *was[i], *nothing) for i in lost]
        rows += [(transfer_id, "gained", *nothing, *is_[j]) for j in gained]
    types = [now.schema[name] for name in columns]
    names = ["transfer_id", "change", *(f"{name}_before" for name in columns), *columns]
    kinds = [pl.String(), pl.String(), *types, *types]
    return pl.DataFrame(rows, schema=dict(zip(names, kinds, strict=True)), orient="row"), same


def _pairs(was: list[Row], is_: list[Row]) -> list[tuple[int, int]]:
    """Rows that are the same slide: those that are alike in all, then by place."""
    places: dict[Row, list[int]] = {}
    for j, row in enumerate(is_):
        places.setdefault(row, []).append(j)
    alike = [(i, places[row].pop(0)) for i, row in enumerate(was) if places.get(row)]
    old = sorted(set(range(len(was))) - {i for i, _ in alike})
    new = sorted(set(range(len(is_))) - {j for _, j in alike})
    found = match(_bounds([was[i] for i in old]), _bounds([is_[j] for j in new]))
    return sorted([*alike, *((old[i], new[j]) for i, j in found)])


def _bounds(rows: list[Row]) -> npt.NDArray[np.float64]:
    return np.array([row[:3] for row in rows], dtype=np.float64).reshape(-1, 3)


def _has_moved(was: Row, now: Row) -> bool:
    old, new = _bounds([was])[0], _bounds([now])[0]
    if was[3] != now[3] or not np.array_equal(np.isnan(old), np.isnan(new)):
        return True
    apart = np.nan_to_num(np.abs(old - new))  # a slide that a listener added has no interval
    return bool(ms_of_s(apart[:2].max()) >= MOVED_MS or apart[2] >= MOVED_CENTS)


def match(old: npt.NDArray[np.float64], new: npt.NDArray[np.float64]) -> list[tuple[int, int]]:
    """Pairs of rows (start, end, interval) that are the same slide: by largest overlap, each row once."""
    if not len(old) or not len(new):
        return []
    shared = overlap(old[:, 0], old[:, 1], new[:, 0], new[:, 1])
    unlike = np.sign(old[:, None, 2]) * np.sign(new[None, :, 2]) < 0  # never of a slide without an interval
    shared = np.where(unlike, 0.0, np.nan_to_num(shared))
    pairs, used_old, used_new = [], set(), set()
    for i, j in np.argwhere(shared > SAME_SLIDE)[np.argsort(-shared[shared > SAME_SLIDE], kind="stable")]:
        if i not in used_old and j not in used_new:
            used_old.add(i)
            used_new.add(j)
            pairs.append((int(i), int(j)))
    return sorted(pairs)
