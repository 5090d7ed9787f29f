"""`Harness`: the wiring inside the instrument, read from a sheet and checked joint by joint."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from labkit.circuit.elements import GROUND, Element
from labkit.core.errors import InputError, did_you_mean
from labkit.core.sheet import Table
from labkit.plugins import Brought, plugins
from labkit.plugins.manager import BUILTIN
from labkit.rig.claims import Claim, read_claims
from labkit.rig.parts.parts import Control, Knob, Part, Selector


@dataclass(frozen=True, slots=True, kw_only=True)
class Harness:
    """Parts between named nodes; its pots and switches are the controls.

    Attributes
    ----------
    name, summary : str
    slots : tuple of str
        Names of the pickups it takes.
    output : str
        Node of the jack's tip.
    parts : mapping of str to Part
        In the order of the sheet.
    claims : tuple of Claim
        What the sheet claims for positions of the controls.
    """

    name: str
    summary: str = ""
    slots: tuple[str, ...]
    output: str
    parts: Mapping[str, Part]
    purpose: str = ""
    claims: tuple[Claim, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "parts", MappingProxyType(dict(self.parts)))
        controls: dict[str, Control] = {}
        for part in self.parts.values():
            control = part.control
            if control is None:
                continue
            known = controls.setdefault(control.name, control)
            same = type(known) is type(control) and (
                not isinstance(known, Selector) or known.positions == getattr(control, "positions", ())
            )
            if not same:
                raise InputError(
                    f"harness '{self.name}': part '{part.name}' shares the control '{control.name}' with parts of other"
                    " positions; ganged parts must have the same positions"
                )

    @property
    def controls(self) -> tuple[Control, ...]:
        """Knobs and switches, each once, in the order of the sheet."""
        found: dict[str, Control] = {}
        for part in self.parts.values():
            if part.control is not None:
                found.setdefault(part.control.name, part.control)
        return tuple(found.values())

    def control(self, name: str) -> Control:
        """Return a control by name; InputError with the nearest name when there is none."""
        for control in self.controls:
            if control.name == name:
                return control
        names = [control.name for control in self.controls]
        raise InputError(f"harness '{self.name}' has no control '{name}'.{did_you_mean(name, names)}")

    def part(self, name: str) -> Part:
        """Return a part by name; InputError with the nearest name when there is none."""
        if name not in self.parts:
            raise InputError(f"harness '{self.name}' has no part '{name}'.{did_you_mean(name, self.parts)}")
        return self.parts[name]

    def with_part(self, part: Part) -> Harness:
        """Return the harness with a part of the same name replaced."""
        return replace(self, parts={**self.parts, part.name: part})

    @property
    def terminals(self) -> tuple[str, ...]:
        """Pickup terminals the wiring uses, such as ``bridge.hot`` or ``bridge.first.start``."""
        used = dict.fromkeys(node for part in self.parts.values() for node in part.joints)
        used.setdefault(self.output)
        return tuple(node for node in used if node.partition(".")[0] in self.slots and "." in node)

    @property
    def knobs(self) -> tuple[Knob, ...]:
        """The knobs."""
        return tuple(control for control in self.controls if isinstance(control, Knob))

    @property
    def selectors(self) -> tuple[Selector, ...]:
        """The switches."""
        return tuple(control for control in self.controls if isinstance(control, Selector))


def part_kinds() -> dict[str, type[Part]]:
    """Return every kind of part that plugins bring, by the word of the sheets."""
    return {name: brought.thing for name, brought in _part_kinds().items()}


def _part_kinds() -> Mapping[str, Brought]:
    return plugins().things("labkit_part_kinds", check=_not_a_part, key=lambda kind: getattr(kind, "kind", ""))


def _not_a_part(thing: object) -> str:
    return "" if isinstance(thing, type) and issubclass(thing, Part) else "a subclass of labkit.rig.parts.parts.Part"


def read_part(name: str, table: Table, base: Part | None = None) -> Part:
    """Read one part by its ``kind``; what the table leaves out stays as it is in ``base``, where one is given."""
    kinds = _part_kinds()
    if not kinds:
        table.fail("kind", "nothing installed brings a kind of part; see labkit catalogue --plugins")
    kind = kinds[table.choice("kind", kinds)]
    table.allow("note")
    if kind.plugin == BUILTIN:
        return table.attempt("", lambda: kind.thing.read(name, table, base))  # type: ignore[no-any-return]
    return table.attempt("", lambda: _guarded(kind, name, table, base))


def _guarded(kind: Brought, name: str, table: Table, base: Part | None) -> Part:
    """Read a part of another plugin, and see that it turns into elements, before a rig is built on it."""
    try:
        part = kind.thing.read(name, table, base)
        elements = part.elements(None if part.control is None else part.control.default)
    except InputError:
        raise
    except Exception as error:
        raise InputError(
            f"the part '{kind.name}' of plugin '{kind.plugin}' failed: {type(error).__name__}: {error}"
        ) from error
    if (
        not isinstance(part, Part)
        or not isinstance(elements, tuple)
        or not all(isinstance(element, Element) for element in elements)
    ):
        raise InputError(f"the part '{kind.name}' of plugin '{kind.plugin}' must turn into a tuple of circuit elements")
    return part


def read_harness(table: Table) -> Harness:
    """Read a harness sheet.

    Raises
    ------
    SheetError
        Naming the file, the key and the remedy; also for a node that leads nowhere.
    """
    table.allow("sheet", "format", "check", "source", "note")
    name = table.text("name", expected="the harness's name")
    summary = table.text("summary", "")
    purpose = table.text("purpose", "")
    slots = table.texts("pickups")
    if not slots or len(set(slots)) != len(slots):
        table.fail("pickups", "must name at least one pickup slot, each once")
    for slot in slots:
        if "." in slot or slot == GROUND:
            table.fail("pickups", f"a slot's name may not be '{slot}' (no point in it, and not 'ground')")
    output = table.text("output", expected="the node of the jack's tip")
    if output == GROUND:
        table.fail("output", "is ground; the tip needs a node of its own, such as 'tip'")
    parts = {part: read_part(part, entry) for part, entry in table.each("parts", {})}
    harness = table.attempt(
        "parts",
        lambda: Harness(name=name, summary=summary, purpose=purpose, slots=slots, output=output, parts=parts),
    )
    harness = replace(harness, claims=read_claims(table, harness.controls, slots))
    table.done()
    _check_joints(table, harness)
    return harness


def harness_data(harness: Harness) -> dict[str, Any]:
    """Return the keys of a harness sheet that reads back to the same harness."""
    data: dict[str, Any] = {"name": harness.name}
    if harness.summary:
        data["summary"] = harness.summary
    if harness.purpose:
        data["purpose"] = harness.purpose
    data |= {"pickups": list(harness.slots), "output": harness.output}
    data["parts"] = {name: part.data() for name, part in harness.parts.items()}
    if harness.claims:
        data["claims"] = {claim.key(harness.selectors): claim.data() for claim in harness.claims}
    return data


def _check_joints(table: Table, harness: Harness) -> None:
    """Refuse nodes that only one lug touches: nearly always a misspelling."""
    uses = Counter(node for part in harness.parts.values() for node in dict.fromkeys(part.joints))
    for part in harness.parts.values():
        for node in part.joints:
            slot, point, terminal = node.partition(".")
            if point:
                if slot not in harness.slots:
                    table.fail(
                        f"parts.{part.name}.nodes",
                        f"'{node}' names no pickup slot of this harness.{did_you_mean(slot, harness.slots)}",
                    )
                if terminal not in ("hot", "ground") and terminal.rpartition(".")[2] not in ("start", "finish"):
                    table.fail(
                        f"parts.{part.name}.nodes",
                        f"'{node}' is no terminal; a pickup offers {slot}.hot, {slot}.ground, {slot}.COIL.start and "
                        f"{slot}.COIL.finish",
                    )
                continue
            if node in (GROUND, harness.output) or uses[node] > 1 or len(part.joints) > len(set(part.joints)):
                continue
            others = [other for other in uses if other != node]
            hint = did_you_mean(node, [*others, harness.output, GROUND], listing=False)
            table.fail(
                f"parts.{part.name}.nodes",
                f"node '{node}' is joined to nothing else.{hint} An open lug is written \"-\"",
            )
    if harness.output not in uses and harness.output.partition(".")[0] not in harness.slots:
        table.fail("output", f"node '{harness.output}' is joined to no part.{did_you_mean(harness.output, [*uses])}")
