"""Drafts who plays, who taught whom, and lives; and what becomes of them when a sheet is given again after edits.

Several lines may say the same of one person or take. So what one line says no more goes only if no other line says
it still, and only if no hand has been there.
"""

from collections.abc import Callable, Iterable, Mapping
from functools import cached_property
from typing import TypeVar

from pipeline.store.adding.ids import IdMaker
from pipeline.store.adding.pending import Draft, FileKey
from pipeline.store.adding.row_index import Cells, same
from pipeline.store.catalogue.cell_values import CellError
from pipeline.store.catalogue.player_cells import Named, read_players
from pipeline.store.catalogue.teacher_cells import Taught, read_teachers
from pipeline.store.schema.declared import hand_kept

NAMING = [
    (table.name, column.name)
    for table in hand_kept()
    for column in table.columns
    if column.references == "player.player_id"
]
"""Where a player may be named: table and column."""
STUDENT = "student"
"""Name in ``sheet/applied.csv`` of whose teachers a line told, where a hand edit keeps its players as they were."""
FROM_SHEET = "as the sheet says"
OTHER_LINE = "another line of the sheet still says it"
MISREAD = "an earlier version read the sheet so"
One = TypeVar("One", Named, Taught)
_LESSONS = ("certainty", "span", "note")
_MORE = "the row was changed by hand"
_PASSAGE = "passage.csv names this player on it"


