"""Draws a sample into a page with sound: the listening check that measures our own error."""

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.answers.listening.draw import draw, portions
from pipeline.answers.listening.error_rates import PLACE_STRATUM
from pipeline.answers.listening.plan import WITHIN
from pipeline.answers.listening.populations import POPULATIONS, USUAL, columns_of, populations, refuse_unknown
from pipeline.answers.note_names import Spelling
from pipeline.answers.number_words import probability_words
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.passages.gather import gather
from pipeline.answers.sound import sound_of
from pipeline.errors import DataError, UsageError, typed
from pipeline.kinds import KINDS
from pipeline.pages import pictures, render
from pipeline.pages.line import drawn_line, reference_pitch_hz, speed_map_of
from pipeline.pages.sound import PAGE_RATE_HZ, SLOW_RATE_HZ, corrected_sound, excerpt, slowed, write_sound
from pipeline.stats.detection import CONVEX, ENOUGH_FINDS, INTERCEPT, SLOPE
from pipeline.store.adding.reviews import sample_name
from pipeline.store.catalogue.standing import WITHDRAWN
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only
from pipeline.store.files.changes import changing
from pipeline.store.formats.data_package import csv_bytes
from pipeline.store.schema import load

_SCRIPTS = ("listen_known.js", "listen_file.js", "listen_lane.js", "listen.js")
_AROUND_S = 1.2
_LOGIT_STEP = 0.25
_LEAST_SHADED_S = 0.3
"""Narrower places are shaded this wide, so that a find does not give itself away."""
# How far notes may reach into the place between them, and how long before it the note before may have ended.
_EDGE_S, _RESTED_S = 0.12, 0.6

_HASHES = "select transfer_id, samples_sha256 from stage.current_sound order by transfer_id"


@dataclass(frozen=True)
class Sample:
    """A drawn sample: its id, its page, and how many items it holds from each population."""

    sample_id: str
    page: Path
    numbers: dict[str, int]


def listen(
    root: Path | str,
    *,
    number: int = 200,
    by: Sequence[str] = USUAL,
    within: float = WITHIN,
    seed: int = 1,
    place: str | None = None,
) -> Sample:
    """Draw a stratified random sample of finds and non-finds into a page with sound.

    Parameters
    ----------
    number : items in all, those heard twice among them; fewer if the corpus holds fewer.
    by : what makes a stratum, of ``STRATA``.
    within : the page says when slides per find are known to within so much, as a share.
    seed : the same seed and corpus state draw the same sample.
    place : instead of a sample, one place of a written part in every take that comes by, in random order: work, bar
        and beat as ``air-in-d:21:3``. Its verdicts are no random sample and stay out of error rates.

    Raises
    ------
    UsageError
        If ``by`` names something else, or ``number`` is below 1.
    DataError
        If there is no database, or nothing counted to draw from.
    """
    refuse_unknown(by)
    if number < 1:
        raise UsageError(f"--n {number}: draw at least 1")
    corpus = Corpus(root)
    items = _drawn(corpus, number=number, by=by, seed=seed, place=place)
    if items.is_empty() and place is not None:
        raise DataError(f"--place {place}: no take has both notes of it", "see `glideline passage` for what was found")
    if items.is_empty():
        raise DataError(f"{root}: there is nothing counted to draw from", f"see `glideline status {typed(root)}`")
    sample_id = items["sample_id"][0]
    folder = corpus.derived / "listen" / sample_id
    is_new = not folder.exists()
    try:
        page = _page(corpus, items, folder, within=within)
        _keep(corpus, items, sample_id)
    except BaseException:
        if is_new:  # half a page, or verdicts that could never be counted
            shutil.rmtree(folder, ignore_errors=True)
        raise
    numbers = {name: items.filter(pl.col("drawn_from") == name).height for name in POPULATIONS}
    return Sample(sample_id, page, numbers)


