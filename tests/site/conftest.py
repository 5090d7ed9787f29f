"""The browser's Python for the tests that need it, where it has been assembled (``tests/site/assemble.py``)."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from labkit.app.site.runtime import Runtime, read_runtime

RUNTIME_VARIABLE = "LABKIT_BROWSER_RUNTIME"


@pytest.fixture(scope="session")
def runtime_folder() -> Path:
    named = os.environ.get(RUNTIME_VARIABLE, "")
    folder = Path(named or Path(__file__).parents[2] / "build" / "browser_runtime")
    if not named and not folder.is_dir():
        pytest.skip(
            f"no browser's Python: assemble it with tests.site.assemble and name its folder in {RUNTIME_VARIABLE}"
        )
    return folder


@pytest.fixture(scope="session")
def runtime(runtime_folder) -> Runtime:
    return read_runtime(runtime_folder)
