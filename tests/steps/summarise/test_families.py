"""Many comparisons at once: p adjusted within each family, rows kept in their order."""

import polars as pl
import pytest

from pipeline.steps.summarise.families import with_holm


def test_p_is_adjusted_within_its_family_and_their_number_said() -> None:
    rows = pl.DataFrame({"of": ["a", "b", "a", "a", "b"], "p": [0.04, 0.5, 0.01, None, 0.02]})
    made = with_holm(rows, ["of"], number="terms_in_family")
    assert made["of"].to_list() == rows["of"].to_list()
    # Two of a: .01 twice, then .04 once; two of b: .02 twice, then .5 once (Holm 1979).
    assert made["p_holm"].to_list() == pytest.approx([0.04, 0.5, 0.02, None, 0.04], abs=1e-12)
    assert made["terms_in_family"].to_list() == [2, 2, 2, None, 2]


def test_no_rows_have_no_family() -> None:
    made = with_holm(pl.DataFrame(schema={"of": pl.String, "p": pl.Float64}), ["of"], number="terms_in_family")
    assert made.columns == ["of", "p", "p_holm", "terms_in_family"]
