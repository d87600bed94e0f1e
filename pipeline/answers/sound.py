"""The samples of a transfer, as its catalogue row asks for them."""

from pipeline.engine.jobs import SoundSpec
from pipeline.engine.planner import sound_spec
from pipeline.errors import DataError
from pipeline.steps.base import Sound
from pipeline.store.audio.whole_sound import read_sound
from pipeline.store.corpus import Corpus


def read(corpus: Corpus, spec: SoundSpec) -> Sound:
    """Decoded samples of the file, channels and span of ``spec``; raises AudioError as ``read_sound``."""
    path = corpus.audio_path(spec.file)
    return Sound.of(read_sound(path, channel_rule=spec.channel_rule, start_s=spec.start_s, end_s=spec.end_s))


def sound_of(corpus: Corpus, transfer_id: str) -> Sound:
    """Decoded samples of a transfer.

    Raises
    ------
    DataError
        If the catalogue has no such transfer, or its file cannot be read.
    """
    transfer = corpus.catalogue.row("transfer", transfer_id)
    if transfer is None:
        raise DataError(
            f"catalogue/transfer.csv: there is no transfer {transfer_id!r}", "`glideline status` lists them"
        )
    return read(corpus, sound_spec(transfer))
