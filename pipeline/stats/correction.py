"""Rates corrected for slides missed and invented, with what is known of those errors carried along.

Each take has draws of its true slides per find, the same draws everywhere, so that an error common to both groups of a
ratio cancels in it. They come from the listening check (``stats.detection``: precision and misses, by the sound of the
take), from slides planted (``stats.recovery``: misses only, by side, length and size), or from both: then the listening
check says how many there are in a kind of sound, and recovery how they lie over its sides and lengths.

A group's rate of the music is that of its finds times true slides per find of all of them. Counts of clusters are set
right against each other first, and scaled so that their sum stays the number found, which chance alone moves (scaled
weights: Rao and Scott, JASA 76, 1981). Where players count alike, exposures are divided by what is known of each, which
is an offset, and what the draws leave open of all together is carried along.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.units import Floats

UNCORRECTED, LISTENING, RECOVERY, BOTH = "uncorrected", "listening", "recovery", "listening and recovery"
SOURCES = (UNCORRECTED, LISTENING, RECOVERY, BOTH)


def pooled(per_find: Floats, finds: Floats) -> Floats:
    """True slides per find of all parts together, shape (replicates,), from draws of each part, shape (parts,
    replicates), and its finds, shape (parts,)."""
    return np.asarray((per_find * finds[:, None]).sum(axis=0) / finds.sum())


@dataclass(frozen=True)
class Factor:
    """True slides per find of a group.

    Attributes
    ----------
    whole : draws for all finds of the group, shape (replicates,).
    clusters : draws for each cluster, in the order of their names, shape (clusters, replicates); None where unknown.
    names : of the clusters, sorted.
    source : one of ``SOURCES``.
    rests_on : excerpts judged and slides planted, by kind of sound that is in the group.
    """

    whole: Floats
    clusters: Floats | None
    names: Sequence[str]
    source: str
    rests_on: Mapping[int, tuple[int, int]]

    def means(self, names: Sequence[str]) -> Floats | None:
        """Mean of the draws of each named cluster, shape (names,); None where clusters are unknown."""
        drawn = self.drawn(names)
        return None if drawn is None else np.asarray(drawn.mean(axis=1))

    def drawn(self, names: Sequence[str]) -> Floats | None:
        """Draws of each named cluster, shape (names, replicates); those of the whole group for names it lacks."""
        if self.clusters is None:
            return None
        if names == self.names:
            return self.clusters
        place = {name: number for number, name in enumerate(self.names)}
        return np.stack([self.clusters[place[name]] if name in place else self.whole for name in names])

    def scaled(self, counts: Floats, names: Sequence[str]) -> Floats | None:
        """Counts of the named clusters set right against each other, with the sum that they had."""
        means = self.means(names)
        if means is None:
            return None
        right = counts * means
        return right * (counts.sum() / right.sum()) if right.sum() > 0 else counts

    def typical(self, names: Sequence[str], *, about_means: bool) -> Floats:
        """Draws of the factor of the typical one of the named clusters, shape (replicates,), whose mean is that of the
        clusters' means; ``about_means``: what is left of it once each cluster's exposure is divided by its mean."""
        drawn = self.drawn(names)
        if drawn is None:
            return self.whole
        made = np.exp(np.log(drawn).mean(axis=0))
        middle = 1.0 if about_means else np.exp(np.log(drawn.mean(axis=1)).mean())
        return np.asarray(made * (middle / made.mean()))
