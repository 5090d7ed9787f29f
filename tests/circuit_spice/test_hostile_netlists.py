"""Netlists that nobody would draw: too long, too many, almost empty. Refused in time and in one sentence."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from labkit.circuit.spice.deck import spice_deck
from labkit.circuit.spice.elements import MOST_ELEMENTS
from labkit.circuit.spice.reading import LONGEST_NETLIST, read_spice
from labkit.core.errors import CircuitError

ROOM = LONGEST_NETLIST - 1000
"""Characters; as much as the reader looks at."""

SLOWEST_S = 2.0
"""Processor time; the longest permitted netlist takes about a third of it, a quadratic reader minutes."""


def elements(count: int) -> str:
    rows = "".join(f"R{number} {number} {number + 1} 1k\n" for number in range(count))
    return f"ladder\nV1 0 out AC 1\n{rows}.print ac v(out)\n"


@pytest.mark.parametrize(
    "make",
    [
        lambda: "t\nR1 a 0 1k" + " " * ROOM + "=\n",
        lambda: "t\n.param" + " " * ROOM + "(\n",
        lambda: "t\nR1 a 0 1k\n" + "+\n" * (ROOM // 2),
        lambda: "t\nR1 a 0 1k\n" + "+ a\n" * (ROOM // 4),
        lambda: "t\nR1 " + "{" * ROOM,
        lambda: "t\nR1 a 0 " + "9" * ROOM,
        lambda: "t\nR1 a 0 1e" + "9" * (ROOM - 20) + "k",
        lambda: "t\n" + "L1 a 0 1\n" + "".join(f"L{n} a 0 1\n" for n in range(2, 4000)) + "K1 L1 L2 .5\n" * 5,
        lambda: (
            "t\n" + "".join(f"L{n} a 0 1\n" for n in range(4000)) + f"K1 {' '.join(f'L{n}' for n in range(4000))} 0.1"
        ),
        lambda: "t\n" + "".join(f"K{n} L1 L2 .5\n" for n in range(ROOM // 15)),
        lambda: elements(ROOM // 20),
    ],
    ids=[
        "blanks before an equals sign",
        "blanks before a bracket",
        "empty continuations",
        "continuations",
        "open brackets",
        "a number of many digits",
        "an exponent of many digits",
        "a coupling named twice",
        "a coupling of four thousand coils",
        "couplings of nothing",
        "twenty thousand elements",
    ],
)
def test_a_hostile_netlist_is_refused_in_one_sentence_and_in_time(make: Callable[[], str]) -> None:
    text = make()
    begun = time.process_time()
    with pytest.raises(CircuitError) as refusal:
        read_spice(text)
    assert time.process_time() - begun < SLOWEST_S
    assert len(str(refusal.value)) < 1500


def test_a_million_elements_are_refused_before_they_are_read() -> None:
    with pytest.raises(CircuitError, match=f"shorter than {LONGEST_NETLIST} characters"):
        read_spice(elements(1_000_000))


def test_as_many_elements_as_are_allowed_are_read() -> None:
    assert len(read_spice(elements(MOST_ELEMENTS - 1)).elements) == MOST_ELEMENTS


def test_a_deck_keeps_the_node_of_an_output_that_only_left_out_parts_touch() -> None:
    circuit = read_spice("t\nV1 in 0 AC 1\nR1 in 0 1k\nC1 in out 0\n")
    assert read_spice(spice_deck(circuit)).output == "out"
