"""Tables fit the width that is there: ids whole, words whole, what matters first, what is left out said."""

import io
import textwrap
from typing import Any

import polars as pl
import pytest
from rich.console import Console

from pipeline.answers.number_words import with_limits
from pipeline.cli.tables import print_table
from pipeline.errors import UsageError
from pipeline.store.schema import load, relations

REMARK = "the stylus falls back by one turn, so that the grooves from here on are heard a second time"
SLIDES = pl.DataFrame(
    {
        "slide_id": ["fer-f-12-a-t1-s14113", "fer-f-12-a-t1-s74000"],
        "transfer_id": ["fer-f-12-a-t1"] * 2,
        "start_s": [14.1134, 74.2],
        "transfer_start_s": [14.3, 75.0],
        "from_midi": [68.1, 69.9],
        "interval_cents": [390.2, -210.0],
        "kind": ["same_finger", "two_finger"],
        "remark": [REMARK, None],
    }
)


def printed(width: int, **more: object) -> tuple[str, int]:
    out = io.StringIO()
    left = print_table(SLIDES, load("slide"), console=Console(file=out, width=width), **more)
    return out.getvalue(), left


@pytest.mark.parametrize("width", [60, 80, 100, 120])
def test_a_table_is_no_wider_than_asked_and_cuts_no_id_and_no_word(width: int) -> None:
    text, left = printed(width)
    assert max(map(len, text.splitlines())) <= width
    for whole in (*SLIDES["slide_id"], "0:14.113", "1:14.200"):
        assert whole in text
    assert set(REMARK.split()) <= set(text.split())
    assert ("same finger" in text) == (width >= 80)
    assert (left > 0) == (width < 100)


def test_a_column_of_ids_by_that_name_is_whole_too() -> None:
    out = io.StringIO()
    name = "an-unknown-fiddler-plays-a-barn-dance"
    frame = pl.DataFrame({"what": ["player without a judged recording"], "id": [name]})
    print_table(frame, None, console=Console(file=out, width=50))
    assert name in out.getvalue()


def test_wide_and_columns_choose(monkeypatch: pytest.MonkeyPatch) -> None:
    text, left = printed(40, wide=True)
    assert (left, len(text.splitlines())) == (0, 3)
    text, _ = printed(80, columns=["kind", "start_s"])
    assert text == textwrap.dedent(
        """\
        kind         start [m:ss]
        same finger      0:14.113
        two finger       1:14.200
        """
    )
    with pytest.raises(UsageError, match=r"no column 'kinds'.*kind"):
        printed(80, columns=["kinds"])


def test_an_id_beside_its_name_says_that_it_is_one() -> None:
    out = io.StringIO()
    frame = pl.DataFrame({"player_id": ["ann"], "player": ["Ann Vint"], "transfer_id": ["x1"]})
    print_table(frame, None, console=Console(file=out, width=80), columns=["player_id", "player", "transfer"])
    assert out.getvalue().splitlines()[0].split() == ["player", "id", "player", "transfer"]


def test_a_share_is_shown_in_per_cent_with_its_limits() -> None:
    out = io.StringIO()
    shares = {"share_broken": [0.625, None], "share_broken_low": [0.21, None], "share_broken_high": [0.93, None]}
    print_table(pl.DataFrame(shares | {"share_told": [0.5, 1.0]}), None, console=Console(file=out, width=80))
    lines = [" ".join(line.split()) for line in out.getvalue().splitlines()]
    assert lines == ["share broken (95 %) [%] share told [%]", "62 (21–93) 50", "– 100"]


def test_pitches_are_named_and_units_stand_in_heads() -> None:
    from pipeline.answers.note_names import spelling

    text, _ = printed(120, spelling=lambda row: spelling("C minor"))
    assert "A♭4 +10" in text
    assert {"interval", "[cent]", "[m:ss]"} <= set(text.split())
    assert "(95 %)" not in text  # nothing here has limits


@pytest.mark.parametrize("view", [relation.name for relation in relations("summary") if relation.shown])
def test_views_with_an_answer_show_it_with_limits_at_80_columns_and_break_names_between_words(view: str) -> None:
    relation = load(view, "summary")
    made = {
        column.name: "a long remark of many words" * 3
        if column.name in ("warning", "reading")
        else "recording eras/horn-early"
        if column.type == "string"
        else 11
        if column.type == "int64"
        else 10.5
        if column.name.endswith("_low")
        else 19.25
        for column in relation.columns
    }
    out = io.StringIO()
    print_table(pl.DataFrame([made]), relation, console=Console(file=out, width=80))
    text = out.getvalue()
    assert max(map(len, text.splitlines())) <= 80
    assert "horn-early" in text
    answer = next(name for name in relation.shown if f"{name}_low" in made or name == "resemblance")
    assert (with_limits(19.25, 10.5, 19.25) if f"{answer}_low" in made else "19.2") in text
    # What tells rows apart stays.
    assert all(each in text for each in {"measure", "evidence", "term", "links"} & set(relation.key))


@pytest.mark.parametrize(
    ("view", "wanted"),
    [
        ("shifts_by_player", "52 (21–95)"),
        ("slides_by_cohort_and_period", "5.2 (2.1–9.5)"),
        ("slides_by_school_and_period", "5.2 (2.1–9.5)"),
        ("fingering_against_edition", "52"),
    ],
)
def test_the_point_of_a_wide_view_is_seen_at_80_columns(view: str, wanted: str) -> None:
    relation = load(view, "summary")
    values = {"string": "recording eras", "int64": 11, "double": 5.25, "boolean": True, "date": None}
    made: dict[str, Any] = {column.name: values[column.type] for column in relation.columns}
    for name in ("slides_per_minute", "share_silent", "share_agree"):
        share = 0.1 if name.startswith("share") else 1.0
        for end, value in (("", 5.25), ("_low", 2.1), ("_high", 9.5)):
            if name + end in made:
                made[name + end] = value * share
    out = io.StringIO()
    print_table(pl.DataFrame([made]), relation, console=Console(file=out, width=80))
    assert wanted in out.getvalue()


def test_columns_shown_are_declared() -> None:
    for relation in relations():
        assert set(relation.shown) <= {column.name for column in relation.columns}


def test_compared_groups_stand_beside_their_p_at_80_columns() -> None:
    out = io.StringIO()
    row = {
        "group_key": "conservatories/mossgate", "other_key": "conservatories/saltmarrow", "evidence": "between_players",
        "measure": "slides_per_100_transitions", "ratio": 0.42, "ratio_low": 0.04, "ratio_high": 4.39, "p": 0.361,
        "warning": "only 4 players: rough interval",
    }  # fmt: skip
    relation = load("comparison", "summary")
    frame = pl.DataFrame([{name: row.get(name) for name in relation.polars_schema()}], schema=relation.polars_schema())
    print_table(frame, relation, console=Console(file=out, width=80))
    words = out.getvalue().split()
    assert {"0.361", "saltmarrow", "mossgate", "(0.04–4.39)", "100"} <= set(words)
    assert max(map(len, out.getvalue().splitlines())) <= 80


def test_a_p_value_has_three_places_and_is_never_nought() -> None:
    out = io.StringIO()
    print_table(pl.DataFrame({"p": [3e-9, 0.0004, 0.0412, 1.0]}), None, console=Console(file=out, width=80))
    assert out.getvalue().split() == ["p", "<0.001", "<0.001", "0.041", "1.000"]
