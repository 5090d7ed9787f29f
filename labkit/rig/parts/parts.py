"""Parts of a harness: what stands between named nodes, and what each part's control does to it.

A part is read from a table of a harness sheet, may carry a control (a knob 0 … 10 or a switch with named
positions), and turns into circuit elements at a position of that control. A new kind is a subclass of `Part`
offered through the hook ``labkit_part_kinds``; its fields declare the keys of its table (`labkit.core.keys`).
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
from labkit.core.keys import custom, made, number, quantity, read_keys, text, written_keys
from labkit.core.sheet import Table
from labkit.core.units import UsualRange
from labkit.rig.parts.dielectric import LOSS_TANGENT, loss_of
from labkit.rig.parts.taper import Taper, parse_taper, taper_data

UNCONNECTED = "-"
"""Stands in a part's nodes for a lug that is joined to nothing."""

FULL = 10.0
"""Highest knob position; all knobs run from 0 to 10."""

POT = UsualRange(low=5e3, high=2e6)
RESISTANCE = UsualRange(low=100.0, high=10e6)
CAPACITANCE = UsualRange(low=20e-12, high=200e-9)
INDUCTANCE = UsualRange(low=0.1, high=20.0)

LINEAR = parse_taper("linear")
SWITCH_STYLES = ("toggle", "lever", "slide", "rotary", "push-pull")
SWITCH_ACTIONS = ("break before make", "make before break")

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
    lugs: ClassVar[tuple[str, ...]] = ("one end", "other end")
    """What each node of the sheet is joined to."""
    control_word: ClassVar[str] = ""
    """"knob" or "switch" where something moves the part; its table may then name the control."""
    name: str
    nodes: tuple[str, ...]
    control_name: str = ""

    @classmethod
    def read(cls, name: str, table: Table, base: Self | None = None) -> Self:
        """Read the part from its table; what the table leaves out stays as it is in ``base``, where one is given."""
        table.allow("kind")
        values = cls.read_values(name, table, base)
        table.done()
        return made(cls, table, {"name": name, **cls.settled(table, values)})

    @classmethod
    def read_values(cls, name: str, table: Table, base: Self | None) -> dict[str, Any]:
        """Return the values of the fields: nodes, the control's name, and what the fields declare."""
        is_given = base is None or "nodes" in table
        values: dict[str, Any] = {"nodes": read_nodes(table, cls.lugs) if is_given else base.nodes}  # type: ignore[union-attr]
        if cls.control_word:
            usual = name if base is None else base.control_name
            values["control_name"] = table.text("control", usual, expected=f"the name of a {cls.control_word}")
        return values | read_keys(cls, table, base=base)

    @classmethod
    def settled(cls, table: Table, values: dict[str, Any]) -> dict[str, Any]:
        """Return the values with what follows from them; refuse what cannot stand together with ``table.fail``."""
        return values

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this part."""
        data = {"kind": self.kind, "nodes": list(self.nodes), **written_keys(self)}
        if self.control_word and self.control_name != self.name:
            data["control"] = self.control_name
        return data

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


def read_nodes(table: Table, lugs: tuple[str, ...]) -> tuple[str, ...]:
    """Read ``nodes``: a name for each lug, in their order."""
    meaning = ", ".join(lugs)
    nodes = table.raw("nodes", expected=f"a list of {len(lugs)} nodes ({meaning})")
    is_list = isinstance(nodes, list) and all(isinstance(node, str) and node.strip() for node in nodes)
    if not is_list or len(nodes) != len(lugs):
        got = f"{len(nodes)}" if isinstance(nodes, list) else repr(nodes)[:40]
        table.fail("nodes", f"must be a list of {len(lugs)} names ({meaning}); got {got}")
    return tuple(nodes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pot(Part):
    """A potentiometer: nodes are clockwise end, wiper, counter-clockwise end.

    Pots that share a ``control`` turn together (a gang). With ``opens_above`` the track is cut near the clockwise end:
    above that rotation the wiper stands on the clockwise lug alone (a no-load pot).
    """

    kind: ClassVar[str] = "pot"
    lugs: ClassVar[tuple[str, ...]] = ("clockwise end", "wiper", "counter-clockwise end")
    control_word: ClassVar[str] = "knob"
    value: float = quantity("Ω", usual=POT, low=1.0, meaning="resistance of the whole track")
    taper: Taper = custom(parse=parse_taper, write=taper_data, default=LINEAR, meaning="law of the track")
    end_resistance: float = quantity(
        "Ω", default=0.0, low=0.0, meaning="what is left between the wiper and the end of the track it stands at"
    )
    tolerance: float = quantity("1", default=0.2, low=0.0, high=0.9, is_varied=False, meaning="tolerance of the value")
    opens_above: float | None = quantity(
        "1", default=None, low=0.5, high=0.999, is_varied=False, meaning="rotation above which the track is open"
    )
    default: float = number(
        default=FULL, low=0, high=FULL, is_varied=False, meaning="where the knob stands in a new rig"
    )
    device: str | None = text(default=None, meaning="the real pot, where it is not plain: a device of the catalogue")

    @classmethod
    def settled(cls, table: Table, values: dict[str, Any]) -> dict[str, Any]:
        """Refuse a pot whose wiper is an open lug."""
        if values["nodes"][1] == UNCONNECTED:
            table.fail("nodes", "a pot's wiper must be joined to a node")
        return values

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
    value: float = quantity("Ω", usual=RESISTANCE, low=0.0, meaning="resistance")

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the resistor."""
        return (Resistor(name=self.name, nodes=self.nodes, resistance=self.value),)


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedCapacitor(Part):
    """A capacitor with an optional loss tangent, given as a figure or by naming its dielectric."""

    kind: ClassVar[str] = "capacitor"
    value: float = quantity("F", usual=CAPACITANCE, low=0.0, meaning="capacitance")
    loss_tangent: float = quantity(
        "1", default=0.0, low=LOSS_TANGENT.low, high=LOSS_TANGENT.high, meaning="dissipation factor tan δ"
    )
    dielectric: str | None = text(default=None, meaning="the name of a dielectric")
    tolerance: float = quantity("1", default=0.1, low=0.0, high=0.9, is_varied=False, meaning="tolerance of the value")

    @classmethod
    def settled(cls, table: Table, values: dict[str, Any]) -> dict[str, Any]:
        """Take the loss tangent from the dielectric; refuse two figures for it."""
        if "loss_tangent" in table and "dielectric" in table:
            table.fail("loss_tangent", "is already given by the dielectric; give one of the two")
        if "loss_tangent" in table:
            return {**values, "dielectric": None}
        if "dielectric" in table:
            return {**values, "loss_tangent": loss_of(table, values["dielectric"])}
        return values

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this capacitor."""
        data = Part.data(self)
        if self.dielectric is not None or not self.loss_tangent:
            del data["loss_tangent"]
        return data

    def elements(self, position: Position | None) -> tuple[Element, ...]:
        """Return the capacitor."""
        return (Capacitor(name=self.name, nodes=self.nodes, capacitance=self.value, dissipation=self.loss_tangent),)


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedInductor(Part):
    """An inductor with its winding resistance."""

    kind: ClassVar[str] = "inductor"
    value: float = quantity("H", usual=INDUCTANCE, low=1e-6, meaning="inductance")
    resistance: float = quantity("Ω", default=0.0, low=0.0, meaning="resistance of its winding")

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
    control_word: ClassVar[str] = "switch"
    positions: Mapping[str, tuple[tuple[str, str], ...]]
    default: str = ""
    style: str = text(options=SWITCH_STYLES, default="toggle", meaning="what the switch looks like")
    action: str = text(options=SWITCH_ACTIONS, default=SWITCH_ACTIONS[0], meaning="what happens between two positions")
    device: str | None = text(default=None, meaning="the real switch: style, poles and positions")

    @classmethod
    def read_values(cls, name: str, table: Table, base: Self | None) -> dict[str, Any]:
        """Return the values of the fields; the nodes are those that some position joins."""
        positions = base.positions if base is not None and "positions" not in table else _read_positions(table)
        usual = base.default if base is not None and base.default in positions else next(iter(positions))
        return {
            "positions": positions,
            "default": table.choice("default", positions, usual),
            "nodes": tuple(dict.fromkeys(node for pairs in positions.values() for pair in pairs for node in pair)),
            "control_name": table.text(
                "control", name if base is None else base.control_name, expected="the name of a switch"
            ),
            **read_keys(cls, table, base=base),
        }

    @classmethod
    def settled(cls, table: Table, values: dict[str, Any]) -> dict[str, Any]:
        """Refuse a device that is not of the switch's style and number of positions."""
        device, style, count = values["device"], values["style"], len(values["positions"])
        if device is not None and not _is_device(device, style, count):
            table.fail(
                "device",
                f'must give style, poles and positions of this switch, such as "{style}, 2 poles, {count} positions"; '
                f"got '{device[:80]}'",
            )
        return values

    def data(self) -> dict[str, Any]:
        """Return the keys that read back to this switch."""
        data = Part.data(self)
        del data["nodes"]
        positions = {name: [list(pair) for pair in pairs] for name, pairs in self.positions.items()}
        return {**data, "positions": positions, "default": self.default}

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


