"""Finds ``schemas/``, ``queries/`` and ``demo_corpus/`` in a checkout, an editable install and a wheel."""

from functools import cache
from importlib import resources
from pathlib import Path


@cache
def folder(name: str) -> Path:
    """Path of a data folder that ships with the package.

    Raises
    ------
    FileNotFoundError
        If the folder is neither inside the installed package nor beside it.
    """
    packaged = Path(str(resources.files("pipeline"))) / name
    if packaged.is_dir():
        return packaged
    beside = Path(__file__).resolve().parent.parent / name
    if beside.is_dir():
        return beside
    raise FileNotFoundError(f"{name}/ is neither in the installed package nor beside it; install glideline again")
