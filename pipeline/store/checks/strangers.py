"""Files in the catalogue's and the audio folder that nobody reads, so that none is taken for read."""

import re
from collections.abc import Iterator
from pathlib import Path

from pipeline.store.audio.kinds import is_audio
from pipeline.store.catalogue.problems import Problem, did_you_mean, listed
from pipeline.store.catalogue.written import FOLDER
from pipeline.store.schema import hand_kept

_TABLES = (".csv", ".xlsx", ".ods", ".tsv", ".txt")
# What file browsers and spreadsheets leave in folders: hidden files, locks, pictures in small.
_LITTER = re.compile(r"[.~].*|thumbs\.db|desktop\.ini", re.IGNORECASE)
_CUT_SHORT = re.compile(r"\..+\.(change|[0-9]+\.tmp)")
_SHOWN = 3


def strangers(root: Path) -> Iterator[Problem]:
    """What stands in ``catalogue/`` and ``audio/`` of a corpus and belongs to neither; files not read are kept."""
    yield from _in_catalogue(root / "catalogue")
    yield from _in_audio(root / "audio")
    for folder in ("catalogue", "audio", "reviews"):
        for path in sorted((root / folder).rglob(".*")):
            if _CUT_SHORT.fullmatch(path.name) and path.is_file():
                place = path.relative_to(root).as_posix()
                message = "is left over from a command that was cut short"
                yield Problem(place, None, "", "", message, "delete it if no command is at work", "remark")


def _in_catalogue(folder: Path) -> Iterator[Problem]:
    known = sorted(f"{relation.name}.csv" for relation in hand_kept("catalogue"))
    for path in sorted(folder.glob("*")):
        place = f"catalogue/{path.name}"
        if path.name in known or place == FOLDER or _LITTER.fullmatch(path.name):
            continue
        if path.is_dir():
            yield Problem(
                f"{place}/", None, "", "", "is a folder; nothing in it is read", "move it elsewhere", "remark"
            )
        elif path.suffix.casefold() in _TABLES:
            cure = did_you_mean(path.stem, [name[:-4] for name in known], otherwise="")
            cure = cure.replace("?", ".csv?") or f"tables are: {', '.join(known)}"
            yield Problem(place, None, "", "", "is not a table of the catalogue and not read", cure)
        else:
            message = "is not a table of the catalogue and not read"
            yield Problem(place, None, "", "", message, "move it elsewhere if it strayed here", "remark")


def _in_audio(folder: Path) -> Iterator[Problem]:
    kinds: dict[str, list[str]] = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not _LITTER.fullmatch(path.name) and not is_audio(path):
            kinds.setdefault(path.suffix.casefold(), []).append(path.relative_to(folder).as_posix())
    for suffix, names in sorted(kinds.items()):
        kind = f"of kind {suffix}" if suffix else "without an ending"
        files = "1 file" if len(names) == 1 else f"{len(names)} files"
        message = f"{files} {kind} not read as sound: {listed(names, most=_SHOWN)}"
        yield Problem("audio/", None, "", "", message, "move what strayed here elsewhere", "remark")
