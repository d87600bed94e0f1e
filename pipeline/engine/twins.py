"""Transfers of different files with the very same sound, told before anything is measured on both."""

from collections import defaultdict

from pipeline.engine.planner import Planner
from pipeline.store.audio.whole_sound import file_hash
from pipeline.store.checks.changed_audio import MOST_OF_ONE_SIZE, twin_words


def twins(planner: Planner, *, unheard: bool = False) -> list[str]:
    """Each transfer that holds what an earlier one of another file does, with that one, in words.

    What was heard is told by its samples; a new file only by all its bytes, read where another file is as long. Call it
    after ``planner.prepare``.

    Parameters
    ----------
    unheard : only those of which nothing has been measured yet.
    """
    first: dict[str, str] = {}
    told = []
    new = _bytes_of_new(planner)
    for transfer_id, spec in planner.sounds.items():
        seen = planner.known.get(transfer_id)
        keys = [new[transfer_id]] if transfer_id in new else []
        keys += [key for key in (seen.file_sha256, seen.samples_sha256) if key] if seen is not None else []
        twin = next((first[key] for key in keys if key in first), transfer_id)
        for key in keys:
            first.setdefault(key, transfer_id)
        other = planner.sounds[twin].file
        if other.casefold() != spec.file.casefold() and not (unheard and seen is not None):
            told.append(f"{transfer_id}: {spec.file} {twin_words(other, twin)}")
    return told


def _bytes_of_new(planner: Planner) -> dict[str, str]:
    """Hashes of the files that no run has heard and that are as long as another, by transfer."""
    sizes: dict[int, set[str]] = defaultdict(set)
    new: dict[str, int] = {}
    for transfer_id, spec in planner.sounds.items():
        seen = planner.known.get(transfer_id)
        if seen is not None:
            sizes[seen.size].add(spec.file)
        elif transfer_id not in planner.blocked and transfer_id not in planner.absent:
            new[transfer_id] = planner.corpus.audio_path(spec.file).stat().st_size
            sizes[new[transfer_id]].add(spec.file)
    alike = {size for size, files in sizes.items() if 1 < len(files) <= MOST_OF_ONE_SIZE}
    return {t: file_hash(planner.corpus.audio_path(planner.sounds[t].file)) for t, size in new.items() if size in alike}
