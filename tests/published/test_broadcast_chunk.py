"""Broadcast chunks by EBU Tech 3285 v2 (May 2011), RF64 by EBU Tech 3306, coding history by EBU R98-1999."""

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.store.audio.chunks import chunks, shortfall
from pipeline.store.audio.claims import Claim, read_bext, read_claims, read_coding_history


def bext(
    version: int,
    *,
    time_reference: int = 0,
    history: str = "",
    loudness: tuple[int, ...] = (),
    date: str = "2019-04-01",
) -> bytes:
    """A broadcast chunk laid out field by field as Tech 3285 tables it (offset: field)."""
    content = bytearray(602)
    content[0:256] = b"Side 1, flat transfer".ljust(256, b"\0")  # 0 Description
    content[256:288] = b"Archive of Arl".ljust(32, b"\0")  # 256 Originator
    content[288:320] = b"XXARL0000001".ljust(32, b"\0")  # 288 OriginatorReference
    content[320:330] = date.encode()  # 320 OriginationDate
    content[330:338] = b"12-30-00"  # 330 OriginationTime
    struct.pack_into("<IIH", content, 338, time_reference & 0xFFFFFFFF, time_reference >> 32, version)
    if version >= 1:
        content[348:412] = bytes(range(64))  # 348 UMID
    if version >= 2:
        struct.pack_into("<5h", content, 412, *loudness)  # 412 LoudnessValue and four more
    return bytes(content) + history.encode()


def wav_with(path: Path, *extra: tuple[bytes, bytes]) -> Path:
    """A WAV file with further chunks before the samples."""
    buffer = io.BytesIO()
    soundfile.write(buffer, 0.1 * np.sin(np.arange(16_000) / 5), 8_000, format="WAV", subtype="PCM_16")
    plain = buffer.getvalue()
    data = plain.index(b"data")
    added = b"".join(name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2) for name, body in extra)
    whole = plain[:data] + added + plain[data:]
    path.write_bytes(whole[:4] + struct.pack("<I", len(whole) - 8) + whole[8:])
    return path


def said(claims: list[Claim]) -> dict[str, str]:
    return {claim.field: claim.value for claim in claims}


@pytest.mark.parametrize("version", [0, 1, 2])
def test_fields_of_each_version(version: int) -> None:
    found = said(read_bext(bext(version, loudness=(-2310, 850, -120, 0x7FFF, -2205))))
    assert found["Description"] == "Side 1, flat transfer"
    assert found["Originator"] == "Archive of Arl"
    assert found["OriginatorReference"] == "XXARL0000001"
    assert (found["OriginationDate"], found["OriginationTime"]) == ("2019-04-01", "12-30-00")
    assert found["Version"] == str(version)
    assert ("UMID" in found) == (version >= 1)
    assert ("LoudnessValue" in found) == (version >= 2)
    if version == 2:
        assert (found["LoudnessValue"], found["LoudnessRange"], found["MaxTruePeakLevel"]) == (
            "-23.10",
            "8.50",
            "-1.20",
        )
        assert "MaxMomentaryLoudness" not in found  # 0x7FFF: no value
        assert found["MaxShortTermLoudness"] == "-22.05"


def test_time_reference_is_one_number_of_64_bits() -> None:
    # last sample of a day at 96 kHz: 24 * 3600 * 96000 - 1, by arithmetic High 1, Low 3 999 432 703
    last = 24 * 3600 * 96_000 - 1
    chunk = bext(1, time_reference=last)
    assert struct.unpack_from("<II", chunk, 338) == (3_999_432_703, 1)
    assert said(read_bext(chunk))["TimeReference"] == "8294399999"


def test_the_files_date_never_speaks_of_the_recording() -> None:
    claims = [claim for claim in read_bext(bext(1)) if claim.field == "OriginationDate"]
    assert [claim.about for claim in claims] == ["transfer.transferred"]


def test_coding_history_gives_generations_and_a_speed() -> None:
    history = "A=ANALOGUE,M=mono,T=shellac 78.26 rpm; 65 um stylus; flat\r\nA=PCM,F=96000,W=24,M=stereo,T=ADC\r\n"
    claims = read_coding_history(history)
    assert [(c.field, c.about) for c in claims] == [
        ("generation 1", None),
        ("rpm of generation 1", "transfer.turntable_rpm"),
        ("generation 2", None),
    ]
    assert said(claims)["rpm of generation 1"] == "78.26"
    assert said(claims)["generation 2"] == "A=PCM,F=96000,W=24,M=stereo,T=ADC"


