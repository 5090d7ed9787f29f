"""Random circuits of the size and the values that instruments have, shorts, opens and couplings included."""

from __future__ import annotations

import math
from random import Random

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Circuit,
    Contact,
    Coupling,
    Element,
    Inductor,
    Resistor,
    Source,
)

Kinds = frozenset[str]
EVERYTHING: Kinds = frozenset({"short", "open", "contact", "dissipation", "coupling", "buffer"})
"""Peculiarities that a random circuit may have; a test that cannot bear one leaves it out."""


def log_uniform(random: Random, low: float, high: float) -> float:
    """Return a number between ``low`` and ``high`` whose logarithm is spread evenly."""
    return math.exp(random.uniform(math.log(low), math.log(high)))


def random_circuit(random: Random, kinds: Kinds = EVERYTHING) -> Circuit:
    """Return a solvable circuit: every EMF sits behind a coil, and stages meet only through buffers."""
    stage = _stage(random, "one", coils=random.randint(1, 4), inner=random.randint(1, 4), kinds=kinds)
    elements, nodes = stage
    output = random.choice(nodes)
    if "buffer" in kinds and random.random() < 0.3:
        more, further = _stage(random, "two", coils=random.randint(0, 1), inner=random.randint(1, 3), kinds=kinds)
        buffer = Buffer(
            name="buffer",
            nodes=(output, further[0]),
            gain=random.choice([1.0, -1.0, log_uniform(random, 0.1, 10)]),
            output_resistance=random.choice([0.0, log_uniform(random, 10, 1e4)]),
        )
        # A buffer senses a voltage to ground, so its input must not float.
        sensed = Resistor(name="buffer.input", nodes=(output, GROUND), resistance=log_uniform(random, 1e5, 1e7))
        # An ideal buffer output that a contact ties to ground has no answer, so the second stage has no shorts.
        elements = [*elements, sensed, buffer, *(part for part in more if not _may_short(part))]
        output = random.choice(further)
    shuffled = list(elements)
    random.shuffle(shuffled)
    loads = (
        Resistor(name="load", nodes=(output, GROUND), resistance=log_uniform(random, 1e4, 1e7)),
        Capacitor(name="cable", nodes=(output, GROUND), capacitance=log_uniform(random, 1e-11, 3e-9)),
    )
    return Circuit(elements=(*shuffled, *loads), output=output, name="random circuit")


def _may_short(element: Element) -> bool:
    return isinstance(element, Contact) or (isinstance(element, Resistor) and element.resistance == 0)


def _stage(random: Random, prefix: str, *, coils: int, inner: int, kinds: Kinds) -> tuple[list[Element], list[str]]:
    nodes = [f"{prefix}{place}" for place in range(inner)]
    every = [*nodes, GROUND]
    elements: list[Element] = []

    def two_nodes() -> tuple[str, str]:
        one, other = random.sample(every, 2)
        return one, other

    inductors: list[str] = []
    for place in range(coils):
        name = f"{prefix}coil{place}"
        start, finish = two_nodes() if place or prefix == "two" else (nodes[0], random.choice([GROUND, every[-2]]))
        if start == finish:
            finish = GROUND
        voltage = random.choice([1.0, -1.0, log_uniform(random, 0.01, 2)])
        elements += [
            Source(name=f"{name}.emf", nodes=(start, f"{name}.a"), voltage=voltage),
            Inductor(name=f"{name}.l", nodes=(f"{name}.a", f"{name}.b"), inductance=log_uniform(random, 0.3, 10)),
            Resistor(name=f"{name}.r", nodes=(f"{name}.b", finish), resistance=log_uniform(random, 500, 3e4)),
            Capacitor(name=f"{name}.c", nodes=(start, finish), capacitance=log_uniform(random, 2e-11, 5e-10)),
        ]
        inductors.append(f"{name}.l")
    if "coupling" in kinds:
        for place in range(0, len(inductors) - 1, 2):
            if random.random() < 0.7:
                elements.append(
                    Coupling(
                        name=f"{prefix}k{place}",
                        inductors=(inductors[place], inductors[place + 1]),
                        coefficient=random.uniform(-0.9, 0.9),
                    )
                )
    for place in range(random.randint(1, 7)):
        elements.append(_part(random, f"{prefix}part{place}", two_nodes(), kinds))
    return elements, nodes


def _part(random: Random, name: str, nodes: tuple[str, str], kinds: Kinds) -> Element:
    kind = random.choice(["resistor", "resistor", "capacitor", "capacitor", "inductor", "contact"])
    if kind == "contact" and "contact" in kinds:
        return Contact(name=name, nodes=nodes, closed=random.random() < 0.5)
    if kind == "capacitor":
        dissipation = random.choice([0.0, log_uniform(random, 1e-4, 0.1)]) if "dissipation" in kinds else 0.0
        return Capacitor(name=name, nodes=nodes, capacitance=log_uniform(random, 1e-11, 1e-7), dissipation=dissipation)
    if kind == "inductor":
        return Inductor(name=name, nodes=nodes, inductance=log_uniform(random, 0.01, 10))
    choices = [log_uniform(random, 100, 1e7)] * 4
    choices += [0.0] if "short" in kinds else []
    choices += [math.inf] if "open" in kinds else []
    return Resistor(name=name, nodes=nodes, resistance=random.choice(choices))
