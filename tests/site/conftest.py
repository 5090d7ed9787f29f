"""The browser's Python for the tests that need it.

It is taken from the folder that ``LABKIT_BROWSER_RUNTIME`` names, or from ``~/.cache/labkit-tests``,
where it is put from the package registries the first time. Without them the tests are skipped.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from labkit.app.site.runtime import Runtime, read_runtime
from tests.site.assemble import INTERPRETER, assembled

RUNTIME_VARIABLE = "LABKIT_BROWSER_RUNTIME"


@pytest.fixture(scope="session")
def runtime() -> Runtime:
    if named := os.environ.get(RUNTIME_VARIABLE, ""):
        return read_runtime(Path(named))
    kept = Path("~/.cache/labkit-tests").expanduser() / INTERPRETER.replace("@", "-")
    try:
        return read_runtime(assembled(kept))
    except (OSError, subprocess.SubprocessError) as problem:
        pytest.skip(
            f"no browser's Python, and none could be fetched ({problem}); name its folder in {RUNTIME_VARIABLE}"
        )
