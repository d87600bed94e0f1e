"""Keeps paths inside the corpus folder."""

import os
from collections.abc import Iterator
from pathlib import Path

# What a corpus folder holds of its own.
PARTS = ("settings.toml", "catalogue", "audio", "reviews", "sheet", "derived")


def leads_out(path: Path, *, root: Path) -> bool:
    """Whether a path below ``root`` ends, through links or ``..``, somewhere else."""
    return not path.resolve().is_relative_to(root.resolve())


def links(folder: Path, *, deep: int) -> Iterator[Path]:
    """Links in ``folder`` and the folders in it, so many levels deep; none where there is no folder."""
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError:
        return
    for entry in entries:
        if entry.is_symlink():
            yield Path(entry.path)
        elif deep > 1 and entry.is_dir():
            yield from links(Path(entry.path), deep=deep - 1)
