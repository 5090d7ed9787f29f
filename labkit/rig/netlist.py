"""A rig from a whole SPICE netlist, or a wiring whose sources are where the pickups go; every part at a fixed value.

A netlist has no knobs and no switches, so it stands as it was written: one position of one instrument.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from labkit.circuit.elements import GROUND, Capacitor, Coupling, Element, Inductor, Resistor, Source
from labkit.circuit.spice.reading import read_spice, read_sweep
from labkit.core.errors import InputError
from labkit.rig.harness import Harness
from labkit.rig.parts.parts import FixedCapacitor, FixedInductor, FixedResistor, Part, Position
from labkit.rig.rig import Rig

JOIN_OHM = 1.0
"""Where two pickups share a node they are joined through so much: some thousandth of a decibel beside a coil's."""


def read_netlist(text: str, where: str = "the netlist") -> Harness:
    """Return the wiring that a netlist describes, from the pickups to the jack.

    Parameters
    ----------
    text : str
        A netlist as `read_spice` takes it. Each source is a whole pickup, ``Vbridge hot 0 AC 1``: a slot named after
        it (``bridge``) takes its place, so the pickup's own R, L and C are left out. The output is the jack's tip.
    where : str
        For messages.

    Raises
    ------
    InputError
        If it is no netlist, has no source, or holds what a wiring cannot.

    >>> wiring = read_netlist('''one volume at 5
    ... Vbridge hot 0 AC 1
    ... R1 hot out 225k
    ... R2 out 0 25k
    ... .end''')
    >>> wiring.slots, wiring.output, list(wiring.parts)
    (('bridge',), 'out', ['R1', 'R2'])
    """
    try:
        circuit = read_spice(text)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    sources = [element for element in circuit.elements if isinstance(element, Source)]
    if not sources:
        raise InputError(f"{where}: no source with an AC value; 'Vbridge hot 0 AC 1' is the place of a pickup")
    slots = {source.name: _slot(source.name) for source in sources}
    if len(set(slots.values())) < len(slots):
        raise InputError(f"{where}: two sources stand for the pickup '{next(iter(slots.values()))}'; name them apart")
    _refuse_coils(circuit.elements, sources, where)
    joined: dict[str, str] = {}
    parts: dict[str, Part] = {}
    for source in sources:
        slot = slots[source.name]
        ends = source.nodes if source.voltage > 0 else source.nodes[::-1]
        for node, terminal in zip(ends, (f"{slot}.hot", f"{slot}.ground")):
            if node == GROUND and terminal.endswith("ground"):
                continue
            if node == GROUND or node in joined:
                join = f"{terminal.replace('.', '_')}_join"
                nodes = terminal, joined.get(node, GROUND)
                parts[join] = FixedResistor(name=join, nodes=nodes, value=JOIN_OHM)
            else:
                joined[node] = terminal
    parts |= {
        element.name: _part(element, joined, where) for element in circuit.elements if not isinstance(element, Source)
    }
    return Harness(
        name=circuit.name[:60].strip() or "a netlist",
        summary="From a SPICE netlist: every part at the value written there.",
        slots=tuple(slots.values()),
        output=_node(circuit.output, joined),
        parts=parts,
    )


def _slot(name: str) -> str:
    """Name of the pickup behind a source: ``Vbridge`` is ``bridge``, ``V1`` is ``pickup_1``."""
    rest = name[1:].strip("_").lower().replace(".", "_") if name[:1] in "vV" else name.lower().replace(".", "_")
    return f"pickup_{rest}".rstrip("_") if rest.isdigit() or not rest else rest


def _node(node: str, joined: dict[str, str]) -> str:
    return joined.get(node, node.replace(".", "_"))


def _part(element: Element, joined: dict[str, str], where: str, *, keep_nodes: bool = False) -> Part:
    nodes = element.nodes if keep_nodes else tuple(_node(node, joined) for node in element.nodes)
    if isinstance(element, Resistor):
        return FixedResistor(name=element.name, nodes=nodes, value=element.resistance)
    if isinstance(element, Capacitor):
        return FixedCapacitor(name=element.name, nodes=nodes, value=element.capacitance)
    if isinstance(element, Inductor):
        return FixedInductor(name=element.name, nodes=nodes, value=element.inductance)
    raise InputError(
        f"{where}: '{element.name}' is neither resistor, capacitor nor inductor; write a harness sheet for a wiring "
        "with more"
    )


def _refuse_coils(elements: tuple[Element, ...], sources: list[Source], where: str) -> None:
    """Refuse a pickup's model: a source followed by nothing but an inductance, with or without its resistance."""

    for source in sources:
        for node in source.nodes:
            came: Element = source
            while node != GROUND:
                next_ones = [each for each in elements if each is not came and node in each.nodes]
                if len(next_ones) != 1 or not isinstance(next_ones[0], Resistor | Inductor):
                    break
                (came,) = next_ones
                if isinstance(came, Inductor):
                    raise InputError(
                        f"{where}: '{source.name}' feeds the coil '{came.name}'; leave the pickup's own R, L and C "
                        "out, since the source stands for the whole pickup"
                    )
                node = next(end for end in came.nodes if end != node)


@dataclass(frozen=True, slots=True, kw_only=True)
class NetlistPart(Part):
    """An element of a netlist that no part of a sheet stands for, as it was read."""

    kind: ClassVar[str] = "netlist element"
    element: Element

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the element."""
        return (self.element,)


def netlist_frequencies(text: str, where: str = "the netlist") -> np.ndarray | None:
    """Return the frequencies that a netlist asks for, Hz, rising; None where it leaves them to the reader.

    Parameters and errors are those of `netlist_rig`.
    """
    try:
        return read_sweep(text)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None


def netlist_rig(text: str, where: str = "the netlist") -> Rig:
    """Return a rig of a whole netlist, pickups included: no slots, no controls, every element a part.

    Resistors, capacitors and inductors are parts whose value can be set and varied; sources drive with their AC value.

    Parameters
    ----------
    text : str
        A netlist as `read_spice` takes it.
    where : str
        For messages.

    Raises
    ------
    InputError
        If it cannot be read, or nothing drives it.

    >>> rig = netlist_rig('''low pass
    ... V1 in 0 AC 1
    ... R1 in out 10k
    ... C1 out 0 1n
    ... .end''')
    >>> rig.name, list(rig.harness.parts)
    ('low pass', ['V1', 'R1', 'C1'])
    """
    try:
        circuit = read_spice(text)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    if not circuit.sources:
        raise InputError(f"{where}: no source with an AC value drives it; write 'AC 1' behind the nodes of one")
    coupled = {name for coupling in circuit.of_kind(Coupling) for name in coupling.inductors}
    parts: dict[str, Part] = {}
    for element in circuit.elements:
        if isinstance(element, Resistor | Capacitor | Inductor) and element.name not in coupled:
            parts[element.name] = _part(element, {}, where, keep_nodes=True)
        else:
            parts[element.name] = NetlistPart(name=element.name, nodes=element.nodes, element=element)
    name = circuit.name[:60].strip() or "a netlist"
    wiring = Harness(
        name=name, summary="A whole netlist, as it was written.", slots=(), output=circuit.output, parts=parts
    )
    return Rig(name=name, pickups={}, harness=wiring)
