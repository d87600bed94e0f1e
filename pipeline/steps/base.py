"""What a step is: declared inputs, the settings and catalogue values it reads, and one pure ``run``.

A step sees nothing but its ``StepInput``. The runner hashes exactly that (samples, facts, settings, input
tables, step version) to decide whether the step must run, so a step cannot depend on something unhashed.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Generic, Literal, TypeVar

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.settings import Group
from pipeline.store.audio.whole_sound import Heard
from pipeline.store.catalogue.tables import Catalogue

Outcome = Literal["done", "cannot_tell"]
Tables = Mapping[str, pl.DataFrame]
S = TypeVar("S", bound=Group)


@dataclass(frozen=True)
class Sound:
    """Decoded mono samples of one transfer (its channel rule and file span applied), float32, and their rate.

    ``heard`` says what the file is and which channel the samples are; None for samples of no file.
    """

    samples: npt.NDArray[np.float32]
    sample_rate_hz: int
    heard: Heard | None = None

    @classmethod
    def of(cls, heard: Heard) -> "Sound":
        """The sound as it was read."""
        return cls(heard.samples, heard.sample_rate_hz, heard)


@dataclass(frozen=True)
class StepInput(Generic[S]):
    """All that a step may read.

    Attributes
    ----------
    unit_id : the transfer, the session, or "corpus".
    facts : what ``Step.facts`` picked from the catalogue: plain JSON values.
    settings : the step's own settings group.
    tables : computed input tables by transfer id and table name; for a step per transfer, one entry; for a step
        per session, one for each of its transfers that got so far; for a step for the corpus none, see ``files``.
    files : only for a step for the corpus, whose tables may be larger than memory: the Parquet files that hold each
        table of all transfers.
    samples_sha256 : hash of the decoded samples of each transfer of the unit, by transfer id (decisions and
        verdicts name the samples that they were made for); of all transfers for a step for the corpus.
    sound : gives the decoded samples of a transfer; only for steps with ``needs_sound``.
    file : gives the path of a transfer's audio file; only for steps with ``needs_file``, whose results follow
        the hash of the whole file, tags included.
    """

    unit_id: str
    facts: Mapping[str, Any]
    settings: S
    tables: Mapping[str, Tables]
    sound: Callable[[str], Sound]
    file: Callable[[str], Path] | None = None
    samples_sha256: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, Sequence[Path]] = field(default_factory=dict)


@dataclass(frozen=True)
class StepOutput:
    """Tables to write, by transfer id and table name, and for each transfer how it went."""

    tables: Mapping[str, Tables]
    outcomes: Mapping[str, tuple[Outcome, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Step(Generic[S]):
    """One step of the pipeline.

    Attributes
    ----------
    version : goes up whenever the step's results may change.
    scope : one run per transfer, per session (see ``steps.units``), or one for the corpus (unit id "corpus").
    reads, writes : names of computed tables.
    facts : picks, for a unit, the catalogue values that the step needs, as JSON values (a hash of them decides
        whether to run again, so pick nothing more). Gets the catalogue and the unit id.
    """

    name: str
    version: int
    scope: Literal["transfer", "session", "corpus"]
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    facts: Callable[[Catalogue, str], Mapping[str, Any]]
    run: Callable[[StepInput[S]], StepOutput]
    needs_sound: bool = False
    needs_file: bool = False


AnyStep = Step[Any]
"""A step, whatever its settings are."""
