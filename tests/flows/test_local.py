"""The pool of worker processes, as far as it does not depend on real ones."""

from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from pipeline.engine.jobs import Job, Report
from pipeline.flows.local import LocalPool
from pipeline.flows.work import Batch
from pipeline.settings import Settings


def batch(number: int) -> Batch:
    """A batch of one job."""
    job = Job(f"s{number}", 0, ("follow",), (f"s{number}",), facts={}, sounds={}, seen={})
    return Batch("corpus", Settings(), "tests.helpers.quick_steps", (job,))


def report(given: Batch) -> Report:
    """What a worker would say of it."""
    return Report(given.jobs[0].unit_id, 0, (), {}, {}, 1.0, took_s=1.0)


def test_what_has_begun_is_left_to_the_next_call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[Batch] = []
    left: list[Future[Any]] = []

    def submit(self: LocalPool, given: Batch) -> Future[Any]:
        begun.append(given)
        future: Future[Any] = Future()
        if len(begun) > 3:
            future.set_result([report(given)])
        else:
            left.append(future)
        return future

    monkeypatch.setattr(LocalPool, "_submit", submit)
    pool, batches = LocalPool(workers=2, derived=tmp_path), [batch(k) for k in range(5)]
    reports: list[Report] = []
    pool.run_batches(iter(batches), reports.append, leave=lambda: len(begun) == 3)
    assert begun == batches[:3]
    assert not reports

    for given, future in zip(begun, left, strict=True):
        future.set_result([report(given)])
    pool.run_batches(iter(batches), reports.append)
    assert begun == batches
    assert sorted(r.unit_id for r in reports) == ["s0", "s1", "s2", "s3", "s4"]
