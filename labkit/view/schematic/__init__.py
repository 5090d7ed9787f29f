"""Schematics: the actual circuit with its values, laid out by rule and checked by reading it back.

`draw` turns a `DrawnCircuit` into a `Drawing`; `to_svg` and `to_png` write it; `faults` says what is wrong with one.
"""

from labkit.view.schematic.checks import DrawingFault, crossings, faults, read_back
from labkit.view.schematic.drawing import Drawing
from labkit.view.schematic.layout import draw
from labkit.view.schematic.parts import GROUND, OPEN, DrawnCircuit, DrawnPart
from labkit.view.schematic.svg import to_svg

__all__ = [
    "GROUND",
    "OPEN",
    "Drawing",
    "DrawingFault",
    "DrawnCircuit",
    "DrawnPart",
    "crossings",
    "draw",
    "faults",
    "read_back",
    "to_svg",
]
