"""Finds what a sheet says of a recording and no row holds, so that it can go into a note and be listed."""

from collections.abc import Mapping

from pipeline.store.adding.row_index import Cells, RowBook, same
from pipeline.store.catalogue.player_cells import read_players
from pipeline.store.catalogue.teacher_cells import read_teachers


def without_place(
    fields: Mapping[str, str], *, cells: Mapping[str, tuple[str, str]], rows: Mapping[str, Cells], book: RowBook
) -> list[str]:
    """Names of the fields whose value stands in none of the rows of its recording.

    Parameters
    ----------
    cells : field -> table and column, where a cell of its own answers to it.
    rows : the recording's ``take``, ``side`` and ``transfer``.
    """
    take = rows["take"]
    playing = book.where("performance", "take_id", take["take_id"])
    players = [book.one("player", "player_id", row["player_id"]) or {} for row in playing]
    work = book.one("work", "work_id", take["work_id"]) if take.get("work_id") else None
    session = book.one("session", "session_id", take["session_id"]) if take.get("session_id") else None
    pitch = book.one("reference_pitch", "take_id", take["take_id"])
    known = {same(player.get("name", "")) for player in players}
    found: dict[str, list[str]] = {
        "instrument": [row.get("instrument", "") for row in playing],
        "born": [player.get("born", "") for player in players],
        "died": [player.get("died", "") for player in players],
        "work": [(work or {}).get("title", "")],
        "composer": [(work or {}).get("composer", "")],
        "key": [(work or {}).get("key", ""), take.get("key_played", "")],
        "session": [(session or {}).get("session_id", ""), (session or {}).get("note", "")],
        "reference_pitch": [(pitch or {}).get("reference_pitch_hz", "")],
    }
    lost = []
    for name, value in fields.items():
        if name in cells:
            table, column = cells[name]
            there = [rows[table].get(column, "")]
        elif name == "player":
            if {same(one.name) for one in read_players(value)} <= known:
                continue
            there = []
        elif name == "teachers":
            students = [player["player_id"] for player in players]
            teachers = read_teachers(value)
            if teachers and all(_taught(book, one.name, students) for one in teachers):
                continue
            there = []
        elif name in found:
            there = found[name]
        else:
            continue
        if same(value) not in map(same, there):
            lost.append(name)
    return lost


def _taught(book: RowBook, teacher: str, students: list[str]) -> bool:
    row = book.one("player", "name", teacher)
    rows = book.where("teaching", "teacher_id", row["player_id"]) if row else []
    return any(row["student_id"] in students for row in rows)
