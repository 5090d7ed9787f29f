"""Ideal shorts and opens taken out of a circuit, for the routes that the solver is compared with.

Nodes joined by a closed contact or 0 Ω become one node; open contacts, infinite resistors and empty capacitors
vanish. Nothing here is shared with labkit's own solver or exporter, which treat these cases in their own way; and
the 40-digit route does not use it, so that a slip here shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Circuit,
    Contact,
    ControlledCurrent,
    Coupling,
    CustomAdmittance,
    Element,
    InputNoise,
    Resistor,
)


@dataclass(frozen=True)
class IdealCircuit:
    """What is left of a circuit: elements between merged nodes, the merged output, and one node of each island."""

    elements: tuple[Element, ...]
    output: str
    nodes: tuple[str, ...]
    islands: tuple[str, ...]


def idealised(circuit: Circuit) -> IdealCircuit:
    """Return the circuit without shorts and opens; ground keeps its name in every merged group."""
    group = {node: node for node in (GROUND, *circuit.nodes)}

    def root(node: str) -> str:
        while group[node] != node:
            node = group[node]
        return node

    def join(one: str, other: str) -> None:
        first, second = root(one), root(other)
        if second == GROUND:
            first, second = second, first
        group[second] = first

    for element in circuit.elements:
        if _is_short(element):
            join(*element.nodes)
    kept: list[Element] = []
    for element in circuit.elements:
        if _is_short(element) or _is_open(element):
            continue
        nodes = tuple(root(node) for node in element.nodes)
        # A coupled inductor with both ends on one node still carries current, so only uncoupled parts may go.
        if isinstance(element, (Resistor, Capacitor, CustomAdmittance)) and nodes[0] == nodes[1]:
            continue
        kept.append(replace(element, nodes=nodes))
    nodes = tuple(dict.fromkeys(root(node) for node in group if root(node) != GROUND))
    return IdealCircuit(tuple(kept), root(circuit.output), nodes, _islands(kept, nodes))


def _is_short(element: Element) -> bool:
    return (isinstance(element, Contact) and element.closed) or (
        isinstance(element, Resistor) and element.resistance == 0
    )


def _is_open(element: Element) -> bool:
    return (
        isinstance(element, Contact)
        or (isinstance(element, Resistor) and math.isinf(element.resistance))
        or (isinstance(element, Capacitor) and element.capacitance == 0)
        or (isinstance(element, CustomAdmittance) and element.coefficient == 0)
    )


def _islands(elements: list[Element], nodes: tuple[str, ...]) -> tuple[str, ...]:
    """Return one node of every group that no branch joins to ground; it may be tied there, as no current can flow."""
    neighbours: dict[str, set[str]] = {node: set() for node in (GROUND, *nodes)}
    for element in elements:
        if isinstance(element, (Coupling, ControlledCurrent, InputNoise)):
            continue
        if isinstance(element, Buffer):
            one, other = element.nodes[1], GROUND
        else:
            one, other = element.nodes[:2]
        neighbours[one].add(other)
        neighbours[other].add(one)
    reached: set[str] = set()
    islands: list[str] = []
    for start in (GROUND, *nodes):
        if start in reached:
            continue
        if start != GROUND:
            islands.append(start)
        front = [start]
        while front:
            node = front.pop()
            if node not in reached:
                reached.add(node)
                front.extend(neighbours[node])
    return tuple(islands)
