"""What a schematic is drawn from: parts with labels between named nodes.

The drawing knows nothing of physics. Whoever has a circuit describes it as a `DrawnCircuit`; everything else in
this package turns that into geometry and back.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Literal, get_args

from labkit.core.errors import CircuitError, did_you_mean

GROUND = "ground"
OPEN = "-"
"""Node name of an end that is connected to nothing."""

TwoPinKind = Literal[
    "coil",
    "reversed coil",
    "resistor",
    "capacitor",
    "inductor",
    "impedance",
    "cable",
    "input",
    "contact",
    "connector",
]
PartKind = Literal[TwoPinKind, "pot", "buffer", "line", "pole", "output"]

PLAIN_TWO_PIN: tuple[TwoPinKind, ...] = get_args(TwoPinKind)
"""Kinds that may stand anywhere between two nodes."""

PIN_NAMES: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(PLAIN_TWO_PIN, ("1", "2")),
    **dict.fromkeys(("coil", "reversed coil"), ("start", "finish")),
    "pot": ("cw", "wiper", "ccw"),
    "buffer": ("in", "out"),
    "line": ("in", "out", "shield"),
    "output": ("1",),
}
"""Pins of each kind, in the order of `DrawnPart.nodes`; a pole has ``common`` and then ``throw 1`` … ``throw n``."""

PinKey = tuple[str, str]
"""A pin: name of the part, name of the pin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnPart:
    """One part of the drawing.

    Parameters
    ----------
    kind : PartKind
        Decides the symbol and the pins. A ``coil`` has its dot at the start, a ``reversed coil`` at the finish.
        ``cable`` and ``input`` are lumped loads (a capacitor in a sheath; R ∥ C), ``line`` is a length of shielded lead
        drawn in line with its shield as third pin, ``pole`` one pole of a switch, ``connector`` a jack or plug in line
        (its two nodes are one point electrically).
    name : str
        Unique in the drawing.
    nodes : tuple of str
        One node per pin; ``"-"`` leaves the pin open.
    label : tuple of str
        Lines beside the symbol; the name with blanks for underscores when empty.
    closed : tuple of bool
        For a contact one, for a pole one per throw: drawn solid when closed.
    throw_labels : tuple of str
        For a pole, one label per throw, used where its contacts are drawn apart; numbered when empty.
    throw_names : tuple of str
        For a pole, the lugs at each throw, written beside them where it is drawn whole.
    gang : str
        The knob or lever that moves it together with others, which a dashed line joins; empty where it moves alone.
    """

    kind: PartKind
    name: str
    nodes: tuple[str, ...]
    label: tuple[str, ...] = ()
    closed: tuple[bool, ...] = ()
    throw_labels: tuple[str, ...] = ()
    throw_names: tuple[str, ...] = ()
    gang: str = ""

    def __post_init__(self) -> None:
        if self.kind not in get_args(PartKind):
            raise CircuitError(
                f"part '{self.name}': the kind must be one of {', '.join(get_args(PartKind))}; got '{self.kind}'."
                f"{did_you_mean(self.kind, get_args(PartKind))}"
            )
        if self.kind == "pole":
            if len(self.nodes) < 2:
                raise CircuitError(f"pole '{self.name}' needs a common and at least one throw; got {self.nodes}")
            contacts = len(self.nodes) - 1
        else:
            wanted = len(PIN_NAMES[self.kind])
            if len(self.nodes) != wanted:
                raise CircuitError(
                    f"{self.kind} '{self.name}' needs {wanted} node{'s' if wanted > 1 else ''} "
                    f"({', '.join(PIN_NAMES[self.kind])}); got {len(self.nodes)}"
                )
            contacts = 1 if self.kind == "contact" else 0
        if self.closed and len(self.closed) != contacts:
            raise CircuitError(
                f"{self.kind} '{self.name}' has {contacts} contacts to be open or closed; got {len(self.closed)} states"
            )
        if self.throw_labels and (self.kind != "pole" or len(self.throw_labels) != contacts):
            raise CircuitError(
                f"{self.kind} '{self.name}' takes {contacts if self.kind == 'pole' else 0} throw labels; "
                f"got {len(self.throw_labels)}"
            )

    @property
    def pin_names(self) -> tuple[str, ...]:
        """Names of the pins, one per node."""
        if self.kind == "pole":
            return ("common", *(f"throw {number}" for number in range(1, len(self.nodes))))
        return PIN_NAMES[self.kind]

    @property
    def lines(self) -> tuple[str, ...]:
        """Label lines, never empty."""
        return self.label or (self.name.replace("_", " "),)

    def is_closed(self, contact: int = 0) -> bool:
        """Say whether a contact conducts; contacts are open unless said otherwise."""
        return bool(self.closed) and self.closed[contact]


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnCircuit:
    """The whole drawing's content. The order of the parts decides the order in the picture, so it must be stable.

    Parameters
    ----------
    name : str
        Heading and title of the picture.
    parts : tuple of DrawnPart
        At least one; the first part of kind ``output`` ends the main line of the drawing.
    summary : str
        Line beneath the heading, such as the present settings.
    """

    name: str
    parts: tuple[DrawnPart, ...]
    summary: str = ""

    def __post_init__(self) -> None:
        if not self.parts:
            raise CircuitError(f"{self.name}: there is nothing to draw; a circuit needs at least one part")
        repeated = [name for name, count in Counter(part.name for part in self.parts).items() if count > 1]
        if repeated:
            raise CircuitError(f"{self.name}: two parts are named '{repeated[0]}'; every part needs its own name")

    def netlist(self) -> frozenset[frozenset[PinKey]]:
        """Return the nets as sets of pins; ground carries the extra pin ``("ground", "")``, open pins stand alone."""
        nets: dict[str, set[PinKey]] = {}
        alone: list[frozenset[PinKey]] = []
        for part in self.parts:
            for pin, node in zip(part.pin_names, part.nodes):
                if node == OPEN:
                    alone.append(frozenset({(part.name, pin)}))
                else:
                    nets.setdefault(node, set()).add((part.name, pin))
        if GROUND in nets:
            nets[GROUND].add((GROUND, ""))
        return frozenset([*(frozenset(pins) for pins in nets.values()), *alone])
