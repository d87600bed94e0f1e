"""The parts of the tracker: noise floor, comb, candidates, path, posteriors, calibration, weights."""

import json
from pathlib import Path

import numpy as np
import pytest

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.line import network
from pipeline.signal.line.calibration import mean_of_neighbours
from pipeline.signal.line.candidates import (
    LEAST_LOGIT,
    LEAST_SHARE,
    LIKELY,
    LOUD_PARTIALS,
    choose,
    keep_likely,
    loudness,
    salience,
)
from pipeline.signal.line.follower import describer
from pipeline.signal.line.grid import BELOW, CONTEXT, bins_of_ratio, search_range
from pipeline.signal.line.path import best_path, posteriors
from pipeline.signal.line.refine import refine, steadied
from pipeline.signal.line.spectrum import (
    HOP_S,
    QUICK_WINDOW,
    WINDOW,
    NoiseFloor,
    Register,
    Scratch,
    hann,
    magnitudes,
    resampled,
)
from pipeline.signal.line.tracks import ALONG, RIVALS, track_features
from pipeline.signal.line.transform import FFT_SIZE

RATE = 11025


def test_hop_and_window_are_those_stated() -> None:
    assert pytest.approx(0.0058, abs=1e-4) == HOP_S
    assert hann().sum() == pytest.approx(2.0, rel=1e-6)
    sine = (0.5 * np.sin(2 * np.pi * 1001.3 * np.arange(RATE) / RATE)).astype(np.float32)
    padded = resampled(sine, sample_rate_hz=RATE, register=Register(0))
    peak = magnitudes(padded, register=Register(0), first=50, count=1).max()
    # A zero-padded Hann window loses at most 0.4 dB between bins (Harris 1978: 1.42 dB without padding).
    assert 0.5 * 10 ** (-0.4 / 20) <= peak <= 0.5001