def _read_positions(table: Table) -> dict[str, tuple[tuple[str, str], ...]]:
    positions: dict[str, tuple[tuple[str, str], ...]] = {}
    given = table.table("positions")
    if not given.data:
        table.fail("positions", 'needs at least one position, such as { neck = [["neck.hot", "bus"]] }')
    for position, pairs in given.data.items():
        is_pairs = isinstance(pairs, list) and all(
            isinstance(pair, list) and len(pair) == 2 and all(isinstance(n, str) and n.strip() for n in pair)
            for pair in pairs
        )
        if not is_pairs:
            given.fail(position, 'must be a list of pairs of nodes, such as [["neck.hot", "bus"]]')
        for first, second in pairs:
            if first == second:
                given.fail(position, f"joins '{first}' to itself; a contact joins two nodes")
        positions[position] = tuple((first, second) for first, second in pairs)
    return positions


def _is_device(words: str, style: str, positions: int) -> bool:
    """Say whether a text names a switch of this style with this many positions; a rotary may be stopped at fewer."""
    found = re.fullmatch(r"([a-z-]+), \d+ poles?, (\d+) positions(, .+)?", words)
    if found is None or found[1] != style:
        return False
    return int(found[2]) == positions or (style == "rotary" and int(found[2]) > positions)
