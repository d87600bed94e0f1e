"""Cross checks of transfers against their files: there, readable, as long as said, and saying the same."""

import os
import re
import unicodedata
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.errors import AudioError, DataError
from pipeline.settings import IntakeSettings
from pipeline.store.audio.channels import channel_rule_of
from pipeline.store.audio.claims import Claim, read_claims
from pipeline.store.audio.decoders import SoundInfo
from pipeline.store.audio.kinds import is_audio
from pipeline.store.audio.whole_sound import check_usable, read_sound, sound_info
from pipeline.store.catalogue.problems import Problem, nearest
from pipeline.store.catalogue.recording import takes_on
from pipeline.store.checks.changed_audio import Hashes
from pipeline.store.checks.findings import Findings, Row
from pipeline.store.corpus import Corpus
from pipeline.store.schema.dates import DateError, parse_date


def check_audio(found: Findings, corpus: Corpus, *, settings: IntakeSettings, hashes: Hashes, listen: bool) -> None:
    """Adds what is wrong or noteworthy about the audio.

    ``listen``: decode what no run has decoded yet; without it only the files' own word is taken.
    """
    transfers = found.catalogue.rows("transfer")
    files = audio_files(corpus.root / "audio")
    used = {_plain(transfer["file"]) for transfer in transfers}
    unused = [file for file in files if _plain(file) not in used]
    moved: set[str] = set()
    for transfer in transfers:
        try:
            path = corpus.audio_path(transfer["file"])
        except DataError as error:
            found.error("transfer", transfer, "file", error.message, error.cure)
            continue
        if not path.exists():
            moved |= _missing(found, transfer, files, unused, hashes)
            continue
        try:
            info = sound_info(path)
            fits = _against_file(found, transfer, info, settings)
            if listen and fits and not hashes.was_read(transfer["transfer_id"]):
                _listen(transfer, path, settings)
        except AudioError as error:
            found.error("transfer", transfer, "file", error.message, error.cure)
            continue
        _claims(found, transfer, path)
    for file in unused:
        if file not in moved:
            cure = "enter what lies in audio/ with: glideline add DIR"
            found.problems.append(
                Problem(f"audio/{file}", None, "", "", "is not in transfer.csv", cure, "remark", "transfer")
            )


def audio_files(folder: Path) -> list[str]:
    """Audio files below ``folder``, as sorted paths with forward slashes; links to folders are not followed."""
    found = []
    for here, folders, names in os.walk(folder):
        folders.sort()
        for name in names:
            if not name.startswith(".") and is_audio(Path(here) / name):
                found.append((Path(here) / name).relative_to(folder).as_posix())
    return sorted(found)


def _missing(found: Findings, transfer: Row, files: list[str], unused: list[str], hashes: Hashes) -> set[str]:
    """Says that a file is missing and where it may have gone; returns the proposed paths."""
    same = hashes.find(transfer["transfer_id"], unused)
    if same:
        found.error("transfer", transfer, "file", "is not in audio/, but the same sound is", f"write {same}")
        return {same}
    wanted = transfer["file"]
    likely = [file for file in files if _plain(file) == _plain(wanted)]
    likely += [file for file in unused if _plain(Path(file).name) == _plain(Path(wanted).name)]
    likely += [near] if (near := nearest(wanted, unused)) else []
    cure = f"did you mean {likely[0]}?" if likely else "put the file there, or mend the path"
    found.error("transfer", transfer, "file", "is not in audio/", cure)
    return set()


def _plain(path: str) -> str:
    return unicodedata.normalize("NFC", path).casefold()


