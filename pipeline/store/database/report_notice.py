"""A notice on top of the pages of a report that are older than what people have edited, or than the last run.

Pages are files that do not change by themselves: each loads ``derived/report/notice.js``, which is written by whoever
finds that they are out of date, and emptied when they are made anew.
"""

import json
from pathlib import Path

from pipeline.store.database.edited import edited_words
from pipeline.store.files.durable import replacing

NOTICE = "notice.js"
BEFORE_THE_RUN = "These pages were made before the last run of the corpus: make the report anew."


def tell_pages(root: Path, words: str) -> None:
    """Put a notice on the pages of a corpus's report, or take it away with ""; nothing where there is no report."""
    path = root / "derived" / "report" / NOTICE
    text = f"document.body.dataset.notice = {json.dumps(words)};\n" if words else ""
    if path.parent.is_dir() and not (path.is_file() and path.read_text(encoding="utf-8") == text):
        with replacing(path) as part:
            part.write_text(text, encoding="utf-8")


def notice_of(edited: list[str]) -> str:
    """What pages say of files that were edited since the last run; empty where none was."""
    words = edited_words(edited)
    return f"{words[0].upper()}{words[1:]}: run the corpus, then make the report anew." if words else ""
