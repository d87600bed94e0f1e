"""Builds the report of a corpus: an overview page and a page for each side, only what has changed.

Pages lie in ``derived/report``. A side's page is made again when a table it shows, the catalogue's words on it,
a verdict on it, its neighbours or the version have changed; ``made.json`` keeps what each page was made from, and
what the overview says of it.
"""

import hashlib
import json
import os
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.sound import sound_of
from pipeline.errors import DataError, GlidelineError
from pipeline.pages import render, side_facts
from pipeline.pages.counted import Level, least_certainties
from pipeline.pages.overview import overview
from pipeline.pages.passage import write_pages
from pipeline.pages.side import PAGE_TABLES, Heard, Neighbours, write_side
from pipeline.processes import pool
from pipeline.store.corpus import Corpus
from pipeline.store.database.edited import edited_since
from pipeline.store.database.edited_rows import with_rows
from pipeline.store.database.report_notice import notice_of, tell_pages

PAGE_VERSION = 8
Told = Callable[[int, int], None]


@dataclass(frozen=True)
class Built:
    """What a build did: where the overview is, which side pages were made, kept and could not be made."""

    overview: Path
    made: tuple[str, ...]
    kept: tuple[str, ...]
    failed: tuple[tuple[str, str], ...]


def report(root: Path | str, *, workers: int | None = None, told: Told = lambda *_: None) -> Built:
    """Build or refresh the report of the corpus at ``root``.

    Parameters
    ----------
    workers : processes that draw side pages; None for one for each core.
    told : called with the numbers of side pages that are done and that must be drawn, first with none done.

    Raises
    ------
    DataError
        If there is no corpus, or it has no database yet.
    """
    corpus = Corpus(root)
    target = corpus.derived / "report"
    with OpenCorpus(corpus.root) as opened:
        render.write_assets(target)
        transfers = _in_order(corpus)
        wanted = _wanted(corpus, transfers, opened.view("stage.judged_slide").to_dicts())
        record = target / "made.json"
        before = _remembered(record)
        stale = [
            transfer_id
            for transfer_id, (key, _) in wanted.items()
            if before.get(transfer_id, {}).get("key") != key or not (target / "side" / f"{transfer_id}.html").is_file()
        ]
        failed = _draw(corpus, {t: wanted[t][1] for t in stale}, target=target, workers=workers, told=told)
        for gone in sorted(set(before) - set(wanted)):
            for name in (f"side/{gone}.html", f"sound/{gone}.flac", f"sound/{gone}-slow.flac"):
                (target / name).unlink(missing_ok=True)
        made = {
            t: {"key": key, "found": _found(corpus, t, said.rejected) if t in stale else before[t]["found"]}
            for t, (key, (_, said)) in wanted.items()
            if t not in dict(failed)
        }
        render.write_text(record, json.dumps(made, indent=1, sort_keys=True))
        sides = [_listed(corpus, row, made.get(row["transfer_id"])) for row in transfers]
        passages = write_pages(corpus)
        first, *others = least_certainties(opened.view)
        levels = [Level(first, opened.view)]
        levels += [Level(least, partial(opened.view, min_certainty=least)) for least in others]
        text = overview(levels, corpus_title=corpus.settings.title, sides=sides, passages=passages)
        render.write_text(target / "index.html", text)
        tell_pages(corpus.root, notice_of(with_rows(corpus.root, edited_since(corpus.root))))
    done = tuple(t for t in stale if t in made)
    return Built(target / "index.html", done, tuple(t for t in made if t not in stale), tuple(failed))


