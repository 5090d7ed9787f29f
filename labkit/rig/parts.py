"""Parts of a harness: what stands between named nodes, and what each part's control does to it.

A part is read from a table of a harness sheet, may carry a control (a knob 0 … 10 or a switch with named
positions), and turns into circuit elements at a position of that control. A new kind is a subclass of `Part`
offered through the hook ``labkit_part_kinds``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Self

import numpy as np

from labkit.circuit.elements import Capacitor, Contact, Element, Inductor, Resistor
from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.sheet import Table
from labkit.core.units import UsualRange, format_quantity
from labkit.rig.dielectric import loss_of
from labkit.rig.taper import Taper, parse_taper, taper_data

UNCONNECTED = "-"
"""Stands in a part's nodes for a lug that is joined to nothing."""

FULL = 10.0
"""Highest knob position; all knobs run from 0 to 10."""

POT = UsualRange(low=5e3, high=2e6)
RESISTANCE = UsualRange(low=100.0, high=10e6)
CAPACITANCE = UsualRange(low=20e-12, high=200e-9)
INDUCTANCE = UsualRange(low=0.1, high=20.0)

SWITCH_STYLES = ("toggle", "lever", "slide", "rotary", "push-pull")

Position = float | str
Columns = Mapping[str, np.ndarray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Knob:
    """A control turned from 0 to 10."""

    name: str
    default: float = FULL

    def check(self, position: Position) -> float:
        """Return the position as a number; refuse what is not one between 0 and 10."""
        try:
            number = float(position)
        except ValueError:
            raise InputError(f"knob '{self.name}' takes a position from 0 to 10; got '{position}'") from None
        if not 0 <= number <= FULL:
            raise InputError(f"knob '{self.name}' turns from 0 to 10; got {position}")
        return number


@dataclass(frozen=True, slots=True, kw_only=True)
class Selector:
    """A control with named positions."""

    name: str
    positions: tuple[str, ...]
    default: str

    def check(self, position: Position) -> str:
        """Return the position; refuse what is none of the names."""
        if position not in self.positions:
            hint = did_you_mean(str(position), self.positions, listing=False)
            raise InputError(
                f"switch '{self.name}' has the positions {join_words(self.positions)}; got '{position}'.{hint}"
            )
        return str(position)


Control = Knob | Selector


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What every part has.

    Attributes
    ----------
    name : str
        Key of the part in its sheet.
    nodes : tuple of str
        What its lugs are joined to; ``"-"`` is an open lug.
    control_name : str
        Name of the control that moves it; its own name unless the sheet gangs it to another.
    """

    kind: ClassVar[str]
    name: str
    nodes: tuple[str, ...]
    control_name: str = ""

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read the part from its table; must call ``table.done()``."""
        raise NotImplementedError

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this part."""
        raise NotImplementedError

    @property
    def control(self) -> Control | None:
        """The part's control, or None when nothing moves it."""
        return None

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the circuit elements at a position of the control (None for parts without one)."""
        raise NotImplementedError

    def element_values(self, position: np.ndarray | None, keys: Columns) -> dict[str, np.ndarray] | None:
        """Return element values over arrays of positions and sheet keys, SI; None lets `rig.variation` find the map."""
        return None

    @property
    def joints(self) -> tuple[str, ...]:
        """Every node the part touches in any position."""
        return tuple(node for node in self.nodes if node != UNCONNECTED)


def read_nodes(table: Table, count: int, meaning: str) -> tuple[str, ...]:
    """Read ``nodes``: ``count`` names, whose order is ``meaning``."""
    nodes = table.raw("nodes", expected=f"a list of {count} nodes ({meaning})")
    is_list = isinstance(nodes, list) and all(isinstance(node, str) and node.strip() for node in nodes)
    if not is_list or len(nodes) != count:
        got = f"{len(nodes)}" if isinstance(nodes, list) else repr(nodes)[:40]
        table.fail("nodes", f"must be a list of {count} names ({meaning}); got {got}")
    return tuple(nodes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pot(Part):
    """A potentiometer: nodes are clockwise end, wiper, counter-clockwise end.

    Pots that share a ``control`` turn together (a gang). With ``opens_above`` the track is cut near the clockwise end:
    above that rotation the wiper stands on the clockwise lug alone (a no-load pot).
    """

    kind: ClassVar[str] = "pot"
    value: float
    taper: Taper
    end_resistance: float = 0.0
    tolerance: float = 0.2
    opens_above: float | None = None
    default: float = FULL

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read a pot."""
        nodes = read_nodes(table, 3, "clockwise end, wiper, counter-clockwise end")
        if nodes[1] == UNCONNECTED:
            table.fail("nodes", "a pot's wiper must be joined to a node")
        words = table.raw("taper", "linear")
        if not isinstance(words, str | list):
            table.fail("taper", f'must be a taper such as "audio 10 %"; got {words!r}')
        taper = table.attempt("taper", lambda: parse_taper(words))
        part = cls(
            name=name,
            nodes=nodes,
            control_name=table.text("control", name, expected="the name of a knob"),
            value=table.quantity("value", "Ω", usual=POT, low=1.0),
            taper=taper,
            end_resistance=table.quantity("end_resistance", "Ω", 0.0, low=0.0),
            tolerance=table.quantity("tolerance", "1", 0.2, low=0.0, high=0.9),
            opens_above=table.quantity("opens_above", "1", None, low=0.5, high=0.999),
            default=table.number("default", FULL, low=0, high=FULL),
        )
        table.done()
        return part

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this pot."""
        data: dict[str, Any] = {
            "kind": self.kind,
            "nodes": list(self.nodes),
            "value": format_quantity(self.value, "Ω", usual=POT),
            "taper": taper_data(self.taper),
            "end_resistance": format_quantity(self.end_resistance, "Ω"),
            "tolerance": format_quantity(self.tolerance, "1"),
            "default": self.default,
        }
        if self.opens_above is not None:
            data["opens_above"] = format_quantity(self.opens_above, "1")
        if self.control_name != self.name:
            data["control"] = self.control_name
        return data

    @property
    def control(self) -> Knob:
        """The knob."""
        return Knob(name=self.control_name or self.name, default=self.default)

    def legs(self, position: Position | None) -> tuple[float, float]:
        """Return the resistances clockwise end–wiper and wiper–counter-clockwise end, Ω."""
        rotation = self.control.check(self.default if position is None else position) / FULL
        if self.opens_above is not None and rotation > self.opens_above:
            return self.end_resistance, math.inf
        part = float(self.taper(rotation))
        return self.value * (1 - part) + self.end_resistance, self.value * part + self.end_resistance

    def element_values(self, position: np.ndarray | None, keys: Columns) -> dict[str, np.ndarray] | None:
        """Return the two legs over arrays of rotation, track resistance and end resistance."""
        if not set(keys) <= {"value", "end_resistance"}:
            return None
        rotation = np.asarray(self.default if position is None else position, dtype=float) / FULL
        value, end = keys.get("value", self.value), keys.get("end_resistance", self.end_resistance)
        part = self.taper(rotation)
        upper, lower = value * (1 - part) + end, value * part + end
        if self.opens_above is not None:
            opened = rotation > self.opens_above
            upper, lower = np.where(opened, end, upper), np.where(opened, math.inf, lower)
        legs = (("upper", self.nodes[0], upper), ("lower", self.nodes[2], lower))
        return {f"{self.name}.{leg}": np.asarray(values) for leg, node, values in legs if node != UNCONNECTED}

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the two legs of the track (an end that is joined to nothing has none)."""
        clockwise, wiper, counter = self.nodes
        upper, lower = self.legs(position)
        found: list[Element] = []
        if clockwise != UNCONNECTED:
            found.append(Resistor(name=f"{self.name}.upper", nodes=(clockwise, wiper), resistance=upper))
        if counter != UNCONNECTED:
            found.append(Resistor(name=f"{self.name}.lower", nodes=(wiper, counter), resistance=lower))
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedResistor(Part):
    """A resistor."""

    kind: ClassVar[str] = "resistor"
    value: float

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read a resistor."""
        nodes = read_nodes(table, 2, "its two ends")
        value = table.quantity("value", "Ω", usual=RESISTANCE, low=0.0)
        table.done()
        return cls(name=name, nodes=nodes, value=value)

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this resistor."""
        return {
            "kind": self.kind,
            "nodes": list(self.nodes),
            "value": format_quantity(self.value, "Ω", usual=RESISTANCE),
        }

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the resistor."""
        return (Resistor(name=self.name, nodes=self.nodes, resistance=self.value),)


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedCapacitor(Part):
    """A capacitor with an optional loss tangent, given as a figure or by naming its dielectric."""

    kind: ClassVar[str] = "capacitor"
    value: float
    loss_tangent: float = 0.0
    dielectric: str | None = None
    tolerance: float = 0.1

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read a capacitor."""
        nodes = read_nodes(table, 2, "its two ends")
        dielectric = table.text("dielectric", None, expected="the name of a dielectric")
        if dielectric is not None and "loss_tangent" in table:
            table.fail("loss_tangent", "is already given by the dielectric; give one of the two")
        part = cls(
            name=name,
            nodes=nodes,
            value=table.quantity("value", "F", usual=CAPACITANCE, low=0.0),
            loss_tangent=table.quantity("loss_tangent", "1", loss_of(table, dielectric), low=0.0, high=0.5),
            dielectric=dielectric,
            tolerance=table.quantity("tolerance", "1", 0.1, low=0.0, high=0.9),
        )
        table.done()
        return part

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this capacitor."""
        data: dict[str, Any] = {
            "kind": self.kind,
            "nodes": list(self.nodes),
            "value": format_quantity(self.value, "F", usual=CAPACITANCE),
            "tolerance": format_quantity(self.tolerance, "1"),
        }
        if self.dielectric is not None:
            data["dielectric"] = self.dielectric
        elif self.loss_tangent:
            data["loss_tangent"] = format_quantity(self.loss_tangent, "1")
        return data

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the capacitor."""
        return (Capacitor(name=self.name, nodes=self.nodes, capacitance=self.value, dissipation=self.loss_tangent),)


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedInductor(Part):
    """An inductor with its winding resistance."""

    kind: ClassVar[str] = "inductor"
    value: float
    resistance: float = 0.0

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read an inductor."""
        nodes = read_nodes(table, 2, "its two ends")
        value = table.quantity("value", "H", usual=INDUCTANCE, low=1e-6)
        resistance = table.quantity("resistance", "Ω", 0.0, low=0.0)
        table.done()
        return cls(name=name, nodes=nodes, value=value, resistance=resistance)

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this inductor."""
        return {
            "kind": self.kind,
            "nodes": list(self.nodes),
            "value": format_quantity(self.value, "H", usual=INDUCTANCE),
            "resistance": format_quantity(self.resistance, "Ω"),
        }

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the inductor and, where it has one, its resistance in series."""
        first, second = self.nodes
        if self.resistance == 0:
            return (Inductor(name=self.name, nodes=self.nodes, inductance=self.value),)
        middle = f"{self.name}.winding"
        return (
            Inductor(name=self.name, nodes=(first, middle), inductance=self.value),
            Resistor(name=f"{self.name}.resistance", nodes=(middle, second), resistance=self.resistance),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch(Part):
    """A switch: in each named position some pairs of nodes are joined and the others are not.

    ``action`` says what happens on the way from one position to the next, which matters for pops, not for the response.
    ``device`` names the real switch that makes these joins, where it is not plain: ``"lever, 2 poles, 5 positions"``.
    """

    kind: ClassVar[str] = "switch"
    positions: Mapping[str, tuple[tuple[str, str], ...]]
    default: str = ""
    style: str = "toggle"
    action: str = "break before make"
    device: str = ""

    @classmethod
    def read(cls, name: str, table: Table) -> Self:
        """Read a switch."""
        positions: dict[str, tuple[tuple[str, str], ...]] = {}
        listed = table.table("positions")
        if not listed.data:
            table.fail("positions", 'needs at least one position, such as { neck = [["neck.hot", "bus"]] }')
        for position, pairs in listed.data.items():
            is_pairs = isinstance(pairs, list) and all(
                isinstance(pair, list) and len(pair) == 2 and all(isinstance(n, str) and n.strip() for n in pair)
                for pair in pairs
            )
            if not is_pairs:
                listed.fail(position, 'must be a list of pairs of nodes, such as [["neck.hot", "bus"]]')
            for first, second in pairs:
                if first == second:
                    listed.fail(position, f"joins '{first}' to itself; a contact joins two nodes")
            positions[position] = tuple((first, second) for first, second in pairs)
        default = table.choice("default", positions, next(iter(positions)))
        control = table.text("control", name, expected="the name of a switch")
        style = table.choice("style", SWITCH_STYLES, "toggle")
        action = table.choice("action", ("break before make", "make before break"), "break before make")
        device = table.text("device", "", expected="a switch, its poles and positions")
        if device and not _is_device(device, style, len(positions)):
            poles = "1 pole" if len(positions) == 2 else "2 poles"
            table.fail(
                "device",
                f'must give style, poles and positions of this switch, such as "{style}, {poles}, {len(positions)} '
                f"positions\"; got '{device[:80]}'",
            )
        table.done()
        nodes = tuple(dict.fromkeys(node for pairs in positions.values() for pair in pairs for node in pair))
        return cls(
            name=name,
            nodes=nodes,
            control_name=control,
            positions=positions,
            default=default,
            style=style,
            action=action,
            device=device,
        )

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this switch."""
        data: dict[str, Any] = {
            "kind": self.kind,
            "positions": {name: [list(pair) for pair in pairs] for name, pairs in self.positions.items()},
            "default": self.default,
            "style": self.style,
            "action": self.action,
        }
        if self.device:
            data["device"] = self.device
        if self.control_name != self.name:
            data["control"] = self.control_name
        return data

    @property
    def control(self) -> Selector:
        """The selector."""
        return Selector(name=self.control_name or self.name, positions=tuple(self.positions), default=self.default)

    def contacts(self) -> tuple[tuple[str, str], ...]:
        """Every pair of nodes that some position joins, in order."""
        return tuple(dict.fromkeys(pair for pairs in self.positions.values() for pair in pairs))

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return one contact for every pair; those of the position are closed."""
        chosen = self.control.check(self.default if position is None else position)
        closed = set(self.positions[chosen])
        return tuple(
            Contact(name=f"{self.name}.contact{index}", nodes=pair, closed=pair in closed)
            for index, pair in enumerate(self.contacts(), start=1)
        )


def _is_device(text: str, style: str, positions: int) -> bool:
    """Say whether a text names a switch of this style with this many positions; words may follow."""
    found = re.fullmatch(r"([a-z-]+), \d+ poles?, (\d+) positions(, .+)?", text)
    return found is not None and found[1] == style and int(found[2]) == positions
