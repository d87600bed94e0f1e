"""Gives out ids: the same names in the same order give the same ids."""

import hashlib
from collections.abc import Iterable

from pipeline.store.catalogue.slugs import slug


class IdMaker:
    """Makes ids of one table that no row bears yet."""

    def __init__(self, taken: Iterable[str]) -> None:
        self.taken = {one.casefold() for one in taken}

    def make_numbered(self, name: str, letter: str) -> str:
        """The id ``name`` with the first free number behind a letter: ``owl-12-1-t2`` is the second transfer."""
        number = 1
        while f"{name}-{letter}{number}" in self.taken:
            number += 1
        return self.make(f"{name} {letter}{number}")

    def make(self, name: str) -> str:
        """An id that tells the name; with a number behind it where the plain one is taken."""
        plain = slug(name, longest=58) or "x" + hashlib.sha256(name.encode()).hexdigest()[:8]
        made, number = plain, 1
        while made in self.taken:
            number += 1
            made = f"{plain}-{number}"
        self.taken.add(made)
        return made
