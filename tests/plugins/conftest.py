"""The example package, known to this process as if it were installed."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.plugins.packages import installed, lay_out
from tests.plugins.samples import EXAMPLE


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let the plugins of this process be the built-ins and the example."""
    information = lay_out(tmp_path_factory.mktemp("example"), "saltmarsh-light", version="1.0.0")
    with installed(information, EXAMPLE):
        yield
