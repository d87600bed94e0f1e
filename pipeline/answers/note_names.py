"""Names of notes, spelt as the key of the music spells them, in tables and on pages alike: A♭5 in C minor.

A key spells its twelve notes as the harmonic chromatic scale on its tonic: along the line of fifths they reach from its
lowered second to its raised fourth, in major as in minor. Common theory of music, from memory.
"""

import re
from collections.abc import Callable, Mapping
from typing import Any

from pipeline.store.catalogue.recording import takes_on
from pipeline.store.corpus import Corpus

Spelling = Callable[[float], str]

UNKNOWN = "G major"
"""Spells where no key is known: with C sharp and F sharp, B flat, E flat and A flat."""
_FIFTHS = "FCGDAEB"
_BELOW = 5  # fifths from the tonic down to the lowered second
_TONIC = re.compile("([A-G])(?: ?(b|flat|#|sharp))?")
_SIGNS = {None: 0, "b": -1, "flat": -1, "#": 1, "sharp": 1}
_PITCH_CLASS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def spelling(key: str | None) -> Spelling:
    """How a key (``C minor``, ``D flat major``) names pitches: scientific pitch name of the nearest MIDI number."""
    found = _TONIC.match(key or UNKNOWN) or _TONIC.match(UNKNOWN)
    assert found is not None
    tonic = _FIFTHS.index(found[1]) + 7 * _SIGNS[found[2]]

    def name(midi: float) -> str:
        nearest = round(midi)
        # Fifths from F, modulo twelve, are seven times the semitones from F.
        place = tonic - _BELOW + (7 * (nearest - 5) - tonic + _BELOW) % 12
        letter, sharps = _FIFTHS[place % 7], place // 7
        octave = (nearest - sharps - _PITCH_CLASS[letter]) // 12 - 1
        return f"{letter}{'♯' * sharps if sharps > 0 else '♭' * -sharps}{octave}"

    return name


def spelling_of(corpus: Corpus, transfer_id: str, *, semitones: float = 0.0) -> Spelling:
    """How the notes of a transfer are spelt: by the key of the reading in use, else by the catalogue's.

    ``semitones``: by how much another reading raises every pitch, and the key with them.
    """
    speed = corpus.read("speed", transfer_id)
    key = None if speed is None or speed.is_empty() else speed["key"][0]
    key = key or _catalogued(corpus, transfer_id)
    if key and round(semitones):
        from pipeline.signal.speed.key import parse_key  # brings scipy, and is seldom wanted

        key = parse_key(key).shifted(round(semitones)).name
    return spelling(key)


def _catalogued(corpus: Corpus, transfer_id: str) -> str | None:
    """The key of what a transfer's side carries, where it is one."""
    transfer = corpus.catalogue.row("transfer", transfer_id)
    keys = {_key(corpus, take) for take in takes_on(corpus.catalogue, transfer["side_id"])} if transfer else set()
    return keys.pop() if len(keys) == 1 else None


def _key(corpus: Corpus, take: Mapping[str, Any]) -> str | None:
    work = corpus.catalogue.row("work", take["work_id"]) if take["work_id"] else None
    return take["key_played"] or (work["key"] if work else None)


def printed_name(name: str) -> str:
    """A name of a written part (``F#5``, ``Bb3``) with the signs of print."""
    return name[:1] + name[1:].replace("##", "♯♯").replace("#", "♯").replace("b", "♭").replace("x", "♯♯")
