"""Verdicts and marks on a measured corpus: they stay where they were heard, whatever is measured anew."""

import polars as pl
import pytest

from pipeline.answers.listening import error_rates
from pipeline.answers.listening.error_rates import listening_results
from pipeline.answers.listening.plan import planned
from pipeline.answers.listening.words import told_share
from pipeline.answers.marks import compare_marks
from pipeline.errors import UsageError
from pipeline.overlap import SAME_SLIDE
from pipeline.pages.listen import listen
from pipeline.pages.results import results_page
from pipeline.store.checks.lost_verdicts import unmatched_verdicts
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only
from tests.helpers.measured_corpus import measure, write

pytestmark = pytest.mark.slow


def overlap(first, second, *, names=("transfer_start_s", "transfer_end_s")):
    """Intersection over union of a heard stretch and a judged slide."""
    start, end = first["transfer_start_s"], first["transfer_end_s"]
    other_start, other_end = (second[name] for name in names)
    common = min(end, other_end) - max(start, other_start)
    return common / (max(end, other_end) - min(start, other_start))


def judge(root):
    """Verdicts on a drawn sample: finds in turn right and wrong, all else without a slide."""
    listen(root, number=60, by=(), seed=3)
    items = Corpus(root).catalogue.frame("drawn_item").filter(pl.col("repeat_of").is_null())
    finds = items.filter(pl.col("drawn_from") == "slide").with_row_index("place")
    wrong = set(finds.filter(pl.col("place") % 2 == 1)["item_id"])
    rows = [
        {
            **{name: item[name] for name in ("transfer_id", "samples_sha256", "transfer_start_s", "transfer_end_s")},
            "verdict": "slide" if item["drawn_from"] == "slide" and item["item_id"] not in wrong else "no_slide",
            "listener": "ed",
            "judged_on": "2026-01-01",
            "sample_id": item["sample_id"],
        }
        for item in items.iter_rows(named=True)
    ]
    pl.DataFrame(rows).write_csv(root / "reviews" / "ed.csv")
    return items, rows


def test_verdicts_stay_on_the_slides_heard_or_are_listed(measured):
    items, reviews = judge(measured)
    write(measured, "reference_pitch", "take_id,reference_pitch_hz", ["t0,452", "t2,435"])
    with open_read_only(measured) as con:
        middle = con.sql("select median(confidence) from base.slide").fetchall()[0][0]
    with (measured / "settings.toml").open("a", encoding="utf-8") as settings:
        settings.write(f"[detect]\nleast_confidence = {min(middle, 0.99):.4f}\n")
    measure(measured)
    corpus = Corpus(measured)
    with open_read_only(measured) as con:
        judged = con.sql("from stage.judged_slide where verdict is not null").pl().to_dicts()
        left = con.sql("select count(*) from base.slide").fetchall()[0][0]
    listed = unmatched_verdicts(corpus)
    times = ("transfer_audible_start_s", "transfer_audible_end_s")

    kept = waiting = 0
    found = set(items.filter(pl.col("drawn_from") == "slide")["transfer_start_s"].round(6))
    for review in reviews:
        if round(review["transfer_start_s"], 6) not in found:
            continue
        on = [
            slide
            for slide in judged
            if slide["transfer_id"] == review["transfer_id"] and overlap(review, slide, names=times) > SAME_SLIDE
        ]
        told = f"{review['transfer_id']} {review['transfer_start_s']:.2f}–{review['transfer_end_s']:.2f} s"
        assert on or any(line.startswith(told) for line in listed)
        assert all(slide["verdict"] == review["verdict"] for slide in on)
        kept += bool(on)
        waiting += not on
    assert kept > 5
    assert waiting > 0
    assert left < len(found)
    for slide in judged:
        assert any(
            slide["transfer_id"] == review["transfer_id"] and overlap(review, slide, names=times) > SAME_SLIDE
            for review in reviews
        )


