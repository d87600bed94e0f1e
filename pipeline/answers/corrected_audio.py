"""Corrected audio of a transfer: its sound at true speed, with an account of everything that led to it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import __version__
from pipeline.errors import DataError
from pipeline.signal.speed.resample import BETA, CUTOFF, HALF_TAPS, PHASES, correct_samples
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.store.audio.corrected import source_bits, write_corrected
from pipeline.store.audio.whole_sound import read_channels
from pipeline.store.corpus import Corpus

METHOD = (
    f"variable-rate windowed sinc, Kaiser beta {BETA:g}, 2 x {HALF_TAPS} taps, {PHASES} phases interpolated "
    f"linearly, cut-off {CUTOFF:g} of the Nyquist frequency"
)


@dataclass(frozen=True)
class CorrectedFile:
    """Where corrected audio was written, how long it is, and by how many dB it had to be turned down."""

    transfer_id: str
    path: Path
    length_s: float
    gain_db: float


def render_corrected(corpus: Corpus, transfer_id: str) -> CorrectedFile:
    """Write ``derived/audio/<transfer_id>.flac`` and ``.json``; the source is only read.

    All channels are kept, at the source's sample rate and with 24 bits.

    Raises
    ------
    DataError
        If there is no such transfer, its speed has not been measured, or its audio cannot be read.
    """
    transfer = corpus.catalogue.row("transfer", transfer_id)
    if transfer is None:
        raise DataError(f"catalogue/transfer.csv: there is no transfer {transfer_id!r}", "look in `glideline status`")
    curve, speed = corpus.read("speed_curve", transfer_id), corpus.read("speed", transfer_id)
    if curve is None or speed is None:
        raise DataError(f"{transfer_id}: its speed has not been measured", "`glideline run` measures it")
    source = corpus.audio_path(transfer["file"])
    samples, rate = read_channels(source, start_s=transfer["file_start_s"], end_s=transfer["file_end_s"])
    speed_map = SpeedMap(curve["transfer_time_s"].to_numpy(), curve["correction_cents"].to_numpy())
    corrected = correct_samples(samples, sample_rate_hz=rate, speed_map=speed_map)
    path = corpus.derived / "audio" / f"{transfer_id}.flac"
    account = _account(corpus, transfer, speed.row(0, named=True), curve)
    account["coding_history"] = _coding_history(source, rate, samples.shape[1], float(speed["speed_ratio"][0]))
    gain_db = write_corrected(path, corrected, sample_rate_hz=rate, account=account)
    return CorrectedFile(transfer_id, path, corrected.shape[0] / rate, gain_db)


def _account(corpus: Corpus, transfer: Any, speed: Any, curve: pl.DataFrame) -> dict[str, Any]:
    transfer_id = transfer["transfer_id"]
    alternatives = corpus.read("speed_alternative", transfer_id)
    tuning = corpus.read("tuning", transfer_id)
    decision = corpus.catalogue.row("speed_decision", transfer_id) if speed["state"] == "decided" else None
    runs = corpus.read("run", transfer_id)
    written = ("step", "version", "samples_sha256", "settings", "key_sha256")
    steps = [] if runs is None else runs.select([name for name in written if name in runs.columns]).to_dicts()
    return {
        "transfer": {name: _plain(value) for name, value in transfer.items() if value is not None},
        "speed": speed,
        "decision": {name: _plain(value) for name, value in decision.items()} if decision else None,
        "alternatives": [] if alternatives is None else alternatives.to_dicts(),
        "measurement": None if tuning is None else tuning.row(0, named=True),
        "steps": steps,
        "curve": {
            "transfer_time_s": [round(t, 6) for t in curve["transfer_time_s"].to_list()],
            "correction_cents": [round(c, 6) for c in curve["correction_cents"].to_list()],
        },
        "method": METHOD,
        "software": f"Glideline {__version__}",
    }


def _plain(value: Any) -> Any:
    return value if isinstance(value, str | int | float | bool | list | None) else str(value)


def _coding_history(source: Path, rate: int, channels: int, ratio: float) -> str:
    """Two lines in the manner of EBU R 98: what the source was coded as, and what this file is."""
    mode = {1: "mono", 2: "stereo"}.get(channels, f"{channels} channels")
    bits = source_bits(source)
    coded = f"A=PCM,F={rate},W={bits}" if bits else f"A={source.suffix.lstrip('.').upper()},F={rate}"
    change = f"T=Glideline {__version__}; read at true speed, mean ratio {ratio:.6f}; variable-rate windowed sinc"
    return f"{coded},M={mode},T={source.name}\r\nA=PCM,F={rate},W=24,M={mode},{change}\r\n"
