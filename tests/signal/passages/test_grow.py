"""A part grown from takes of a melody that it is not told."""

import numpy as np
import pytest

from pipeline.signal.passages.grow import grow
from pipeline.signal.passages.lay import lay
from tests.signal.passages.test_lay import LONG, melody, played


def spoilt(seed: int, shift: float) -> tuple[np.ndarray, np.ndarray]:
    """A take with a tenth of the notes missing, and half a tenth false ones."""
    rng = np.random.default_rng(seed)
    midi, start_s = played(melody(3), list(range(LONG)), seed=seed, beat_s=float(rng.uniform(0.35, 0.5)))
    keep = np.sort(rng.permutation(LONG)[: round(0.9 * LONG)])
    false = rng.choice(LONG, LONG // 20, replace=False)
    midi = np.append(midi[keep], midi[false] + rng.choice([-4.0, -3.0, 3.0, 4.0], false.size))
    start_s = np.append(start_s[keep], start_s[false] + 0.1)
    order = np.argsort(start_s)
    return midi[order] + shift, start_s[order]


def test_a_part_grows_from_five_takes() -> None:
    takes = [spoilt(20 + k, shift) for k, shift in enumerate((0.0, 2.0, -1.0, 0.1, 0.0))]
    made = grow(takes)
    grown = np.array([notes[0] for notes in made.part.pitches])
    written = np.array([notes[0] for notes in melody(3).pitches])
    # The key is that of the take begun with; every note stands once, in order, but for one in thirty.
    assert abs(grown.size - LONG) <= 3
    best = max(_in_common(grown, written + shift) for shift in range(-3, 4))
    assert best >= 0.97 * LONG
    assert min(made.takes) >= 3
    assert len(made.takes) == grown.size
    placed = [lay(made.part, midi=midi, start_s=start_s) for midi, start_s in takes]
    assert all(fit.state == "placed" for fit in placed)


def _in_common(one: np.ndarray, other: np.ndarray) -> int:
    """Length of the longest sequence that stands in both, in order (by the table of all prefixes)."""
    table = np.zeros((one.size + 1, other.size + 1), dtype=np.int64)
    for i in range(one.size):
        for j in range(other.size):
            same = table[i, j] + (one[i] == other[j])
            table[i + 1, j + 1] = max(same, table[i, j + 1], table[i + 1, j])
    return int(table[-1, -1])


def test_one_take_is_no_evidence() -> None:
    with pytest.raises(ValueError, match="1 takes"):
        grow([spoilt(1, 0.0)])
    empty = (np.zeros(0), np.zeros(0))
    with pytest.raises(ValueError, match="no notes"):
        grow([empty, empty])
