"""How sure a tuning curve is, from how far its own tones scatter.

The fit's weights belong to a bounded loss, so their inverse is not the variance of what they estimate. The scatter
of the tones' pulls on the curve gives it (the sandwich of Huber 1967), partials that begin together counted as
one. Smoothing and the disagreement of solo and accompaniment are not fixed at their likeliest values but summed
over, as Gaussian mixtures.
"""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.special import softmax

from pipeline.signal.tuning.spline import SMOOTHING, Fit, Weights, roughness, tone_variance
from pipeline.signal.tuning.steady_tones import ACCOMPANIMENT, SOLO, Tracks
from pipeline.units import Floats

# Where solo and accompaniment sound together, each may lie beside the pitch that the side is in: a piano is
# stretched or gone flat, a soloist plays sharp of it, and each disturbs the other's measurement. Most often both
# agree closely; how much each may be off, in cents, and how often.
SOLO_BIAS = ((0.3, 0.5), (1.0, 0.3), (2.5, 0.2))
ACCOMPANIMENT_BIAS = ((0.15, 0.95), (0.6, 0.05))
# no lathe keeps its drift straighter than this over a side
LEAST_BEND_CENTS = 2.0
_LEAST_CLUSTERS = 10
_TOGETHER_S = 0.06
_LEAST_SCALE = 0.1


def posterior(tracks: Tracks, fit: Fit, *, size: int) -> tuple[Floats, Floats]:
    """Mean (p,) and covariance (p, p) of the coefficients of a fit.

    Parameters
    ----------
    size : number of spline columns, the first of ``fit.columns``; where both sources sound, the columns of the
        solo's and the accompaniment's bias follow.
    """
    weights = scaled(tracks, fit)
    total = fit.columns.shape[1]
    whitened = weights.times(fit.columns, tracks)
    normal = fit.columns.T @ whitened
    right = whitened.T @ (fit.curve + fit.residual)
    precision, log_prior = _bias_priors(np.unique(tracks.source).size > 1, size, total)
    # second differences of sd 1/sqrt(smoothing) add up to this bend over a side of so many coefficients
    bend = size**1.5 / np.sqrt(12.0 * SMOOTHING)
    smoothing = SMOOTHING[bend >= LEAST_BEND_CENTS]
    systems = normal + smoothing[:, None, None] * roughness(size, total=total)
    systems = systems[:, None] + precision[None, :, :, None] * np.eye(total)
    systems = systems + 1e-10 * float(np.trace(normal)) * np.eye(total)
    covariances = np.linalg.inv(systems)
    means = covariances @ right
    evidence = 0.5 * means @ right - 0.5 * np.linalg.slogdet(systems)[1]
    evidence += 0.5 * (size - 2) * np.log(smoothing)[:, None] + log_prior
    share = softmax(evidence)
    mean = np.asarray(np.tensordot(share, means, axes=2))
    apart = (means - mean).reshape(-1, total)
    spread = (apart * share.reshape(-1, 1)).T @ apart
    return mean, np.asarray(np.tensordot(share, covariances, axes=2) + spread)


def _bias_priors(both: bool, size: int, total: int) -> tuple[Floats, Floats]:
    if not both:
        return np.zeros((1, total)), np.zeros(1)
    options = [(a, b, p * q) for a, p in SOLO_BIAS for b, q in ACCOMPANIMENT_BIAS]
    precision = np.zeros((len(options), total))
    precision[:, size] = [1.0 / a**2 for a, _, _ in options]
    precision[:, size + 1] = [1.0 / b**2 for _, b, _ in options]
    return precision, np.log([chance / (a * b) for a, b, chance in options])


def scaled(tracks: Tracks, fit: Fit) -> Weights:
    """The fit's weights with what tones say of the level made as sure as their scatter shows them to be."""
    weights = fit.weights
    strength, level = _levels(tracks, weights)
    sure = level / level_scale(tracks, fit)[tracks.source]
    return replace(weights, shrink=np.maximum(strength - sure, 0.0) / strength**2)


def level_scale(tracks: Tracks, fit: Fit) -> Floats:
    """Variance of a level estimated from tones over the inverse of their summed weights, by source, (2,)."""
    weights = fit.weights
    strength, level = _levels(tracks, weights)
    total = np.bincount(tracks.track, tracks.weight, tracks.count)
    mean = np.bincount(tracks.track, tracks.weight * fit.residual, tracks.count) / total
    sd, point_sd = weights.tone_sd[tracks.source], weights.point_sd[tracks.source]
    stray = mean**2 / (4.0 * (sd**2 + point_sd**2 / total))
    pull = level * np.bincount(tracks.track, weights.weight * fit.residual, tracks.count) / strength
    # derivative of the pull by the tone's level: outliers are let go of
    give = level - 4.0 * level**2 * tone_variance(sd, tracks.anchor, total) * stray * (1.0 + stray)
    cluster = _clusters(tracks)
    found = np.ones(2)
    for source in (SOLO, ACCOMPANIMENT):
        mine = tracks.source == source
        count = np.unique(cluster[mine]).size
        held = float(give[mine].sum())
        if count < _LEAST_CLUSTERS or held <= 0.0:
            continue
        pulls = np.bincount(cluster[mine], pull[mine])
        free = count / (count - 5.0)
        found[source] = max(_LEAST_SCALE, free * float(pulls @ pulls) * float(level[mine].sum()) / held**2)
    return found


def _levels(tracks: Tracks, weights: Weights) -> tuple[Floats, Floats]:
    # summed weight of each tone, and what of it speaks of the level
    strength = np.asarray(np.bincount(tracks.track, weights.weight, tracks.count), dtype=np.float64)
    return strength, strength - weights.shrink * strength**2


def _clusters(tracks: Tracks) -> npt.NDArray[np.int64]:
    # partials that begin together belong to one chord; every solo tone stands for itself
    number = np.arange(tracks.count)
    others = np.flatnonzero(tracks.source == ACCOMPANIMENT)
    if others.size:
        first = np.flatnonzero(np.diff(tracks.track, prepend=-1))
        start_s = tracks.time_s[first] - 0.5 * tracks.window_s[first]
        order = others[np.argsort(start_s[others], kind="stable")]
        later = np.diff(start_s[order], prepend=start_s[order[0]]) > _TOGETHER_S
        number[order] = order[0] + tracks.count * np.cumsum(later)
        number = np.unique(number, return_inverse=True)[1]
    return np.asarray(number, dtype=np.int64)
