"""A rig at its present settings as a `DrawnCircuit`: every part with its value and the position of its control.

Pickups are drawn by their coils; capacitance, losses and eddy currents of a coil belong to its symbol. A part or
stage of a kind not known here is drawn by the elements it turns into, so that every plugin's part can be drawn.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from string import ascii_lowercase

from labkit.circuit.elements import Contact
from labkit.pickup.electrical import Coil, Pickup
from labkit.rig.parts.active import DummyCoil, OnboardBuffer, ScreenedLead
from labkit.rig.parts.parts import FixedCapacitor, FixedInductor, FixedResistor, Part, Pot, Switch
from labkit.rig.rig import Rig
from labkit.view.schematic.from_chain import chain_parts
from labkit.view.schematic.from_elements import buffer_parts, element_parts, short_quantity, tied, two_pin
from labkit.view.schematic.parts import GROUND, DrawnCircuit, DrawnPart, PartKind

_LONGEST_CONTACT_LABEL = 34
"""Letters; a contact that closes in many positions is numbered instead of listing them all."""


def drawing_of(rig: Rig) -> DrawnCircuit:
    """Describe a rig for drawing.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    DrawnCircuit
        Cables are drawn in line and the jack as a connector, so that the nodes on both sides of these bear
        different names although they are one in ``rig.circuit``.
    """
    parts: list[DrawnPart] = []
    alias = _pickup_aliases(rig)
    for slot, pickup in rig.pickups.items():
        parts += _coils(slot, pickup, alias)
    for part in rig.harness.parts.values():
        parts += _harness_part(part, rig)
    parts = [_renamed(part, alias) for part in parts]
    output = rig.harness.output
    parts += chain_parts(rig.chain, alias.get(output, output), {part.name for part in parts})
    return DrawnCircuit(name=rig.name, parts=tuple(parts), summary=_settings(rig))


LEGEND = (
    "a dot marks the start of a coil wound clockwise (seen from the strings), the finish of one wound the other way"
)
"""Under the heading of every drawing; a coil whose sheet does not say how it is wound counts as clockwise."""


def _settings(rig: Rig) -> str:
    settings = [f"{name.replace('_', ' ')} {_position(where)}" for name, where in rig.settings.items()]
    return " · ".join([*settings, LEGEND])


def _coil_kind(coil: Coil) -> PartKind:
    return "reversed coil" if coil.wound == "counter-clockwise" else "coil"


def _position(where: float | str) -> str:
    return f"{where:g}" if isinstance(where, int | float) else where.replace("_", " ")


def _pickup_aliases(rig: Rig) -> dict[str, str]:
    """Return a name for every node that the pickups' own joints make one with others; ground first, short first."""
    groups: dict[str, set[str]] = {}
    for element in rig.circuit.of_kind(Contact):
        is_joint = element.name.partition(".")[0] in rig.pickups and element.closed
        if is_joint and element.name not in rig.harness.parts:
            merged = set().union(*(groups.get(node, {node}) for node in element.nodes))
            for node in merged:
                groups[node] = merged

    def rank(node: str) -> tuple[bool, int, str]:
        return node != GROUND, node.count("."), node

    return {node: min(group, key=rank) for node, group in groups.items()}


def _renamed(part: DrawnPart, alias: dict[str, str]) -> DrawnPart:
    return DrawnPart(
        kind=part.kind,
        name=part.name,
        nodes=tuple(alias.get(node, node) for node in part.nodes),
        label=part.label,
        closed=part.closed,
        throw_labels=part.throw_labels,
    )


def _coils(slot: str, pickup: Pickup, alias: dict[str, str]) -> Iterator[DrawnPart]:
    is_pair = len(pickup.coils) > 1
    for name, coil in pickup.coils.items():
        words = f"{slot}, {name} coil" if is_pair else slot
        lines = [words.replace("_", " "), *_coil_values(coil)]
        if is_pair and pickup.coupling and name == next(iter(pickup.coils)):
            lines.append(f"coupled {pickup.coupling:.2g}")
        nodes = (f"{slot}.{name}.start", f"{slot}.{name}.finish")
        yield DrawnPart(kind=_coil_kind(coil), name=f"{slot}.{name}", nodes=nodes, label=tuple(lines))
    hot = f"{slot}.hot"
    if pickup.lead_capacitance > 0 and hot in alias:
        yield DrawnPart(
            kind="capacitor",
            name=f"{slot}.lead",
            nodes=(hot, f"{slot}.ground"),
            label=(f"{slot} lead".replace("_", " "), short_quantity(pickup.lead_capacitance, "F")),
        )


