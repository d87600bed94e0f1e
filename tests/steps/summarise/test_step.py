"""The step that summarises counts what the final views count."""

from types import SimpleNamespace

from pipeline.settings import SummariseSettings
from pipeline.steps.base import StepInput
from pipeline.steps.summarise.step import COMPUTED, KEPT, STEP
from pipeline.store.database import views
from tests.helpers.made_rows import facts, frame, joined, rows, slide, small, tallies

SHA, OLD = "a" * 64, "b" * 64


def summarised(folder, tables, *, samples):
    files = {name: [folder / f"{name}.parquet"] for name in COMPUTED}
    for name, (path,) in files.items():
        frame(name, tables.get(name, [])).write_parquet(path)
    kept = SimpleNamespace(frame=lambda name: frame(name, tables.get(name, [])))
    given = StepInput(
        "corpus",
        STEP.facts(kept, "corpus"),
        SummariseSettings(replicates=200),
        {},
        lambda _: None,
        samples_sha256=samples,
        files=files,
    )
    return STEP.run(given).tables["corpus"]["estimate"]


def test_verdicts_change_what_is_shown_and_no_rate_and_those_on_other_samples_nothing(tmp_path):
    review = {
        "transfer_id": "x1", "transfer_start_s": 1.0, "transfer_end_s": 1.2, "verdict": "no_slide",
        "listener": "l", "judged_on": "2026-01-01", "samples_sha256": OLD,
    }  # fmt: skip
    tables = joined(small(), {"review": [review]})
    for now, slides in ((SHA, 2), (OLD, 1)):
        made = summarised(tmp_path, tables, samples={"x1": now, "x2": SHA, "x3": SHA})
        ann = made.filter(grouping="player", group_key="ann", measure="slides_per_minute")
        # Two finds in two minutes: reviewing a player does not move his rate.
        assert ann["rate"].to_list() == [1.0]
        run = [{"transfer_id": "x1", "step": "intake", "samples_sha256": now}]
        con = facts(**joined(tables, {"run": run}))
        assert rows(con, "fact.take_tally", "slides", "found_slides", order="take_id")[0] == (slides, 2)


def test_each_player_is_one_cluster_of_a_kind_of_slide():
    # Ann's and Bo's slides are of one kind, so that the kind is found twice; both are players once.
    tables = joined(small(), {"slide": [slide("x2", "t2", 1.0)]})
    kinds = "select group_key, cluster from tally.by_cluster where grouping = 'kind' order by all"
    made = tallies(**tables).execute(kinds)
    assert made.fetchall() == [("same_finger", "ann"), ("same_finger", "bo")]


def test_the_step_is_given_every_table_that_its_results_rest_on():
    # Were one lacking, the step would count from an empty table what the views count from a full one.
    used = {
        name
        for view in (("tally", "by_cluster"), ("stage", "owned_slide"), ("fact", "take_tally"))
        for layer, name in views.rests_on(view)
        if layer == "base"
    }
    assert len(used) > 15
    assert used <= {*KEPT, *COMPUTED, "run"}


def test_places_rest_on_tables_that_the_step_is_given():
    # But for the hands, which no result counts.
    used = {name for layer, name in views.rests_on(("fact", "written_place_take")) if layer == "base"}
    assert {"written_note", "written_match", "written_fit"} < used
    assert used - {"note_hand"} <= {*KEPT, *COMPUTED, "run"}
