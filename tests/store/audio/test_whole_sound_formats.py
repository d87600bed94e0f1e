"""Every sample of every kind of file is read, once: known counts, odd forms, and files that are really cut short.

What a file holds is known because it was made here: libsndfile and FFmpeg (through codecpod) write, we count samples
in and out. MPEG audio holds whole frames of 1152 samples (ISO/IEC 11172-3), of 576 at half the rates (13818-3); its
decoder swallows 529.
"""

import struct
from pathlib import Path

import codecpod
import mutagen
import numpy as np
import pytest
import soundfile

from pipeline.errors import AudioError
from pipeline.store.audio import mpeg_frames
from pipeline.store.audio.claims import read_claims
from pipeline.store.audio.whole_sound import hash_and_sound, read_sound, sound_info
from tests.helpers.odd_audio import RATE, adts, ape, id3, id3v1, m4a, mp3, music

RULE = "measured_lateral"
COUNT = 4 * RATE


def read(path: Path) -> np.ndarray:
    return read_sound(path, channel_rule=RULE).samples


def agrees(one: np.ndarray, other: np.ndarray, *, least: float = 0.99) -> bool:
    """Whether two sounds are alike, by correlation, over what both have."""
    size = min(len(one), len(other))
    return bool(np.corrcoef(one[:size], other[:size])[0, 1] > least)


WRITTEN = [
    *(
        (f"{kind}.wav", kind, "WAV")
        for kind in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW", "ALAW")
    ),
    *((f"x{kind}.wav", kind, "WAVEX") for kind in ("PCM_16", "PCM_24", "FLOAT")),
    ("a.rf64", "PCM_24", "RF64"),
    ("a.w64", "PCM_24", "W64"),
    ("a.aiff", "PCM_24", "AIFF"),
    ("a.caf", "PCM_24", "CAF"),
    ("lossless.caf", "ALAC_24", "CAF"),
    ("a.au", "PCM_16", "AU"),
    ("a.flac", "PCM_24", "FLAC"),
    ("a.ogg", "VORBIS", "OGG"),
]


@pytest.mark.parametrize(("name", "subtype", "container"), WRITTEN)
@pytest.mark.parametrize("channels", [1, 2])
def test_every_sample_is_read(tmp_path: Path, name: str, subtype: str, container: str, channels: int) -> None:
    samples = music(channels=channels)
    soundfile.write(tmp_path / name, samples, RATE, subtype=subtype, format=container)
    info = sound_info(tmp_path / name)
    assert (info.frames, info.channels, info.sample_rate_hz) == (COUNT, channels, RATE)
    left = read_sound(tmp_path / name, channel_rule="left").samples
    assert len(left) == COUNT
    assert agrees(left, samples[:, 0])


@pytest.mark.parametrize("rate", [8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000])
@pytest.mark.parametrize("variable", [False, True])
def test_mp3_at_every_rate_with_and_without_its_header(tmp_path: Path, rate: int, variable: bool) -> None:
    whole = mp3(tmp_path / "whole.mp3", variable=variable, rate=rate)
    bare = mp3(tmp_path / "bare.mp3", variable=variable, rate=rate, header=False)
    reference, count = music(rate=rate)[:, 0], 4 * rate
    assert len(read(whole)) == count  # the encoder's padding is told by the header, and taken off
    assert agrees(read(whole), reference)
    frame = 1152 if rate >= 32_000 else 576
    samples = read(bare)
    assert len(samples) % frame == frame - mpeg_delay()
    assert count <= len(samples) + mpeg_delay() <= count + 4 * frame
    # the encoder begins 576 samples late (LAME's technical FAQ), which only its header tells
    assert np.abs(samples[576 : 576 + count] - read(whole)).max() < 1e-5
    assert sound_info(bare).frames == len(samples)


def mpeg_delay() -> int:
    """Samples that come out of no MP3 decoder: 528 of the hybrid filter bank and one."""
    return 529


