"""Which audio files are given, what each says of itself, where it goes, and which of them a cell of a sheet means."""

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path, PurePosixPath, PureWindowsPath

from pipeline.errors import AudioError, DataError
from pipeline.store.adding.names import Offer, offers
from pipeline.store.audio.claims import read_claims
from pipeline.store.audio.kinds import is_audio
from pipeline.store.audio.whole_sound import file_hash, samples_hash, sound_info
from pipeline.store.catalogue.problems import Problem, shown
from pipeline.store.checks.changed_audio import MOST_OF_ONE_SIZE

_TAGS_SHOWN = (
    "work.title",
    "player.name",
    "work.composer",
    "side.label",
    "take.recorded",
    "transfer.turntable_rpm",
)


@dataclass
class AudioFile:
    """One audio file: where it is, where it will be (below audio/), what it says of itself, and what that offers.

    ``namesake``: the file below audio/ that has its name and holds something else; "" for none.
    """

    path: Path
    inside: str
    length_s: float
    sample_rate_hz: int
    says: str
    copied: bool
    namesake: str = ""
    offers: tuple[Offer, ...] = ()


def find_audio(given: Iterable[Path], *, root: Path) -> tuple[list[Path], list[Problem]]:
    """Audio files named, or below folders named; without any, those already in the corpus's audio/.

    Beside them a remark for each kind of file that a folder holds and that is passed over, and one for hidden sound.

    Raises
    ------
    DataError
        If a path does not exist.
    """
    found: dict[Path, None] = {}
    passed: dict[str, list[str]] = {}
    hidden: list[str] = []
    for path in [*given] or [root / "audio"]:
        if path.is_dir():
            for inside in sorted(p for p in path.rglob("*") if not p.is_dir()):
                if any(part.startswith(".") for part in inside.relative_to(path).parts):
                    hidden += [inside.relative_to(path).as_posix()] * is_audio(inside)
                elif not inside.exists() or is_audio(inside):  # what a link does not lead to is told as a file amiss
                    found[inside] = None
                else:
                    passed.setdefault(inside.suffix.casefold(), []).append(inside.name)
        elif path.exists():
            found[path] = None
        else:
            raise DataError(f"{path}: there is no such audio file", "look at the name, or give the folder")
    return list(found), [_passed_over(suffix, names) for suffix, names in sorted(passed.items())] + _hidden(hidden)


def _passed_over(suffix: str, names: list[str]) -> Problem:
    kind = f"of kind {suffix}" if suffix else "without an ending"
    files = names[0] if len(names) == 1 else f"{len(names)} files {kind} ({names[0]}, …)"
    message = "passed over: neither its name nor its content is that of a sound file"
    if len(names) > 1:
        message = "passed over: neither their names nor their content are those of sound files"
    return Problem(files, None, "", "", message, "name the file itself if it is sound after all", "remark")


def _hidden(names: list[str]) -> list[Problem]:
    if not names:
        return []
    files = names[0] if len(names) == 1 else f"{len(names)} files ({names[0]}, …)"
    message = "passed over: hidden, by a name or a folder that begins with a dot"
    return [Problem(files, None, "", "", message, "name the file itself if it is wanted", "remark")]


def look_at_audio(paths: Iterable[Path], *, root: Path) -> tuple[list[AudioFile], list[Problem]]:
    """What each file says of itself and where it goes below audio/; files that cannot be used are problems.

    A file outside audio/ is to be copied there. Where another file of that name is there, the copy gets a number;
    where the very same file is there, that one is used.
    """
    audio = (root / "audio").resolve()
    files: list[AudioFile] = []
    problems: list[Problem] = []
    going: dict[str, Path] = {}
    for path in paths:
        try:
            info = sound_info(path)
            resolved = path.resolve()
            inside = resolved.is_relative_to(audio)
            place = resolved.relative_to(audio).as_posix() if inside else _free_place(path, audio, going)
        except AudioError as error:
            problems.append(Problem(path.name, None, "", "", error.message, error.cure))
            continue
        going[_plain(place)] = path
        problems += [Problem(path.name, None, "", "", text, "look at it", "remark") for text in info.remarks]
        claims = read_claims(path)
        says = "; ".join(f"{c.field}: {shown(c.value, longest=60)}" for c in claims if c.about in _TAGS_SHOWN)
        copied = not inside and not (audio / place).exists()
        namesake = path.name if copied and place != path.name and (audio / path.name).exists() else ""
        found = tuple(offers(place, path.name, claims))
        files.append(AudioFile(path, place, info.length_s, info.sample_rate_hz, says, copied, namesake, found))
    return files, problems


