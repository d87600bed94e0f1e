"""Drafts who plays, who taught whom, and lives; and what becomes of them when a sheet is given again after edits.

Several lines may say the same of one person or take. So what one line says no more goes only if no other line says
it still, and only if no hand has been there.
"""

from collections.abc import Callable, Iterable, Mapping
from functools import cached_property

from pipeline.store.adding.ids import IdMaker
from pipeline.store.adding.pending import Draft, FileKey
from pipeline.store.adding.row_index import Cells, same
from pipeline.store.catalogue.cell_values import CellError
from pipeline.store.catalogue.player_cells import Named, read_players, read_teachers
from pipeline.store.schema.declared import hand_kept

NAMING = [
    (table.name, column.name)
    for table in hand_kept()
    for column in table.columns
    if column.references == "player.player_id"
]
"""Where a player may be named: table and column."""
FROM_SHEET = "as the sheet says"
OTHER_LINE = "another line of the sheet still says it"
_MORE = "more is written in its row"
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
        one = _only(fields)
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
        for pair, certainty in now.items():
            rows = self._links(pair)
            if not rows and pair[0] != pair[1]:
                teacher, student = (self.player(name)["player_id"] for name in self._spelt(pair, fields))
                row = {"teacher_id": teacher, "student_id": student, "certainty": certainty}
                self.draft.add("teaching", row | {"note": FROM_SHEET})
            elif rows and (current := rows[0]["certainty"]) not in self._taught.get(pair, {}):
                known = current in self._once_taught.get(pair, {})
                self.draft.offer("teaching", rows[0], "certainty", current, certainty, known=known)
        for pair in sorted(before.keys() - now.keys()):
            for row in self._links(pair):
                ids = {name: row[name] for name in ("teacher_id", "student_id")}
                said = row["certainty"] in self._once_taught.get(pair, {})
                drafted = ids | {"certainty": row["certainty"] if said else "", "note": FROM_SHEET}
                still = pair in self._taught
                if still or not self.draft.remove("teaching", row, drafted=drafted):
                    why = OTHER_LINE if still else _MORE
                    self.draft.keep("teaching", row, "teacher_id", row["teacher_id"], "", why)

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
                self.draft.keep("performance", row, "player_id", self._name(row), fields.get("player", ""), why)
            elif come:
                self.draft.change("performance", row, "player_id", self.player(come[0].name)["player_id"])
                done &= self._offer(row, was, before, come.pop(0), now)
            elif not self.draft.remove("performance", row, drafted=_drafted(row, was, before)):
                done = False
                self.draft.keep("performance", row, "player_id", self._name(row), fields.get("player", ""), _MORE)
        for one in come:
            self.perform(take["take_id"], one, now)
        return done

    def forget(self, then: Cells) -> None:
        """Takes out players and teachers of a line that nothing names any more and of whom nothing else is known."""
        for one in _all(then):
            row = self.book.one("player", "name", one.name)
            if row is None or same(one.name) in self._said or self._is_named(row["player_id"]):
                continue
            lives = {column: then.get(column, "") for column in ("born", "died")}
            self.draft.remove("player", row, drafted={"player_id": row["player_id"], "name": row["name"]} | lives)

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

    def _spelt(self, pair: tuple[str, str], fields: Cells) -> tuple[str, str]:
        teachers = {same(one.name): one.name for one in read_teachers(fields["teachers"])}
        return teachers[pair[0]], _only(fields)

    @cached_property
    def _taught(self) -> dict[tuple[str, str], dict[str, None]]:
        return _all_pairs(self.lines.values())

    @cached_property
    def _of_player(self) -> dict[str, list[Cells]]:
        lines: dict[str, list[Cells]] = {}
        for line in self.lines.values():
            lines.setdefault(same(_only(line)), []).append(line)
        return lines

    @cached_property
    def _said(self) -> set[str]:
        return {same(one.name) for line in self.lines.values() for one in _all(line)}

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


def _read(reader: Callable[[str], list[Named]], line: Cells, field: str) -> list[Named]:
    """The people of a cell; nobody where an earlier version read it and this one cannot."""
    try:
        return reader(line.get(field, ""))
    except CellError:
        return []


def _all(line: Cells) -> list[Named]:
    """All whom a line enters: teachers only of one player."""
    return _read(read_players, line, "player") + (_read(read_teachers, line, "teachers") if _only(line) else [])


def _named(line: Cells) -> dict[str, Named]:
    return {same(one.name): one for one in _read(read_players, line, "player")}


def _only(line: Cells) -> str:
    """Name of the one soloist of a line; empty if there are several or none."""
    soloists = [one.name for one in _read(read_players, line, "player") if one.role == "soloist"]
    return soloists[0] if len(soloists) == 1 else ""


def _pairs(line: Cells) -> dict[tuple[str, str], str]:
    """(teacher, student) -> certainty, as far as a line says so."""
    student = _only(line)
    teachers = _read(read_teachers, line, "teachers") if student else []
    return {(same(one.name), same(student)): one.certainty for one in teachers}


def _all_pairs(lines: Iterable[Cells]) -> dict[tuple[str, str], dict[str, None]]:
    """(teacher, student) -> each certainty that a line gives them."""
    found: dict[tuple[str, str], dict[str, None]] = {}
    for line in lines:
        for pair, certainty in _pairs(line).items():
            found.setdefault(pair, {})[certainty] = None
    return found


def _instrument(one: Named, of_line: str) -> str:
    return one.instrument or (of_line if one.role == "soloist" else "")


def _drafted(row: Cells, one: Named, of_line: str) -> Cells:
    ids = {name: row[name] for name in ("take_id", "player_id")}
    return ids | {"role": one.role, "certainty": one.certainty, "instrument": _instrument(one, of_line)}
