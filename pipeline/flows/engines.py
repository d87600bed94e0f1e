"""Prefect's task runners for Dask and Ray, on this machine or on a cluster that is already up."""

import logging
from typing import Any
from urllib.parse import urlsplit

from pipeline.environment import ONE_THREAD
from pipeline.errors import UsageError


def task_runner(engine: str, *, address: str | None, workers: int) -> Any:
    """The task runner for an engine.

    Raises
    ------
    UsageError
        If the engine's packages are not installed.
    """
    try:
        return _dask(address, workers) if engine == "dask" else _ray(address, workers)
    except ImportError as error:
        raise UsageError(
            f"--engine {engine} needs packages that are not installed ({error.name})",
            f"install them with: pip install 'glideline[{engine}]'",
        ) from error


def is_elsewhere(address: str | None) -> bool:
    """Whether a cluster's address lies on another machine."""
    if address is None or address == "auto":
        return False
    host = urlsplit(address if "//" in address else f"//{address}").hostname
    return host not in ("localhost", "127.0.0.1", "::1")


def _dask(address: str | None, workers: int) -> Any:
    from prefect_dask.task_runners import DaskTaskRunner

    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # Prefect would show its every step
    if address is not None:
        return DaskTaskRunner(address=address)
    cluster = {
        "n_workers": workers,
        "threads_per_worker": 1,
        "processes": True,
        "dashboard_address": None,
        "env": ONE_THREAD,
        "silence_logs": 50,
    }
    return DaskTaskRunner(cluster_class="distributed.LocalCluster", cluster_kwargs=cluster)


def _ray(address: str | None, workers: int) -> Any:
    from prefect_ray.task_runners import RayTaskRunner

    if address is not None:
        return RayTaskRunner(address=address)
    start = {
        "num_cpus": workers,
        "include_dashboard": False,
        "log_to_driver": False,
        "logging_level": logging.ERROR,
        "runtime_env": {"env_vars": ONE_THREAD},
    }
    return RayTaskRunner(init_kwargs=start)
