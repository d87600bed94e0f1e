"""Agreement of listeners, from verdicts and marks of which it is known how far they differ."""

import numpy as np
import polars as pl
import pytest

from pipeline.answers.listening.alike import alike
from pipeline.stats.agreement import krippendorffs_alpha


def verdicts(*said, twice=()):
    """Rows of verdicts: a text for each listener, a letter for each item; ``twice``: (listener, item, letter)."""
    words = {"s": "slide", "n": "no_slide", "c": "cannot_tell"}
    rows = [
        {"sample_id": "a", "item_id": f"i{n}", "repeat_of": None, "listener": f"l{who}", "verdict": words[letter],
         "kind": "two_finger" if letter == "s" and who else "same_finger" if letter == "s" else None}
        for who, text in enumerate(said) for n, letter in enumerate(text) if letter != "."
    ]  # fmt: skip
    rows += [
        {"sample_id": "a", "item_id": f"again{n}", "repeat_of": f"i{n}", "listener": who, "verdict": words[letter],
         "kind": None}
        for who, n, letter in twice
    ]  # fmt: skip
    return pl.DataFrame(rows, schema_overrides={"repeat_of": pl.String, "kind": pl.String})


NO_MARKS = pl.DataFrame(schema={"transfer_id": pl.String, "samples_sha256": pl.String, "listener": pl.String})


def of(given):
    return alike(given, NO_MARKS, lambda name: None, seed=1)


def test_verdicts_are_compared_where_two_listeners_gave_one():
    made = of(verdicts("sssnnnccs.", "ssnnnnsns."))
    pairs = [list("sssnnnccs"), list("ssnnnnsns")]
    assert made.alpha.estimate == pytest.approx(krippendorffs_alpha(pairs))
    assert made.alpha.low < made.alpha.estimate < made.alpha.high
    # "Cannot tell" lies between the two, so that it counts as half a disagreement at most.
    assert made.ordinal.estimate > made.alpha.estimate
    assert made.kappa is not None
    assert made.kinds.estimate < 0  # the two always hear another kind
    assert (made.themselves, made.bounds) == ((), ())


def test_a_third_listener_or_none_gives_no_kappa():
    three = of(verdicts("ssnn", "ssnn", "ssns"))
    assert three.kappa is None
    assert 0 < three.alpha.estimate < 1
    alone = of(verdicts("ssnn"))
    assert (alone.kappa, alone.alpha, alone.kinds) == (None, None, None)


def test_each_listener_is_held_against_himself():
    given = verdicts("ssnn", "ssnn", twice=[("l0", 0, "s"), ("l0", 2, "s"), ("l1", 1, "s")])
    made = of(given).themselves
    assert [(each.listener, each.twice, each.same.estimate) for each in made] == [("l0", 2, 0.5), ("l1", 1, 1.0)]


def test_bounds_of_slides_marked_by_both():
    rng = np.random.default_rng(4)
    starts, lengths = 10.0 * np.arange(1, 41), rng.uniform(0.05, 0.4, 40)
    parts = []
    for name, late, longer in (("ann", 0.0, 1.0), ("bea", 0.02, 1.1)):
        times = {"transfer_start_s": starts + late, "transfer_end_s": starts + late + lengths * longer}
        marks = pl.DataFrame({"transfer_id": "x1", "samples_sha256": "a" * 64, **times, "listener": name})
        # A mark far from all of the other's is of no slide in common.
        alone = marks[:1].with_columns(transfer_start_s=pl.lit(600 + 50 * late), transfer_end_s=pl.lit(601 + 50 * late))
        parts += [marks, alone]
    # The pitch rises by 3 semitones a second around each.
    time_s = np.arange(0, 700, 0.0058)
    line = pl.DataFrame({"transfer_time_s": time_s, "f0_hz": 100.0 * 2 ** (((time_s + 5) % 10) / 4)})
    (both,) = alike(verdicts("ssnn"), pl.concat(parts), lambda name: line, seed=1).bounds
    assert (both.listeners, both.slides) == (("ann", "bea"), 40)
    assert both.starts.mean.estimate == pytest.approx(0.02)
    assert both.ends.mean.estimate == pytest.approx(0.02 + 0.1 * lengths.mean())
    assert both.length.low <= both.length.estimate <= both.length.high
    assert 0.9 < both.length.estimate < 1  # all a tenth longer: absolute agreement is not complete
    assert both.length_error == pytest.approx(0, abs=1e-6)
    assert both.size.estimate == pytest.approx(both.length.estimate, abs=0.06)
    (unheard,) = alike(verdicts("ssnn"), pl.concat(parts), lambda name: None, seed=1).bounds
    assert unheard.size is None
