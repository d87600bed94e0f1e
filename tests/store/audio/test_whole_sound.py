"""Audio of all kinds is read alike, never written, and each failure has one reason and a cure."""

import os
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.errors import AudioError
from pipeline.store.audio import whole_sound
from pipeline.store.audio.whole_sound import (
    check_usable,
    file_hash,
    hash_and_sound,
    read_sound,
    samples_hash,
    sound_info,
)
from tests.helpers.tones import mono, write_tone

KINDS = [
    ("a.wav", "PCM_16", 1e-9),
    ("a.wav", "PCM_24", 1e-9),
    ("a.wav", "PCM_32", 1e-9),
    ("a.wav", "FLOAT", 1e-9),
    ("a.rf64", "PCM_24", 1e-9),
    ("a.flac", "PCM_16", 1e-9),
    ("a.flac", "PCM_24", 1e-9),
    ("a.aiff", "PCM_24", 1e-9),
    ("a.ogg", "VORBIS", 0.05),
    ("a.mp3", "MPEG_LAYER_III", 0.05),
]


@pytest.mark.parametrize(("name", "subtype", "tolerance"), KINDS)
def test_every_kind_gives_the_same_samples(tmp_path: Path, name: str, subtype: str, tolerance: float) -> None:
    path = write_tone(tmp_path / name, subtype=subtype)
    samples, rate = mono(path, channel_rule="sum")
    reference, _ = mono(write_tone(tmp_path / "ref.wav", subtype="FLOAT"), channel_rule="sum")
    assert (rate, samples.dtype, samples.shape) == (22_050, np.dtype("float32"), reference.shape)
    assert np.max(np.abs(samples - reference)) < tolerance


@pytest.mark.parametrize("rate", [8_000, 11_025, 48_000, 192_000])
def test_every_rate_is_kept(tmp_path: Path, rate: int) -> None:
    path = write_tone(tmp_path / "a.wav", rate=rate, length_s=2.0)
    samples, found = mono(path, channel_rule="sum")
    assert (found, len(samples), sound_info(path).length_s) == (rate, 2 * rate, 2.0)


def test_channel_rules(tmp_path: Path) -> None:
    left, right = np.full(30_000, 0.5), np.full(30_000, -0.25)
    path = tmp_path / "a.wav"
    soundfile.write(path, np.stack([left, right], 1), 8_000, subtype="FLOAT")
    wanted = {"sum": 0.125, "difference": 0.375, "left": 0.5, "right": -0.25}
    got = {rule: float(read_sound(path, channel_rule=rule).samples[0]) for rule in wanted}
    assert got == wanted
    with pytest.raises(AudioError, match="channel rule 'mono'"):
        read_sound(path, channel_rule="mono")


def test_more_than_two_channels_need_a_plain_rule(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.tile([0.1, 0.2, 0.3], (9_000, 1)), 8_000, subtype="FLOAT")
    with pytest.raises(AudioError, match="has 3 channels, so sum is not clear"):
        read_sound(tmp_path / "a.wav", channel_rule="sum")
    assert read_sound(tmp_path / "a.wav", channel_rule="right").samples[0] == pytest.approx(0.2)


def test_a_span_is_cut_out_to_the_sample(tmp_path: Path) -> None:
    path = write_tone(tmp_path / "a.flac", length_s=20.0, rate=48_000)  # more than one block
    whole, _ = mono(path, channel_rule="sum")
    part, _ = mono(path, channel_rule="sum", start_s=2.5, end_s=13.25)
    assert np.array_equal(part, whole[120_000:636_000])
    with pytest.raises(AudioError, match=r"the span 2 to 21 s does not lie in the file's 20\.00 s"):
        read_sound(path, channel_rule="sum", start_s=2.0, end_s=21.0)


def test_hashes_tell_samples_from_files(tmp_path: Path) -> None:
    one = write_tone(tmp_path / "one.wav", channels=2)
    two = write_tone(tmp_path / "two.flac", channels=2)
    other = write_tone(tmp_path / "other.wav", channels=2, hz=441.0)
    assert samples_hash(one) == samples_hash(two)
    assert file_hash(one) != file_hash(two)
    assert samples_hash(one) != samples_hash(other)
    before = samples_hash(two)
    tags = __import__("mutagen").File(two)
    tags["title"] = "Air"
    tags.save()
    assert samples_hash(two) == before


@pytest.mark.parametrize("rule", ["sum", "difference", "left", "right"])
def test_one_decoding_gives_hash_and_sound(tmp_path: Path, rule: str) -> None:
    path = write_tone(tmp_path / "a.wav", channels=2, length_s=20.0, rate=48_000)  # more than one block
    sha256, sound = hash_and_sound(path, channel_rule=rule)
    assert sha256 == samples_hash(path)
    assert sound is not None
    assert np.array_equal(sound.samples, read_sound(path, channel_rule=rule).samples)
    assert sound.sample_rate_hz == 48_000