@pytest.mark.parametrize("window", [WINDOW, QUICK_WINDOW])
def test_magnitudes_are_those_of_a_plain_transform(window: int) -> None:
    rng = np.random.default_rng(3)
    sound = rng.standard_normal(3000).astype(np.float32)
    padded = resampled(sound, sample_rate_hz=RATE, register=Register(0))
    ours = magnitudes(padded, register=Register(0), first=-3, count=60, window=window)
    for frame in (0, 1, 20, 46):
        middle = np.pad(sound, window // 2)[frame * 64 : frame * 64 + window]
        plain = np.abs(np.fft.rfft(middle * hann(window), FFT_SIZE))
        assert np.allclose(ours[frame + 3], plain, atol=1e-5)
    if window == WINDOW:
        assert not ours[:2].any()


def test_a_candidate_is_described_by_what_its_features_are_named_for() -> None:
    rng = np.random.default_rng(6)
    search = search_range("cello")
    rows = 3 + 2 * CONTEXT
    high, low = rng.standard_normal((2, rows, search.grid.n)).astype(np.float32)
    saliences = rng.standard_normal((rows, search.n)).astype(np.float32)
    bins = np.array([[0, -1], [search.split, 100], [search.n - 1, -1]], dtype=np.int32)
    strength = np.ones((3, 2), dtype=np.float32)
    seen = describer([high, low], saliences, strength, search=search, scratch=Scratch())(slice(0, 3), bins)
    names = network.feature_names()
    for row, (t, i) in zip(seen, ((0, 0), (1, search.split), (1, 100), (2, search.n - 1)), strict=True):
        own, other = (low, high) if i < search.split else (high, low)
        now, at = t + CONTEXT, BELOW + i
        told = dict(zip(names, row, strict=True))
        assert told["grid-14+60"] == own[now - 14, at + 60]
        assert told["other+6+95"] == other[now + 6, at + 95]
        assert told["near+56+60"] == own[now + 56, at + 58 : at + 63].max()
        for past, step in ((18, -60), (0, 95), (-9, 0)):
            place = i + step
            near = saliences[now + past, max(place - 2, 0) : place + 3]
            expected = 0.125 * near.max() if 0 <= place < search.n else 0.0
            assert told[f"comb{past:+d}{step:+d}"] == pytest.approx(expected)


def test_noise_floor_is_the_quantile_of_the_noise() -> None:
    # The magnitude of Gaussian noise is Rayleigh distributed: its 20 % quantile is 0.668 sigma.
    rng = np.random.default_rng(4)
    sound = rng.standard_normal(30 * RATE).astype(np.float32)
    padded = resampled(sound, sample_rate_hz=RATE, register=Register(0))
    floor = NoiseFloor(padded, register=Register(0), n_frames=30 * 172).at(1000)
    sigma = np.sqrt(np.sum(hann() ** 2) / 2)
    assert np.median(floor) == pytest.approx(0.668 * sigma, rel=0.06)


def test_a_held_partial_is_no_noise() -> None:
    rng = np.random.default_rng(5)
    n = 20 * RATE
    tone = np.sin(2 * np.pi * 1500 * np.arange(n) / RATE)
    sound = (tone + 0.01 * rng.standard_normal(n)).astype(np.float32)
    padded = resampled(sound, sample_rate_hz=RATE, register=Register(0))
    floor = NoiseFloor(padded, register=Register(0), n_frames=20 * 172).at(500)
    assert floor[round(1500 / Register(0).bin_hz)] < 3 * np.median(floor)


def highest(row: np.ndarray, most: int) -> np.ndarray:
    """The candidates of one frame."""
    bins, (strength, beside) = np.empty((1, most), dtype=np.int32), np.empty((2, 1, most), dtype=np.float32)
    choose(row[None], bins, strength, beside)
    return bins[0]


def test_candidates_are_the_highest_local_maxima() -> None:
    rng = np.random.default_rng(6)
    for _ in range(20):
        row = rng.standard_normal(200).astype(np.float32)
        chosen = highest(row, 12)
        inner = [i for i in range(1, 199) if row[i] >= row[i - 1] and row[i] > row[i + 1] and row[i] > 0]
        inner += [i for i, j in ((0, 1), (199, 198)) if row[i] > row[j] and row[i] > 0]
        assert chosen.tolist() == sorted(inner, key=lambda i: -row[i])[:12]


def test_salience_reads_the_long_window_below_the_split_and_the_clearer_of_both_above() -> None:
    high, low = np.random.default_rng(4).normal(size=(2, 3, 40)).astype(np.float32)
    below, split, low_end, n = 5, 6, 20, 14
    offsets, weights = np.array([0, 9, -3]), np.array([1.0, 0.5, -0.25], dtype=np.float32)
    found = np.empty((3, n), dtype=np.float32)
    salience(high, low, split, low_end, below, offsets, weights, found)
    both = np.where(np.arange(40) < low_end, np.maximum(high, low), high)
    for i in range(n):
        grid = low if i < split else both
        expected = sum(w * grid[:, below + i + d] for d, w in zip(offsets, weights, strict=True))
        assert np.allclose(found[:, i], expected, atol=1e-5)


def test_few_candidates_leave_places_empty() -> None:
    chosen = highest(np.array([0, 1, 0, 2, 0, -1, 0], dtype=np.float32), 4)
    assert chosen.tolist() == [3, 1, -1, -1]


def test_likely_candidates_are_kept_in_their_order_with_what_is_known_of_them() -> None:
    rng = np.random.default_rng(8)
    logits = rng.uniform(-12, 4, (300, 20)).astype(np.float32)
    # In the last frames all are equally likely or nearly so, more of them than there is room for.
    logits[250:] *= 0.2
    count = rng.integers(0, 21, 300)
    bins = np.where(np.arange(20) < count[:, None], np.arange(6000).reshape(300, 20), -1).astype(np.int32)
    kept = np.empty((300, LIKELY), dtype=np.int32)
    others = [np.full(kept.shape, np.nan, dtype=np.float32) for _ in range(3)]
    keep_likely(bins, logits, logits + 1, logits + 2, kept, *others)
    for t in range(300):
        there = logits[t, : count[t]]
        best = [j for j in np.argsort(-there)[:LIKELY] if there[j] >= there.max() + LEAST_LOGIT]
        expected = sorted(best)
        assert kept[t, : len(expected)].tolist() == bins[t, expected].tolist()
        assert (kept[t, len(expected) :] == -1).all()
        for found, more in zip(others, (0, 1, 2), strict=True):
            assert np.array_equal(found[t, : len(expected)], there[expected] + np.float32(more))


def test_candidates_know_where_in_their_bin_they_peak() -> None:
    # Three points of a parabola say where it peaks.
    at = np.arange(40)
    row = np.maximum(5.0 - (at - 10.3) ** 2, 3.0 - 0.5 * (at - 24.8) ** 2)[None].astype(np.float32)
    bins = np.empty((1, 4), dtype=np.int32)
    strength, beside = (np.empty(bins.shape, dtype=np.float32) for _ in range(2))
    choose(row, bins, strength, beside)
    assert bins.tolist() == [[10, 25, -1, -1]]
    assert beside[0] == pytest.approx([0.3, -0.2, 0.0, 0.0], abs=1e-4)
    assert strength[0, 1] > LEAST_SHARE * strength[0, 0]


def test_the_pitch_is_where_most_partials_agree() -> None:
    # Three partials are drowned by louder tones 35 cents higher, as under a piano; the rough pitch is 8 cents off.
    at = np.arange(RATE) / RATE
    own = sum(np.sin(2 * np.pi * 300.0 * h * at + h * h) / h for h in range(1, 13))
    others = sum(2.0 / h * np.sin(2 * np.pi * 300.0 * h * 2 ** (35 / 1200) * at) for h in (2, 3, 4))
    padded = resampled((0.1 * (own + others)).astype(np.float32), sample_rate_hz=RATE, register=Register(0))
    spectrum = magnitudes(padded, register=Register(0), first=50, count=60)
    f0, level, prominence = (np.full(60, np.nan) for _ in range(3))
    floor = np.full(spectrum.shape[1], 1e-4, dtype=np.float32)
    rough = np.full(60, 300.0 * 2 ** (8 / 1200))
    rough[30] = np.nan
    refine(spectrum, floor, Register(0).bin_hz, rough, f0, level, prominence)
    assert np.isnan(f0[30])
    assert np.abs(1200 * np.log2(np.delete(f0, 30) / 300.0)).max() < 0.5


def test_a_candidate_s_level_is_that_of_its_partials_over_the_floor() -> None:
    hz = np.array([200.0, 300.0])
    magnitude = np.full((1, 513), 0.01, dtype=np.float32)
    magnitude[0, [round(h * 300.0 / 10.0) for h in range(1, LOUD_PARTIALS + 1)]] = 0.1
    floor = np.full(513, 0.01, dtype=np.float32)
    out = np.zeros((1, 2), dtype=np.float32)
    loudness(magnitude, 1, floor, hz, 10.0, 1, 2, np.array([[1, 0]], dtype=np.int32), out)
    # 20 dB over the floor are 2.3 units of 8.7 dB; what another register serves is left alone.
    assert out[0] == pytest.approx([np.log(10.0), 0.0], abs=1e-3)


def test_tracks_that_only_fade_differ_from_those_that_waver() -> None:
    n = 400
    bins = np.tile(np.array([[40, 90, -1]], dtype=np.int32), (n, 1))
    logits, strength, beside, level = (np.zeros(bins.shape, dtype=np.float32) for _ in range(4))
    # The first wavers by 8 cents six times a second, the second fades by 2 % a frame.
    beside[:, 0] = 0.4 * np.sin(2 * np.pi * 6.0 * np.arange(n) * HOP_S)
    level[:, 1] = -0.02 * np.arange(n)
    share = np.full((n, 4), 0.25)
    seen = track_features(bins, logits, strength, beside, level, share, lowest_midi=55.0, per_bin=0.2)(
        slice(0, n), bins
    )
    seen = seen.reshape(n, 2, -1)  # of the two that are there
    past = seen[..., len(RIVALS) + 8 :][..., : len(ALONG)]
    future = seen[..., len(RIVALS) + 8 + len(ALONG) :][..., : len(ALONG)]
    for history in (past, future):
        assert (history[100:300, 0, [7, 8]] > 0.05).all()
        assert np.abs(history[100:300, 1, [2, 5, 7, 8]]).max() < 1e-6
    # Against its highest level: forwards it has fallen ever more, backwards it only rises.
    assert (np.diff(past[:, 1, 11]) < 0).all()
    assert np.abs(future[:, 1, 11]).max() < 1e-6


def test_ranges_reach_three_semitones_beyond_the_strings() -> None:
    for name, kind in INSTRUMENTS.items():
        search = search_range(name)
        midi = 69 + 12 * np.log2(search.hz() / 440.0)
        assert midi[0] == pytest.approx(kind.lowest_midi - 3)
        assert midi[-1] >= min(kind.highest_midi + 3, 106) - 0.5
    assert search_range("violin").hz()[-1] > 2093
    assert bins_of_ratio(2) == 60


def test_path_glides_and_ignores_a_stray_frame() -> None:
    n = 60
    bins = np.full((n, 3), -1, dtype=np.int32)
    logits = np.zeros((n, 3), dtype=np.float32)
    bins[:, 0] = 50 + np.arange(n) * 2
    logits[:, 0] = 6.0
    bins[:, 1] = 200
    logits[:, 1] = 3.0
    logits[30, 1] = 9.0
    path = best_path(bins, logits, silence=0.0)
    assert (path == 0).all()


def test_posteriors_are_those_of_all_paths_summed() -> None:
    # Against every path of a small case, one by one.
    from itertools import product

    from pipeline.signal.line import path as m

    rng = np.random.default_rng(7)
    bins = np.array([[3, 40], [5, 41], [30, 44]], dtype=np.int32)
    logits = rng.normal(0, 2, (3, 2)).astype(np.float32)
    full = np.concatenate((logits, np.full((3, 1), 0.3)), axis=1)
    # Shares are weakened to their square roots.
    score = np.maximum(0.5 * (full - np.log(np.exp(full).sum(axis=1, keepdims=True))), m.LOWEST)
    total = np.zeros((3, 3))
    for states in product(range(3), repeat=3):
        weight = score[0, states[0]]
        for t in (1, 2):
            a, b = states[t - 1], states[t]
            if a == 2 and b == 2:
                cost = 0.0
            elif a == 2 or b == 2:
                cost = m.SILENCE_COST
            else:
                d = abs(int(bins[t - 1, a]) - int(bins[t, b]))
                cost = m.GLIDE_COST * d if d <= m.GLIDE_BINS else m.LEAP_COST
            weight += score[t, b] - cost
        for t in range(3):
            total[t, states[t]] += np.exp(weight)
    expected = total / total.sum(axis=1, keepdims=True)
    assert np.allclose(posteriors(bins, logits, silence=0.3), expected, atol=1e-5)


def test_glides_are_made_smooth_and_leaps_stay() -> None:
    glide = 45.0 * np.clip(np.arange(-8.0, 16.0), 0.0, 9.0)
    rough = glide + np.where(np.abs(np.arange(24) - 12) < 5, 20.0 * (-1.0) ** np.arange(24), 0.0)
    line = 440.0 * 2.0 ** (rough / 1200)
    off = 1200 * np.log2(steadied(line) / 440.0) - glide
    assert np.abs(off[10:15]).max() < 8.0
    assert np.allclose(off[[*range(5), *range(20, 24)]], 0.0)
    leap = np.repeat((440.0, 660.0), 10)
    slow = 440.0 * 2.0 ** (np.arange(20) / 120)
    for same in (leap, slow, np.where(np.arange(24) == 12, np.nan, line)[9:16], line[:5], np.full(9, np.nan)):
        assert np.array_equal(steadied(same), same, equal_nan=True)


def test_weights_learned_from_other_features_are_refused(tmp_path: Path) -> None:
    with np.load(network.WEIGHTS, allow_pickle=False) as file:
        arrays = {name: file[name] for name in file.files}
    other = tmp_path / "weights.npz"
    for stage in network.STAGES:
        names = arrays[f"{stage}_names"].copy()
        names[[0, 1]] = names[[1, 0]]
        np.savez(other, **{**arrays, f"{stage}_names": names})
        with pytest.raises(ValueError, match=f"{stage} part for violin was learned from other features.*order differs"):
            network.load_network(other, "violin")
        np.savez(other, **{name: a for name, a in arrays.items() if name != f"{stage}_names"})
        with pytest.raises(ValueError, match="does not say what it was learned from"):
            network.load_network(other, "violin")


def test_moving_mean_shortens_at_the_ends() -> None:
    assert mean_of_neighbours(np.array([1.0, 2.0, 6.0]), half=1).tolist() == [1.5, 3.0, 4.0]


def test_weights_are_small_plain_and_recorded() -> None:
    # 120 kB until the spectral network was widened by half: scenes like real ones took their room beside plain ones.
    assert network.WEIGHTS.stat().st_size < 160_000
    with np.load(network.WEIGHTS, allow_pickle=False) as file:
        assert all(file[name].dtype.kind == ("U" if name.endswith("_names") else "f") for name in file.files)
    record = network.training_record()
    assert sorted(record) == sorted(INSTRUMENTS)
    for instrument, stages in record.items():
        assert {"spectral", *network.TRACKING, "calibration"} == set(stages), instrument
        assert all("own additive voices" in stage["sound"] for stage in stages.values())
    assert "path" not in json.dumps(record)
