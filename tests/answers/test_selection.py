"""Queries over chosen takes: counted again, by the same SQL and seeds."""

import json

import duckdb
import polars as pl
import pytest
from typer.testing import CliRunner

import pipeline
from pipeline.answers.open_corpus import OpenCorpus, open_corpus
from pipeline.cli import app
from pipeline.errors import DataError, UsageError
from pipeline.store import schema
from pipeline.store.database import views
from tests.helpers.made_rows import corpus_folder, joined, many_players, small


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return corpus_folder(tmp_path_factory.mktemp("small"), **small())


@pytest.fixture(scope="module")
def corpus(folder):
    with open_corpus(folder) as opened:
        yield opened


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    with open_corpus(corpus_folder(tmp_path_factory.mktemp("many"), **many_players())) as opened:
        yield opened


def table(frame, *columns):
    return frame.select(columns).rows()


def test_views_as_frames(corpus):
    frame = corpus.view("slides_by_player")
    assert table(frame, "player_id", "slides", "minutes") == [("ann", 2.0, 2.0), ("bo", 0.0, 1.0)]
    assert frame.equals(corpus.view("summary.slides_by_player"))
    assert corpus.view("player").height == 2
    assert all(kind not in (pl.Decimal, pl.Int128) for kind in frame.dtypes)


def test_a_period_counts_only_takes_certainly_of_it(corpus):
    # Ann's take is of 1909 or 1910, in either half of the two decades.
    assert corpus.view("slides_by_player", period="early").is_empty()
    made = corpus.selected("slides_by_player", pipeline_selection(periods=["late"]))
    assert made.remarks == ["1 takes may be of it, but are not certainly: left out"]
    late = made.frame
    assert table(late, "player_id", "takes", "slides", "minutes") == [("bo", 1.0, 0.0, 1.0)]
    both = corpus.view("slides_by_player", period=["early", "late"])
    assert table(both, "player_id", "takes", "slides") == [("ann", 1.0, 2.0), ("bo", 1.0, 0.0)]
    # Both together hold it certainly, neither does by itself.
    split = corpus.view("slides_by_period", period=["early", "late"])
    assert table(split, "period_id", "takes", "slides") == [("late", 1.0, 0.0), ("uncertain", 1.0, 2.0)]


def test_a_school_and_certainty_choose_takes(corpus):
    south = corpus.view("slides_by_player", school="South")
    assert table(south, "player_id", "takes", "minutes") == [("bo", 1.0, 0.5)]
    certain = corpus.view("slides_by_player", min_certainty="certain")
    assert table(certain, "player_id", "takes", "takes_not_judged") == [("ann", 1.0, 0.0), ("bo", 1.0, 1.0)]
    # The teaching is only probable: no lineage is left.
    assert corpus.view("lineage_by_player", min_certainty="certain").is_empty()
    assert corpus.view("lineage_by_player", min_certainty="probable").height == 1
    assert corpus.view("slides_by_player", period="undated").select("takes", "minutes").rows() == [(1.0, 0.0)]


def test_rows_that_count_nothing_are_those_of_the_chosen_takes(corpus):
    assert corpus.view("fact.slide", player="bo").is_empty()
    assert corpus.view("fact.slide", player="ann").height == 2
    assert table(corpus.view("base.take", player="ann"), "take_id") == [("t1",)]
    assert table(corpus.view("base.transfer", player="Bo"), "transfer_id") == [("x2",), ("x3",)]
    with pytest.raises(UsageError, match="nothing to do with takes"):
        corpus.view("base.source", player="ann")