def _drawn(corpus: Corpus, *, number: int, by: Sequence[str], seed: int, place: str | None) -> pl.DataFrame:
    """The sample as rows of ``drawn_item``, in the order heard."""
    whole = populations(corpus)
    if place is not None:
        ids = _ids_at(corpus, place)
        whole = {name: each.filter(pl.col("id").is_in(ids)) for name, each in whole.items() if "id" in each.columns}
    sizes = {name: each.height for name, each in whole.items()}
    wanted, again_drawn = (sizes, 0) if place is not None else portions(number, sizes)
    parts = []
    for order, (name, population) in enumerate(whole.items()):
        rng = np.random.default_rng([seed, order])
        picked = draw(population, number=wanted[name], columns=columns_of(by, name), rng=rng)
        if place is not None:
            picked = picked.with_columns(stratum=pl.lit(f"{PLACE_STRATUM}{place}"))
        parts.append(picked.with_columns(pl.lit(name).alias("drawn_from")).drop("id", strict=False))
    with open_read_only(corpus.root) as con:
        hashes = con.sql(_HASHES).pl()
    once = pl.concat(parts, how="diagonal")
    once = once[np.random.default_rng([seed, 99]).permutation(once.height).tolist()].with_row_index("place")
    # What is heard twice comes again half a sample later, when it is forgotten.
    far = (once.height + 1) // 2
    again = np.random.default_rng([seed, 98]).permutation(once.height - far)[:again_drawn]
    repeated = once[again.tolist()].with_columns(repeats="place", place=None)
    items = pl.concat([once, repeated], how="diagonal_relaxed")
    items = items.sort(pl.coalesce("place", pl.col("repeats") + far + 0.5))
    items = items.join(hashes, on="transfer_id", how="left", maintain_order="left")
    relation = load("drawn_item")
    items = items.with_columns(
        pl.format("item-{}", pl.int_range(1, items.height + 1).cast(pl.String).str.zfill(4)).alias("item_id"),
        pl.col("transfer_start_s").clip(lower_bound=0.0).round(6),
        pl.col("transfer_end_s").round(6),
        pl.col("kind").alias("found_kind"),
    )
    named = items.select(pl.col("place").alias("repeats"), pl.col("item_id").alias("repeat_of")).drop_nulls()
    items = items.join(named, on="repeats", how="left", maintain_order="left")
    sample_id = sample_name(seed=seed, number=number, content=items.write_csv())
    items = items.with_columns(pl.lit(sample_id).alias("sample_id"))
    return relation.checked(items.select([column.name for column in relation.columns]))


def _ids_at(corpus: Corpus, place: str) -> list[str]:
    """Ids of the slides, and of the changes of note, at one place in all takes."""
    work_id, _, bar = place.partition(":")
    with OpenCorpus(corpus.root) as opened:
        passage = gather(opened, work_id, bars=bar or None)
        if len(passage.places) != 1:
            raise UsageError(f"--place {place!r} names no single place", "write work, bar and beat: air-in-d:21:3")
        steps = [step for take in passage.takes for step in take.steps.values()]
        changes = opened.sql("select transition_id, to_note_id from base.transition")
    arrivals = [step["to_note_id"] for step in steps if step["slide_id"] is None and step["to_note_id"]]
    at = changes.filter(pl.col("to_note_id").is_in(arrivals))["transition_id"].to_list()
    return [*(step["slide_id"] for step in steps if step["slide_id"]), *at]


def _keep(corpus: Corpus, items: pl.DataFrame, sample_id: str) -> None:
    """The draw is kept with the reviews: error rates need it when ``derived/`` is long gone."""
    path = corpus.root / "reviews" / "drawn" / f"{sample_id}.csv"
    with changing(corpus.root, doing="listen") as change:
        change.put(path, csv_bytes(items), was=path.read_bytes() if path.exists() else None)


def _page(corpus: Corpus, items: pl.DataFrame, target: Path, *, within: float) -> Path:
    render.write_assets(target, "style.css", *_SCRIPTS)
    shown: dict[str, dict[str, Any]] = {}
    for transfer_id in sorted(set(items["transfer_id"])):
        rows = items.filter(pl.col("transfer_id") == transfer_id).to_dicts()
        shown.update(_excerpts(corpus, transfer_id, rows, target))
    ordered = [shown[item_id] for item_id in items["item_id"]]
    data = {
        "sample_id": items["sample_id"][0],
        "kinds": list(KINDS),
        "model": None if items["stratum"][0].startswith(PLACE_STRATUM) else _model(corpus, items, within),
        "items": [{name: value for name, value in item.items() if name != "picture"} for item in ordered],
    }
    text = render.page(
        "listen.html.j2",
        root="",
        title="Listening check",
        corpus_title=corpus.settings.title,
        item_count=items.height,
        items=[{"item_id": item["item_id"], "picture": render.drawing(item["picture"])} for item in ordered],
        verdicts=[each for each in _choices("verdict") if each["name"] != WITHDRAWN],
        kinds=_choices("kind"),
        listeners=sorted(set(corpus.catalogue.frame("review")["listener"])),
        scripts=_SCRIPTS,
        data=render.data_block(data, element_id="listen-data"),
    )
    page = target / "index.html"
    render.write_text(page, text)
    return page


def _choices(column: str) -> list[dict[str, str]]:
    """What a listener may answer: the name that is stored, words for it, and what it means."""
    explained = load("review").column(column).explained
    return [{"name": name, "words": name.replace("_", " "), "meaning": meaning} for name, meaning in explained]