def _remembered(record: Path) -> dict[str, dict[str, str]]:
    """What the last build noted of each page; nothing where the note is missing, damaged or of another version."""
    try:
        noted = json.loads(record.read_text(encoding="utf-8"))
        return {name: {"key": entry["key"], "found": entry["found"]} for name, entry in noted.items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {}


def _in_order(corpus: Corpus) -> list[Any]:
    """Transfers by player, then recording date, then id: the order in which pages follow each other."""

    def place(transfer: Any) -> tuple[str, str, str]:
        title, second = side_facts.heading(corpus.catalogue, transfer)
        return title.partition(":")[0], second, transfer["transfer_id"]

    return sorted(corpus.catalogue.rows("transfer"), key=place)


def _wanted(
    corpus: Corpus, transfers: Sequence[Any], judged: Sequence[Any]
) -> dict[str, tuple[str, tuple[Neighbours, Heard]]]:
    """For each transfer that has been heard: the key of its page, and what the page needs besides the tables."""
    words: dict[str, dict[str, str]] = {}
    rejected: Counter[str] = Counter()
    for row in judged:
        if row["verdict"] and row["origin"] == "found":
            said = row["verdict"].replace("_", " ")
            kind = f", {row['heard_kind'].replace('_', ' ')}" if row["heard_kind"] else ""
            one = f"Listeners ({row['listeners']}): {said}{kind}."
            words.setdefault(row["transfer_id"], {})[row["slide_id"]] = one
            rejected[row["transfer_id"]] += row["verdict"] == "no_slide"
    heard = [row["transfer_id"] for row in transfers if corpus.path("melody", row["transfer_id"]).is_file()]
    wanted = {}
    by_id = {row["transfer_id"]: row for row in transfers}
    for place, transfer_id in enumerate(heard):
        neighbours = Neighbours(
            heard[place - 1] if place else None, heard[place + 1] if place + 1 < len(heard) else None
        )
        said = Heard(words.get(transfer_id, {}), rejected[transfer_id])
        row = by_id[transfer_id]
        facts = (side_facts.heading(corpus.catalogue, row), side_facts.recording_facts(corpus.catalogue, row))
        parts = [
            f"{__version__}/{PAGE_VERSION}", repr(facts), repr(neighbours), repr(sorted(said.words.items())),
            corpus.settings.title, *(_hash(corpus.path(table, transfer_id)) for table in PAGE_TABLES),
        ]  # fmt: skip
        wanted[transfer_id] = (hashlib.sha256("\n".join(parts).encode()).hexdigest(), (neighbours, said))
    return wanted


def _hash(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "none"


def _draw(
    corpus: Corpus,
    pages: dict[str, tuple[Neighbours, Heard]],
    *,
    target: Path,
    workers: int | None,
    told: Told,
) -> list[tuple[str, str]]:
    ended = 0
    told(ended, len(pages))

    def done(transfer_id: str, problem: str) -> list[tuple[str, str]]:
        nonlocal ended
        ended += 1
        told(ended, len(pages))
        return [(transfer_id, problem)] if problem else []

    if len(pages) < 2:  # a process of its own would load the libraries a second time
        return [
            bad
            for t, (around, said) in pages.items()
            for bad in done(t, draw_side(corpus.root, t, target, around, said))
        ]
    number = min(workers or os.cpu_count() or 1, len(pages))
    with pool(number) as crew:
        futures = {
            t: crew.submit(draw_side, corpus.root, t, target, around, said) for t, (around, said) in pages.items()
        }
        return [bad for t, future in futures.items() for bad in done(t, future.result())]


def draw_side(root: Path, transfer_id: str, target: Path, neighbours: Neighbours, by_ear: Heard) -> str:
    """Draw one side's page in a worker; gives the reason if it could not be drawn."""
    corpus = Corpus(root)
    try:
        sound = sound_of(corpus, transfer_id)
        write_side(corpus, transfer_id, target=target, neighbours=neighbours, by_ear=by_ear, sound=sound)
    except (GlidelineError, OSError) as error:
        return str(error)
    return ""


def _listed(corpus: Corpus, transfer: Any, made: Mapping[str, str] | None) -> dict[str, Any]:
    """The line of a transfer on the overview; ``made`` is its entry in ``made.json``."""
    transfer_id = transfer["transfer_id"]
    title, second = side_facts.heading(corpus.catalogue, transfer)
    return {
        "transfer_id": transfer_id,
        "side_id": transfer["side_id"],
        "title": title,
        "recorded": second.partition(" · ")[0],
        "found": _found(corpus, transfer_id) if made is None else made["found"],
        "find": f"{title} {second} {transfer['side_id']} {' '.join(side_facts.found_by(corpus.catalogue, transfer))}",
        "has_page": made is not None,
    }


def _found(corpus: Corpus, transfer_id: str, rejected: int = 0) -> str:
    try:
        tables = {name: corpus.read(name, transfer_id) for name in ("slide", "transition", "solo_span")}
    except DataError as error:
        return str(error)
    slides = 0 if tables["slide"] is None else tables["slide"].height
    chances = side_facts.chances(tables["transition"])
    return side_facts.exposure_words(tables["solo_span"], slides, chances, rejected=rejected)