def _against_file(found: Findings, transfer: Row, info: SoundInfo, settings: IntakeSettings) -> bool:
    """Compares spans, lengths and channels with the file; whether the side can be cut out of it."""
    start, end = transfer["file_start_s"] or 0.0, transfer["file_end_s"]
    if start >= info.length_s or (end is not None and end > info.length_s + 0.05):
        column = "file_start_s" if start >= info.length_s else "file_end_s"
        message = f"is beyond the end of the file ({info.length_s:.2f} s)"
        named = "beginning" if column == "file_start_s" else "end"
        found.error("transfer", transfer, column, message, f"mend it, or leave it empty for the {named} of the file")
        return False
    length_s = (info.length_s if end is None else end) - start
    stated = transfer["length_s"]
    if stated is not None and abs(stated - length_s) > settings.length_tolerance_s:
        message = f"but the side lasts {length_s:.1f} s in {transfer['file']}"
        found.error("transfer", transfer, "length_s", message, "look whether it is the right file, or mend length_s")
    if 0 < length_s < settings.shortest_s:
        message = f"gives a side of {length_s:.2f} s, too short to measure"
        found.error("transfer", transfer, "file", message, f"at least {settings.shortest_s:g} s are needed")
    for remark in info.remarks:
        found.remark("transfer", transfer, "file", remark, "look whether the sound is whole")
    if info.channels == 1 and transfer["channel_rule"] not in (None, "sum"):
        message = "has no effect: the file has one channel"
        found.remark("transfer", transfer, "channel_rule", message, "leave it empty")
    for row in found.catalogue.rows("passage", transfer_id=transfer["transfer_id"]):
        if row["to_s"] > info.length_s + 0.05:
            message = f"is beyond the end of the file ({info.length_s:.2f} s)"
            found.error("passage", row, "to_s", message, "passages count seconds of the file")
    return length_s >= settings.shortest_s


def _listen(transfer: Row, path: Path, settings: IntakeSettings) -> None:
    heard = read_sound(
        path,
        channel_rule=channel_rule_of(channel_rule=transfer["channel_rule"], groove=transfer["groove"]),
        start_s=transfer["file_start_s"],
        end_s=transfer["file_end_s"],
    )
    check_usable(heard.samples, sample_rate_hz=heard.sample_rate_hz, shortest_s=settings.shortest_s, name=path.name)


def _claims(found: Findings, transfer: Row, path: Path) -> None:
    """Remarks where the file's own word contradicts the catalogue; neither is obeyed."""
    try:
        claims = [claim for claim in read_claims(path) if claim.about]
    except OSError:
        return
    catalogue = found.catalogue
    side = catalogue.row("side", transfer["side_id"]) or {}
    takes = takes_on(catalogue, transfer["side_id"])
    rows: Mapping[str, list[Any]] = {
        "transfer": [transfer],
        "side": [side],
        "take": takes,
        "work": [row for take in takes if (row := catalogue.row("work", take["work_id"] or ""))],
        "player": [
            catalogue.row("player", row["player_id"]) or {}
            for take in takes
            for row in catalogue.rows("performance", take_id=take["take_id"])
        ],
    }
    for claim in claims:
        table, _, column = (claim.about or "").partition(".")
        stated = [row[column] for row in rows[table] if row.get(column) is not None]
        if stated and not any(agrees(claim, value) for value in stated):
            message = f"the file's {claim.carrier} {claim.field} says {claim.value!r}, the catalogue {_say(stated)}"
            cure = f"look which is right; {table}.csv is what counts"
            found.remark("transfer", transfer, "file", message, cure)


def _say(values: list[Any]) -> str:
    return " or ".join(repr(v) if isinstance(v, str) else f"{v:g}" for v in values)


def agrees(claim: Claim, value: Any) -> bool:
    """Whether what a file says can be the same as a catalogue value: forgiving in spelling, strict in numbers."""
    if isinstance(value, float | int) and not isinstance(value, bool):
        number = re.search(r"[0-9]+(\.[0-9]+)?", claim.value)
        # 78.26 and 78.2609 are the same speed as written; 78 and 78.26 are not
        return number is not None and abs(float(number[0]) - value) < 0.05
    column = (claim.about or "").partition(".")[2]
    if column in ("transferred", "recorded", "published"):
        return _same_time(claim.value, str(value))
    one, two = _letters(claim.value), _letters(str(value))
    return not one or not two or one in two or two in one or set(one.split()) >= set(two.split())


def _same_time(said: str, written: str) -> bool:
    found = re.match(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?", said.replace("/", "-").replace(":", "-").replace(".", "-"))
    if not found:
        return True
    try:
        one, two = parse_date(found[0]), parse_date(written)
    except DateError:
        return True
    starts = [day for day in (one.earliest, two.earliest) if day is not None]
    ends = [day for day in (one.latest, two.latest) if day is not None]
    return not starts or not ends or max(starts) <= min(ends)


def _letters(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text.casefold())
    return " ".join(re.findall("[^\\W_]+", "".join(c for c in plain if not unicodedata.combining(c))))