def _coil_values(coil: Coil) -> Iterator[str]:
    yield f"{short_quantity(coil.resistance, 'Ω')}, {short_quantity(coil.inductance, 'H')}"
    if coil.capacitance > 0:
        yield short_quantity(coil.capacitance, "F")


def _harness_part(part: Part, rig: Rig) -> Iterator[DrawnPart]:
    control = part.control
    where = None if control is None else rig.settings[control.name]
    words = part.name.replace("_", " ")
    if isinstance(part, Pot):
        ganged = "" if part.control_name in ("", part.name) else f"{part.control_name.replace('_', ' ')} "
        at = f"{ganged}at {_position(where)}" if where is not None else ""
        value = f"{short_quantity(part.value, 'Ω')} {tied(part.taper)}"
        cut = () if part.opens_above is None else (f"open above {part.opens_above:.0%}",)
        yield DrawnPart(kind="pot", name=part.name, nodes=part.nodes, label=(words, value, at, *cut))
    elif isinstance(part, FixedResistor):
        yield two_pin("resistor", part.name, part.nodes, words, short_quantity(part.value, "Ω"))
    elif isinstance(part, FixedCapacitor):
        yield two_pin("capacitor", part.name, part.nodes, words, short_quantity(part.value, "F"))
    elif isinstance(part, FixedInductor):
        value = short_quantity(part.value, "H")
        if part.resistance > 0:
            value = f"{value}, {short_quantity(part.resistance, 'Ω')}"
        yield two_pin("inductor", part.name, part.nodes, words, value)
    elif isinstance(part, Switch):
        yield from _switch(part, str(where))
    elif isinstance(part, OnboardBuffer):
        yield from buffer_parts(part.name, part.stage, *part.nodes)
    elif isinstance(part, DummyCoil):
        label = (words, *_coil_values(part.coil))
        yield DrawnPart(kind=_coil_kind(part.coil), name=part.name, nodes=part.nodes, label=label)
    elif isinstance(part, ScreenedLead):
        yield two_pin("cable", part.name, part.nodes, words, short_quantity(part.capacitance, "F"))
    else:
        yield from element_parts(part.elements(where))


def _switch(part: Switch, where: str) -> Iterator[DrawnPart]:
    """Take a switch apart into poles: stars of contacts about a common node, the largest first."""
    closed = {frozenset(pair) for pair in part.positions[where]}
    left = [pair for pair in dict.fromkeys(frozenset(pair) for pair in part.contacts()) if len(pair) == 2]
    order = {node: index for index, node in enumerate(part.nodes)}
    stars: list[tuple[str, list[str]]] = []
    while left:
        count = Counter(node for pair in left for node in pair)
        common = max(count, key=lambda node: (count[node], node != GROUND, -order[node]))
        mine = [pair for pair in left if common in pair]
        if len(mine) == 1:
            common = min(mine[0], key=lambda node: order[node])
        stars.append((common, [next(iter(pair - {common})) for pair in mine]))
        left = [pair for pair in left if common not in pair]
    for letter, (common, throws) in zip(ascii_lowercase * len(stars), stars):
        name = part.name if len(stars) == 1 else f"{part.name}.{letter}"
        words = part.name.replace("_", " ") + ("" if len(stars) == 1 else f" {letter}")
        labels = tuple(_contact_label(part, words, frozenset({common, throw}), i) for i, throw in enumerate(throws, 1))
        states = tuple(frozenset({common, throw}) in closed for throw in throws)
        if len(throws) == 1:
            yield DrawnPart(kind="contact", name=name, nodes=(common, *throws), label=labels, closed=states)
        else:
            yield DrawnPart(
                kind="pole",
                name=name,
                nodes=(common, *throws),
                label=(words, where.replace("_", " ")),
                closed=states,
                throw_labels=labels,
            )


def _contact_label(part: Switch, words: str, pair: frozenset[str], number: int) -> str:
    """Name a contact by the positions that close it: the link between contacts drawn apart."""
    closing = [name for name, pairs in part.positions.items() if pair in [frozenset(found) for found in pairs]]
    text = f"{words}: {', '.join(closing).replace('_', ' ')}"
    return text if len(text) <= _LONGEST_CONTACT_LABEL else f"{words}, contact {number}"
