"""Every number of a rig by one name: what it is now, its unit, and the rig with it changed.

Names are those of ``--set`` (``volume``, ``volume.value``, ``tone_capacitor``, ``cable.length``); coils add
``SLOT.COIL.inductance`` and so on. Values are SI; knobs count from 0 to 10. Parts and stages of plugins are found
through the keys of their sheets, so they need nothing of their own to be varied.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from labkit.core.errors import InputError, QuantityError, did_you_mean
from labkit.core.units import UNITS, format_quantity, parse_quantity
from labkit.pickup.electrical import Coil, Pickup
from labkit.rig.parts import Knob
from labkit.rig.rig import Rig
from labkit.rig.sheet import set_value

_NOT_VALUES = frozenset({"kind", "nodes", "tolerance", "default", "opens_above", "control", "taper", "positions"})
_COIL_UNITS = {"resistance": "Ω", "inductance": "H", "capacitance": "F", "loss_resistance": "Ω"}
_SECTION_UNITS = {"fraction": "", "corner": "Hz"}


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
        control_name = part.control.name if isinstance(part.control, Knob) else part.name
        found += _sheet_inputs(part.name, control_name, part.data())
    for stage in rig.chain:
        found += _sheet_inputs(stage.name, stage.name, stage.data())
    for slot, pickup in rig.pickups.items():
        found += _pickup_inputs(slot, pickup)
    return {item.name: item for item in found}


def find_input(rig: Rig, name: str) -> RigInput:
    """Return an input by name; a part's bare name means its value. InputError with the nearest name otherwise."""
    known = rig_inputs(rig)
    for candidate in (name, f"{name}.value"):
        if candidate in known:
            return known[candidate]
    raise InputError(f"rig '{rig.name}' has no number '{name}' to vary.{did_you_mean(name, known)}")


def with_inputs(rig: Rig, values: Mapping[str, float]) -> Rig:
    """Return the rig with numbers replaced, by input name, SI.

    Raises
    ------
    InputError
        If a name is unknown or a value impossible.
    """
    by_slot: dict[str, dict[str, float]] = {}
    known = rig_inputs(rig)
    for name, value in values.items():
        if name not in known:
            known[name] = find_input(rig, name)
        slot, _, rest = known[name].name.partition(".")
        if slot in rig.pickups and rest:
            by_slot.setdefault(slot, {})[rest] = value
        else:
            # The mark insists: a study may well step outside the usual range on purpose.
            insist = "!" if known[name].unit else ""
            rig = set_value(rig, known[name].name, known[name].text(value) + insist)
    changed = {slot: _with_pickup_values(rig.pickups[slot], changes) for slot, changes in by_slot.items()}
    return rig.replace(pickups=changed) if changed else rig


def _sheet_inputs(name: str, group: str, data: Mapping[str, Any]) -> list[RigInput]:
    tolerance = _quantity(data.get("tolerance"))
    found = []
    for key, entry in data.items():
        if key in _NOT_VALUES:
            continue
        read = _quantity(entry)
        if read is not None:
            allowed = tolerance[0] if tolerance is not None and key == "value" else None
            found.append(RigInput(name=f"{name}.{key}", value=read[0], unit=read[1], group=group, tolerance=allowed))
    return found


def _quantity(entry: object) -> tuple[float, str] | None:
    if isinstance(entry, int | float) and not isinstance(entry, bool):
        return float(entry), ""
    return _quantity_of_text(entry) if isinstance(entry, str) else None


@lru_cache(maxsize=4096)
def _quantity_of_text(text: str) -> tuple[float, str] | None:
    """Value and unit of a text as parts write it (never of a bare number or words)."""
    body = text.rstrip("!")
    for unit in UNITS:
        try:
            value = parse_quantity(body, unit)
        except QuantityError:
            continue
        # "5 m" would also read as 5 mΩ: the unit meant is the one that writes the same text.
        if format_quantity(value, unit) == body:
            return value, unit
    return None


def _pickup_inputs(slot: str, pickup: Pickup) -> list[RigInput]:
    found = []
    for name, coil in pickup.coils.items():
        group = f"{slot}.{name}"
        for key, unit in _COIL_UNITS.items():
            value = getattr(coil, key)
            if math.isfinite(value):
                found.append(RigInput(name=f"{group}.{key}", value=value, unit=unit, group=group))
        for index, section in enumerate(coil.eddy, start=1):
            for key, unit in _SECTION_UNITS.items():
                value = section.fraction if key == "fraction" else section.corner_hz
                found.append(RigInput(name=f"{group}.eddy{index}.{key}", value=value, unit=unit, group=group))
    if len(pickup.coils) == 2:
        found.append(RigInput(name=f"{slot}.coupling", value=pickup.coupling, unit="", group=f"{slot}.coupling"))
    found.append(
        RigInput(name=f"{slot}.lead_capacitance", value=pickup.lead_capacitance, unit="F", group=f"{slot}.lead")
    )
    return found


def _with_pickup_values(pickup: Pickup, values: Mapping[str, float]) -> Pickup:
    coils = dict(pickup.coils)
    own: dict[str, float] = {}
    for name, value in values.items():
        coil, _, key = name.partition(".")
        if not key:
            own[name] = value
        elif "." in key:
            coils[coil] = _with_section(coils[coil], key, value)
        else:
            coils[coil] = dataclasses.replace(coils[coil], **{key: value})  # type: ignore[arg-type]
    return dataclasses.replace(pickup, coils=coils, **own)  # type: ignore[arg-type]


def _with_section(coil: Coil, key: str, value: float) -> Coil:
    section, _, quantity = key.partition(".")
    index = int(section.removeprefix("eddy")) - 1
    field = "fraction" if quantity == "fraction" else "corner_hz"
    eddy = list(coil.eddy)
    eddy[index] = dataclasses.replace(eddy[index], **{field: value})
    return dataclasses.replace(coil, eddy=tuple(eddy))
