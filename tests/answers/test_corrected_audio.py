"""Corrected audio: a file at true speed with its account; the source stays as it was."""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import soundfile as sf

from pipeline.answers.corrected_audio import render_corrected
from pipeline.errors import DataError
from pipeline.store.audio.whole_sound import file_hash
from pipeline.store.corpus import Corpus

RATE = 48_000
CENTS = 1200 * np.log2(80 / 78)


@pytest.fixture
def corpus(tmp_path: Path) -> Corpus:
    for folder in ("catalogue", "audio"):
        (tmp_path / folder).mkdir()
    tables = {
        "side": "side_id,label\ns1,Nonesuch\n",
        "take": "take_id\nk1\n",
        "side_take": "side_id,take_id\ns1,k1\n",
        "transfer": "transfer_id,side_id,file,file_start_s,file_end_s,turntable_rpm\nt1,s1,one.wav,0.5,1.5,78\n",
    }
    for table, text in tables.items():
        (tmp_path / "catalogue" / f"{table}.csv").write_text(text, encoding="utf-8")
    at = np.arange(2 * RATE) / RATE
    sound = np.stack([0.9 * np.sin(2 * np.pi * 440 * at), 0.5 * np.sin(2 * np.pi * 660 * at)], axis=1)
    sf.write(tmp_path / "audio" / "one.wav", sound, RATE, subtype="PCM_16")
    made = Corpus(tmp_path)
    curve = {"transfer_id": ["t1"] * 51, "transfer_time_s": 0.02 * np.arange(51), "correction_cents": [CENTS] * 51}
    made.write("speed_curve", "t1", pl.DataFrame({**curve, "se_cents": [1.0] * 51}))
    speed = {
        "transfer_id": "t1",
        "state": "estimated",
        "speed_ratio": 80 / 78,
        "offset_cents": CENTS,
        "offset_se_cents": 1.0,
        "playing_rpm": 80.0,
        "reference_pitch_hz": 440.0,
        "estimated_state": "estimated",
        "estimated_speed_ratio": 80 / 78,
        "jump_count": 0,
        "one_speed": False,
    }
    jump = ("jump_s", "jump_from_s", "jump_to_s", "jump_cents", "jump_least_cents")
    limits = ("offset_low_cents", "offset_high_cents", "reference_pitch_low_hz", "reference_pitch_high_hz")
    waver = ("wow_hz", "wow_cents", "flutter_hz", "flutter_cents")
    empty = dict.fromkeys(
        ("key", "drift_range_cents", "drift_se_cents", *limits, *waver, *jump, "decided_by", "remark")
    )
    made.write("speed", "t1", pl.DataFrame([{**speed, **empty}]))
    return made


def test_the_span_sounds_at_true_speed_in_all_channels(corpus: Corpus) -> None:
    before = file_hash(corpus.root / "audio" / "one.wav")
    made = render_corrected(corpus, "t1")
    sound, rate = sf.read(made.path, always_2d=True)
    info = sf.info(made.path)
    assert (info.format, info.subtype, rate, sound.shape[1]) == ("FLAC", "PCM_24", RATE, 2)
    assert made.length_s == pytest.approx(78 / 80, abs=1e-4)
    for channel, hz in ((0, 440.0), (1, 660.0)):
        spectrum = np.abs(np.fft.rfft(sound[:, channel] * np.hanning(len(sound)), 1 << 20))
        assert np.argmax(spectrum) * RATE / (1 << 20) == pytest.approx(hz * 80 / 78, abs=0.1)
    assert file_hash(corpus.root / "audio" / "one.wav") == before


def test_the_account_tells_all_and_lets_it_be_undone(corpus: Corpus) -> None:
    made = render_corrected(corpus, "t1")
    account = json.loads(made.path.with_suffix(".json").read_text(encoding="utf-8"))
    assert account["transfer"]["file"] == "one.wav"
    assert account["speed"]["playing_rpm"] == 80.0
    assert account["curve"]["correction_cents"] == pytest.approx([CENTS] * 51, abs=1e-6)
    assert account["gain_db"] == 0.0
    first, second, rest = account["coding_history"].split("\r\n")
    assert first == "A=PCM,F=48000,W=16,M=stereo,T=one.wav"
    assert second.startswith("A=PCM,F=48000,W=24,M=stereo,T=Glideline")
    assert rest == ""
    text = made.path.with_suffix(".json").read_text(encoding="utf-8")
    assert str(corpus.root) not in text
    again = render_corrected(corpus, "t1")
    assert again.path.with_suffix(".json").read_text(encoding="utf-8") == text


def test_what_was_not_measured_is_refused_with_the_cure(corpus: Corpus) -> None:
    with pytest.raises(DataError, match="no transfer 't9'"):
        render_corrected(corpus, "t9")
    corpus.path("speed_curve", "t1").unlink()
    with pytest.raises(DataError, match="glideline run"):
        render_corrected(corpus, "t1")
