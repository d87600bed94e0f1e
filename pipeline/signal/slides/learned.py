"""Judges candidates by learned trees: a calibrated confidence, and probabilities of the kinds.

The trees were grown by ``python -m pipeline.training`` on rendered sides; ``slide_trees.json`` beside them says from
what, and how they did on sides not learned from. The rules of ``slide_rules`` remain as a cross-check.
"""

import json
from functools import cache
from pathlib import Path

import numpy as np
from scipy.special import expit, softmax

from pipeline.learned_from import check_names
from pipeline.signal.slides.features import NAMES
from pipeline.signal.slides.rules import Judgement, with_doubt
from pipeline.signal.slides.trees import Forest, load_forest
from pipeline.units import Floats

WEIGHTS = Path(__file__).with_name("slide_trees.npz")
LEAST_CONFIDENCE = 0.7
"""Of a slide that is given: higher than a half, since a false slide costs a reader more than a missed one."""


@cache
def _weights(path: Path) -> tuple[Forest, Forest, float, float]:
    with np.load(path) as held:
        slope, offset = (float(x) for x in held["accept_line"])
        check_names(path, "what accepts slides", held["names"] if "names" in held.files else None, NAMES)
    return load_forest(path, "accept"), load_forest(path, "kind"), slope, offset


def learnt_share(path: Path = WEIGHTS) -> float:
    """Share of slides among the candidates for which the confidences are stated."""
    record = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    return float(record["share_of_slides_stated_for"])


def forget_weights() -> None:
    """Read the weights anew when next asked: for training, which replaces them."""
    _weights.cache_clear()


def judge(values: Floats, *, path: Path = WEIGHTS) -> list[Judgement]:
    """Judges candidates by their features (n, len(NAMES)); all are accepted, with a confidence."""
    if not values.size:
        return []
    accept, kind, slope, offset = _weights(path)
    odds = slope * accept.scores(values)[:, 0] + offset
    confidence = expit(odds)
    shares = softmax(kind.scores(values), axis=1)
    return [
        Judgement(True, float(c), with_doubt(tuple(float(s) for s in row)))
        for c, row in zip(confidence, shares, strict=True)
    ]
