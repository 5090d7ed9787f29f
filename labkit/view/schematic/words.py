"""The circuit in words: what a drawing says to a reader who does not see it."""

from __future__ import annotations

from labkit.core.errors import join_words
from labkit.view.schematic.parts import GROUND, OPEN, DrawnCircuit, DrawnPart

_KIND_WORDS = {
    "coil": "coil",
    "reversed coil": "coil",
    "resistor": "resistor",
    "capacitor": "capacitor",
    "inductor": "inductor",
    "impedance": "impedance",
    "cable": "cable capacitance",
    "input": "input",
    "contact": "contact",
    "connector": "connector",
    "pot": "potentiometer",
    "buffer": "buffer",
    "line": "shielded lead",
    "pole": "switch pole",
    "output": "output",
}
_POT_ENDS = ("clockwise end", "wiper", "counter-clockwise end")


def described(circuit: DrawnCircuit) -> str:
    """Return the circuit as plain sentences, one per part, in the order of the parts."""
    opening = f"Schematic of {circuit.name}, {len(circuit.parts)} parts."
    summary = f" {circuit.summary.rstrip('.')}." if circuit.summary else ""
    return f"{opening}{summary} {' '.join(_sentence(part) for part in circuit.parts)}"


def _node(node: str) -> str:
    if node == OPEN:
        return "nothing"
    return "ground" if node == GROUND else node.replace("_", " ").replace(".", " ")


def _sentence(part: DrawnPart) -> str:
    kind = _KIND_WORDS[part.kind]
    name = part.lines[0]
    values = f" ({', '.join(part.lines[1:])})" if len(part.lines) > 1 else ""
    head = f"{name[:1].upper()}{name[1:]}{values}" if kind in name else f"{name[:1].upper()}{name[1:]}, {kind}{values}"
    nodes = [_node(node) for node in part.nodes]
    if part.kind == "output":
        return f"{head}, at {nodes[0]}."
    if part.kind == "pot":
        return f"{head}: {join_words(f'{end} to {node}' for end, node in zip(_POT_ENDS, nodes))}."
    if part.kind == "pole":
        states = [f"{'closed' if part.is_closed(i) else 'open'} to {node}" for i, node in enumerate(nodes[1:])]
        return f"{head}: common at {nodes[0]}, {join_words(states)}."
    if part.kind == "contact":
        return f"{head}, {'closed' if part.is_closed() else 'open'}, from {nodes[0]} to {nodes[1]}."
    if part.kind in ("coil", "reversed coil"):
        dot = "start" if part.kind == "coil" else "finish"
        return f"{head}: start at {nodes[0]}, finish at {nodes[1]}, dot at its {dot}."
    if part.kind == "line":
        return f"{head}, from {nodes[0]} to {nodes[1]}, its shield on {nodes[2]}."
    return f"{head}, from {nodes[0]} to {nodes[1]}."
