"""Everything that is wrong or noteworthy in a corpus, at once: settings, catalogue, audio, reviews."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import CombinedError, DataError
from pipeline.settings import Settings, gone_settings
from pipeline.store.catalogue.problems import Problem, did_you_mean
from pipeline.store.checks.audio import check_audio
from pipeline.store.checks.changed_audio import Hashes, check_twins, check_waiting
from pipeline.store.checks.findings import Findings
from pipeline.store.checks.parts import check_parts
from pipeline.store.checks.people import check_people
from pipeline.store.checks.reviews import check_reviews
from pipeline.store.checks.strangers import strangers
from pipeline.store.checks.takes import check_takes
from pipeline.store.checks.transfers import check_transfers
from pipeline.store.corpus import Corpus
from pipeline.store.schema import hand_kept


@dataclass(frozen=True)
class CheckResult:
    """What ``check`` found, and how many rows and audio files it looked at."""

    problems: tuple[Problem, ...]
    rows: int
    files: int

    @property
    def errors(self) -> tuple[Problem, ...]:
        """What must be mended."""
        return tuple(problem for problem in self.problems if problem.severity == "error")

    @property
    def remarks(self) -> tuple[Problem, ...]:
        """What to know or to look at."""
        return tuple(problem for problem in self.problems if problem.severity == "remark")


def check(root: Path | str, *, listen: bool = True) -> CheckResult:
    """Checks a corpus.

    Parameters
    ----------
    root : the corpus folder.
    listen : decode audio that no run has decoded yet, to find silent, clipped and damaged files. Without it only
        what stands in the files' headers is compared.

    Raises
    ------
    DataError
        If ``root`` is not a corpus.
    """
    corpus = Corpus(root)
    found = Findings(corpus.catalogue)
    found.problems.extend(_settings(corpus))
    settings = Settings() if any(p.severity == "error" for p in found.problems) else corpus.settings
    found.problems.extend(strangers(corpus.root))
    found.problems.extend(corpus.catalogue.problems())
    check_people(found)
    check_takes(found)
    check_transfers(found)
    check_parts(found)
    check_reviews(found)
    hashes = Hashes(corpus)
    check_audio(found, corpus, settings=settings.intake, hashes=hashes, listen=listen)
    check_waiting(found, hashes)
    check_twins(found, hashes, listen=listen)
    rows = sum(corpus.catalogue.frame(relation.name).height for relation in hand_kept())
    return CheckResult(_sorted(found.problems), rows, corpus.catalogue.frame("transfer").height)


def _sorted(problems: list[Problem]) -> tuple[Problem, ...]:
    """Without repetitions, by file, row and column; a file's own problems first."""
    return tuple(sorted(set(problems), key=lambda p: (p.file, p.row or 0, p.column, p.message)))


def _settings(corpus: Corpus) -> Iterator[Problem]:
    try:
        settings = corpus.settings
    except DataError as error:
        for each in error.errors if isinstance(error, CombinedError) else [error]:
            yield Problem(each.where, None, "", "", each.message, each.cure)
        return
    for name in gone_settings(corpus.root / "settings.toml"):
        message = "was a setting of version 0.1.0 and does nothing any more"
        yield Problem("settings.toml", None, name, "", message, "delete the line", severity="remark")
    scheme = settings.default_period_scheme
    schemes = sorted(set(corpus.catalogue.frame("period")["scheme"].to_list()))
    if scheme and scheme not in schemes:
        cure = did_you_mean(scheme, schemes, otherwise="add its periods to period.csv, or leave the setting empty")
        message = "is not a scheme of period.csv"
        yield Problem("settings.toml", None, "default_period_scheme", scheme, message, cure)
