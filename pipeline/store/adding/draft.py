"""Drafts catalogue rows for recordings, and finds what a new version of a sheet changes."""

from collections.abc import Collection, Iterable, Mapping
from pathlib import Path

from pipeline.store.adding.ids import IdMaker
from pipeline.store.adding.leftovers import without_place
from pipeline.store.adding.pending import Draft, FileKey
from pipeline.store.adding.people import NAMING, OTHER_LINE, STUDENT, People, only_soloist
from pipeline.store.adding.recordings import Person, Recording, Said
from pipeline.store.adding.row_index import Cells, RowBook, same
from pipeline.store.catalogue.cell_values import is_without_name
from pipeline.store.catalogue.player_cells import read_players

TABLES = (
    *("player", "teaching", "work", "session", "take", "side", "side_take", "performance", "reference_pitch"),
    "transfer",
)
LOOKED_AT = tuple(dict.fromkeys(table for table, _ in NAMING if table not in TABLES))
"""Tables that no sheet fills, but that may name a player."""
_WITH_IDS = ("player", "work", "session", "take", "side", "transfer")

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
_OF_PLAYER = ("born", "died", "teachers")


class Drafter:
    """Drafts the lines of a sheet; what one adds, the next finds.

    Parameters
    ----------
    applied : what the sheet said when it was last added, by line and field.
    """

    def __init__(self, book: RowBook, applied: Mapping[tuple[FileKey, str], str]) -> None:
        self.book = book
        self.draft = Draft(book, dict(applied))
        self.before: dict[FileKey, Cells] = {}
        for (key, name), value in applied.items():
            self.before.setdefault(key, {})[name] = value
        self.ids = {name: IdMaker(row[f"{name}_id"] for row in book.all(name)) for name in _WITH_IDS}

    def draft_all(self, recordings: Iterable[Recording], people: Iterable[Person]) -> Draft:
        """Drafts all lines, and takes out whom none of them names any more."""
        recordings, people = list(recordings), list(people)
        lines = {(file, same(start)): cells for (file, start), cells in self.before.items()}
        for one in recordings:
            if one.row is not None:
                lines[one.audio.inside, same(one.fields.get("start", ""))] = one.fields
        for person in people:
            lines["", same(person.fields["player"])] = person.fields
        self.people = People(self.draft, self.ids["player"], lines, self.before.values())
        for recording in recordings:
            self.add(recording)
        for person in people:
            self.add_person(person)
        for cells in self.before.values():
            self.people.forget(cells)
        self.people.tell_misread()
        return self.draft

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
        # What a disc bears, as far as that is enough to tell it from others; else the name of the file.
        told = next((of for of in (("matrix", "take"), ("issue_number", "face")) if of[0] in fields), ())
        named = " ".join(fields[name] for name in ("label", *told) if told and name in fields) or own
        take = self._same_take(fields)
        if take is None:
            take = {"take_id": self.ids["take"].make(named)}
            take |= {column: fields[f] for f, (t, column) in _CELLS.items() if t == "take" and f in fields}
            self._name_work(take, fields)
            if "session" in fields:
                take["session_id"] = self._session(fields)
            self.draft.add("take", take)
            for one in read_players(fields.get("player", "")):
                self.people.perform(take["take_id"], one, fields.get("instrument", ""))
        else:
            self._fill(take, fields)
        self.people.life(fields)
        self.people.update_teaching({}, fields)
        if "reference_pitch" in fields:
            self._update_pitch(take["take_id"], "", fields["reference_pitch"], known=False)
        side_id = self._side(fields, take["take_id"])
        ids = self.ids["transfer"]
        transfer = {
            "transfer_id": ids.make_numbered(take["take_id"], "t") if told else ids.make(own),
            "side_id": side_id,
            "file": recording.audio.inside,
        }
        transfer |= {"file_start_s": start} if start else {}
        transfer |= {column: fields[f] for f, (t, column) in _CELLS.items() if t == "transfer" and f in fields}
        length_s = float(fields.get("end", recording.audio.length_s)) - float(start or 0.0)
        transfer["length_s"] = f"{length_s:.1f}"
        self.draft.add("transfer", transfer)
        side = self.book.one("side", "side_id", side_id) or {}
        note, beside = self._note(recording, {"take": take, "side": side, "transfer": transfer})
        if beside:
            self.book.set("transfer", transfer, "note", note)
            self.draft.noted += beside
        key = (recording.audio.inside, start)
        said = fields | {"file": recording.audio.inside} | ({"note": note} if note else {})
        self.draft.applied.update({(key, name): value for name, value in said.items()})

    def _fill(self, take: Cells, fields: Cells) -> None:
        """Enters what another transfer of a take says where nothing is known yet."""
        for name, (table, column) in _CELLS.items():
            if table == "take" and name in fields and not take.get(column):
                self.draft.change("take", take, column, fields[name])
        work = self.book.one("work", "work_id", take["work_id"]) if take.get("work_id") else None
        if "key" in fields and work and not work.get("key") and not take.get("key_played"):
            self.draft.change("work", work, "key", fields["key"])

    def add_person(self, person: Person) -> None:
        """Drafts what a sheet of people says of a player; what no column holds goes into the player's note."""
        fields = person.fields
        key = "", fields["player"]
        then = self.before.get(key, {})
        row = self.people.player(read_players(fields["player"])[0].name)
        more = [
            f"{said.heading}: {said.cell}"
            for name, said in person.said.items()
            if name not in ("player", "born", "died", "teachers", "instrument")
        ]
        note = "; ".join(dict.fromkeys([*([fields["note"]] if "note" in fields else []), *more]))
        self.people.update_teaching(then, fields)
        done = {"player": True, "teachers": True}
        for name in ("born", "died"):
            done[name] = self.people.update_life(name, then.get(name, ""), fields, known=key in self.before)
        known = key in self.before or not row.get("note")
        done["note"] = self.draft.offer("player", row, "note", then.get("note", ""), note, known=known)
        for name, said in (fields | {"note": note}).items():
            if said and done.get(name):
                self.draft.applied[key, name] = said

    def _note(
        self, recording: Recording, rows: Mapping[str, Cells], *, fresh: Collection[str] | None = None, noted: str = ""
    ) -> tuple[str, list[Said]]:
        """The note of a transfer, and the cells in it that stand in no row.

        ``fresh``: fields that the sheet has just taken over; of the others a hand has changed what the rows say, so
        that only those that were ``noted`` before stay.
        """
        lost = without_place(recording.fields, cells=_CELLS, rows=rows, book=self.book)
        told = {name: recording.said[name] for name in lost if name in recording.said}
        cells = list(
            dict.fromkeys(
                cell for name, cell in told.items() if fresh is None or name in fresh or f"{cell.heading}: " in noted
            )
        )
        own = [recording.fields["note"]] if "note" in recording.fields else []
        return "; ".join([*own, *(f"{cell.heading}: {cell.cell}" for cell in cells)]), cells

    def _update(self, recording: Recording, transfer: Cells) -> None:
        key = (recording.audio.inside, recording.fields.get("start", ""))
        carried = self.book.where("side_take", "side_id", transfer["side_id"])
        take = self.book.one("take", "take_id", carried[0]["take_id"]) if len(carried) == 1 else None
        rows = {"transfer": transfer, "side": self.book.one("side", "side_id", transfer["side_id"]), "take": take}
        known, then = key in self.before, self.before.get(key, {})
        names = [name for name in (*_CELLS, *_OTHERS) if name != "note"]  # which rests on all others
        changed = [n for n in names if recording.fields.get(n, "") != then.get(n, "")]
        if "player" in changed:  # what is said of the player is now said of another
            changed = [n for n in changed if n != "instrument"]
            changed += [n for n in _OF_PLAYER if n in recording.fields and n not in changed]
        kept: set[str] = set()
        for name in changed:
            said = recording.fields.get(name, "")
            table, column = _CELLS.get(name, ("take", name))
            row = rows[table]
            if row is None:
                why = "the side carries several takes: enter it by hand"
                self.draft.keep("transfer", transfer, name, "", said, why)
                kept.add(name)
                continue
            if table != "transfer" and take and self.people.still_said(take["take_id"], name, then.get(name, ""), key):
                self.draft.keep(table, row, column, row.get(column, then[name]), said, OTHER_LINE)
                kept.add(name)
                continue
            if name in _CELLS:
                done = self.draft.offer(table, row, column, then.get(name, ""), said, known=known)
            else:
                done = self._other(name, row, then, recording.fields, known=known)
            if not done:
                kept.add(name)
                continue
            self._applied(key, name, said)
            if name == "player":
                self._applied(key, "instrument", recording.fields.get("instrument", ""))
        moved = "player" in kept and "teachers" in recording.fields
        self._applied(key, STUDENT, only_soloist(recording.fields) if moved else "")
        said, noted = recording.fields.get("note", ""), then.get("note", "")
        if take is not None and rows["side"] is not None:
            named = {"take": take, "side": rows["side"], "transfer": transfer}
            fresh = set(changed) - kept
            fresh |= {"instrument"} if "player" in fresh else set()  # taken over together
            said, beside = self._note(recording, named, fresh=fresh, noted=noted)
            self.draft.noted += [cell for cell in beside if f"{cell.heading}: {cell.cell}" not in noted]
        if said != noted and self.draft.offer("transfer", transfer, "note", noted, said, known=known):
            self._applied(key, "note", said)

    def _applied(self, key: FileKey, name: str, said: str) -> None:
        if said:
            self.draft.applied[key, name] = said
        else:
            self.draft.applied.pop((key, name), None)

    def _other(self, name: str, take: Cells, before: Cells, fields: Cells, *, known: bool) -> bool:
        then, said = before.get(name, ""), fields.get(name, "")
        if name in ("player", "instrument"):
            return self.people.update_players(take, before, fields, known=known)
        if name in ("born", "died"):
            moved = before.get("player") != fields.get("player")
            return self.people.update_life(name, "" if moved else then, fields, known=known)
        if name == "teachers":
            self.people.update_teaching(before, fields)
            return True
        if name == "reference_pitch":
            return self._update_pitch(take["take_id"], then, said, known=known)
        if name == "session":
            old = self._session_of(then)
            new = self._session(fields) if said else ""
            return self.draft.offer("take", take, "session_id", old["session_id"] if old else "", new, known=known)
        work = self.book.one("work", "work_id", take["work_id"]) if take.get("work_id") else None
        if name == "work":
            if work and same(work["title"]) == same(said):
                return True
            if known and same((work or {}).get("title", "")) == same(then):
                self.draft.change("take", take, "work_id", self._work(fields)["work_id"] if said else "")
                return True
            self.draft.keep("take", take, "work_id", take.get("work_id", ""), said)
            return False
        if name == "composer":
            if work is not None:
                return self.draft.offer("work", work, "composer", then, said, known=known)
            self.draft.keep("take", take, "work_id", "", said)
            return False
        return self._update_key(take, work, then, said, known=known)

    def _update_pitch(self, take_id: str, then: str, said: str, *, known: bool) -> bool:
        row = self.book.one("reference_pitch", "take_id", take_id)
        if row is None:
            if said:
                basis = "as the sheet says"
                self.draft.add("reference_pitch", {"take_id": take_id, "reference_pitch_hz": said, "basis": basis})
            return True
        if not said:
            self.draft.keep("reference_pitch", row, "reference_pitch_hz", row["reference_pitch_hz"], said)
            return True
        return self.draft.offer("reference_pitch", row, "reference_pitch_hz", then, said, known=known)

    def _update_key(self, take: Cells, work: Cells | None, then: str, said: str, *, known: bool) -> bool:
        if work is None or take.get("key_played"):
            return self.draft.offer("take", take, "key_played", then, said, known=known)
        if len(self.book.where("take", "work_id", work["work_id"])) == 1:
            return self.draft.offer("work", work, "key", then, said, known=known)
        if known and same(work.get("key", "")) == same(then):  # other takes of the work keep its key
            self.draft.change("take", take, "key_played", said)
            return True
        self.draft.keep("work", work, "key", work.get("key", ""), said)
        return False

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
                self.draft.add("side_take", {"side_id": side["side_id"], "take_id": take_id})
            return side["side_id"]
        whole = number and "face" in wanted
        named = " ".join(wanted.get(n, "") for n in ("label", "issue_number", "face")) if whole else take_id
        side_id = self.ids["side"].make(named)
        self.draft.add("side", {"side_id": side_id} | wanted)
        self.draft.add("side_take", {"side_id": side_id, "take_id": take_id})
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
        surname = [] if is_without_name(composer) else composer.partition(",")[0].split()[-1:]
        title = " ".join([*surname, fields["work"]])
        work = {"work_id": self.ids["work"].make(title), "title": fields["work"]}
        return self.draft.add("work", work | {name: fields[name] for name in ("composer", "key") if name in fields})

    def _session_of(self, named: str) -> Cells | None:
        return (
            self.book.one("session", "session_id", named) or self.book.one("session", "note", named) if named else None
        )

    def _session(self, fields: Cells) -> str:
        if found := self._session_of(fields["session"]):
            return found["session_id"]
        made = {"session_id": self.ids["session"].make(fields["session"]), "note": fields["session"]}
        made |= {column: fields[f] for f, column in (("year", "recorded"), ("label", "label")) if f in fields}
        return self.draft.add("session", made)["session_id"]
