"""Nothing that people and programs rely on goes away: names, commands, hooks, pages, keys of sheets and of JSON."""

from __future__ import annotations

import tomllib

import pytest

from tests.surface import KEPT, surface

KEPT_LISTS = tomllib.loads(KEPT.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def present():
    return surface()


@pytest.mark.parametrize("name", KEPT_LISTS)
def test_what_was_there_is_there(name, present):
    gone = set(KEPT_LISTS[name]) - set(present[name])
    assert not gone, f"gone from the {name}: {', '.join(sorted(gone))}"


@pytest.mark.parametrize("name", KEPT_LISTS)
def test_what_is_new_is_kept_from_now_on(name, present):
    new = set(present[name]) - set(KEPT_LISTS[name])
    assert not new, f"run python -m tests.surface; new in the {name}: {', '.join(sorted(new))}"