@pytest.mark.parametrize("header", [True, False])
@pytest.mark.parametrize(
    ("before", "behind"),
    [
        (id3(1_000), b""),
        (id3(3_000_000), id3v1()),
        (id3(200) + id3(5_000), ape() + id3v1()),
        (ape(), ape()),
        (b"", b"\0" * 5_000),
        (b"\0" * 2_000, b""),
    ],
)
def test_tags_of_any_size_around_an_mp3(tmp_path: Path, header: bool, before: bytes, behind: bytes) -> None:
    plain = mp3(tmp_path / "plain.mp3", variable=True, header=header)
    tagged = tmp_path / "tagged.mp3"
    tagged.write_bytes(before + plain.read_bytes() + behind)
    assert np.array_equal(read(tagged), read(plain))
    assert sound_info(tagged).remarks == ()


def test_a_header_that_tells_too_few_frames_loses_nothing(tmp_path: Path) -> None:
    """As where two files were put one behind the other."""
    one, other = mp3(tmp_path / "a.mp3"), mp3(tmp_path / "b.mp3", header=False)
    joined = tmp_path / "joined.mp3"
    joined.write_bytes(one.read_bytes() + id3(300) + other.read_bytes())
    assert len(read(joined)) > 2 * COUNT - 2 * 1152


@pytest.mark.parametrize("share", [0.5, 0.9, 0.99])
@pytest.mark.parametrize("header", [True, False])
def test_an_mp3_cut_off_is_told(tmp_path: Path, share: float, header: bool) -> None:
    content = mp3(tmp_path / "a.mp3", header=header, variable=True).read_bytes()
    (tmp_path / "cut.mp3").write_bytes(id3(700) + content[: round(share * len(content)) - 7])
    with pytest.raises(AudioError, match="is cut short"):
        read(tmp_path / "cut.mp3")


