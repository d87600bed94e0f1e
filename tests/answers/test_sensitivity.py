"""An answer under each variation is that of a corpus in which the thing varied is so."""

import pytest

from pipeline.answers import sensitivity
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.selection import Selection
from pipeline.answers.sensitivity import AS_COUNTED, VARIATIONS, varied
from pipeline.errors import UsageError
from tests.helpers.made_rows import chances, corpus_folder, joined, side, slide, solo

VIEW = "slides_by_process"


def corpus(kept=lambda row: True):
    """Ann, recorded acoustically, and Bo, electrically; every third slide of either is doubtful, short or small."""
    parts = []
    for name, player, process, recorded in (
        ("x1", "ann", "acoustic", "1907"),
        ("x2", "bo", "electrical", "1926/1931"),
    ):
        times = [float(3 * n + 1) for n in range(60)]
        slides = [
            slide(name, f"t-{name}", at)
            | [
                {"confidence": 0.75, "duration_ms": 120.0, "interval_cents": 400.0},
                {"confidence": 0.99, "duration_ms": 70.0, "interval_cents": 400.0},
                {"confidence": 0.99, "duration_ms": 120.0, "interval_cents": 120.0},
                {"confidence": 0.99, "duration_ms": 120.0, "interval_cents": 400.0},
            ][n % 4]
            for n, at in enumerate(times[: 24 if name == "x1" else 12])
        ]
        parts += [
            side(name, f"t-{name}"),
            chances(name, f"t-{name}", times),
            {
                "player": [{"player_id": player, "name": player}],
                "take": [{"take_id": f"t-{name}", "process": process, "recorded": recorded}],
                "performance": [
                    {
                        "take_id": f"t-{name}",
                        "player_id": player,
                        "certainty": "certain" if name == "x1" else "probable",
                    }
                ],
                "solo_span": [solo(name, f"t-{name}", player, to=600.0)],
                "slide": [row for row in slides if kept(row)],
                "period": [{"period_id": "all", "scheme": "era", "name": "all", "span": "1900/1940"}],
            },
        ]
    return joined(*parts)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = corpus_folder(tmp_path_factory.mktemp("varied") / "corpus", **corpus())
    with pytest.MonkeyPatch.context() as patch:  # one of each kind: what they do is alike
        patch.setattr(sensitivity, "VARIATIONS", tuple({each.what: each for each in VARIATIONS}.values()))
        return folder, varied(folder, VIEW, Selection())


def values(rows, what, to):
    return {
        row["group"]: (row["value"], row["low"], row["high"])
        for row in rows
        if (row["varied"], row["to"]) == (what, to)
    }


def as_viewed(folder):
    with OpenCorpus(folder) as opened:
        frame = opened.view(VIEW)
    names = ("slides_per_minute", "slides_per_minute_low", "slides_per_minute_high")
    return {row["process"]: pytest.approx(tuple(row[name] for name in names)) for row in frame.iter_rows(named=True)}


def test_the_first_row_is_the_answer_as_it_stands(made):
    folder, told = made
    assert told.measure == "slides_per_minute"
    assert values(told.rows.to_dicts(), AS_COUNTED, "") == as_viewed(folder)


def test_a_threshold_counts_as_a_corpus_without_the_slides_below_it(made, tmp_path):
    rows = made[1].rows.to_dicts()
    surer = values(rows, "least confidence", "0.95")
    assert surer == as_viewed(corpus_folder(tmp_path / "corpus", **corpus(lambda row: row["confidence"] >= 0.95)))
    # A quarter of the slides falls to each of these, and there are 2.4 in the minute.
    for one in (("least confidence", "0.95"), ("shortest slide", "100 ms"), ("smallest slide", "3.5 semitones")):
        assert values(rows, *one)["acoustic"][0] == pytest.approx(1.8)


def test_doubtful_takes_are_left_out(made):
    rows = made[1].rows.to_dicts()
    for what in ("doubtful dates", "doubtful attributions"):
        assert set(values(rows, what, "left out")) == {"acoustic"}
    shown = {row["varied"] for row in rows}
    # No view by process hangs on where periods begin, or on who taught whom.
    assert {each.what for each in VARIATIONS} - shown == {"periods begin", "doubtful teachings"}


def test_a_view_without_rates_cannot_be_varied(made):
    with pytest.raises(UsageError, match="no rate"):
        varied(made[0], "speed_ledger", Selection())