def test_claims_of_a_whole_file(tmp_path: Path) -> None:
    info = b"INFO" + b"INAM\x04\x00\x00\x00Air\0" + b"IART\x05\x00\x00\x00A. V\0\0"
    path = wav_with(tmp_path / "a.wav", (b"bext", bext(1, history="A=PCM,F=8000\r\n")), (b"LIST", info))
    claims = {(claim.carrier, claim.field): claim.value for claim in read_claims(path)}
    assert claims["bext", "Originator"] == "Archive of Arl"
    assert claims["coding_history", "generation 1"] == "A=PCM,F=8000"
    assert claims["info", "INAM (title)"] == "Air"
    assert claims["info", "IART (artist)"] == "A. V"


def test_rf64_sizes_come_from_ds64(tmp_path: Path) -> None:
    """Written by libsndfile, an independent reading of Tech 3306."""
    path = tmp_path / "a.rf64"
    soundfile.write(path, np.zeros(8_000), 8_000, format="RF64", subtype="PCM_16")
    raw = bytearray(path.read_bytes())
    assert raw[:4] == b"RF64"
    place = raw.index(b"data")
    raw[place + 4 : place + 8] = b"\xff\xff\xff\xff"
    path.write_bytes(raw)
    with path.open("rb") as file:
        sizes = {chunk.name: chunk.size for chunk in chunks(file)}
    assert sizes["data"] == 16_000
    with path.open("rb") as file:
        assert shortfall(file) is None
    path.write_bytes(raw[:-600])
    with path.open("rb") as file:
        assert shortfall(file) == "600 of 16,000 bytes of sound are missing"


def test_tags_of_flac_and_mp3(tmp_path: Path) -> None:
    import mutagen
    from mutagen.id3 import TIT2, TSRC

    tone = 0.1 * np.sin(np.arange(16_000) / 5)
    soundfile.write(tmp_path / "a.flac", tone, 8_000)
    flac = mutagen.File(tmp_path / "a.flac")
    flac["TITLE"], flac["PERFORMER"] = "Air", ["A. Vint", "B. Ort"]
    flac.save()
    claims = [(c.field, c.value, c.about) for c in read_claims(tmp_path / "a.flac")]
    assert ("title", "Air", "work.title") in claims
    assert [value for field, value, _ in claims if field == "performer"] == ["A. Vint", "B. Ort"]
    soundfile.write(tmp_path / "a.mp3", tone, 8_000)
    mp3 = mutagen.File(tmp_path / "a.mp3")
    mp3.add_tags()
    mp3.tags.add(TIT2(encoding=3, text=["Lied für Arl"]))
    mp3.tags.add(TSRC(encoding=3, text=["AA6Q72000047"]))
    mp3.save()
    claims = [(c.carrier, c.field, c.value, c.about) for c in read_claims(tmp_path / "a.mp3")]
    assert ("id3", "TIT2 (title)", "Lied für Arl", "work.title") in claims
    assert ("id3", "TSRC (isrc)", "AA6Q72000047", "take.isrc") in claims


@settings(max_examples=300, deadline=None)
@given(
    st.binary(max_size=700),
    st.sampled_from([b"bext", b"LIST", b"ds64", b"fmt ", b"\xff\0\xff\0"]),
    st.integers(0, 2**32 - 1),
)
def test_corrupt_chunks_never_break_the_reader(body: bytes, name: bytes, size: int) -> None:
    whole = b"RF64" + struct.pack("<I", size) + b"WAVE" + name + struct.pack("<I", size) + body
    with io.BytesIO(whole) as file:
        for chunk in chunks(file):
            content = chunk.content(file, most=1 << 16)
            assert len(content) <= len(body)
    assert all(len(claim.value) <= 4_000 for claim in read_bext(body))


def test_a_corrupt_file_claims_what_can_be_read(tmp_path: Path) -> None:
    path = wav_with(tmp_path / "a.wav", (b"bext", bext(1)[:300]), (b"LIST", b"INFOINAM\xff\xff\xff\xffAir"))
    claims = {(claim.carrier, claim.field): claim.value for claim in read_claims(path)}
    assert claims["bext", "Originator"] == "Archive of Arl"
    assert claims["info", "INAM (title)"] == "Air"
    (tmp_path / "b.mp3").write_bytes(b"ID3\x04\x00\x00\xff\xff\xff\xff" + b"TIT2" + bytes(50))
    assert read_claims(tmp_path / "b.mp3") == []
