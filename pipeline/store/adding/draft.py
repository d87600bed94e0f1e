"""Drafts catalogue rows for recordings, and finds what a new version of a sheet changes.

How a hand edit is told from an old value: ``sheet/applied.csv`` keeps, for each file and field, what the sheet
said when it was last added. A cell of the catalogue is changed only if the sheet now says something else than
then, and the cell still holds what it said then (so no hand has touched it). All else is left and reported.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.store.adding.ids import IdMaker
from pipeline.store.adding.leftovers import without_place
from pipeline.store.adding.recordings import Person, Recording, Said
from pipeline.store.adding.row_index import Cells, RowBook, same
from pipeline.store.catalogue.cell_values import read_players, read_teachers
from pipeline.store.schema import load

TABLES = (
    *("player", "teaching", "work", "session", "take", "side", "side_take", "performance", "reference_pitch"),
    "transfer",
)
_WITH_IDS = ("player", "work", "session", "take", "side", "transfer")
FileKey = tuple[str, str]
"""File below audio/, and start of the side in it."""

# Field of the sheet -> table and column, where a cell of its own answers to it.
_CELLS = {
    "year": ("take", "recorded"),
    "place": ("take", "place"),
    "matrix": ("take", "matrix_number"),
    "take": ("take", "take_number"),
    "accompaniment": ("take", "accompaniment"),
    "process": ("take", "process"),
    "label": ("side", "label"),
    "issue_number": ("side", "issue_number"),
    "face": ("side", "face"),
    "published": ("side", "published"),
    "end": ("transfer", "file_end_s"),
    "archive": ("transfer", "archive"),
    "shelf_mark": ("transfer", "shelf_mark"),
    "rpm": ("transfer", "turntable_rpm"),
    "groove": ("transfer", "groove"),
    "stylus": ("transfer", "stylus"),
    "equalisation": ("transfer", "equalisation"),
    "note": ("transfer", "note"),
}
_OTHERS = (
    *("player", "instrument", "born", "died", "teachers", "work", "composer", "key", "session", "reference_pitch"),
)


@dataclass(frozen=True)
class NewRow:
    """A row to be added."""

    table: str
    cells: Cells


@dataclass(frozen=True)
class Change:
    """A cell to be changed."""

    table: str
    key: Mapping[str, str]
    column: str
    old: str
    new: str


@dataclass(frozen=True)
class Kept:
    """A cell that stays though the sheet says something else."""

    table: str
    key: Mapping[str, str]
    column: str
    value: str
    said: str


@dataclass
class Draft:
    """What would be written, and what the sheet then has said.

    ``noted``: cells that no column holds, so that they went into a note.
    """

    applied: dict[tuple[FileKey, str], str]
    noted: list[Said] = field(default_factory=list)
    new: list[NewRow] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    kept: list[Kept] = field(default_factory=list)


class Drafter:
    """Drafts one recording after the other; what one adds, the next finds."""

    def __init__(self, book: RowBook, applied: Mapping[tuple[FileKey, str], str]) -> None:
        self.book = book
        self.before = dict(applied)
        self.known = {key for key, _ in applied}
        self.draft = Draft(dict(applied))
        self.ids = {name: IdMaker(row[f"{name}_id"] for row in book.all(name)) for name in _WITH_IDS}

    def add(self, recording: Recording) -> None:
        """Drafts the rows of a recording whose file is new, else the changes to its rows."""
        start = same(recording.fields.get("start", ""))
        inside = recording.audio.inside
        rows = self.book.where("transfer", "file", inside) + self.book.where("transfer", "file", f"audio/{inside}")
        transfer = next((row for row in rows if same(row.get("file_start_s", "")) == start), None)
        if transfer is None:
            self._enter(recording)
        elif recording.row is not None:
            self._update(recording, transfer)

    def _enter(self, recording: Recording) -> None:
        fields = recording.fields
        start = fields.get("start", "")
        own = Path(recording.audio.inside).stem + (f" at {start}" if start else "")
        named = " ".join(fields[name] for name in ("label", "matrix", "take") if name in fields)
        take = self._same_take(fields)
        if take is None:
            take = {"take_id": self.ids["take"].make(named if "matrix" in fields else own)}
            take |= {column: fields[f] for f, (t, column) in _CELLS.items() if t == "take" and f in fields}
            self._name_work(take, fields)
            if "session" in fields:
                take["session_id"] = self._session(fields)
            self._new("take", take)
            for name, certainty in read_players(fields.get("player", "")):
                self._perform(take["take_id"], self._player(name), certainty, fields.get("instrument", ""))
        self._life(fields)
        self._teach(fields)
        if "reference_pitch" in fields:
            self._update_pitch(take["take_id"], "", fields["reference_pitch"], known=False)
        side_id = self._side(fields, take["take_id"])
        ids = self.ids["transfer"]
        transfer = {
            "transfer_id": ids.make_numbered(take["take_id"], "t") if "matrix" in fields else ids.make(own),
            "side_id": side_id,
            "file": recording.audio.inside,
        }
        transfer |= {"file_start_s": start} if start else {}
        transfer |= {column: fields[f] for f, (t, column) in _CELLS.items() if t == "transfer" and f in fields}
        length_s = float(fields.get("end", recording.audio.length_s)) - float(start or 0.0)
        transfer["length_s"] = f"{length_s:.1f}"
        self._new("transfer", transfer)
        side = self.book.one("side", "side_id", side_id) or {}
        self._note(recording, {"take": take, "side": side, "transfer": transfer})
        key = (recording.audio.inside, start)
        self.draft.applied[key, "file"] = recording.audio.inside
        self.draft.applied.update({(key, name): value for name, value in fields.items()})

    def add_person(self, person: Person) -> None:
        """Drafts what a sheet of people says of a player; what no column holds goes into the player's note."""
        fields = person.fields
        players = read_players(fields.get("player", ""))
        if len(players) != 1:
            self.draft.noted += person.said.values()
            return
        self._player(players[0][0])
        row = self.book.one("player", "name", players[0][0]) or {}
        self._life(fields)
        self._teach(fields)
        held = {"player", "born", "died", "teachers", "instrument"}
        texts = [f"{person.said[name].heading}: {person.said[name].cell}" for name in fields if name in person.said]
        more = [
            text for name, text in zip([n for n in fields if n in person.said], texts, strict=True) if name not in held
        ]
        note = "; ".join(dict.fromkeys([*([fields["note"]] if "note" in fields else []), *more]))
        if note and not row.get("note"):
            self._change("player", row, "note", note)

    def _note(self, recording: Recording, rows: Mapping[str, Cells]) -> None:
        """What stands in no row goes into the transfer's note, with its heading."""
        lost = without_place(recording.fields, cells=_CELLS, rows=rows, book=self.book)
        cells = list(dict.fromkeys(recording.said[name] for name in lost if name in recording.said))
        if not cells:
            return
        transfer = rows["transfer"]
        before = [transfer["note"]] if transfer.get("note") else []
        self.book.set("transfer", transfer, "note", "; ".join([*before, *(f"{c.heading}: {c.cell}" for c in cells)]))
        self.draft.noted += cells

    def _teach(self, fields: Cells) -> None:
        """Enters who taught the one player of a line, unless that is known."""
        players = read_players(fields.get("player", ""))
        if len(players) != 1:
            return
        for name, certainty in read_teachers(fields.get("teachers", "")):
            teacher, student = self._player(name), self._player(players[0][0])
            links = self.book.where("teaching", "teacher_id", teacher)
            if teacher != student and not any(row["student_id"] == student for row in links):
                row = {"teacher_id": teacher, "student_id": student, "certainty": certainty}
                self._new("teaching", row | {"note": "as the sheet says"})

    def _update(self, recording: Recording, transfer: Cells) -> None:
        key = (recording.audio.inside, recording.fields.get("start", ""))
        carried = self.book.where("side_take", "side_id", transfer["side_id"])
        take = self.book.one("take", "take_id", carried[0]["take_id"]) if len(carried) == 1 else None
        rows = {"transfer": transfer, "side": self.book.one("side", "side_id", transfer["side_id"]), "take": take}
        known = key in self.known
        for name in (*_CELLS, *_OTHERS):
            said, then = recording.fields.get(name, ""), self.before.get((key, name), "")
            if said == then:
                continue
            if name in _CELLS:
                table, column = _CELLS[name]
                row = rows[table]
                done = row is not None and self._offer(table, row, column, then, said, known=known)
            else:
                done = take is not None and self._other(name, take, then, recording.fields, known=known)
            if done and said:
                self.draft.applied[key, name] = said
            elif done:
                self.draft.applied.pop((key, name), None)

    def _offer(self, table: str, row: Cells, column: str, then: str, said: str, *, known: bool) -> bool:
        """Changes a cell from what the sheet said then to what it says now, unless a hand has been there."""
        current = row.get(column, "")
        if same(current) == same(said):
            return True
        if known and same(current) == same(then):
            self._change(table, row, column, said)
            return True
        self._keep(table, row, column, current, said)
        return False

    def _change(self, table: str, row: Cells, column: str, value: str) -> None:
        if not any(new.cells is row for new in self.draft.new):
            key = {name: row.get(name, "") for name in load(table).key}
            self.draft.changes.append(Change(table, key, column, row.get(column, ""), value))
        self.book.set(table, row, column, value)

    def _keep(self, table: str, row: Cells, column: str, current: str, said: str) -> None:
        key = {name: row.get(name, "") for name in load(table).key}
        kept = Kept(table, key, column, current, said)
        if kept not in self.draft.kept:
            self.draft.kept.append(kept)

    def _other(self, name: str, take: Cells, then: str, fields: Cells, *, known: bool) -> bool:
        said = fields.get(name, "")
        if name in ("player", "instrument"):
            return self._update_performance(name, take, then, said, known=known)
        if name in ("born", "died"):
            return self._update_life(name, then, fields, known=known)
        if name == "teachers":
            self._teach(fields)
            return True
        if name == "reference_pitch":
            return self._update_pitch(take["take_id"], then, said, known=known)
        if name == "session":
            old = self._session_of(then)
            new = self._session(fields) if said else ""
            return self._offer("take", take, "session_id", old["session_id"] if old else "", new, known=known)
        work = self.book.one("work", "work_id", take["work_id"]) if take.get("work_id") else None
        if name == "work":
            if known and same((work or {}).get("title", "")) == same(then):
                self._change("take", take, "work_id", self._work(fields)["work_id"] if said else "")
                return True
            self._keep("take", take, "work_id", take.get("work_id", ""), said)
            return False
        if name == "composer":
            if work is not None:
                return self._offer("work", work, "composer", then, said, known=known)
            self._keep("take", take, "work_id", "", said)
            return False
        return self._update_key(take, work, then, said, known=known)

    def _life(self, fields: Cells) -> None:
        for name in ("born", "died"):
            if name in fields:
                self._update_life(name, "", fields, known=False)

    def _update_life(self, name: str, then: str, fields: Cells, *, known: bool) -> bool:
        players = read_players(fields.get("player", ""))
        player = self.book.one("player", "name", players[0][0]) if len(players) == 1 else None
        said = fields.get(name, "")
        if player is None or not said:  # other lines may say it still
            return True
        return self._offer("player", player, name, then, said, known=known or not player.get(name))

    def _update_pitch(self, take_id: str, then: str, said: str, *, known: bool) -> bool:
        row = self.book.one("reference_pitch", "take_id", take_id)
        if row is None:
            if said:
                basis = "as the sheet says"
                self._new("reference_pitch", {"take_id": take_id, "reference_pitch_hz": said, "basis": basis})
            return True
        if not said:
            self._keep("reference_pitch", row, "reference_pitch_hz", row["reference_pitch_hz"], said)
            return True
        return self._offer("reference_pitch", row, "reference_pitch_hz", then, said, known=known)

    def _update_key(self, take: Cells, work: Cells | None, then: str, said: str, *, known: bool) -> bool:
        if work is None or take.get("key_played"):
            return self._offer("take", take, "key_played", then, said, known=known)
        if len(self.book.where("take", "work_id", work["work_id"])) == 1:
            return self._offer("work", work, "key", then, said, known=known)
        if known and same(work.get("key", "")) == same(then):  # other takes of the work keep its key
            self._change("take", take, "key_played", said)
            return True
        self._keep("work", work, "key", work.get("key", ""), said)
        return False

    def _update_performance(self, name: str, take: Cells, then: str, said: str, *, known: bool) -> bool:
        playing = self.book.where("performance", "take_id", take["take_id"])
        if name == "instrument":
            offered = [self._offer("performance", row, "instrument", then, said, known=known) for row in playing]
            return all(offered)
        old, new = read_players(then), read_players(said)
        names = [(self.book.one("player", "player_id", row["player_id"]) or {}).get("name", "") for row in playing]
        if not known or sorted(map(same, names)) != sorted(same(n) for n, _ in old) or (old and len(old) != len(new)):
            self._keep("performance", {"take_id": take["take_id"]}, "player_id", "; ".join(names), said)
            return False
        if not old:
            for player, certainty in new:
                self._perform(take["take_id"], self._player(player), certainty, "")
        for (was, _), (now, certainty) in zip(old, new, strict=False):
            row = playing[[same(n) for n in names].index(same(was))]
            if row.get("certainty") != certainty:
                self._change("performance", row, "certainty", certainty)
            if same(was) != same(now):
                self._change("performance", row, "player_id", self._player(now))
        return True

    def _same_take(self, fields: Cells) -> Cells | None:
        """The take with that matrix and take number, if one of its sides bears the same label."""
        if "matrix" not in fields:
            return None
        for take in self.book.where("take", "matrix_number", fields["matrix"]):
            if same(take.get("take_number", "")) != same(fields.get("take", "")):
                continue
            carriers = self.book.where("side_take", "take_id", take["take_id"])
            sides = [self.book.one("side", "side_id", row["side_id"]) or {} for row in carriers]
            if not sides or same(fields.get("label", "")) in [same(side.get("label", "")) for side in sides]:
                return take
        return None

    def _side(self, fields: Cells, take_id: str) -> str:
        wanted = {column: fields[f] for f, (t, column) in _CELLS.items() if t == "side" and f in fields}
        number = wanted.get("issue_number", "")
        carriers = {row["side_id"] for row in self.book.where("side_take", "take_id", take_id)}
        on_disc = self.book.where("side", "issue_number", number) if number and "face" in wanted else []
        for side in [*on_disc, *(self.book.one("side", "side_id", one) or {} for one in sorted(carriers))]:
            same_face = all(same(side.get(n, "")) == same(wanted.get(n, "")) for n in ("label", "issue_number", "face"))
            if "side_id" not in side or not (same_face or (side["side_id"] in carriers and not number)):
                continue
            if side["side_id"] not in carriers:
                self._new("side_take", {"side_id": side["side_id"], "take_id": take_id})
            return side["side_id"]
        whole = number and "face" in wanted
        named = " ".join(wanted.get(n, "") for n in ("label", "issue_number", "face")) if whole else take_id
        side_id = self.ids["side"].make(named)
        self._new("side", {"side_id": side_id} | wanted)
        self._new("side_take", {"side_id": side_id, "take_id": take_id})
        return side_id

    def _name_work(self, take: Cells, fields: Cells) -> None:
        key = fields.get("key", "")
        if "work" in fields:
            work = self._work(fields)
            take["work_id"] = work["work_id"]
            key = "" if same(work.get("key", "")) == same(key) else key
        if key:
            take["key_played"] = key

    def _work(self, fields: Cells) -> Cells:
        composer = fields.get("composer", "")
        for work in self.book.where("work", "title", fields["work"]):
            if same(work.get("composer", "")) == same(composer):
                return work
        title = f"{composer.split()[-1]} {fields['work']}" if composer else fields["work"]
        work = {"work_id": self.ids["work"].make(title), "title": fields["work"]}
        return self._new("work", work | {name: fields[name] for name in ("composer", "key") if name in fields})

    def _session_of(self, named: str) -> Cells | None:
        return (
            self.book.one("session", "session_id", named) or self.book.one("session", "note", named) if named else None
        )

    def _session(self, fields: Cells) -> str:
        if found := self._session_of(fields["session"]):
            return found["session_id"]
        made = {"session_id": self.ids["session"].make(fields["session"]), "note": fields["session"]}
        made |= {column: fields[f] for f, column in (("year", "recorded"), ("label", "label")) if f in fields}
        return self._new("session", made)["session_id"]

    def _player(self, name: str) -> str:
        found = self.book.one("player", "name", name)
        return (found or self._new("player", {"player_id": self.ids["player"].make(name), "name": name}))["player_id"]

    def _perform(self, take_id: str, player_id: str, certainty: str, instrument: str) -> None:
        row = {"take_id": take_id, "player_id": player_id, "role": "soloist", "certainty": certainty}
        self._new("performance", row | ({"instrument": instrument} if instrument else {}))

    def _new(self, table: str, cells: Cells) -> Cells:
        self.draft.new.append(NewRow(table, cells))
        return self.book.add(table, cells)
