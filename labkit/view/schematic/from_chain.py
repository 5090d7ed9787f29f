"""What follows the jack, as drawn parts: jack, cables in line, boxes, branches, and the last input."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from labkit.rig.chain.chain import Cable, Input, Stage
from labkit.rig.chain.stages import BufferBox, BypassBox, PassiveSplit, ValveInput, VolumePedal
from labkit.view.schematic.from_elements import (
    NO_BREAK,
    buffer_parts,
    element_parts,
    load_part,
    short_quantity,
    tied,
    two_pin,
)
from labkit.view.schematic.parts import GROUND, DrawnPart


def chain_parts(chain: tuple[Stage, ...], tip: str, taken: set[str]) -> Iterator[DrawnPart]:
    """Yield the chain from the node of the jack's tip to the output.

    Parameters
    ----------
    chain : tuple of Stage
    tip : str
        Node of the jack's tip.
    taken : set of str
        Names that parts of the harness have; a stage of the same name gets ``chain.`` before it.
    """

    def own(part: DrawnPart) -> DrawnPart:
        name = part.name
        while name in taken:
            name = f"chain.{name}"
        taken.add(name)
        return replace(part, name=name, label=part.lines)

    node = tip
    if chain:
        yield own(DrawnPart(kind="connector", name="jack", nodes=(node, "jack.tip"), label=("jack",)))
        node = "jack.tip"
    for part, after in _stages(chain, node, "chain"):
        yield own(part)
        node = after
    yield own(DrawnPart(kind="output", name="output", nodes=(node,), label=("output",)))


def _stages(stages: tuple[Stage, ...], node: str, prefix: str) -> Iterator[tuple[DrawnPart, str]]:
    """Yield every part with the node that the line has reached after it."""
    for index, stage in enumerate(stages, start=1):
        after = f"{prefix}.{index}" if isinstance(stage, Cable) or not stage.is_shunt else node
        for part in _stage(stage, node, after):
            yield part, after
        node = after


def _stage(stage: Stage, before: str, after: str) -> Iterator[DrawnPart]:
    words = stage.name.replace("_", " ").replace(".", " ")
    if isinstance(stage, Cable):
        label = (f"{words} {stage.length:.3g}{NO_BREAK}m", short_quantity(stage.capacitance, "F"))
        yield DrawnPart(kind="line", name=stage.name, nodes=(before, after, GROUND), label=label)
    elif isinstance(stage, Input):
        yield load_part(stage.name, before, stage.resistance, stage.capacitance, words)
    elif isinstance(stage, BypassBox):
        yield two_pin("cable", stage.name, (before, GROUND), words, short_quantity(stage.capacitance, "F"))
    elif isinstance(stage, BufferBox):
        yield from buffer_parts(stage.name, stage.stage, before, after)
    elif isinstance(stage, VolumePedal):
        lines = (words, f"{short_quantity(stage.value, 'Ω')} {tied(stage.taper)}", f"at {stage.position:g}")
        yield DrawnPart(kind="pot", name=stage.name, nodes=(before, after, GROUND), label=lines)
    elif isinstance(stage, ValveInput):
        yield from _valve(stage, before, after)
    elif isinstance(stage, PassiveSplit):
        for part, _ in _stages(stage.branch, before, stage.name):
            yield part
    else:
        yield from element_parts(stage.elements(before, after))


def _valve(stage: ValveInput, before: str, after: str) -> Iterator[DrawnPart]:
    name = stage.name
    if stage.leak is not None:
        yield two_pin("resistor", f"{name}.leak", (before, GROUND), "leak", short_quantity(stage.leak, "Ω"))
    yield two_pin("resistor", f"{name}.stopper", (before, after), "stopper", short_quantity(stage.stopper, "Ω"))
    if stage.divider is not None:
        yield two_pin("resistor", f"{name}.divider", (after, GROUND), "divider", short_quantity(stage.divider, "Ω"))
    value = short_quantity(stage.grid_capacitance, "F")
    yield two_pin("capacitor", f"{name}.grid", (after, GROUND), "valve grid", value)
