"""The step recover: a sample of sides, rows that fit their table, and the same answer each time."""

import numpy as np
import polars as pl
import pytest

from pipeline.errors import DataError
from pipeline.settings import DetectSettings, RecoverSettings, Settings, read_settings
from pipeline.steps.base import Sound, StepInput, StepOutput
from pipeline.steps.recover import NOT_DRAWN, STEP
from pipeline.store import schema
from tests.benchmarks.scenes import Scene
from tests.helpers.all_steps import TRANSFER, road


@pytest.fixture(scope="module")
def side() -> tuple[Sound, dict[str, pl.DataFrame]]:
    """A rendered side of 25 s without a piano, and its tables."""
    samples, _ = Scene("", seed=41, length_s=25.0, slide_share=0.1, sample_rate_hz=22_050).render()
    tables, _ = road(samples, 22_050)
    return Sound(samples, 22_050), tables


def run(side: tuple[Sound, dict[str, pl.DataFrame]], settings: RecoverSettings) -> StepOutput:
    sound, tables = side
    return STEP.run(
        StepInput(
            unit_id=TRANSFER,
            facts={},
            settings=settings,
            tables={TRANSFER: {name: tables[name] for name in STEP.reads}},
            sound=lambda _: sound,
        )
    )


@pytest.mark.slow
def test_planted_slides_are_looked_for_and_most_long_ones_found(side: tuple[Sound, dict[str, pl.DataFrame]]) -> None:
    settings = RecoverSettings(share_of_sides=1.0, plantings=8)
    output = run(side, settings)
    rows = schema.load("recovery").checked(output.tables[TRANSFER]["recovery"])
    assert output.outcomes[TRANSFER] == ("done", f"{rows['found'].sum()} of {rows.height} planted slides found")
    assert 3 <= rows.height <= 8
    assert rows["found_kind"].is_null().to_list() == (~rows["found"]).to_list()
    # No two stand on the same note, and none on a slide that was there.
    apart = np.diff(np.sort(rows["transfer_start_s"].to_numpy()))
    assert (apart > 0.2).all()
    assert run(side, settings).tables[TRANSFER]["recovery"].equals(output.tables[TRANSFER]["recovery"])


def test_sides_out_of_the_sample_say_so(side: tuple[Sound, dict[str, pl.DataFrame]]) -> None:
    output = run(side, RecoverSettings(share_of_sides=0.0))
    assert output.tables[TRANSFER]["recovery"].is_empty()
    assert output.outcomes[TRANSFER] == ("done", NOT_DRAWN)


def test_planted_slides_are_looked_for_as_all_others(tmp_path) -> None:
    settings = Settings(detect=DetectSettings(least_confidence=0.6))
    assert settings.recover.detect.least_confidence == 0.6
    assert settings.recover.model_dump()["detect"]["least_confidence"] == 0.6
    assert Settings().recover.detect == DetectSettings()
    path = tmp_path / "settings.toml"
    path.write_text("[recover.detect]\nleast_confidence = 0.5\n", encoding="utf-8")
    with pytest.raises(DataError, match="detect"):
        read_settings(path)
