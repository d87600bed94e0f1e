"""A written part from a standard MIDI file: pitches, lengths and bars; it tells no fingers, slurs or repeats.

The file is decoded by mido. Beats and bars follow from its ticks and time signatures; onsets are taken to the nearest
64th of a quarter note, so that notes of a chord stand together. Music played into a computer has no bars that
mean anything: give notation where there is some.
"""

import io
from dataclasses import replace
from typing import Any

from pipeline.errors import DataError
from pipeline.store.parts.musicxml import chosen
from pipeline.store.parts.part import MOST_NOTES, WrittenNote, WrittenPart, numbered
from pipeline.store.parts.pitch import signature_of

_GRID = 64
_DRUMS = 9
"""Channel of untuned percussion (General MIDI 1, channel 10 counted from 1)."""


def read_midi(document: bytes, *, file: str, part: str | None = None, signature: int | None = None) -> WrittenPart:
    """The track of that name or number; else the first with notes. ``signature`` holds where the file tells none.

    Raises
    ------
    DataError
        If it is not a MIDI file, counts in seconds, or holds no notes.
    """
    import mido
    from mido.midifiles.meta import KeySignatureError

    try:
        song = mido.MidiFile(file=io.BytesIO(document))
    except (OSError, EOFError, ValueError, LookupError, TypeError, ArithmeticError, KeySignatureError) as error:
        raise DataError(
            f"{file}: is not readable as MIDI ({str(error) or 'it ends too soon'})", "export it again"
        ) from error
    if song.ticks_per_beat <= 0 or song.ticks_per_beat >= 0x8000:
        raise DataError(f"{file}: counts in seconds and not in beats", "export it as MIDI with beats, or as MusicXML")
    tracks = [_notes(track, song.ticks_per_beat) for track in song.tracks]
    if part is not None:
        tracks = [tracks[chosen(part, [track.name.strip() for track in song.tracks], len(tracks), file=file)]]
    notes = next((each for each in tracks if each), [])
    if not notes:
        raise DataError(f"{file}: holds no notes", "export the solo part")
    if len(notes) > MOST_NOTES:
        raise DataError(f"{file}: holds more than {MOST_NOTES} notes in a part", "export the solo part")
    signatures = sorted(
        (at, message.numerator, message.denominator)
        for track in song.tracks
        for at, message in _timed(track, song.ticks_per_beat)
        if message.type == "time_signature"
    )
    keys = sorted(
        (at, _signature(message.key))
        for track in song.tracks
        for at, message in _timed(track, song.ticks_per_beat)
        if message.type == "key_signature"
    )
    placed = [replace(_placed(*each, signatures), signature=_at(keys, each[0], signature)) for each in notes]
    return WrittenPart(numbered(placed, [note.onset for note in placed]))


def _timed(track: Any, ticks_per_quarter: int) -> list[tuple[float, Any]]:
    at, found = 0, []
    for message in track:
        at += message.time
        found.append((round(_GRID * at / ticks_per_quarter) / _GRID, message))
    return found


def _notes(track: Any, ticks_per_quarter: int) -> list[tuple[float, float, int]]:
    """Onset, length and pitch of each note, in order."""
    found: list[tuple[float, float, int]] = []
    on: dict[tuple[int, int], float] = {}
    for at, message in _timed(track, ticks_per_quarter):
        if message.type not in ("note_on", "note_off") or message.channel == _DRUMS:
            continue
        key = (message.channel, message.note)
        if key in on:
            began = on.pop(key)
            found.append((began, at - began, message.note))
        if message.type == "note_on" and message.velocity > 0:
            on[key] = at
    return sorted(found)


def _signature(key: str) -> int:
    """Sharps of a key as mido writes it: F#m, Bb."""
    return signature_of(f"{key.removesuffix('m')} {'minor' if key.endswith('m') else 'major'}") or 0


def _at(keys: list[tuple[float, int]], onset: float, otherwise: int | None) -> int | None:
    return next((signature for at, signature in reversed(keys) if at <= onset), otherwise)


def _placed(onset: float, length: float, midi: int, signatures: list[tuple[float, int, int]]) -> WrittenNote:
    """A note with its bar and beat, counted through the time signatures (4/4 before the first)."""
    begins, beats, unit, bar = 0.0, 4, 4, 0
    for at, numerator, denominator in signatures:
        if at > onset:
            break
        whole = 4.0 * beats / unit
        bar += -int(-(at - begins) // whole)  # a bar cut short by a new signature counts
        begins, beats, unit = at, max(numerator, 1), max(denominator, 1)
    full = 4.0 * beats / unit
    passed = int((onset - begins) // full)
    return WrittenNote(
        float(midi),
        bar_index=bar + passed + 1,
        bar=str(bar + passed + 1),
        beat=1.0 + (onset - begins - passed * full) * unit / 4.0,
        beats=length * unit / 4.0,
        onset=onset,
    )
