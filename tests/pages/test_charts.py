"""Charts: any name may stand in them, and nothing outside changes how they are drawn."""

import matplotlib as mpl

from pipeline.pages.charts import variations

ROWS = [
    {"varied": "as counted", "to": "", "group": r"Cat $\frac{1$", "value": 2.0, "low": 1.0, "high": 4.0},
    {
        "varied": "doubtful dates",
        "to": "left out",
        "group": r"Cat $\frac{1$",
        "value": 1.5,
        "low": 1.0,
        "high": 3.0,
    },
]


def test_a_name_with_dollar_signs_is_no_formula() -> None:
    assert variations(ROWS, measure="slides a minute").count(r"Cat $\frac{1$") >= 1


def test_the_users_own_settings_of_the_drawing_library_change_nothing() -> None:
    plain = variations(ROWS, measure="slides a minute")
    with mpl.rc_context({"font.size": 30.0, "lines.linewidth": 9.0, "text.usetex": True}):
        assert variations(ROWS, measure="slides a minute") == plain
