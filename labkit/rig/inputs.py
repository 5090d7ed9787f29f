"""Every number of a rig by one name: what it is now, its unit, and the rig with it changed.

Names are those of ``--set`` (``volume``, ``volume.value``, ``tone_capacitor``, ``cable.length``); coils add
``SLOT.COIL.inductance`` and so on. Values are SI; knobs count from 0 to 10. The numbers are those that parts, stages
and coils declare as keys (`labkit.core.keys`), so what a plugin brings can be varied like anything else.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labkit.core.errors import InputError, did_you_mean
from labkit.core.keys import numbers, with_numbers
from labkit.core.units import format_quantity, parse_quantity
from labkit.pickup.electrical import Coil, Pickup
from labkit.rig.chain.chain import Stage
from labkit.rig.parts.parts import Knob, Part
from labkit.rig.rig import Rig


@dataclass(frozen=True, slots=True, kw_only=True)
class RigInput:
    """One number of a rig.

    Attributes
    ----------
    name : str
    value : float
        In ``unit``.
    unit : str
        SI symbol; empty for knobs and plain numbers.
    group : str
        What it belongs to: a part, a knob, a stage or a coil.
    tolerance : float or None
        What its maker allows, as a fraction of the value; None where its sheet states none.
    """

    name: str
    value: float
    unit: str
    group: str
    tolerance: float | None = None

    def text(self, value: float) -> str:
        """Return a value of this input in the words of sheets, exactly.

        >>> RigInput(name="volume.value", value=250e3, unit="Ω", group="volume").text(5e5)
        '500 kΩ'
        """
        return format_quantity(value, self.unit) if self.unit else repr(float(value))

    def shown(self, value: float, digits: int = 3) -> str:
        """Return a value of this input for people, rounded."""
        return format_quantity(value, self.unit, digits=digits) if self.unit else f"{value:.{digits}g}"

    def parse(self, text: str) -> float:
        """Read a value of this input; plain numbers for knobs and counts."""
        if self.unit:
            return parse_quantity(text, self.unit)
        try:
            number = float(text)
        except ValueError:
            raise InputError(f"{self.name}: a plain number is due here; got '{text}'") from None
        if not math.isfinite(number):
            raise InputError(f"{self.name}: a finite number is due here; got '{text}'")
        return number


def rig_inputs(rig: Rig) -> dict[str, RigInput]:
    """Return every number of a rig that can be varied, by name.

    >>> from labkit.rig.sheet import load_rig
    >>> found = rig_inputs(load_rig("Saltmarsh Lane, narrow single coil"))
    >>> found["bridge.main.inductance"].value, found["cable.length"].value, found["volume"].value
    (2.4, 5.0, 10.0)
    """
    found: list[RigInput] = []
    for control in rig.harness.controls:
        if isinstance(control, Knob):
            position = float(rig.settings[control.name])
            found.append(RigInput(name=control.name, value=position, unit="", group=control.name))
    for part in rig.harness.parts.values():
        found += _numbers_of(part, part.name, part.control.name if isinstance(part.control, Knob) else part.name)
    for stage in rig.chain:
        found += _numbers_of(stage, stage.name, stage.name)
    for slot, pickup in rig.pickups.items():
        found += _numbers_of_pickup(slot, pickup)
    return {item.name: item for item in found}


def find_input(rig: Rig, name: str) -> RigInput:
    """Return an input by name; a part's bare name means its value. InputError with the nearest name otherwise."""
    known = rig_inputs(rig)
    for candidate in (name, f"{name}.value"):
        if candidate in known:
            return known[candidate]
    raise InputError(f"rig '{rig.name}' has no number '{name}' to vary.{did_you_mean(name, known)}")


def with_inputs(rig: Rig, values: Mapping[str, float], *, known: Mapping[str, RigInput] | None = None) -> Rig:
    """Return the rig with numbers replaced, by input name, SI.

    Parameters
    ----------
    rig : Rig
    values : mapping of str to float
    known : mapping of str to RigInput, optional
        The inputs that ``values`` names, where they were looked up already.

    Raises
    ------
    InputError
        If a name is unknown or a value impossible.
    """
    known = rig_inputs(rig) if known is None else known
    changes: dict[str, dict[str, float]] = {}
    settings: dict[str, float] = {}
    for name, value in values.items():
        found = known[name] if name in known else find_input(rig, name)
        head, point, rest = found.name.partition(".")
        if point:
            changes.setdefault(head, {})[rest] = value
        else:
            settings[head] = value
    parts, stages, pickups = rig.harness.parts, {stage.name: stage for stage in rig.chain}, rig.pickups
    return rig.replace(
        settings=settings,
        parts={name: _changed(parts[name], name, new) for name, new in changes.items() if name in parts},
        chain=tuple(
            _changed(stage, name, changes[name]) if name in changes and name not in parts else stage
            for name, stage in stages.items()
        ),
        pickups={slot: _changed_pickup(pickups[slot], slot, new) for slot, new in changes.items() if slot in pickups},
    )


def _numbers_of(thing: Part | Stage | Coil, name: str, group: str) -> list[RigInput]:
    tolerance = getattr(thing, "tolerance", None)
    written = None if isinstance(thing, Coil) else thing.data()
    return [
        RigInput(
            name=f"{name}.{key_name}",
            value=value,
            unit=key.unit or "",
            group=group,
            tolerance=tolerance if key_name == "value" else None,
        )
        for key_name, value, key in numbers(thing)
        if written is None or key_name.partition(".")[0] in written or "." in key_name
    ]


def _numbers_of_pickup(slot: str, pickup: Pickup) -> list[RigInput]:
    found: list[RigInput] = []
    for name, coil in pickup.coils.items():
        found += _numbers_of(coil, f"{slot}.{name}", f"{slot}.{name}")
    if len(pickup.coils) == 2:
        found.append(RigInput(name=f"{slot}.coupling", value=pickup.coupling, unit="", group=f"{slot}.coupling"))
    found.append(
        RigInput(name=f"{slot}.lead_capacitance", value=pickup.lead_capacitance, unit="F", group=f"{slot}.lead")
    )
    return found


def _changed(thing: Any, name: str, values: Mapping[str, float]) -> Any:
    try:
        return with_numbers(thing, values)
    except InputError as error:
        raise InputError(f"{name}.{error}") from None


def _changed_pickup(pickup: Pickup, slot: str, values: Mapping[str, float]) -> Pickup:
    coils = dict(pickup.coils)
    own: dict[str, float] = {}
    for name, value in values.items():
        coil, point, key = name.partition(".")
        if point:
            coils[coil] = _changed(coils[coil], f"{slot}.{coil}", {key: value})
        else:
            own[name] = value
    return dataclasses.replace(pickup, coils=coils, **own)  # type: ignore[arg-type]