@pytest.mark.parametrize(
    ("view", "choice", "condition"),
    [
        ("slides_by_player", {"school": "north"}, "player_id in ('p0', 'p2', 'p4', 'p6', 'p8', 'p10')"),
        ("slides_by_school", {"school": "south"}, "school_id = 'south'"),
        ("slides_by_player", {"player": ["p3", "P4"]}, "player_id in ('p3', 'p4')"),
        ("slides_by_period", {"period": "late"}, "period_id = 'late'"),
        ("slides_by_school_and_period", {"period": "late", "school": "north"},
         "school_id = 'north' and period_id = 'late'"),
    ],
)  # fmt: skip
def test_a_choice_that_does_not_cut_a_group_leaves_its_numbers_alone(many, view, choice, condition):
    chosen = many.view(view, **choice)
    whole = many.view(view, where=condition)
    assert chosen.height == whole.height > 0
    # What the corpus lends follows the choice: limits of groups of few clusters, and the repertoire that is held equal;
    # all else is the same to the digit.
    lent = [name for name in whole.columns if name.endswith(("_low", "_high")) and "poisson" not in name]
    lent += [name for name in whole.columns if name in ("observed_over_expected", "standardised_per_100_transitions")]
    large = chosen["clusters"].to_list() if "clusters" in chosen.columns else []
    assert chosen.drop(lent).equals(whole.drop(lent))
    if large and min(large) >= 10:
        apart = [name for name in whole.columns if name.startswith(("observed_", "standardised_"))]
        assert chosen.drop(apart).equals(whole.drop(apart))


# One of each family; the others count in the same way, and are tried before a release.
FAMILIES = {"slides_by_player", "slides_by_school", "rate_by_kind", "fingers_by_school", "comparison", "place_effect"}
ANSWERS = [
    pytest.param(relation.layer, relation.name, marks=() if relation.name in FAMILIES else pytest.mark.long)
    for relation in (*schema.relations("summary"), *schema.relations("export"))
]


@pytest.mark.parametrize(("layer", "name"), ANSWERS)
def test_a_choice_of_all_takes_counts_what_is_counted_without_one(corpus, layer, name):
    # Made anew from what the view rests on, for the groups that its schema names: were one lacking, its rates would be.
    everything = pipeline_selection(without_takes=["no-such-take"])
    columns = {column.name for column in schema.load(name, layer).columns}
    counts = any(below != "base" for below, _ in views.rests_on((layer, name)))
    if not counts and not {"take_id", "transfer_id"} & columns:
        with pytest.raises(UsageError, match="nothing to do with takes"):
            corpus.selected(f"{layer}.{name}", everything)
        return
    assert corpus.selected(f"{layer}.{name}", everything).frame.equals(corpus.view(f"{layer}.{name}"))


def test_limits_of_many_clusters_do_not_depend_on_the_choice(many):
    late = many.view("slides_by_period", period="late")
    assert late["clusters"].to_list() == [12]
    apart = [name for name in late.columns if name.startswith(("observed_", "standardised_"))]
    assert late.drop(apart).equals(many.view("slides_by_period", where="period_id = 'late'").drop(apart))


def test_where_filters_finished_rows_and_says_so(corpus):
    made = corpus.selected("slides_by_player", pipeline_selection(), where="slides > 1")
    assert table(made.frame, "player_id") == [("ann",)]
    assert made.remarks == ["--where chose among finished rows; nothing was counted again"]
    for wrong in ("slides >", "nonsense = 1", "true) or (true"):
        if wrong == "true) or (true":
            assert corpus.view("slides_by_player", where=wrong).height == 2
            continue
        with pytest.raises(UsageError, match="--where"):
            corpus.view("slides_by_player", where=wrong)
    with pytest.raises(UsageError, match="not one condition"):
        corpus.view("slides_by_player", where="true); select (1")
    with pytest.raises(UsageError, match=r"slides_by_player has no column 'playr' .*did you mean player\?") as told:
        corpus.view("slides_by_player", where="playr = 'ann'")
    assert "Binder" not in str(told.value)


def pipeline_selection(**given):
    from pipeline.answers.selection import Selection

    return Selection(**given)