def test_noise_between_frames_is_passed_over_and_said(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    content = bytearray(mp3(tmp_path / "a.mp3", header=False).read_bytes())
    middle = len(content) // 2
    content[middle : middle + 300] = bytes(range(100)) * 3
    (tmp_path / "a.mp3").write_bytes(content)
    assert len(read(tmp_path / "a.mp3")) > COUNT - 4 * 1152
    assert "no sound" in sound_info(tmp_path / "a.mp3").remarks[0]
    assert capfd.readouterr() == ("", "")  # decoders keep their remarks to themselves


def test_a_header_of_the_rarer_kind(tmp_path: Path) -> None:
    """A VBRI frame as Fraunhofer's encoders write it: count of frames at byte 14 of the header."""
    bare = mp3(tmp_path / "bare.mp3", header=False).read_bytes()
    head = mpeg_frames.read_head(bare[:4])
    assert head is not None
    frame = bytearray(head.size)
    frame[:4] = bare[:4]
    frame[36:40] = b"VBRI"
    count = len(read(tmp_path / "bare.mp3")) // 1152 + 1
    frame[50:54] = count.to_bytes(4, "big")
    path = tmp_path / "vbri.mp3"
    path.write_bytes(bytes(frame) + bare)
    assert np.array_equal(read(path), read(tmp_path / "bare.mp3"))
    frame[50:54] = (2 * count).to_bytes(4, "big")
    path.write_bytes(bytes(frame) + bare)
    with pytest.raises(AudioError, match="is cut short"):
        read(path)


@pytest.mark.parametrize(("lossless", "channels"), [(True, 1), (True, 2), (False, 1), (False, 2)])
def test_mpeg4(tmp_path: Path, lossless: bool, channels: int) -> None:
    path = m4a(tmp_path / "a.m4a", lossless=lossless, channels=channels)
    info = sound_info(path)
    assert (info.frames, info.channels, info.coding) == (COUNT, channels, "ALAC" if lossless else "AAC")
    left = read_sound(path, channel_rule="left").samples
    reference = music(channels=channels)[:, 0]
    assert len(left) == COUNT
    assert agrees(left, reference, least=0.999999 if lossless else 0.97)
    part = read_sound(path, channel_rule="left", start_s=1.0, end_s=2.5).samples
    assert np.array_equal(part, left[RATE : round(2.5 * RATE)])
    cut = tmp_path / "cut.m4a"
    for share in (0.5, 0.9, 0.99):
        cut.write_bytes(path.read_bytes()[: round(share * path.stat().st_size)])
        with pytest.raises(AudioError, match="cut short"):
            sound_info(cut)
    (tmp_path / "tagged.m4a").write_bytes(path.read_bytes() + b"\0" * 40 + id3v1())
    assert len(read_sound(tmp_path / "tagged.m4a", channel_rule="left").samples) == COUNT


def test_tags_of_mpeg4_are_claims(tmp_path: Path) -> None:
    path = m4a(tmp_path / "a.m4a")
    tags = mutagen.File(path)
    tags["\xa9nam"], tags["\xa9ART"], tags["\xa9day"] = "Air", ["A. Vint", "B. Ort"], "1911"
    tags["----:com.apple.iTunes:LABEL"] = b"Owl"
    tags.save()
    said = {(c.field, c.value, c.about) for c in read_claims(path) if c.about}
    assert said == {
        ("\xa9nam (title)", "Air", "work.title"),
        ("\xa9ART (artist)", "A. Vint", "player.name"),
        ("\xa9ART (artist)", "B. Ort", "player.name"),
        ("\xa9day (date)", "1911", "take.recorded"),
        ("LABEL", "Owl", "side.label"),
    }
    assert {c.carrier for c in read_claims(path)} == {"mp4"}


def test_bare_aac(tmp_path: Path) -> None:
    path = adts(tmp_path / "a.aac", m4a(tmp_path / "a.m4a"))
    samples = read(path)
    assert COUNT <= len(samples) <= COUNT + 3 * 1024  # whole frames of 1024, with the encoder's own delay
    assert sound_info(path).frames == len(samples)
    assert np.max(np.correlate(samples[: RATE // 4], read(tmp_path / "a.m4a")[: RATE // 8], "valid")) > 0
    path.write_bytes(path.read_bytes()[:-9])
    with pytest.raises(AudioError, match="cut short: its last frame"):
        read(path)


def test_opus_leaves_out_what_goes_before(tmp_path: Path) -> None:
    samples = music(rate=48_000, channels=2)
    codecpod.save(tmp_path / "a.opus", samples, 48_000, codecpod.Opus(), channels_first=False)
    left = read_sound(tmp_path / "a.opus", channel_rule="left").samples
    assert len(left) == len(samples)  # RFC 7845: without the pre-skip, to the last granule position
    assert agrees(left, samples[:, 0], least=0.97)


@pytest.mark.parametrize("name", ["a.ogg", "a.opus"])
def test_a_chain_is_read_to_its_end(tmp_path: Path, name: str) -> None:
    rate, coding = (48_000, codecpod.Opus()) if name == "a.opus" else (RATE, codecpod.Vorbis())
    samples = music(rate=rate)
    codecpod.save(tmp_path / name, samples, rate, coding, channels_first=False)
    content = (tmp_path / name).read_bytes()
    once = read(tmp_path / name)
    (tmp_path / name).write_bytes(id3(500) + content + content + content)
    assert np.array_equal(read(tmp_path / name), np.concatenate([once, once, once]))
    across = read_sound(tmp_path / name, channel_rule="sum", start_s=3.0, end_s=9.0).samples
    assert np.array_equal(across, np.concatenate([once, once, once])[3 * rate : 9 * rate])
    assert "3 recordings" in sound_info(tmp_path / name).remarks[0]


def test_a_live_stream_lacks_its_last_mark(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.ogg", music(), RATE)
    content = bytearray((tmp_path / "a.ogg").read_bytes())
    last = content.rfind(b"OggS")
    (tmp_path / "live.ogg").write_bytes(content[:last])
    before = content.rfind(b"OggS", 0, last)
    told = int.from_bytes(content[before + 6 : before + 14], "little")  # granule position: samples so far (RFC 3533)
    assert len(read(tmp_path / "live.ogg")) == told > COUNT // 2
    assert "live streams" in sound_info(tmp_path / "live.ogg").remarks[0]
    (tmp_path / "cut.ogg").write_bytes(content[: last - 100])
    with pytest.raises(AudioError, match="cut short: its last page"):
        read(tmp_path / "cut.ogg")


def test_flac_of_unknown_length(tmp_path: Path) -> None:
    """As written to a pipe: the 36 bits of the count in STREAMINFO are zero (RFC 9639, 8.2)."""
    soundfile.write(tmp_path / "a.flac", music(channels=2), RATE)
    whole = read(tmp_path / "a.flac")
    content = bytearray((tmp_path / "a.flac").read_bytes())
    content[21] &= 0xF0
    content[22:26] = bytes(4)
    (tmp_path / "b.flac").write_bytes(content)
    assert sound_info(tmp_path / "b.flac").frames == COUNT
    assert np.array_equal(read(tmp_path / "b.flac"), whole)
    assert np.array_equal(hash_and_sound(tmp_path / "b.flac", channel_rule=RULE)[1].samples, whole)  # type: ignore[union-attr]
    (tmp_path / "c.flac").write_bytes(id3(100_000) + (tmp_path / "a.flac").read_bytes())
    assert np.array_equal(read(tmp_path / "c.flac"), whole)
    for name in ("a.flac", "b.flac"):
        (tmp_path / name).write_bytes((tmp_path / name).read_bytes()[:-300])
        with pytest.raises(AudioError, match="cut short"):
            read(tmp_path / name)


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
def test_a_wav_whose_size_was_never_written_is_read_to_its_end(tmp_path: Path, size: int) -> None:
    soundfile.write(tmp_path / "a.wav", music(channels=2), RATE, subtype="PCM_24")
    whole = read(tmp_path / "a.wav")
    content = bytearray((tmp_path / "a.wav").read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", size)
    content[4:8] = struct.pack("<I", size)
    (tmp_path / "b.wav").write_bytes(content)
    assert np.array_equal(read(tmp_path / "b.wav"), whole)
    assert "cut off" in sound_info(tmp_path / "b.wav").remarks[0]


def test_a_size_that_has_run_over_is_refused_and_said(tmp_path: Path) -> None:
    """10 GB of which the header calls 8 s sound: the rest would be lost in silence."""
    soundfile.write(tmp_path / "a.wav", music(8.0), RATE)
    with (tmp_path / "a.wav").open("r+b") as file:
        file.truncate(10_000_000_000)  # sparse: no disk is used
    with pytest.raises(AudioError, match=r"says that 705,600 bytes are sound, but 9,999,294,\d+ bytes follow"):
        sound_info(tmp_path / "a.wav")


def test_chunks_without_their_padding(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", music(), RATE)
    content = (tmp_path / "a.wav").read_bytes()
    odd = b"junk" + struct.pack("<I", 5) + b"12345"
    padded = content[:12] + odd + b"\0" + content[12:]
    (tmp_path / "b.wav").write_bytes(padded[:4] + struct.pack("<I", len(padded) - 8) + padded[8:])
    assert np.array_equal(read(tmp_path / "b.wav"), read(tmp_path / "a.wav"))
    behind = content + b"LIST" + struct.pack("<I", 5) + b"INFO\0" + b"id3 " + struct.pack("<I", 4) + bytes(4)
    (tmp_path / "c.wav").write_bytes(behind)
    assert len(read(tmp_path / "c.wav")) == COUNT


@pytest.mark.parametrize("name", ["a.w64", "a.caf", "a.au", "a.aiff"])
def test_other_containers_cut_short(tmp_path: Path, name: str) -> None:
    soundfile.write(tmp_path / name, music(), RATE, subtype="PCM_16")
    (tmp_path / name).write_bytes((tmp_path / name).read_bytes()[:-5_000])
    with pytest.raises(AudioError, match=r"cut short: 5,000 of 352,8\d\d bytes of sound are missing"):
        sound_info(tmp_path / name)


def test_absurd_peaks_are_refused_with_the_peak(tmp_path: Path) -> None:
    from pipeline.store.audio.whole_sound import check_usable

    for scale, refused in ((1.0, False), (2.0**15, False), (1e12, True), (1e30, True)):
        soundfile.write(tmp_path / "a.wav", music() * scale, RATE, subtype="FLOAT")
        samples = read(tmp_path / "a.wav")
        if refused:
            with pytest.raises(AudioError, match=r"t1: has a peak of [0-9.]+e\+\d\d where full scale is 1; export"):
                check_usable(samples, sample_rate_hz=RATE, shortest_s=2.0, name="t1")
        else:
            check_usable(samples, sample_rate_hz=RATE, shortest_s=2.0, name="t1")
