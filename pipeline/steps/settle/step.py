"""The step ``settle``: which speed, reference pitch and key, for all sides of a session together."""

from pipeline.settings import SettleSettings
from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.steps.settle.facts import facts


def run(given: StepInput[SettleSettings]) -> StepOutput:
    """Settle the speeds of one session."""
    from pipeline.steps.settle.sides import settle_sides

    return settle_sides(given)


STEP = Step(
    name="settle",
    version=23,
    scope="session",
    reads=("tuning", "melody"),
    writes=("speed", "speed_curve", "speed_alternative"),
    facts=facts,
    run=run,
)
