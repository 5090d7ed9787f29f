"""Fixtures that several tests of the pages share."""

from __future__ import annotations

import pytest

from labkit.app.pages.listening.seal import Seal
from labkit.app.pages.listening.state import ListeningPageState


@pytest.fixture
def seal(tmp_path) -> Seal:
    return Seal(tmp_path / "listening")


@pytest.fixture
def listening(seal) -> ListeningPageState:
    return ListeningPageState(seal=seal, stamp=lambda: "2026-01-02T03:04:05Z")


@pytest.fixture
def testing(listening) -> ListeningPageState:
    """At the first trial of a test of sixteen."""
    listening.prepare()
    listening.begin()
    return listening
