"""The steps, in the order in which they run."""

from pipeline.steps import follow, intake, measure, recover
from pipeline.steps.base import AnyStep
from pipeline.steps.chords.step import STEP as CHORDS
from pipeline.steps.detect.step import STEP as DETECT
from pipeline.steps.hand.step import STEP as HAND
from pipeline.steps.match.step import STEP as MATCH
from pipeline.steps.settle.step import STEP as SETTLE
from pipeline.steps.summarise.step import STEP as SUMMARISE

STEPS: tuple[AnyStep, ...] = (
    intake.STEP,
    follow.STEP,
    measure.STEP,
    SETTLE,
    DETECT,
    MATCH,
    CHORDS,
    HAND,
    recover.STEP,
    SUMMARISE,
)
