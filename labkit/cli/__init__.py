"""The command line: one module per command, loaded when it is used."""

from __future__ import annotations

import os
import sys

ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1"}
"""Environment in which numpy's matrices use one core: those of circuits and fits are small, and threads that wait for
one another made a fit take five times the processor time on a busy machine of two cores."""


def run() -> int:
    """Run the command line; also when it is interrupted before its modules are there, it ends with one line and 130."""
    for name, value in ONE_THREAD.items():
        os.environ.setdefault(name, value)  # before numpy is imported, which reads it then
    try:
        from labkit.cli.main import main

        return main()
    except KeyboardInterrupt:
        print("labkit: stopped", file=sys.stderr)
        return 130
