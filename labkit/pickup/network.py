"""A pickup as circuit elements: coils with their EMFs between terminals, joined by its own leads or by a harness.

Terminals of a pickup in slot ``bridge``: ``bridge.hot`` and ``bridge.ground``; a harness that rewires the coils uses
``bridge.COIL.start`` and ``bridge.COIL.finish`` instead. COIL is the coil's name, ``first`` or ``second``, or the way
its pole faces (``north``, ``south``). With its own leads the first coil's finish is hot, and two coils are joined so
that their signals add.
"""

from __future__ import annotations

import math

from labkit.circuit.elements import Capacitor, Contact, Coupling, Element, Inductor, Resistor, Source
from labkit.core.errors import InputError, did_you_mean
from labkit.pickup.electrical import Coil, Pickup


def coil_shares(pickup: Pickup) -> dict[str, float]:
    """Return the EMF of each coil when the pickup is given 1 V in total.

    Shares follow turns (equal where turns are not known); the sign is that of winding and pole.

    >>> from labkit.pickup.electrical import Coil
    >>> a, b = Coil(resistance=4e3, inductance=2.0, turns=5000), Coil(resistance=4e3, inductance=2.0, turns=4800)
    >>> {name: round(share, 3) for name, share in coil_shares(Pickup(name="pair", coils={"a": a, "b": b})).items()}
    {'a': 0.51, 'b': 0.49}
    """
    turns = [coil.turns for coil in pickup.coils.values()]
    known = [count for count in turns if count is not None]
    weights = known if len(known) == len(turns) else [1.0] * len(turns)
    total = sum(weights)
    return {name: coil.sense * weight / total for (name, coil), weight in zip(pickup.coils.items(), weights)}


def source_name(slot: str, coil: str) -> str:
    """Name of the EMF of a coil in the circuit."""
    return f"{slot}.{coil}.emf"


def coil_of_terminal(pickup: Pickup, slot: str, name: str) -> str:
    """Return the coil that ``name`` means: its own name, ``first``/``second``, or where its pole faces.

    Raises
    ------
    InputError
        If no coil answers to it, or two face that way.
    """
    names = list(pickup.coils)
    if name in names:
        return name
    order = {"first": 0, "second": 1}
    if name in order and order[name] < len(names):
        return names[order[name]]
    facing = [coil for coil, values in pickup.coils.items() if values.facing == name]
    if len(facing) == 1:
        return facing[0]
    known = [*names, *list(order)[: len(names)]]
    raise InputError(
        f"pickup '{pickup.name}' in slot '{slot}' has no coil '{name}'; its coils: {', '.join(names)}."
        f"{did_you_mean(name, known)}"
    )


def pickup_elements(slot: str, pickup: Pickup, *, rewired: bool = False) -> tuple[Element, ...]:
    """Return the elements of a pickup in a slot.

    Parameters
    ----------
    slot : str
        Prefix of node and element names.
    pickup : Pickup
    rewired : bool
        True leaves every coil's start and finish to the harness; False joins them to ``slot.hot`` and ``slot.ground``.

    Returns
    -------
    tuple of Element

    Raises
    ------
    InputError
        If coupling and eddy fractions together are more than passive coils allow.
    """
    shares = coil_shares(pickup)
    elements: list[Element] = []
    for name, coil in pickup.coils.items():
        elements += _coil_elements(f"{slot}.{name}", coil, shares[name])
    names = list(pickup.coils)
    aligned = len(names) < 2 or pickup.coils[names[0]].sense == pickup.coils[names[1]].sense
    if len(names) == 2 and pickup.coupling:
        elements.append(_coupling(slot, pickup, aligned))
    if not rewired:
        elements += _own_leads(slot, pickup, aligned)
        if pickup.lead_capacitance > 0:
            elements.append(
                Capacitor(
                    name=f"{slot}.lead", nodes=(f"{slot}.hot", f"{slot}.ground"), capacitance=pickup.lead_capacitance
                )
            )
    return tuple(elements)


def _coil_elements(prefix: str, coil: Coil, share: float) -> list[Element]:
    """EMF, R, L·(1 − ΣK) and one R∥L per eddy section in series from start to finish; C and loss across."""
    start, finish = f"{prefix}.start", f"{prefix}.finish"
    lost = sum(section.fraction for section in coil.eddy)
    sections = [section for section in coil.eddy if section.fraction > 0]
    inner = [f"{prefix}.eddy{index}" for index in range(1, len(sections) + 1)]
    elements: list[Element] = [
        Source(name=f"{prefix}.emf", nodes=(f"{prefix}.emf+", start), voltage=share),
        Resistor(name=f"{prefix}.resistance", nodes=(f"{prefix}.emf+", f"{prefix}.core"), resistance=coil.resistance),
    ]
    here = f"{prefix}.core"
    for index, (section, node) in enumerate(zip(sections, inner), start=1):
        part = section.fraction * coil.inductance
        loss = part * 2 * math.pi * section.corner_hz
        elements.append(Inductor(name=f"{prefix}.eddy{index}.inductance", nodes=(node, here), inductance=part))
        elements.append(Resistor(name=f"{prefix}.eddy{index}.resistance", nodes=(here, node), resistance=loss))
        here = node
    elements.append(
        Inductor(name=f"{prefix}.inductance", nodes=(finish, here), inductance=coil.inductance * (1 - lost))
    )
    if coil.capacitance > 0:
        elements.append(Capacitor(name=f"{prefix}.capacitance", nodes=(finish, start), capacitance=coil.capacitance))
    if math.isfinite(coil.loss_resistance):
        elements.append(Resistor(name=f"{prefix}.loss", nodes=(finish, start), resistance=coil.loss_resistance))
    return elements


def _coupling(slot: str, pickup: Pickup, aligned: bool) -> Coupling:
    first, second = pickup.coils
    kept = [1 - sum(section.fraction for section in coil.eddy) for coil in pickup.coils.values()]
    coefficient = pickup.coupling / math.sqrt(kept[0] * kept[1])
    if not -1 < coefficient < 1:
        raise InputError(
            f"pickup '{pickup.name}': a coupling of {pickup.coupling:g} is more than coils that lose "
            f"{1 - kept[0]:.0%} and {1 - kept[1]:.0%} of their inductance to eddy currents can have; lower one of them"
        )
    return Coupling(
        name=f"{slot}.coupling",
        inductors=(f"{slot}.{first}.inductance", f"{slot}.{second}.inductance"),
        coefficient=coefficient if aligned else -coefficient,
    )


def _own_leads(slot: str, pickup: Pickup, aligned: bool) -> list[Element]:
    names = list(pickup.coils)
    ends = {name: (f"{slot}.{name}.start", f"{slot}.{name}.finish") for name in names}
    hot, ground = f"{slot}.hot", f"{slot}.ground"
    low, high = ends[names[0]]
    if len(names) == 1:
        joints = [(hot, high), (low, ground)]
    else:
        other_low, other_high = ends[names[1]] if aligned else ends[names[1]][::-1]
        if pickup.connection == "series":
            joints = [(hot, high), (low, other_high), (other_low, ground)]
        else:
            joints = [(hot, high), (hot, other_high), (low, ground), (other_low, ground)]
    return [Contact(name=f"{slot}.joint{i}", nodes=pair, closed=True) for i, pair in enumerate(joints, start=1)]
