"""Asks verovio in a process of its own: what crashes there (as some damaged files make it) is only a message here.

Run as a script it reads a request as JSON from standard input and answers in JSON on standard output. It imports
nothing of this package, so that it starts at once.
"""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

MOST_S = 120.0
"""The longest that a whole symphony's score took was a few seconds; common practice, no source."""


class CannotEngraveError(Exception):
    """Verovio is not installed, or made nothing of what it was given."""


def is_there() -> bool:
    """Whether verovio is installed."""
    return importlib.util.find_spec("verovio") is not None


def ask(**request: Any) -> dict[str, Any]:
    """What verovio makes of ``text``: notes with times (``want = "notes"``), or a picture (``"picture"``).

    Raises
    ------
    CannotEngraveError
        If it cannot be read, or verovio crashes or takes longer than ``MOST_S``.
    """
    try:
        done = subprocess.run(
            [sys.executable, str(Path(__file__))],
            input=json.dumps(request).encode(),
            capture_output=True,
            timeout=MOST_S,
            check=False,
        )
        answer: dict[str, Any] = json.loads(done.stdout) if done.returncode == 0 else {}
    except (OSError, subprocess.SubprocessError, ValueError):
        answer = {}
    if not answer:
        raise CannotEngraveError
    return answer


def _answer(request: dict[str, Any]) -> dict[str, Any]:
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    kit = verovio.toolkit()
    kit.setOptions(request["options"])
    if not kit.loadData(request["text"]):
        return {}
    if request["want"] == "picture":
        return {"svg": kit.renderToSVG(1)}
    kit.renderToMIDI()  # pitches are told only then
    times = kit.renderToTimemap({"includeMeasures": True})
    names = {name for moment in times for name in moment.get("on", ())}
    mei = kit.getMEI()
    pitches = {name: kit.getMIDIValuesForElement(name).get("pitch") for name in {*names, *_note_ids(mei)}}
    return {"mei": mei, "times": times, "pitches": pitches}


def _note_ids(mei: str) -> list[str]:
    from xml.etree.ElementTree import fromstring  # written by verovio, not by others

    root = fromstring(mei)
    named = "{http://www.w3.org/XML/1998/namespace}id"
    return [each.get(named, "") for each in root.iter() if each.tag.endswith("}note")]


if __name__ == "__main__":
    sys.stdout.write(json.dumps(_answer(json.load(sys.stdin))))
