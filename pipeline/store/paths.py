"""Keeps paths inside the corpus folder."""

from pathlib import Path


def leads_out(path: Path, *, root: Path) -> bool:
    """Whether a path below ``root`` ends, through links or ``..``, somewhere else."""
    return not path.resolve().is_relative_to(root.resolve())
