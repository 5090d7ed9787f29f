"""Work on a cluster: the processes that a Dask scheduler gathers, on one machine or on many."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from typing import Any

from labkit.core.errors import InputError
from labkit.study.work.work import UNKNOWN_WIDTH

MUST_AGREE = ("labkit", "numpy", "scipy", "llvmlite")
"""Packages on which the last digits depend, and whose versions must be one on all machines."""

CONNECT_S = 10.0
"""Seconds given to the scheduler to answer, and to the first worker to join it."""


def package_version(name: str) -> str:
    """Return the version of an installed package; empty where there is none.

    >>> package_version("no such package")
    ''
    """
    try:
        return version(name)
    except PackageNotFoundError:
        return ""


@contextmanager
def workers_of(address: str) -> Iterator[Executor]:
    """Connect to a Dask scheduler; what is yielded can be the ``workers`` of a study.

    Parameters
    ----------
    address : str
        Such as ``tcp://192.168.1.5:8786``.

    Raises
    ------
    InputError
        If Dask is not installed, nothing answers there, no worker has joined, or one has other versions than here.
    """
    if find_spec("distributed") is None:
        raise InputError("a scheduler needs Dask, which is not installed: pip install labkit[cluster]")
    from distributed import Client

    connect: Any = Client
    try:
        client = connect(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        why = str(error).partition("\n")[0] or type(error).__name__
        raise InputError(
            f"no Dask scheduler answers at '{address}' ({why}); give the address it printed, such as tcp://127.0.0.1:8786"
        ) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError:
            raise InputError(
                f"no worker has joined the scheduler at {address}; start one with: dask worker {address}"
            ) from None
        _check_versions(client)
        executor = client.get_executor(pure=False)
        # Workers that join later get their share, too: this bounds how many chunks are under way.
        executor._max_workers = max(UNKNOWN_WIDTH, sum(client.nthreads().values()))
        yield executor


def _check_versions(client: Any) -> None:
    for name in MUST_AGREE:
        # a function of Python's own: a worker without labkit has to answer, too
        found = client.run(version, name, on_error="return")
        here = package_version(name)
        for worker, there in found.items():
            if (there if isinstance(there, str) else "") != here:
                raise InputError(
                    f"the worker at {worker} has {name} {there if isinstance(there, str) else '(not installed)'}, this "
                    f"process {here or '(not installed)'}; install one version on all machines, or digits may differ"
                )
