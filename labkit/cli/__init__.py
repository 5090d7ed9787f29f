"""The command line: one module per command, loaded when it is used."""

from __future__ import annotations

import sys


def run() -> int:
    """Run the command line; also when it is interrupted before its modules are there, it ends with one line and 130."""
    try:
        from labkit.cli.main import main

        return main()
    except KeyboardInterrupt:
        print("labkit: stopped", file=sys.stderr)
        return 130
