"""The network that judges changes of note: its arithmetic beside scipy's, and views together as alone."""

import numpy as np
import pytest
from scipy.signal import correlate

from pipeline.learned_from import names_array
from pipeline.signal.line.between import COLUMNS, NAMES
from pipeline.signal.line.convolution import convolved
from pipeline.signal.line.glide_network import Judged, judge, weights


def some_view(rows: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=(rows, COLUMNS, len(NAMES))).astype(np.float32)


@pytest.mark.parametrize(("taps", "apart"), [(3, 1), (5, 2)])
def test_a_layer_is_a_rectified_correlation_of_each_view(taps: int, apart: int) -> None:
    # scipy.signal.correlate is the reference.
    rng = np.random.default_rng(3)
    lengths = np.array([14, 5])
    x = rng.normal(size=(lengths.sum(), 8, 4)).astype(np.float32)
    w = rng.normal(size=(taps, 3 * 4, 5)).astype(np.float32)
    b = rng.normal(size=5).astype(np.float32)
    found = convolved(x, lengths, w, b, taps=taps, apart=apart)
    spread = np.zeros(((taps - 1) * apart + 1, 3, 4, 5))
    spread[::apart] = w.reshape(taps, 3, 4, 5)
    for view, found_there in zip(np.split(x, lengths[:1]), np.split(found, lengths[:1]), strict=True):
        padded = np.pad(view, ((spread.shape[0] // 2,) * 2, (1, 1), (0, 0)))
        for d in range(5):
            wanted = sum(correlate(padded[..., c], spread[:, :, c, d], mode="valid") for c in range(4)) + b[d]
            np.testing.assert_allclose(found_there[..., d], np.maximum(wanted, 0.0), atol=1e-4)


def test_views_are_judged_together_as_each_alone() -> None:
    views = [some_view(rows, rows) for rows in (21, 30, 48)]
    together = judge(views, weights())
    for view, one in zip(views, together, strict=True):
        alone: Judged = judge([view], weights())[0]
        assert one.glide == pytest.approx(alone.glide, abs=1e-5)
        np.testing.assert_allclose(one.gliding, alone.gliding, atol=1e-5)
        np.testing.assert_allclose(one.way, alone.way, atol=1e-5)
        np.testing.assert_allclose(one.way.sum(axis=1), 1.0)
    assert judge([], weights()) == []


def test_weights_learned_from_something_else_are_refused(tmp_path) -> None:  # type: ignore[no-untyped-def]
    held = dict(weights())
    np.savez(tmp_path / "other.npz", **held, names=names_array(NAMES[::-1]))
    with pytest.raises(ValueError, match="learn it anew"):
        weights(tmp_path / "other.npz")
