"""Which of two channels is used: each case made so that the answer is known, and what is measured set beside it."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.errors import AudioError
from pipeline.store.audio.channels import ChannelUse, channel_rule_of
from pipeline.store.audio.whole_sound import hash_and_sound, read_sound

RATE = 44_100
LATERAL, VERTICAL = "measured_lateral", "measured_vertical"


def music(length_s: float = 12.0, *, seed: int = 1) -> np.ndarray:
    """Notes with partials, a new one each half second."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(length_s * RATE)) / RATE
    hz = 220 * 2 ** (rng.integers(0, 24, round(2 * length_s)) / 12)
    phase = 2 * np.pi * np.cumsum(hz[np.minimum((2 * time).astype(int), len(hz) - 1)]) / RATE
    return np.asarray(0.2 * sum(np.sin(n * phase) / n for n in range(1, 9)))


def noise(level: float, *, seed: int) -> np.ndarray:
    return np.asarray(level * np.random.default_rng(seed).normal(size=round(12 * RATE)))


def use_of(tmp_path: Path, left: np.ndarray, right: np.ndarray, rule: str = LATERAL) -> ChannelUse:
    soundfile.write(tmp_path / "a.wav", np.stack([left, right], 1), RATE, subtype="FLOAT")
    return read_sound(tmp_path / "a.wav", channel_rule=rule).use


def test_two_clean_walls_are_added(tmp_path: Path) -> None:
    """Equal music and unlike noise: the sum gains 3 dB (doubled amplitude, doubled noise power)."""
    use = use_of(tmp_path, music() + noise(0.02, seed=2), music() + noise(0.02, seed=3))
    assert (use.rule, use.ruled_by, use.inverted) == ("sum", "measured", False)
    assert use.noise_db == pytest.approx(0.0, abs=0.5)
    assert use.delay_ms == pytest.approx(0.0, abs=0.01)
    assert "clearer than either" in use.reason


@pytest.mark.parametrize("softer_db", [3.0, 20.0, 31.0])
def test_channels_that_differ_by_level_alone_share_all(tmp_path: Path, softer_db: float) -> None:
    use = use_of(tmp_path, music(), 10 ** (-softer_db / 20) * music())
    assert use.shared == pytest.approx(1.0)
    assert use.shared <= 1.0


@pytest.mark.parametrize(("worn", "kept"), [("left", "right"), ("right", "left")])
def test_a_worn_wall_is_left_out(tmp_path: Path, worn: str, kept: str) -> None:
    """Noise 12 dB higher in one channel: the sum has a quarter of 1 + 16 times the noise, 6.3 dB more than the better.

    What is measured is less than 12 dB, since partials spread a little over the floor between them.
    """
    clean, bad = music() + noise(0.02, seed=2), music() + noise(0.08, seed=3)
    left, right = (bad, clean) if worn == "left" else (clean, bad)
    use = use_of(tmp_path, left, right)
    assert use.rule == kept
    noisier = (use.noise_db or 0.0) * (1 if worn == "right" else -1)
    assert 5.0 < noisier < 12.04
    assert f"the {worn} channel is noisier" in use.reason


def test_a_little_wear_keeps_the_sum(tmp_path: Path) -> None:
    """At 3 dB more noise the sum is still better than the better wall: 6 dB of music against 4.8 dB of noise."""
    use = use_of(tmp_path, music() + noise(0.02, seed=2), music() + noise(0.028, seed=3))
    assert use.rule == "sum"


def test_an_inverted_channel_makes_the_difference(tmp_path: Path) -> None:
    use = use_of(tmp_path, music() + noise(0.02, seed=2), -music() + noise(0.02, seed=3))
    assert (use.rule, use.inverted) == ("difference", True)
    assert "upside down" in use.reason


def test_a_dead_channel_is_left_out(tmp_path: Path) -> None:
    for left, right, kept in ((music(), 0 * music(), "left"), (noise(1e-5, seed=4), music(), "right")):
        use = use_of(tmp_path, left, right)
        assert use.rule == kept
        assert "is dead" in use.reason


def test_a_channel_of_hum_and_noise_is_left_out(tmp_path: Path) -> None:
    use = use_of(tmp_path, noise(0.2, seed=5), music() + noise(0.01, seed=6))
    assert use.rule == "right"
    assert (use.shared or 0.0) < 0.6


def test_a_delay_is_measured_and_one_channel_taken(tmp_path: Path) -> None:
    """22 samples are 0.499 ms: their sum has its first zero at 1 kHz (1 / 2 T)."""
    one = music()
    use = use_of(tmp_path, one + noise(0.01, seed=2), np.roll(one, 22) + noise(0.01, seed=3))
    assert use.rule in ("left", "right")
    assert use.delay_ms == pytest.approx(0.499, abs=0.01)
    assert "0.50 ms apart" in use.reason


def test_a_hill_and_dale_disc_is_in_the_difference(tmp_path: Path) -> None:
    left, right = music() + noise(0.02, seed=2), -music() + noise(0.02, seed=3)
    assert use_of(tmp_path, left, right, VERTICAL).rule == "difference"
    mixed = use_of(tmp_path, music(), music(), VERTICAL)  # somebody has made it mono already
    assert mixed.rule == "sum"


def test_identical_channels_are_their_sum(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.stack([music(), music()], 1), RATE, subtype="FLOAT")
    heard = read_sound(tmp_path / "a.wav", channel_rule=LATERAL)
    assert heard.use.rule == "sum"
    assert np.abs(heard.samples - music()).max() < 1e-6


def test_the_catalogue_rules_and_one_channel_needs_no_rule(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.stack([0 * music(), music()], 1), RATE)
    ruled = read_sound(tmp_path / "a.wav", channel_rule="left")
    assert (ruled.use.rule, ruled.use.ruled_by) == ("left", "catalogue")
    assert not ruled.samples.any()
    soundfile.write(tmp_path / "b.wav", music(), RATE)
    assert read_sound(tmp_path / "b.wav", channel_rule=LATERAL).use.rule == "mono"
    soundfile.write(tmp_path / "c.wav", np.stack([music()] * 3, 1), RATE)
    with pytest.raises(AudioError, match="has 3 channels, so sum is not clear"):
        read_sound(tmp_path / "c.wav", channel_rule=LATERAL)
    assert channel_rule_of(channel_rule=None, groove=None) == LATERAL
    assert channel_rule_of(channel_rule="left", groove="vertical") == "left"
    assert channel_rule_of(channel_rule=None, groove="vertical") == VERTICAL


@pytest.mark.parametrize("right", [0.0, -1.0, 1.0])
def test_the_choice_is_that_of_the_span_and_of_one_decoding(tmp_path: Path, right: float) -> None:
    soundfile.write(tmp_path / "a.wav", np.stack([music(), right * music()], 1), RATE)
    _, heard = hash_and_sound(tmp_path / "a.wav", channel_rule=LATERAL)
    read = read_sound(tmp_path / "a.wav", channel_rule=LATERAL)
    assert heard is not None
    assert heard.use == read.use
    assert np.array_equal(heard.samples, read.samples)
    assert np.abs(heard.samples).max() > 0.1


def test_silence_and_shortness_are_no_fault(tmp_path: Path) -> None:
    for samples in (np.zeros((RATE, 2)), np.ones((RATE, 2)) * 0.1, np.zeros((300, 2)), np.eye(2).repeat(2_000, 0)):
        soundfile.write(tmp_path / "a.wav", samples, RATE)
        assert read_sound(tmp_path / "a.wav", channel_rule=LATERAL).use.rule in ("sum", "left", "right", "difference")