def test_results_page_holds_the_figures(measured):
    judge(measured)
    results = listening_results(measured)
    text = results_page(measured, results).read_text(encoding="utf-8")
    assert f"Precision {told_share(results.errors.precision)}".replace(" %", "\N{NO-BREAK SPACE}%") in text
    assert "Ada Quill" in text
    assert text.count("<svg") == 1
    assert 0.4 < results.errors.precision.estimate < 0.6


def test_a_plan_tells_how_many_excerpts_are_needed(measured):
    # So few finds tell little of what is missed: a wide answer is all that they can give.
    plan = planned(measured, within=0.9)
    widths = [each.within for each in plan.outlooks]
    assert widths == sorted(widths, reverse=True)
    assert plan.judged == 0
    assert plan.needed.within <= 0.9
    assert planned(measured, within=0.01).needed is None
    sample = listen(measured, number=plan.needed.number)
    assert abs(sum(sample.numbers.values()) - plan.needed.number) <= 9
    judge(measured)
    told = planned(measured, within=0.9)
    assert told.judged > 40
    # Every other find was judged wrong: precision is expected to be that from now on.
    assert told.outlooks[0].errors.precision.estimate == pytest.approx(0.5, abs=0.1)
    with pytest.raises(UsageError, match="colour"):
        planned(measured, by=["colour"])


def test_what_is_heard_twice_comes_again_half_a_sample_later(measured):
    listen(measured, number=40, by=(), seed=5)
    items = Corpus(measured).catalogue.frame("drawn_item").sort("item_id")
    at = {name: number for number, name in enumerate(items["item_id"])}
    apart = [at[row["item_id"]] - at[row["repeat_of"]] for row in items.to_dicts() if row["repeat_of"]]
    assert apart
    assert min(apart) >= (items.height - len(apart)) // 2


def test_own_marks_meet_the_slides_they_were_made_from(measured):
    with open_read_only(measured) as con:
        slides = con.sql("from base.slide order by slide_id").pl()
        sound = dict(con.sql("select transfer_id, max(samples_sha256) from base.run group by all").fetchall())
    first = slides.filter(pl.col("transfer_id") == "x2").to_dicts()
    marks = [
        {
            "transfer_id": "x2",
            "samples_sha256": sound["x2"],
            "transfer_start_s": slide["transfer_audible_start_s"] - 0.03,
            "transfer_end_s": slide["transfer_audible_end_s"] + 0.01,
            "kind": slide["kind"],
            "listener": "flo",
            "marked_on": "2026-01-01",
        }
        for slide in first
    ]
    marks[0]["transfer_start_s"] -= 0.4
    marks.append({**marks[-1], "transfer_start_s": 500.0, "transfer_end_s": 500.2})
    marks.append({**marks[-1], "transfer_id": "x1", "samples_sha256": "0" * 64})
    pl.DataFrame(marks).write_csv(measured / "reviews" / "flo.marks.csv")

    (made,) = compare_marks(measured)
    count = len(first)
    assert (made.listener, made.transfers, made.outside, made.other_sound) == ("flo", 1, 1, 1)
    assert (made.marks, made.finds) == (count, count)
    by_rule = {each.rule: each for each in made.measures}
    assert by_rule["start and end"].pairs == count - 1
    assert by_rule["end"].pairs == count
    assert by_rule["start and end"].f == pytest.approx((count - 1) / count)
    assert made.start_late.median_s == pytest.approx(0.03)
    assert made.end_late.median_s == pytest.approx(-0.01)
    assert made.kinds_right.estimate == 1
    with pytest.raises(UsageError, match="flo"):
        compare_marks(measured, listener="nobody")


def missing_half(root):
    """The corpus measured anew so that only the surer half of its slides is found; gives all that were found before."""
    with open_read_only(root) as con:
        slides = con.sql("from base.slide order by slide_id").pl()
    with (root / "settings.toml").open("a", encoding="utf-8") as settings:
        settings.write(f"[detect]\nleast_confidence = {min(slides['confidence'].median(), 0.99):.4f}\n")
    measure(root)
    return slides.to_dicts()


