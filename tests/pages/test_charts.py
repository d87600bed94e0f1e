"""Charts: any name may stand in them, and nothing outside changes how they are drawn."""

import matplotlib as mpl

from pipeline.pages.charts import lineage, variations

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


def test_a_lineage_of_people_whose_births_are_unknown_has_no_years() -> None:
    people = [
        {"player_id": name, "player": name, "year": None, "takes": 1, "slides_per_100_transitions": 2.0, "way": ""}
        for name in ("ann", "bo")
    ]
    links = [{"teacher_id": "ann", "student_id": "bo", "certainty": "certain"}]
    assert "1880" not in lineage(people, links)
    assert "1880" in lineage([people[0] | {"year": 1880.0}, people[1] | {"year": 1884.0}], links)