@pytest.mark.parametrize(
    ("choice", "where", "said"),
    [
        ({"players": ["bo"], "periods": ["early"]}, None, "--period early leaves none of 2 takes"),
        ({"players": ["ann"], "schools": ["south"]}, None, "--school south leaves none of 1 takes"),
        ({"min_certainty": "certain", "periods": ["early"], "players": ["bo"]}, None,
         "--period early leaves none of 1 takes"),
        ({}, "slides > 99", "--where 'slides > 99' leaves no row"),
    ],
)  # fmt: skip
def test_an_empty_answer_says_which_filter_emptied_it(corpus, choice, where, said):
    made = corpus.selected("slides_by_player", pipeline_selection(**choice), where=where)
    assert made.frame.is_empty()
    assert said in made.remarks


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        ({"player": "anne"}, "did you mean ann"),
        ({"school": "nroth"}, "did you mean north"),
        ({"period": "middle"}, "there are: early, late"),
        ({"scheme": "half"}, "did you mean halves"),
        ({"min_certainty": "sure"}, "certain, probable, possible"),
    ],
)
def test_unknown_names_are_refused_with_the_nearest(corpus, choice, said):
    with pytest.raises(UsageError, match=said):
        corpus.view("slides_by_player", **choice)
    with pytest.raises(UsageError, match="slides_by_player"):
        corpus.view("slides_by_palyer")


def test_several_schemes_need_a_name(tmp_path):
    other = {"period": [{"period_id": "whole", "scheme": "one", "name": "Whole", "span": "1890/1920"}]}
    with open_corpus(corpus_folder(tmp_path / "c", **joined(small(), other))) as opened:
        with pytest.raises(UsageError, match="--scheme"):
            opened.view("slides_by_player", period=["early", "whole"])
        with pytest.raises(UsageError, match="--scheme"):
            opened.view("slides_by_player", period="undated")
        undated = opened.view("slides_by_player", period="undated", scheme="one")
        assert undated["takes"].to_list() == [1.0]
        assert opened.view("slides_by_period", scheme="one")["period_id"].to_list() == ["undated", "whole"]


@pytest.mark.parametrize(
    "text",
    [
        "copy base.player to 'out.csv'",
        "select * from read_csv('/etc/hostname')",
        "attach 'other.duckdb'",
        "set threads = 4",
        "set enable_external_access = true",
        "create table base.more (a int)",
        "delete from base.player",
        "install httpfs",
        "select 1; select 2",
        "selekt",
        "",
    ],
)
def test_sql_can_only_read_the_database(corpus, text, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UsageError):
        corpus.sql(text)
    assert list(tmp_path.iterdir()) == []
    assert corpus.sql("select count(*) as n from base.player").rows() == [(2,)]


def test_lineage_functions(corpus):
    assert [path.people for path in corpus.lineage_paths("Bo")] == [("bo", "ann")]
    assert corpus.lineage_paths("bo", min_certainty="certain") == ()
    both = corpus.nearest_common_teachers("ann", "bo")
    assert [path.people for path in both] == [("ann",), ("bo", "ann")]
    with pytest.raises(UsageError, match=r"no player.*all are listed by"):
        corpus.lineage_paths("zed")
    with pytest.raises(UsageError, match=r"did you mean ann\?"):
        corpus.lineage_paths("anne")


def test_a_corpus_that_was_not_run_says_what_to_do(tmp_path):
    with pytest.raises(DataError, match="glideline run"):
        OpenCorpus(tmp_path)
    with pytest.raises(DataError, match="no such folder"):
        OpenCorpus(tmp_path / "none")


def ask(folder, *arguments):
    return CliRunner().invoke(app, ["query", str(folder), *arguments], catch_exceptions=False)


def test_command_gives_a_table_with_counts_beside_rates(folder):
    made = ask(folder, "slides_by_player")
    head, ann, bo = made.stdout.splitlines()
    assert made.exit_code == 0
    assert [word in head for word in ("minutes [min]", "slides /min (95 %)", "/100 transitions")] == [True] * 3
    assert "1.0 (0.1–13.8)" in ann
    assert "50 (5–100)" in ann
    assert "0.0 (0.0–10.6)" in bo
    assert "more columns" in made.stderr


def test_what_is_less_than_certain_is_said_to_count(folder):
    said = ask(folder, "lineage_by_player")
    assert "probable" in said.stdout
    assert "counted too: " in said.stderr
    assert "teaching that is less than certain" in said.stderr
    assert "counted too" not in ask(folder, "lineage_by_player", "--min-certainty", "certain").stderr
    assert "takes of players named as possible or probable only" in ask(folder, "slides_by_player").stderr


