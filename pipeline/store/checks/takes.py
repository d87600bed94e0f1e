"""Cross checks of takes, sessions, sides, issues and their rights."""

from datetime import date
from typing import Any

from pipeline.instruments import INSTRUMENTS
from pipeline.store.catalogue.recording import OTHER_LINES, SOLO_ROLES, bowed_beside, dating
from pipeline.store.checks.findings import Findings, Row, apart, before

_FIRST_SOUND, _LAST_78 = date(1877, 1, 1), date(1970, 1, 1)
_FIRST_ELECTRICAL, _LAST_ACOUSTIC = date(1920, 1, 1), date(1930, 12, 31)


def check_takes(found: Findings) -> None:
    """Adds what is wrong or noteworthy about performances and the discs that carry them."""
    catalogue = found.catalogue
    with_passages = {
        row["side_id"]
        for row in catalogue.rows("transfer")
        if catalogue.rows("passage", transfer_id=row["transfer_id"])
    }
    matrices: dict[tuple[str, str], str] = {}
    for take in catalogue.rows("take"):
        dated = _recorded(found, take)
        players = catalogue.rows("performance", take_id=take["take_id"])
        _performers(found, take, dated, players)
        _pitch(found, take, dated)
        _process(found, take, dated)
        sides = [row["side_id"] for row in catalogue.rows("side_take", take_id=take["take_id"])]
        told = with_passages.intersection(sides) or bowed_beside(catalogue, take)
        if take["accompaniment"] in OTHER_LINES and sides and not told:
            message = f"with {take['accompaniment']}, and no passages say who plays when"
            cure = "add rows to passage.csv; until then its slides stay out of rates"
            if take["accompaniment"] == "ensemble":
                cure = f"name its bowed players in performance.csv, or {cure}"
            found.remark("take", take, "accompaniment", message, cure)
        if take["matrix_number"]:
            number = (take["matrix_number"].casefold(), (take["take_number"] or "").casefold())
            if number in matrices:
                message = f"with take number {take['take_number'] or '(none)'} stands also at {matrices[number]}"
                found.remark("take", take, "matrix_number", message, "one performance needs one row only")
            matrices.setdefault(number, take["take_id"])
    _sides(found, with_passages)
    _issues(found)


def _recorded(found: Findings, take: Row) -> Row:
    """Checks the date of recording; returns the row that gives it."""
    session = found.catalogue.row("session", take["session_id"]) if take["session_id"] else None
    if session and apart(take, "recorded", session, "recorded"):
        message = f"is not in the session's time ({session['recorded']})"
        found.error("take", take, "recorded", message, "mend one of the two dates, or session_id")
    dated = dating(found.catalogue, take)
    if not dated["recorded"]:
        message = "no date of recording, neither here nor in a session"
        found.remark("take", take, "recorded", message, "add one, be it as rough as 190X; else it counts as undated")
    elif dated["recorded_latest"] and dated["recorded_latest"] < _FIRST_SOUND:
        found.error("take", take, "recorded", f"before sound was recorded ({dated['recorded']})", "mend the date")
    elif dated["recorded_earliest"] and dated["recorded_earliest"] > _LAST_78:
        found.remark("take", take, "recorded", f"long after the time of 78s ({dated['recorded']})", "look at the date")
    if take["registered"] and before(take, "registered", dated, "recorded"):
        message = f"is before the recording ({dated['recorded']})"
        found.remark("take", take, "registered", message, "ledgers may date otherwise; look whether both are right")
    if not take["work_id"]:
        found.remark("take", take, "work_id", "no work named", "add one; its key helps to settle the speed")
    return dated


def _performers(found: Findings, take: Row, dated: Row, performances: list[Any]) -> None:
    if not performances:
        found.remark("take", take, "take_id", "no player named", "add a row to performance.csv when you know one")
    for row in performances:
        player = found.catalogue.row("player", row["player_id"]) or {}
        if before(dated, "recorded", player, "born"):
            message = f"played on {take['take_id']} ({dated['recorded']}), before being born ({player['born']})"
            found.error("performance", row, "player_id", message, "mend one of the dates, or the player")
        elif before(player, "died", dated, "recorded"):
            message = f"played on {take['take_id']} ({dated['recorded']}), after having died ({player['died']})"
            found.error("performance", row, "player_id", message, "mend one of the dates, or the player")
        elif dated["recorded_latest"] and player["born_earliest"]:
            age = dated["recorded_latest"].year - player["born_earliest"].year
            if age < 6:
                message = f"was at most {age} years old on {take['take_id']}"
                found.remark("performance", row, "player_id", message, "look whether the dates are right")
        if row["instrument"] is None and row["role"] in SOLO_ROLES:
            message = "no instrument named"
            found.remark("performance", row, "instrument", message, "add it; it sets the range that is searched")
        elif row["role"] in SOLO_ROLES and row["instrument"] not in INSTRUMENTS:
            message = "is a soloist whose slides are not measured"
            cure = f"slides are measured for {', '.join(INSTRUMENTS)}; else give another role"
            found.remark("performance", row, "instrument", message, cure)


