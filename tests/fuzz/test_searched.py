"""Hypothesis searches around what the readers know: known inputs with pieces cut out, doubled, exchanged or foreign."""

from __future__ import annotations

from functools import cache

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.kept import kept, starting_points
from tests.fuzz.targets import TARGETS

EXAMPLES = {
    "quantity": 300,
    "sheet": 60,
    "sweep": 80,
    "spice": 80,
    "expression": 300,
    "wav": 80,
    "recording": 30,
    "lift": 60,
    "page": 25,
    "book": 120,
}
"""Of an ordinary run; LABKIT_TEST_PROFILE=search takes other ones."""

LONGEST = 4096


@cache
def known(target: str) -> tuple[bytes, ...]:
    """Inputs that the readers know, short ones first."""
    found = sorted({*kept(target), *starting_points(target)}, key=lambda data: (len(data), data))
    return tuple(data for data in found if len(data) <= LONGEST)


@st.composite
def disturbed(draw: st.DrawFn, target: str) -> bytes:
    """Return a known input with up to three pieces of it disturbed."""
    data = draw(st.sampled_from(known(target)))
    for _ in range(draw(st.integers(0, 3))):
        start = draw(st.integers(0, len(data)))
        end = draw(st.integers(start, min(len(data), start + 40)))
        other = draw(
            st.one_of(
                st.binary(max_size=12),
                st.sampled_from(
                    [b"", data[start:end] * 2, b"\xff\xfe", b"1e999", b"nan", b"-0", b"\0", b"\n\n", b'"""']
                ),
                st.text(max_size=8).map(lambda text: text.encode("utf-8", "replace")),
            )
        )
        data = data[:start] + other + data[end:]
    return data[:LONGEST]


@pytest.mark.parametrize("target", TARGETS)
def test_disturbed_inputs_are_read_or_refused_in_one_line(target: str) -> None:
    @settings(max_examples=EXAMPLES[target], deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.one_of(disturbed(target), st.binary(max_size=200)))
    def search(data: bytes) -> None:
        TARGETS[target](data)

    search()
