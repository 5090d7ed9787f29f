"""Runs a module in a process that can have only so much memory: ``python limited_memory.py MODULE``.

The kernels of pages are started this way, so that whatever a page is asked for, it is the page that ends, not the
machine. Linux counts what a process may write to (RLIMIT_DATA, from version 4.7), not the address space: numpy and the
threads of a kernel reserve a gigabyte of that and use a tenth. On macOS and Windows the limit does nothing; there,
give each visitor a container (docs/server.md).
"""

from __future__ import annotations

import os
import runpy
import sys

MOST_MIB = 1024
"""A page uses 110 to 200 MB; counted the way it is limited, with its threads' stacks, some 360 MB."""

THREADS = "OPENBLAS_NUM_THREADS"
"""Each thread of numpy takes 40 MB for itself on a machine of many cores, and the matrices of a page are small."""


def limit_memory(mib: int = MOST_MIB) -> bool:
    """Let this process and those that it starts have so much memory each; False where the system has no such limit."""
    try:
        import resource  # not on Windows
    except ImportError:
        return False
    if not sys.platform.startswith("linux"):
        return False
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    wanted = mib * 2**20
    if hard != resource.RLIM_INFINITY:
        wanted = min(wanted, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (wanted, wanted))
    return True


if __name__ == "__main__":
    limit_memory()
    os.environ.setdefault(THREADS, "1")
    del sys.argv[0], sys.path[0]  # the folder of this file is no place for modules
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