def test_a_sound_that_cannot_be_used_still_has_a_hash(tmp_path: Path) -> None:
    samples = np.zeros((8000, 1), dtype=np.float32)
    samples[4000] = np.nan
    soundfile.write(tmp_path / "nan.wav", samples, 8000, subtype="FLOAT")
    soundfile.write(tmp_path / "three.wav", np.zeros((8000, 3), dtype=np.float32), 8000)
    for name in ("nan.wav", "three.wav"):
        sha256, sound = hash_and_sound(tmp_path / name, channel_rule="sum")
        assert sha256 == samples_hash(tmp_path / name)
        assert sound is None


def test_the_file_is_never_written(tmp_path: Path) -> None:
    path = write_tone(tmp_path / "a.wav")
    path.chmod(0o444)
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    read_sound(path, channel_rule="sum")
    samples_hash(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


@pytest.mark.parametrize("name", ["a.wav", "a.rf64", "a.flac", "a.aiff", "a.ogg", "a.mp3"])
def test_a_file_cut_short_is_noticed(tmp_path: Path, name: str) -> None:
    path = write_tone(tmp_path / name)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    with pytest.raises(AudioError, match=r"cut short|damaged"):
        read_sound(path, channel_rule="sum")
    with pytest.raises(AudioError, match="copy the file again"):
        samples_hash(path)


BAD_BYTES = {
    "empty.wav": (b"", "is empty"),
    "text.wav": (b"not audio at all, but text\n" * 40, "is not an audio file"),
    "song.m4a": (b"\0\0\0\x20ftypM4A " + bytes(400), "cut short: its table of contents"),
    "song.wma": (b"\x30\x26\xb2\x75" + bytes(400), "Windows Media audio"),
    "half.wav": (b"RIFF\x24\x00\x00\x00WAVEfmt \x10\x00\x00\x00", "damaged or of an unsupported coding"),
    "codec.wav": (
        b"RIFF\x34\x00\x00\x00WAVEfmt \x10\x00\x00\x00"
        + struct.pack("<HHIIHH", 0x0163, 1, 8000, 8000, 1, 8)
        + b"data\x10\x00\x00\x00"
        + bytes(16),
        "unsupported coding",
    ),
}


@pytest.mark.parametrize("name", BAD_BYTES)
def test_what_is_no_audio_is_named(tmp_path: Path, name: str) -> None:
    content, message = BAD_BYTES[name]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(AudioError, match=message) as caught:
        read_sound(tmp_path / name, channel_rule="sum")
    assert str(caught.value).startswith(name)
    assert ";" in str(caught.value)


def test_missing_folder_and_unreadable_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(AudioError, match="there is no such file"):
        read_sound(tmp_path / "none.wav", channel_rule="sum")
    (tmp_path / "folder.wav").mkdir()
    with pytest.raises(AudioError, match="is not a file"):
        read_sound(tmp_path / "folder.wav", channel_rule="sum")
    path = write_tone(tmp_path / "a.wav")

    def refuse(self: Path, *arguments: object) -> object:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)  # root may read everything, so the system's answer is made up here
    with pytest.raises(AudioError, match=r"cannot be read \(permission denied\); give yourself the right"):
        read_sound(path, channel_rule="sum")


def test_a_pipe_does_not_hang(tmp_path: Path) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("no named pipes on this system")
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(AudioError, match="is not a file"):
        read_sound(tmp_path / "pipe.wav", channel_rule="sum")


def test_rates_outside_the_range_are_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(9_000), 4_000)
    with pytest.raises(AudioError, match="sample rate of 4000 Hz; 8 to 192 kHz"):
        read_sound(tmp_path / "a.wav", channel_rule="sum")


def test_nan_samples_are_placed(tmp_path: Path) -> None:
    samples = np.full(16_000, 0.1)
    samples[12_000] = np.nan
    soundfile.write(tmp_path / "a.wav", samples, 8_000, subtype="FLOAT")
    with pytest.raises(AudioError, match=r"not a number at 1\.500 s"):
        read_sound(tmp_path / "a.wav", channel_rule="sum")


def test_unusable_samples_are_told_apart() -> None:
    rng = np.random.default_rng(3)
    tone = (0.3 * np.sin(np.arange(80_000) / 5)).astype(np.float32)
    noise = rng.normal(scale=0.1, size=80_000).astype(np.float32)
    given = {"sample_rate_hz": 8_000, "shortest_s": 2.0, "name": "t1"}
    check_usable(tone, **given)
    check_usable(noise, **given)
    with pytest.raises(AudioError, match=r"t1: lasts 1\.00 s, too short to measure; at least 2 s"):
        check_usable(tone[:8_000], **given)
    with pytest.raises(AudioError, match="t1: is silent"):
        check_usable(np.zeros(80_000, np.float32), **given)
    with pytest.raises(AudioError, match="t1: is clipped throughout"):
        check_usable(np.clip(20 * tone, -1, 1), **given)


def test_memory_is_one_block_beside_the_result(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_tone(tmp_path / "a.wav", rate=48_000, length_s=20.0, channels=2)
    sizes = []
    rule = whole_sound.to_one

    def watch(block: np.ndarray, named: str) -> np.ndarray:
        sizes.append(len(block))
        return rule(block, named)

    monkeypatch.setattr(whole_sound, "to_one", watch)
    samples, _ = mono(path, channel_rule="sum")
    assert max(sizes) <= whole_sound.BLOCK_FRAMES < len(samples)
