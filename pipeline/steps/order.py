"""The steps, in the order in which they run."""

from pipeline.steps import detect, follow, hand, intake, measure, settle, summarise
from pipeline.steps.base import Step

STEPS: tuple[Step, ...] = (
    intake.STEP,
    follow.STEP,
    measure.STEP,
    settle.STEP,
    detect.STEP,
    hand.STEP,
    summarise.STEP,
)