def _free_place(path: Path, audio: Path, going: Mapping[str, Path]) -> str:
    number = 1
    while True:
        name = path.name if number == 1 else f"{path.stem}-{number}{path.suffix}"
        there = audio / name
        other = going.get(_plain(name)) or (there if there.exists() else None)
        if other is None or (other.stat().st_size == path.stat().st_size and file_hash(other) == file_hash(path)):
            return name
        number += 1


def beside_namesake(file: AudioFile, *, root: Path, transfers: Iterable[str]) -> Problem:
    """The remark that a file has the name of one in the corpus, whose ``transfers`` stay, and other content."""
    there = f"audio/{file.namesake}"
    here, old = samples_hash(file.path)[:8], samples_hash(root / there)[:8]
    if here == old:
        message = f"holds the very same sound as {there} ({here}), with other tags or in another coding; it would go in"
        message += f" as a second transfer, audio/{file.inside}"
        return Problem(file.path.name, None, "", "", message, "say no: there is nothing new to measure", "remark")
    entered = f", entered as {', '.join(transfers)}," if transfers else ""
    message = (
        f"holds other sound ({here}) than {there} ({old}), which{entered} has its name; it would go in as a second "
    )
    message += f"transfer, audio/{file.inside}, and all that was measured on the first would stay as it is"
    cure = (
        f"if it is to take the place of the first, say no, put the old file by, copy this one to {there} and run: it "
    )
    cure += "is measured anew, and rulings and verdicts given on the old sound wait until they are renewed"
    return Problem(file.path.name, None, "", "", message, cure, "remark")


def same_as_another(files: Iterable[AudioFile], *, root: Path) -> list[Problem]:
    """A remark for each file to enter that is, byte for byte, one of another name, in audio/, or an earlier one."""
    audio = root / "audio"
    sizes: dict[int, dict[str, Path]] = {}
    for path in (p for p in audio.rglob("*") if p.is_file() and is_audio(p)):
        sizes.setdefault(path.stat().st_size, {})[path.relative_to(audio).as_posix()] = path
    hashed = cache(file_hash)
    problems = []
    for file in files:
        alike = sizes.setdefault(file.path.stat().st_size, {})
        others = {inside: path for inside, path in alike.items() if _plain(inside) != _plain(file.inside)}
        if len(others) < MOST_OF_ONE_SIZE:
            twin = next((inside for inside, path in others.items() if hashed(path) == hashed(file.path)), None)
            if twin is not None:
                message = f"holds the very same sound as audio/{twin}; it would go in as a second transfer"
                cure = "say no: there is nothing new to measure"
                problems.append(Problem(file.path.name, None, "", "", message, cure, "remark"))
        alike.setdefault(file.inside, file.path)
    return problems


def matching(wanted: str, files: list[AudioFile]) -> list[AudioFile]:
    """The files that a cell of a sheet may mean: by folder and name, by name, without its ending, or nearly."""
    name = _plain(PureWindowsPath(wanted).as_posix())
    last = PurePosixPath(name).name
    for hits in (
        [file for file in files if _plain(file.inside) == name],
        [file for file in files if last in (_plain(file.path.name), _plain(PurePosixPath(file.inside).name))],
        [file for file in files if _plain(file.path.stem) == last],
        [file for file in files if _loose(file.path.name) == _loose(last)],
    ):
        if hits:
            return hits
    return []


def _plain(text: str) -> str:
    return unicodedata.normalize("NFC", text).casefold()


def _loose(text: str) -> str:
    """Without what a spreadsheet changes by itself: runs of spaces, straight quotation marks, dashes."""
    return " ".join(re.findall(r"\w+", _plain(text)))