def _model(corpus: Corpus, items: pl.DataFrame, within: float) -> dict[str, Any]:
    """What the page needs to tell how closely slides per find are known: changes are counted by rounded logits."""
    whole = populations(corpus)
    chance = pl.col("chance").clip(1e-4, 1 - 1e-4)
    logit = ((chance / (1 - chance)).log() / _LOGIT_STEP).round() * _LOGIT_STEP
    counted = whole["transition"].group_by(logit.alias("logit")).len().sort("logit")
    drawn = items.filter((pl.col("drawn_from") == "slide") & pl.col("repeat_of").is_null()).height
    return {
        "within": within,
        "finds": whole["slide"].height,
        "least_finds": min(ENOUGH_FINDS, drawn),
        "changes": counted.rows(),
        "priors": [INTERCEPT, SLOPE],
        "convex": CONVEX,
    }


def _excerpts(corpus: Corpus, transfer_id: str, rows: list[dict[str, Any]], target: Path) -> dict[str, dict[str, Any]]:
    """Sound, slow sound and picture of each item from one transfer."""
    sound = sound_of(corpus, transfer_id)
    speed_map = speed_map_of(corpus, transfer_id, length_s=sound.samples.size / sound.sample_rate_hz)
    heard = corrected_sound(sound.samples, sample_rate_hz=sound.sample_rate_hz, speed_map=speed_map)
    length_s = heard.size / PAGE_RATE_HZ
    drawn = drawn_line(corpus, transfer_id, speed_map=speed_map, with_finds=False)
    reference = reference_pitch_hz(corpus, transfer_id)
    notes = corpus.read("note", transfer_id)
    made = {}
    for row in rows:
        start_s, end_s = (float(speed_map.to_true_s(row[f"transfer_{end}_s"])) for end in ("start", "end"))
        stretch = row["drawn_from"] == "stretch"
        if not stretch:  # finds and changes without one must look alike
            middle_s, half_s = (start_s + end_s) / 2, max(end_s - start_s, _LEAST_SHADED_S) / 2
            start_s, end_s = max(0.0, middle_s - half_s), min(length_s, middle_s + half_s)
        clip_start, clip_end = max(0.0, start_s - _AROUND_S), min(length_s, end_s + _AROUND_S)
        shaded = (start_s - clip_start, end_s - clip_start)
        cut = excerpt(heard, start_s=clip_start, end_s=clip_end)
        half, quarter = slowed(cut, rates=(0.5, 0.25))
        gap = np.zeros(SLOW_RATE_HZ // 4, dtype=np.float32)
        name = row["item_id"]
        write_sound(target / "sound" / f"{name}.flac", cut, sample_rate_hz=PAGE_RATE_HZ)
        slow = np.concatenate([half, gap, quarter])
        write_sound(target / "sound" / f"{name}-slow.flac", slow, sample_rate_hz=SLOW_RATE_HZ)
        found = row["drawn_from"] == "slide"
        kind = (row["found_kind"] or "").replace("_", " ")
        made[name] = {
            "item_id": name,
            "transfer_id": transfer_id,
            "samples_sha256": row["samples_sha256"],
            "transfer_start_s": row["transfer_start_s"],
            "transfer_end_s": row["transfer_end_s"],
            "clip_start_s": float(speed_map.to_transfer_s(clip_start)),
            "transfer_per_corrected": float(speed_map.ratio_at(row["transfer_start_s"])),
            "sound": f"sound/{name}.flac",
            "slow_sound": f"sound/{name}-slow.flac",
            "length_s": cut.size / PAGE_RATE_HZ,
            "asked_from_s": shaded[0],
            "asked_to_s": shaded[1],
            "asked": "The shaded stretch" if stretch else _change_words(notes, row, drawn.name),
            "stretch": stretch,
            "drawn_from": row["drawn_from"],
            "stands_for": row["stratum_size"] / row["stratum_drawn"],
            "chance": row["confidence"],
            "again": row["repeat_of"] is not None,
            "quarter_from_s": (half.size + gap.size) / SLOW_RATE_HZ,
            "ours": f"a slide, {kind} (confidence {probability_words(row['confidence'])})." if found else "no slide.",
            "picture": pictures.single(
                cut, drawn=drawn, reference_pitch_hz=reference, start_s=clip_start, shaded_s=shaded
            ),
        }
    return made


def _change_words(notes: pl.DataFrame | None, item: dict[str, Any], name: Spelling) -> str:
    """The change of note that an item asks about: "The change from E5 to G5, shaded"."""
    begins, ends = item["transfer_start_s"], item["transfer_end_s"]
    if notes is None:
        return "The shaded change"
    before = notes.filter(
        (pl.col("transfer_end_s") <= begins + _EDGE_S) & (pl.col("transfer_end_s") >= begins - _RESTED_S)
    ).sort("transfer_start_s")
    after = notes.filter(pl.col("transfer_start_s") >= ends - _EDGE_S).sort("transfer_start_s")
    to = name(after["midi"][0]) if after.height else "the note after it"
    if before.is_empty():
        return f"The beginning of {to}, shaded"
    return f"The change from {name(before['midi'][-1])} to {to}, shaded"
