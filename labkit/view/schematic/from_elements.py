"""Small pieces from which rigs become drawings: values as printed on parts, buffers, and bare circuit elements."""

from __future__ import annotations

from collections.abc import Iterator

from labkit.circuit.elements import Buffer, Capacitor, Contact, CustomAdmittance, Element, Inductor, Resistor
from labkit.core.units import format_quantity
from labkit.rig.parts.active import BufferStage
from labkit.view.schematic.parts import GROUND, DrawnPart, PartKind

NO_BREAK = "\u00a0"


def short_quantity(value: float, unit: str) -> str:
    """Return a value in three significant digits at most, as it is printed on a part, with a no-break blank."""
    return tied(format_quantity(float(f"{value:.3g}"), unit))


def tied(words: object) -> str:
    """Return words that stay on one line."""
    return str(words).replace(" ", NO_BREAK)


def load_value(resistance: float, capacitance: float) -> str:
    """Return the value of an input: ``1 MΩ ∥ 100 pF``, or the resistance alone."""
    text = short_quantity(resistance, "Ω")
    return f"{text} ∥ {short_quantity(capacitance, 'F')}" if capacitance > 0 else text


def two_pin(kind: PartKind, name: str, nodes: tuple[str, ...], *label: str) -> DrawnPart:
    """Return a part with two pins and label lines."""
    return DrawnPart(kind=kind, name=name, nodes=nodes, label=label)


def load_part(name: str, node: str, resistance: float, capacitance: float, words: str) -> DrawnPart:
    """Return an input to ground: a box of R ∥ C, or a plain resistor when it has no capacitance."""
    kind: PartKind = "input" if capacitance > 0 else "resistor"
    return two_pin(kind, name, (node, GROUND), words, load_value(resistance, capacitance))


def buffer_parts(name: str, stage: BufferStage, before: str, after: str) -> Iterator[DrawnPart]:
    """Yield a buffer's input load and the buffer itself."""
    words = name.replace("_", " ").replace(".", " ")
    yield load_part(f"{name}.input", before, stage.input_resistance, stage.input_capacitance, f"{words} input")
    values = [f"×{stage.gain:.3g}"]
    if stage.output_resistance > 0:
        values.append(short_quantity(stage.output_resistance, "Ω"))
    yield DrawnPart(kind="buffer", name=name, nodes=(before, after), label=(words, ", ".join(values)))


def element_parts(elements: tuple[Element, ...]) -> Iterator[DrawnPart]:
    """Yield one part per element: the fallback for kinds that have no drawing of their own."""
    for element in elements:
        words = element.name.replace("_", " ").replace(".", " ")
        if isinstance(element, Resistor):
            yield two_pin("resistor", element.name, element.nodes, words, short_quantity(element.resistance, "Ω"))
        elif isinstance(element, Capacitor):
            yield two_pin("capacitor", element.name, element.nodes, words, short_quantity(element.capacitance, "F"))
        elif isinstance(element, Inductor):
            yield two_pin("inductor", element.name, element.nodes, words, short_quantity(element.inductance, "H"))
        elif isinstance(element, Contact):
            yield DrawnPart(
                kind="contact", name=element.name, nodes=element.nodes, label=(words,), closed=(element.closed,)
            )
        elif isinstance(element, Buffer):
            value = f"×{element.gain:g}, {short_quantity(element.output_resistance, 'Ω')}"
            yield DrawnPart(kind="buffer", name=element.name, nodes=element.nodes, label=(words, value))
        elif isinstance(element, CustomAdmittance):
            yield two_pin("impedance", element.name, element.nodes, words)
