"""A missing outside tool is a skip that says what to install, and a failure where every tool is required."""

from __future__ import annotations

import pytest

from tests.conftest import INSTALL, TOOLS, require_tool


@pytest.mark.parametrize("marker", TOOLS)
def test_a_missing_tool_is_a_skip_that_says_what_to_install(marker: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv("LABKIT_REQUIRE_TOOLS", raising=False)
    with pytest.raises(pytest.skip.Exception, match=rf"apt-get install {TOOLS[marker][0]}"):
        require_tool(marker)


@pytest.mark.parametrize("marker", TOOLS)
def test_a_missing_tool_is_a_failure_where_tools_are_required(marker: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    monkeypatch.setenv("LABKIT_REQUIRE_TOOLS", "1")
    with pytest.raises(pytest.fail.Exception, match="requires every tool"):
        require_tool(marker)


def test_every_tool_has_its_marker_and_its_sentence(pytestconfig: pytest.Config) -> None:
    markers = {line.partition(":")[0] for line in pytestconfig.getini("markers")}
    assert set(TOOLS) == set(INSTALL)
    assert set(TOOLS) <= markers
