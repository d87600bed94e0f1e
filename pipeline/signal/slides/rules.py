"""Decides by plain rules which candidates are slides, and of which kind; needs no training data."""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from pipeline.kinds import NAMED_KINDS, Kind
from pipeline.signal.slides.features import NAMES
from pipeline.signal.slides.glide_fit import ARRIVING, ENTERING, MODEL_OF_KIND, SAME, Fit
from pipeline.units import Floats

LEAST_GAIN = 10.0  # squared sigma that a glide must explain better than a jump (common practice, no source)
LEAST_DURATION_S = 0.042
"""Shifts are hidden in up to 40 ms (common practice, no source)."""
LEAST_RISE = 0.7  # semitones: under a semitone, less what intonation may be off (common practice, no source)
LEAST_PART_RISE = 0.7  # the same of a glide beside a step (common practice, no source)
LEAST_ENTRANCE_RISE = 0.8  # the same of a glide into a note (common practice, no source)
GREATEST_MISFIT = 2.5  # mean squared sigma of a frame (common practice, no source)
SILENT_DB = 18.0  # level below the note at which what came before is silence (common practice, no source)
# Semitones, for a kind with a step to count; glide_fit tries smaller ones (common practice, no source).
LEAST_STEP = 0.7
STEP_SHARE = 0.1
"""A step is at least a semitone in the hand; in a wide glide a small one only mends the shape of the fit."""
SHAPE = 0.15
"""Misfit of shape: 3 % of the interval, in units of the fit's sigma."""
BETWEEN_NOTES = [MODEL_OF_KIND[kind] for kind in NAMED_KINDS if kind is not Kind.INTO_NOTE]
_AT = {name: i for i, name in enumerate(NAMES)}


@dataclass(frozen=True)
class Judgement:
    """``confidence`` that it is a slide; probabilities of the kinds in the order of ``kinds.KINDS``."""

    accepted: bool
    confidence: float
    kinds: tuple[float, ...]


def judge(values: Floats, fit: Fit, model: int) -> Judgement:
    """Judges one candidate by its features (see ``slide_features``) and fits."""

    def value(name: str) -> float:
        return float(values[_AT[name]])

    least = LEAST_ENTRANCE_RISE if model == ENTERING else LEAST_RISE if model == SAME else LEAST_PART_RISE
    accepted = (
        value("gain") >= LEAST_GAIN
        and value("duration_s") >= LEAST_DURATION_S
        and value("rise") >= least
        and value("misfit") <= GREATEST_MISFIT
    )
    # Logits: how much more gain, or length, makes a slide e times likelier (common practice, no source).
    margin = min((value("gain") - LEAST_GAIN) / 8.0, (value("duration_s") - LEAST_DURATION_S) / 0.012)
    confidence = float(expit(margin + 1.0))
    shares = kind_shares(fit, model, interval=value("interval"), silence_db=value("silence_before"))
    return Judgement(accepted, confidence, with_doubt(shares))


def with_doubt(shares: tuple[float, ...]) -> tuple[float, ...]:
    """Shares of the named kinds made to leave room for ``cannot_tell``.

    Its probability is the fourth power of the shares' entropy over the greatest possible: next to
    nothing where one kind has 90 %; it leads where four are about equally likely.
    """
    q = np.asarray(shares)
    known = q[q > 0]
    unknown = float((-(known * np.log(known)).sum() / np.log(q.size)) ** 4)
    return (*(float(s) * (1.0 - unknown) for s in q), unknown)


def kind_shares(fit: Fit, model: int, *, interval: float, silence_db: float) -> tuple[float, ...]:
    """Shares of the five named kinds from the costs of their models, and of silence before the glide; sum 1.

    No glide has quite the shape of the model: the cost of that grows with the square of the interval, and
    differences of cost count for less accordingly.
    """
    if model == ENTERING:
        return (0.0, 0.0, 0.0, 0.0, 1.0)
    step = np.abs(fit.step_to[BETWEEN_NOTES] - fit.step_from[BETWEEN_NOTES])
    small = step < max(LEAST_STEP, STEP_SHARE * interval)
    excess = fit.charged[BETWEEN_NOTES] - np.min(fit.charged[BETWEEN_NOTES])
    excess = np.clip(excess, 0.0, 200.0) / (1.0 + (SHAPE * interval) ** 2)
    weights = np.where(np.isfinite(fit.charged[BETWEEN_NOTES]) & ~small, np.exp(-0.5 * excess), 0.0)
    same, departing, arriving, two = (float(w) for w in weights / weights.sum())
    silent = float(expit((silence_db - SILENT_DB) / 2.0))
    # After silence the pitch before the step is the last note's, not the beginning of this one.
    into = silent * arriving if model == ARRIVING else 0.0
    return (same, departing, arriving - into, two, into)