class People:
    """Players, performances and teaching of a draft.

    Parameters
    ----------
    lines : what each line says now, by file and start (spelt as ``same`` does).
    once : what lines said when a sheet was last added.
    """

    def __init__(self, draft: Draft, ids: IdMaker, lines: Mapping[FileKey, Cells], once: Iterable[Cells]) -> None:
        self.draft, self.ids, self.lines = draft, ids, lines
        self._once_taught = _all_pairs(once)
        self.book = draft.book

    def player(self, name: str) -> Cells:
        """The row of a player, entered if there is none."""
        found = self.book.one("player", "name", name)
        return found or self.draft.add("player", {"player_id": self.ids.make(name), "name": name})

    def perform(self, take_id: str, one: Named, instrument: str) -> None:
        """Enters a player of a take; the instrument of the line is the soloists'."""
        row = {"take_id": take_id, "player_id": self.player(one.name)["player_id"]}
        played = _instrument(one, instrument)
        row |= {"instrument": played} if played else {}
        self.draft.add("performance", row | {"role": one.role, "certainty": one.certainty})

    def life(self, fields: Cells) -> None:
        """Enters the dates of the one player of a line."""
        for name in ("born", "died"):
            if name in fields:
                self.update_life(name, "", fields, known=False)

    def update_life(self, name: str, then: str, fields: Cells, *, known: bool) -> bool:
        """Offers a date of the one player of a line."""
        one = only_soloist(fields)
        row = self.book.one("player", "name", one) if one else None
        said = fields.get(name, "")
        if row is None or not said:  # other lines may say it still
            return True
        current = row.get(name, "")
        others = {same(line.get(name, "")) for line in self._of_player.get(same(one), ())}
        if current and same(current) != same(said) and same(current) in others:
            self.draft.keep("player", row, name, current, said, OTHER_LINE)
            return False
        return self.draft.offer("player", row, name, then, said, known=known or not current)

    def update_teaching(self, then: Cells, fields: Cells) -> None:
        """Enters who taught the one player of a line, and takes out whom no line names any more; what stays is said."""
        before, now = _pairs(then), _pairs(fields)
        for pair, one in now.items():
            rows = self._links(pair)
            if not rows and pair[0] != pair[1]:
                ids = {"teacher_id": self.player(one.name)["player_id"]}
                ids["student_id"] = self.player(only_soloist(fields))["player_id"]
                self.draft.add("teaching", ids | {name: cell for name, cell in _lessons(one).items() if cell})
            for row in rows[:1]:
                self._offer_lessons(row, pair, one)
        for pair in sorted(before.keys() - now.keys()):
            for row in self._links(pair):
                drafted = {name: row[name] for name in ("teacher_id", "student_id")}
                once = [_lessons(one) for one in self._once_taught.get(pair, ())]
                same_still = [name for name in _LESSONS if row.get(name, "") in [lessons[name] for lessons in once]]
                drafted |= {name: row.get(name, "") for name in same_still}
                still = pair in self._taught
                if still or not self.draft.remove("teaching", row, drafted=drafted):
                    why = OTHER_LINE if still else _MORE
                    said = fields.get("teachers", "")
                    self.draft.keep("teaching", row, "teacher_id", before[pair].name, said, why, whole=True)

    def _offer_lessons(self, row: Cells, pair: tuple[str, str], one: Taught) -> None:
        """Takes over what a line says of lessons now, unless another line says what stands there."""
        for column, said in _lessons(one).items():
            current = row.get(column, "")
            if any(same(_lessons(other)[column]) == same(current) for other in self._taught.get(pair, ())):
                continue
            known = any(same(_lessons(other)[column]) == same(current) for other in self._once_taught.get(pair, ()))
            if known or column == "certainty" or (column == "span" and said):  # a note by hand is no contradiction
                self.draft.offer("teaching", row, column, current, said, known=known or not current)

    def update_players(self, take: Cells, then: Cells, fields: Cells, *, known: bool) -> bool:
        """Takes over who plays: players come, go, are spelt otherwise, or are surer than they were."""
        rows = self._playing(take)
        old, new = _named(then), _named(fields)
        if not known or not old.keys() <= rows.keys() or (rows and not old):
            if new.keys() == rows.keys():
                return True
            names = "; ".join(self._name(row) for row in rows.values())
            key = {"take_id": take["take_id"]}
            self.draft.keep("performance", key, "player_id", names, fields.get("player", ""))
            return False
        done = True
        before, now = then.get("instrument", ""), fields.get("instrument", "")
        for name in sorted(old.keys() & new.keys()):
            done &= self._offer(rows[name], old[name], before, new[name], now)
        come = [one for name, one in new.items() if name not in rows]
        for name in [name for name in old if name not in new]:
            row, was = rows[name], old[name]
            if why := self._must_stay(take, row, name):
                done = False
                self.draft.keep(
                    "performance", row, "player_id", self._name(row), fields.get("player", ""), why, whole=True
                )
            elif come:
                self.draft.change("performance", row, "player_id", self.player(come[0].name)["player_id"])
                done &= self._offer(row, was, before, come.pop(0), now)
            elif not self.draft.remove("performance", row, drafted=_drafted(row, was, before)):
                done = False
                self.draft.keep(
                    "performance", row, "player_id", self._name(row), fields.get("player", ""), _MORE, whole=True
                )
        for one in come:
            self.perform(take["take_id"], one, now)
        return done

    def forget(self, then: Cells) -> None:
        """Takes out players and teachers of a line that nothing names any more and of whom nothing else is known."""
        for name in sorted(_all(then)):
            row = self.book.one("player", "name", name)
            if row is None or same(name) in self._said or self._is_named(row["player_id"]):
                continue
            lives = {column: then.get(column, "") for column in ("born", "died")}
            self.draft.remove("player", row, drafted={"player_id": row["player_id"], "name": row["name"]} | lives)

    def tell_misread(self) -> None:
        """Reports links of a row that today's reading of its cell does not give: what an earlier version made of it."""
        for line in self.lines.values():
            cell, student = line.get("teachers", ""), self.book.one("player", "name", _student(line))
            if not cell or student is None:
                continue
            for row in self.book.where("teaching", "student_id", student["player_id"]):
                teacher = self._name({"player_id": row["teacher_id"]})
                pair = same(teacher), same(student["name"])
                if row.get("note") == FROM_SHEET and pair not in self._taught and pair[0] in same(cell):
                    self.draft.keep("teaching", row, "teacher_id", teacher, cell, MISREAD, whole=True)

    def _offer(self, row: Cells, was: Named, before: str, one: Named, now: str) -> bool:
        """Offers what is said of one player of a take now; ``before`` and ``now`` are the instrument of the line."""
        pairs = {
            "certainty": (was.certainty, one.certainty),
            "role": (was.role, one.role),
            "instrument": (_instrument(was, before), _instrument(one, now)),
        }
        offered = [
            self.draft.offer("performance", row, column, *pair, known=True)
            for column, pair in pairs.items()
            if pair[0] != pair[1]
        ]
        return all(offered)

    def still_said(self, take_id: str, name: str, then: str, own: FileKey) -> bool:
        """Whether another line of a take says of it still what one line has said."""
        if not then or name in ("player", "instrument", "born", "died", "teachers"):  # which have rules of their own
            return False
        keys = [key for key in self._lines_of(take_id) if key != (own[0], same(own[1]))]
        return any(same(self.lines.get(key, {}).get(name, "")) == same(then) for key in keys)

    def _must_stay(self, take: Cells, row: Cells, name: str) -> str:
        keys = self._lines_of(take["take_id"])
        if any(name in _named(self.lines[key]) for key in keys if key in self.lines):
            return OTHER_LINE
        passages = self.book.where("passage", "player_id", row["player_id"])
        transfers = {transfer["transfer_id"] for transfer in self._transfers_of(take["take_id"])}
        return _PASSAGE if any(passage["transfer_id"] in transfers for passage in passages) else ""

    def _playing(self, take: Cells) -> dict[str, Cells]:
        rows = self.book.where("performance", "take_id", take["take_id"])
        return {same(self._name(row)): row for row in rows}

    def _name(self, row: Cells) -> str:
        return (self.book.one("player", "player_id", row["player_id"]) or {}).get("name", "")

    def _links(self, pair: tuple[str, str]) -> list[Cells]:
        teacher, student = (self.book.one("player", "name", name) for name in pair)
        if teacher is None or student is None:
            return []
        rows = self.book.where("teaching", "teacher_id", teacher["player_id"])
        return [row for row in rows if row["student_id"] == student["player_id"]]

    @cached_property
    def _taught(self) -> dict[tuple[str, str], list[Taught]]:
        return _all_pairs(self.lines.values())

    @cached_property
    def _of_player(self) -> dict[str, list[Cells]]:
        lines: dict[str, list[Cells]] = {}
        for line in self.lines.values():
            lines.setdefault(same(only_soloist(line)), []).append(line)
        return lines

    @cached_property
    def _said(self) -> set[str]:
        return {same(name) for line in self.lines.values() for name in _all(line)}

    def _is_named(self, player_id: str) -> bool:
        return any(self.book.where(table, column, player_id) for table, column in NAMING)

    def _transfers_of(self, take_id: str) -> Iterable[Cells]:
        for carrier in self.book.where("side_take", "take_id", take_id):
            yield from self.book.where("transfer", "side_id", carrier["side_id"])

    def _lines_of(self, take_id: str) -> list[FileKey]:
        return [
            (row["file"].removeprefix("audio/"), same(row.get("file_start_s", "")))
            for row in self._transfers_of(take_id)
        ]