def _pitch(found: Findings, take: Row, dated: Row) -> None:
    """A known key without a known A4 settles the speed up to what A4 was: 435 for 440 Hz is 21 cents off."""
    catalogue = found.catalogue
    work = catalogue.row("work", take["work_id"]) if take["work_id"] else None
    if not (take["key_played"] or (work or {}).get("key")):
        return
    if catalogue.rows("reference_pitch", take_id=take["take_id"]):
        return
    session = catalogue.row("session", take["session_id"]) if take["session_id"] else None
    places = {"*", *(row["place"].casefold() for row in (take, session) if row and row["place"])}
    for usual in catalogue.rows("default_pitch"):
        if usual["place"].casefold() in places and not apart(usual, "span", dated, "recorded"):
            return
    cure = "add a row to reference_pitch.csv, or the usual one to default_pitch.csv; else A4 is guessed"
    column, where = ("key_played", "") if take["key_played"] else ("work_id", ", from work.csv")
    found.remark("take", take, column, f"the key is known{where}, but not what A4 was", cure)


def _process(found: Findings, take: Row, dated: Row) -> None:
    latest, earliest = dated["recorded_latest"], dated["recorded_earliest"]
    if take["process"] == "electrical" and latest and latest < _FIRST_ELECTRICAL:
        found.remark("take", take, "process", f"in {dated['recorded']}", "look at it: that is early for a microphone")
    if take["process"] == "acoustic" and earliest and earliest > _LAST_ACOUSTIC:
        found.remark("take", take, "process", f"in {dated['recorded']}", "look at it: that is late for a horn")


def _sides(found: Findings, with_passages: set[str]) -> None:
    catalogue = found.catalogue
    printed: dict[tuple[str, ...], str] = {}
    for side in catalogue.rows("side"):
        takes = catalogue.rows("side_take", side_id=side["side_id"])
        if not takes:
            found.remark("side", side, "side_id", "carries no take", "add a row to side_take.csv")
        if len(takes) > 1 and side["side_id"] not in with_passages:
            named = ", ".join(row["take_id"] for row in takes)
            found.remark("side", side, "side_id", f"carries {named}", "add passages that say which take is where")
        if not catalogue.rows("transfer", side_id=side["side_id"]):
            found.remark("side", side, "side_id", "has no transfer", "add one when you have the audio")
        if side["issue_number"]:
            label = tuple((side[name] or "").casefold() for name in ("label", "issue_number", "face"))
            if label in printed and side["face"]:
                message = f"stands with the same label and face at {printed[label]}"
                found.remark("side", side, "issue_number", message, "one face needs one row only")
            elif label in printed:
                message = f"stands with the same label at {printed[label]}, and neither row says which face it is"
                found.remark("side", side, "face", message, "write A and B, or 1 and 2")
            printed.setdefault(label, side["side_id"])
        for row in takes:
            dated = dating(catalogue, catalogue.row("take", row["take_id"]) or {})
            if before(side, "published", dated, "recorded"):
                message = f"is before the recording of {row['take_id']} ({dated['recorded']})"
                found.error("side", side, "published", message, "mend one of the two dates")
        _rights(found, side)


def _rights(found: Findings, side: Row) -> None:
    """Only what the cells say of themselves; no legal advice (see 17 USC 1401 for the American terms)."""
    if side["rights_status"] == "free" and not side["rights_basis"]:
        found.remark("side", side, "rights_status", "gives no basis", "say in rights_basis what it rests on")
    latest = side["published_latest"]
    if side["rights_status"] == "free" and side["publication_country"] == "US" and latest is not None:
        free_on = us_term_ends(latest.year)
        reviewed = side["rights_reviewed_on"]
        if reviewed is not None and reviewed < free_on:
            message = f"though 17 USC 1401 protects what was published in {latest.year} until {free_on.year - 1}"
            found.remark("side", side, "rights_status", message, "ask somebody who knows; this is no legal advice")
    if side["rights_status"] in ("free", "licensed") and not side["rights_reviewer"]:
        found.remark("side", side, "rights_status", "names nobody who judged it", "fill in rights_reviewer")


def us_term_ends(published: int) -> date:
    """First day on which an American recording published in that year is free, by 17 USC 1401 (a)(2).

    Before 1923: 1 January 2022; 1923 to 1946: 100 years; 1947 to 1956: 110 years, to the end of the calendar
    year; later: 15 February 2067. Not legal advice.
    """
    if published < 1923:
        return date(2022, 1, 1)
    if published <= 1946:
        return date(published + 101, 1, 1)
    if published <= 1956:
        return date(published + 111, 1, 1)
    return date(2067, 2, 15)


def _issues(found: Findings) -> None:
    catalogue = found.catalogue
    for issue in catalogue.rows("issue"):
        if before(issue, "withdrawn", issue, "issued"):
            found.error(
                "issue", issue, "withdrawn", f"is before the issue ({issue['issued']})", "mend one of the dates"
            )
        for row in catalogue.rows("side_take", side_id=issue["side_id"]):
            dated = dating(catalogue, catalogue.row("take", row["take_id"]) or {})
            if before(issue, "issued", dated, "recorded"):
                message = f"is before the recording of {row['take_id']} ({dated['recorded']})"
                found.error("issue", issue, "issued", message, "mend one of the two dates")