def test_which_finger_slid_is_among_the_columns_shown(folder):
    head = ask(folder, "fingers_by_player").stdout.splitlines()[0]
    assert all(f"share {finger} finger [%]" in head for finger in ("departing", "arriving", "same"))


def test_command_gives_csv_json_and_parquet(folder, tmp_path):
    lines = ask(folder, "slides_by_player", "--as", "csv").stdout.splitlines()
    assert lines[0].startswith("player_id,player,born,takes")
    assert len(lines) == 3
    rows = json.loads(ask(folder, "slides_by_player", "--as", "json").stdout)
    assert [row["slides"] for row in rows] == [2.0, 0.0]
    ask(folder, "slides_by_player", "--as", "parquet", "--to", str(tmp_path / "rows.parquet"))
    assert pl.read_parquet(tmp_path / "rows.parquet").equals(pipeline.query(folder, "slides_by_player"))
    with pytest.raises(UsageError, match="--to"):
        ask(folder, "slides_by_player", "--as", "parquet")


def test_command_says_what_it_left_out_on_stderr(folder):
    made = ask(folder, "slides_by_player", "--player", "bo", "--period", "early", "--as", "csv")
    assert made.exit_code == 0
    assert len(made.stdout.splitlines()) == 1
    assert "--period early leaves none of 2 takes" in made.stderr


def test_command_lists_views_and_lineages(folder):
    assert "summary.slides_by_school" in ask(folder).stdout
    assert "bo < ann" in ask(folder, "--common-teacher", "ann", "bo").stdout
    assert "bo < ann" in ask(folder, "--paths", "Bo").stdout
    assert ask(folder, "--sql", "select 41 + 1 as answer").stdout.split() == ["answer", "42"]
    with pytest.raises(UsageError, match="one thing"):
        ask(folder, "slides_by_player", "--sql", "select 1")
    with pytest.raises(UsageError, match="go with a view"):
        ask(folder, "--where", "true")


def test_a_bare_name_in_sql_is_the_view_that_query_shows(folder):
    with open_corpus(folder) as opened:
        assert opened.sql("from slide").columns == opened.view("slide").columns
        assert opened.sql("select count(*) as n from player")["n"][0] == opened.view("player").height


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("alter table fact.take_tally drop column take_id", "its fact.take_tally has no take_id"),
        ("drop view summary.slides_by_player", "it has no summary.slides_by_player"),
    ],
)
def test_a_database_of_another_version_is_named_as_such(tmp_path, change, said):
    root = corpus_folder(tmp_path / "c", **small())
    with duckdb.connect(str(root / "derived" / "corpus.duckdb")) as con:
        con.execute(change).fetchall()
    for asked in ([], ["--player", "ann"], ["--sql", "select 1"]):
        view = [] if "--sql" in asked else ["slides_by_player"]
        told = CliRunner().invoke(app, ["query", str(root), *view, *asked])
        assert isinstance(told.exception, DataError)
        assert f"was made by another version of Glideline ({said}); make it anew with: glideline run" in str(
            told.exception
        )


def test_answers_are_said_in_sentences(many):
    said = ask(
        many.root, "comparison", "--say", "--where", "grouping = 'school' and evidence = 'between_players'"
    ).stdout
    # Between the two schools by players, for each of three rates.
    assert said.count("of 12 players who stand in one only, the typical one of school north made") == 3
    assert "2.06" in said
    with pytest.raises(UsageError, match="no sentences"):
        ask(many.root, "slide_for_models", "--say")


def test_a_plan_rests_on_the_spread_of_the_corpus(many):
    made = CliRunner().invoke(app, ["plan", str(many.root), "--ratio", "1.5", "--ratio", "3"], catch_exceptions=False)
    lines = made.stdout.splitlines()
    assert "12 players" in lines[0]
    told = [line.strip() for line in lines if line.strip().startswith("ratio ")]
    needed = [int(line.split(":")[1].split()[0]) for line in told]
    assert [line.split(":")[0] for line in told] == ["ratio 1.5", "ratio 3"]
    assert needed[0] > needed[1] >= 2
    with pytest.raises(UsageError, match="other than 1"):
        CliRunner().invoke(app, ["plan", str(many.root), "--ratio", "1"], catch_exceptions=False)