def _read(reader: Callable[[str], list[One]], line: Cells, field: str) -> list[One]:
    """The people of a cell; nobody where an earlier version read it and this one cannot."""
    try:
        return reader(line.get(field, ""))
    except CellError:
        return []


def _all(line: Cells) -> set[str]:
    """Names of all whom a line enters: teachers only of one player."""
    taught = _read(read_teachers, line, "teachers") if _student(line) else []
    return {one.name for one in _read(read_players, line, "player")} | {one.name for one in taught}


def _named(line: Cells) -> dict[str, Named]:
    return {same(one.name): one for one in _read(read_players, line, "player")}


def only_soloist(line: Cells) -> str:
    """Name of the one soloist of a line; empty if there are several or none."""
    soloists = [one.name for one in _read(read_players, line, "player") if one.role == "soloist"]
    return soloists[0] if len(soloists) == 1 else ""


def _student(line: Cells) -> str:
    """Who was taught: the one soloist, or whom the line named when its teachers were taken over but not its players."""
    return line.get(STUDENT) or only_soloist(line)


def _pairs(line: Cells) -> dict[tuple[str, str], Taught]:
    """(teacher, student) -> the lessons, as far as a line says so."""
    student = _student(line)
    teachers = _read(read_teachers, line, "teachers") if student else []
    return {(same(one.name), same(student)): one for one in teachers}


def _all_pairs(lines: Iterable[Cells]) -> dict[tuple[str, str], list[Taught]]:
    """(teacher, student) -> the lessons, as each line says."""
    found: dict[tuple[str, str], list[Taught]] = {}
    for line in lines:
        for pair, one in _pairs(line).items():
            found.setdefault(pair, []).append(one)
    return found


def _lessons(one: Taught) -> Cells:
    """Cells of a row of teaching besides its ids."""
    note = f"{FROM_SHEET}: {one.more}" if one.more else FROM_SHEET
    return {"certainty": one.certainty, "span": one.span, "note": note}


def _instrument(one: Named, of_line: str) -> str:
    return one.instrument or (of_line if one.role == "soloist" else "")


def _drafted(row: Cells, one: Named, of_line: str) -> Cells:
    ids = {name: row[name] for name in ("take_id", "player_id")}
    return ids | {"role": one.role, "certainty": one.certainty, "instrument": _instrument(one, of_line)}