def heard_by(root, truth, *, beside):
    """Verdicts of a listener who knows all slides; ``beside`` also tells of those in the excerpt around the place."""
    sample = listen(root, number=400, by=(), seed=5)
    items = Corpus(root).catalogue.frame("drawn_item").filter(pl.col("sample_id") == sample.sample_id)
    rows = []
    for item in items.iter_rows(named=True):
        stretch = (item["transfer_start_s"], item["transfer_end_s"])
        own = [slide for slide in truth if slide["transfer_id"] == item["transfer_id"]]
        there = [s for s in own if slide_times(s)[0] < stretch[1] and slide_times(s)[1] > stretch[0]]
        near = [s for s in own if slide_times(s)[0] < stretch[1] + 1.2 and slide_times(s)[1] > stretch[0] - 1.2]
        row = {
            "transfer_id": item["transfer_id"],
            "samples_sha256": item["samples_sha256"],
            "listener": "perfect",
            "judged_on": "2026-01-01",
        }
        asked = dict(zip(("transfer_start_s", "transfer_end_s"), stretch, strict=True))
        verdict = "slide" if there else "no_slide"
        rows.append(row | asked | {"verdict": verdict, "sample_id": sample.sample_id, "item_id": item["item_id"]})
        if beside and near and not there:  # what the page saves of brackets that lie elsewhere
            marked = dict(zip(("transfer_start_s", "transfer_end_s"), slide_times(near[0]), strict=True))
            rows.append(row | marked | {"verdict": "slide", "sample_id": None, "item_id": None})
    named = ("transfer_id", "transfer_start_s", "sample_id", "item_id")
    frame = pl.DataFrame(rows, schema_overrides={"sample_id": pl.String, "item_id": pl.String})
    frame.unique(named, maintain_order=True).write_csv(root / "reviews" / "perfect.csv")


def slide_times(slide):
    """Audible bounds of a slide, transfer time."""
    return slide["transfer_audible_start_s"], slide["transfer_audible_end_s"]


@pytest.mark.parametrize("beside", [False, True])
def test_a_perfect_listener_finds_the_true_precision_and_recall(measured, beside):
    truth = missing_half(measured)
    with open_read_only(measured) as con:
        found = con.sql("select count(*) from base.slide").fetchall()[0][0]
    assert 3 < found < len(truth)
    heard_by(measured, truth, beside=beside)
    errors = listening_results(measured).errors
    assert errors.precision.estimate == 1
    # Everything is judged, so nothing is left to chance; a slide into a side's first note lies at no change of note.
    assert errors.recall.estimate == pytest.approx(found / len(truth), abs=0.05)


def test_a_verdict_without_marks_adds_no_slide(measured):
    truth = missing_half(measured)
    heard_by(measured, truth, beside=False)
    measure(measured)
    with open_read_only(measured) as con:
        assert con.sql("select count(*) from stage.judged_slide where origin = 'added'").fetchall() == [(0,)]
        assert con.sql("select count(*) from stage.judged_slide where verdict = 'slide'").fetchall()[0][0] > 3


def test_what_nobody_called_unclear_but_listeners_told_apart_is_counted_by_itself():
    item = {"sample_id": "s", "drawn_from": "slide", "stratum": "sure", "stratum_size": 9}
    items = pl.DataFrame([item | {"item_id": name} for name in ("alike", "apart", "unclear")])
    said = {"alike": ("slide", "slide"), "apart": ("slide", "no_slide"), "unclear": ("cannot_tell", "slide")}
    verdicts = pl.DataFrame(
        [
            {"sample_id": "s", "item_id": name, "verdict": each, "kind": None}
            for name, two in said.items()
            for each in two
        ],
        schema_overrides={"kind": pl.String},
    )
    (made,) = error_rates._strata(items, error_rates._heard(items, verdicts, {}))
    assert (made.judged.judged, made.judged.slides, made.cannot_tell, made.differed) == (1, 1, 1, 1)
