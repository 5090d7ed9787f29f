"""A rig with other pots, tapers, treble bleeds or capacitors, and how far they part.

Everything is solved from the present rig; parts are found by how they are wired, not by their names.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from labkit.catalogue import catalogue
from labkit.circuit.elements import GROUND
from labkit.circuit.solve.solver import solve
from labkit.core.errors import InputError
from labkit.core.response import gain_db
from labkit.rig.parts.dielectric import Dielectric
from labkit.rig.parts.parts import UNCONNECTED, FixedCapacitor, FixedResistor, Part, Pot
from labkit.rig.parts.taper import Taper
from labkit.rig.rig import Rig

LEVEL_HZ = 400.0
"""Where the level of a volume control is taken; common practice, no source."""
TILT_HZ = 3000.0
"""Where its treble is compared with that level; common practice, no source."""

BleedKind = Literal["plain", "capacitor", "parallel", "series"]
BLEEDS: tuple[BleedKind, ...] = ("plain", "capacitor", "parallel", "series")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bleed:
    """A treble bleed between a volume pot's clockwise lug and its wiper; SI values."""

    kind: BleedKind
    capacitance: float = 0.0
    resistance: float = 0.0


USUAL_BLEEDS: Mapping[BleedKind, Bleed] = {
    "plain": Bleed(kind="plain"),
    "capacitor": Bleed(kind="capacitor", capacitance=680e-12),
    "parallel": Bleed(kind="parallel", capacitance=1e-9, resistance=150e3),
    "series": Bleed(kind="series", capacitance=1.2e-9, resistance=130e3),
}
"""Common practice, no source; the same values as in the catalogue's wirings."""


def pots(rig: Rig) -> tuple[Pot, ...]:
    """Return the pots of a rig."""
    return tuple(part for part in rig.harness.parts.values() if isinstance(part, Pot))


def is_volume(pot: Pot) -> bool:
    """True for a divider: all three lugs joined, one end of the track on ground."""
    return UNCONNECTED not in pot.nodes and GROUND in (pot.nodes[0], pot.nodes[2])


def volume_pots(rig: Rig) -> tuple[Pot, ...]:
    """Return the pots that divide the signal."""
    return tuple(pot for pot in pots(rig) if is_volume(pot))


def tone_capacitors(rig: Rig) -> dict[str, tuple[Pot, ...]]:
    """Return the capacitors that hang on the end of a pot, each with its pots.

    Such a node is touched by pots and capacitors alone, and by no pickup: a bleed or a load trim is none.
    """
    found: dict[str, tuple[Pot, ...]] = {}
    parts = rig.harness.parts.values()
    for part in parts:
        if not isinstance(part, FixedCapacitor):
            continue
        for node in part.nodes:
            if node in (GROUND, rig.harness.output) or node in rig.harness.terminals:
                continue
            others = [other for other in parts if other is not part and node in other.joints]
            own = tuple(other for other in others if isinstance(other, Pot) and not is_volume(other))
            if own and len(own) == len(others):
                found[part.name] = own
    return found


def tone_knobs(rig: Rig) -> tuple[str, ...]:
    """Return the knobs that have a tone capacitor, in the order of the wiring."""
    with_one = {pot.control.name for owners in tone_capacitors(rig).values() for pot in owners}
    return tuple(knob.name for knob in rig.harness.knobs if knob.name in with_one)


def tone_capacitor_of(rig: Rig, control: str) -> FixedCapacitor:
    """Return the tone capacitor of a knob.

    Raises
    ------
    InputError
        If there is no such knob, or it has no tone capacitor.
    """
    rig.harness.control(control)
    for name, owners in tone_capacitors(rig).items():
        part = rig.harness.part(name)
        if isinstance(part, FixedCapacitor) and any(pot.control.name == control for pot in owners):
            return part
    raise InputError(f"the harness '{rig.harness.name}' has no capacitor on the control '{control}'")


def largest_pot(rig: Rig) -> float:
    """Return the value of the largest pot, Ω; 0 where there is none."""
    return max((pot.value for pot in pots(rig)), default=0.0)


def turned(rig: Rig, controls: Iterable[str], position: float) -> Rig:
    """Return the rig with knobs at a position."""
    return rig.replace(settings=dict.fromkeys(controls, position))


def with_pot_value(rig: Rig, value: float) -> Rig:
    """Return the rig with all pots of one value, Ω."""
    return rig.replace(parts={pot.name: replace(pot, value=value) for pot in pots(rig)})


def with_taper(rig: Rig, pot: str, taper: Taper) -> Rig:
    """Return the rig with another taper in a pot."""
    part = rig.harness.part(pot)
    if not isinstance(part, Pot):
        raise InputError(f"'{pot}' is a {part.kind}, not a pot; only a pot has a taper")
    return rig.replace(parts={pot: replace(part, taper=taper)})


def with_capacitor(
    rig: Rig, name: str, *, value: float | None = None, loss_tangent: float | None = None, dielectric: str | None = None
) -> Rig:
    """Return the rig with another value or loss in a capacitor; a dielectric of the catalogue names its loss."""
    part = rig.harness.part(name)
    if not isinstance(part, FixedCapacitor):
        raise InputError(f"'{name}' is a {part.kind}, not a capacitor")
    if dielectric is not None:
        part = replace(part, dielectric=dielectric, loss_tangent=dielectric_of(dielectric).loss_tangent.value)
    elif loss_tangent is not None:
        part = replace(part, dielectric=None, loss_tangent=loss_tangent)
    return rig.replace(parts={name: part if value is None else replace(part, value=value)})


def bleed_of(rig: Rig, pot: Pot) -> Bleed:
    """Return the bleed that is wired to a volume pot."""
    capacitors: list[float] = []
    resistors: list[float] = []
    is_series = False
    for part in _bleed_parts(rig, pot):
        (capacitors if isinstance(part, FixedCapacitor) else resistors).append(part.value)  # type: ignore[attr-defined]
        is_series |= set(part.nodes) != set(_bleed_nodes(pot))
    if not capacitors:
        return USUAL_BLEEDS["plain"]
    if not resistors:
        return Bleed(kind="capacitor", capacitance=capacitors[0])
    return Bleed(kind="series" if is_series else "parallel", capacitance=capacitors[0], resistance=resistors[0])


def with_bleed(rig: Rig, pot: str, bleed: Bleed) -> Rig:
    """Return the rig with a treble bleed on a volume pot in the place of the one it has."""
    part = rig.harness.part(pot)
    if not (isinstance(part, Pot) and is_volume(part)):
        raise InputError(f"a treble bleed goes across a volume pot; '{pot}' is none")
    old = {other.name for other in _bleed_parts(rig, part)}
    parts: dict[str, Part] = {name: other for name, other in rig.harness.parts.items() if name not in old}
    clockwise, wiper = _bleed_nodes(part)
    middle = f"{pot}_bleed_middle" if bleed.kind == "series" else wiper
    capacitor, resistor = f"{pot}_bleed_capacitor", f"{pot}_bleed_resistor"
    if bleed.kind != "plain":
        parts[capacitor] = FixedCapacitor(name=capacitor, nodes=(clockwise, middle), value=bleed.capacitance)
    if bleed.kind == "parallel":
        parts[resistor] = FixedResistor(name=resistor, nodes=(clockwise, wiper), value=bleed.resistance)
    if bleed.kind == "series":
        parts[resistor] = FixedResistor(name=resistor, nodes=(middle, wiper), value=bleed.resistance)
    return rig.replace(harness=replace(rig.harness, parts=parts))


def turn(rig: Rig, control: str, positions: tuple[float, ...], frequency_hz: np.ndarray) -> np.ndarray:
    """Return curves over positions of a knob, shape (positions, F), dB; one solve for all that the circuit allows.

    A pot at an end of its travel may join two nodes, which is another circuit: those positions are solved by
    themselves, the others together.
    """
    moved = [pot for pot in pots(rig) if pot.control.name == control]
    curves = np.empty((len(positions), len(frequency_hz)))
    together: list[int] = []
    for row, position in enumerate(positions):
        legs = [leg for pot in moved for leg in pot.legs(position)]
        if all(0 < leg < np.inf for leg in legs):
            together.append(row)
        else:
            curves[row] = gain_db(turned(rig, [control], position).evaluate(frequency_hz))
    if together:
        base = turned(rig, [control], positions[together[0]])
        values: dict[str, np.ndarray] = {}
        for pot in moved:
            legs_of = [pot.legs(positions[row]) for row in together]
            for leg, node, index in (("upper", pot.nodes[0], 0), ("lower", pot.nodes[2], 1)):
                if node != UNCONNECTED:
                    values[f"{pot.name}.{leg}"] = np.array([legs[index] for legs in legs_of])
        curves[together] = gain_db(solve(base.circuit, frequency_hz, values).transfer)
    return curves


def levels_of_turn(rig: Rig, control: str, positions: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return level at 400 Hz and tilt at 3 kHz over positions, both against full up, dB.

    The tilt is what 3 kHz has lost (below 0) or gained beyond the level.
    """
    found = turn(rig, control, (*positions, 10.0), np.array([LEVEL_HZ, TILT_HZ]))
    against = found[:-1] - found[-1]
    return against[:, 0], against[:, 1] - against[:, 0]


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedBleed:
    """A volume control with one treble bleed: level and tilt over positions, dB, as `levels_of_turn` gives them."""

    bleed: Bleed
    rig: Rig
    level_db: np.ndarray
    tilt_db: np.ndarray

    @property
    def unevenness_db(self) -> float:
        """How far the treble leaves its place over the positions, root mean square."""
        return float(np.sqrt(np.mean(self.tilt_db**2)))


def compare_bleeds(rig: Rig, pot: Pot, positions: tuple[float, ...]) -> dict[BleedKind, TriedBleed]:
    """Return every kind of treble bleed on a volume pot: the one it has, the others with their usual values."""
    own = bleed_of(rig, pot)
    found: dict[BleedKind, TriedBleed] = {}
    for kind in BLEEDS:
        bleed = own if kind == own.kind else USUAL_BLEEDS[kind]
        made = with_bleed(rig, pot.name, bleed)
        level, tilt = levels_of_turn(made, pot.control.name, positions)
        found[kind] = TriedBleed(bleed=bleed, rig=made, level_db=level, tilt_db=tilt)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedCapacitor:
    """A tone capacitor of another value: the rig with the tone at 0, and by how much the curve moves at 10, dB."""

    value: float
    at_zero: Rig
    moves_at_ten_db: float


def compare_capacitors(
    rig: Rig, name: str, values: Iterable[float], frequency_hz: np.ndarray
) -> tuple[TriedCapacitor, ...]:
    """Return what other values of a tone capacitor do, against the one there is.

    Parameters
    ----------
    rig : Rig
    name : str
        Of the capacitor.
    values : iterable of float, F
    frequency_hz : ndarray, shape (F,), Hz
        Where curves are compared.
    """
    at_zero, at_ten = (turned(rig, _controls_of(rig, name), position) for position in (0.0, 10.0))
    return tuple(
        TriedCapacitor(
            value=value,
            at_zero=with_capacitor(at_zero, name, value=value),
            moves_at_ten_db=largest_difference(with_capacitor(at_ten, name, value=value), at_ten, frequency_hz)[0],
        )
        for value in values
    )


def capacitor_differences(
    rig: Rig, name: str, frequency_hz: np.ndarray, *, value: float | None = None, dielectric: str | None = None
) -> tuple[float, float]:
    """Return how far another value or dielectric moves the curve from no loss, with the tone at 0 and at 10, dB."""
    found = []
    for position in (0.0, 10.0):
        ideal = with_capacitor(turned(rig, _controls_of(rig, name), position), name, loss_tangent=0.0)
        made = with_capacitor(ideal, name, value=value, dielectric=dielectric)
        found.append(largest_difference(made, ideal, frequency_hz)[0])
    return found[0], found[1]


def largest_difference(one: Rig, other: Rig, frequency_hz: np.ndarray) -> tuple[float, float]:
    """Return the largest difference of two rigs, dB, and where it lies, Hz."""
    apart = np.abs(gain_db(one.evaluate(frequency_hz)) - gain_db(other.evaluate(frequency_hz)))
    at = int(np.argmax(apart))
    return float(apart[at]), float(frequency_hz[at])


def _controls_of(rig: Rig, capacitor: str) -> tuple[str, ...]:
    """The knobs of the pots that a tone capacitor hangs on."""
    return tuple(dict.fromkeys(pot.control.name for pot in tone_capacitors(rig).get(capacitor, ())))


@lru_cache(maxsize=32)
def dielectric_of(name: str) -> Dielectric:
    """Return a dielectric of the catalogue."""
    found: Dielectric = catalogue().load("dielectric", name)
    return found


def _bleed_nodes(pot: Pot) -> tuple[str, str]:
    """The ends that a bleed bridges: the track's far end from ground, and the wiper."""
    clockwise, wiper, counter = pot.nodes
    return (counter if clockwise == GROUND else clockwise), wiper


def _bleed_parts(rig: Rig, pot: Pot) -> list[Part]:
    """Capacitors and resistors from the hot end to the wiper, straight or over one node of their own."""
    ends = set(_bleed_nodes(pot))
    small = [part for part in rig.harness.parts.values() if isinstance(part, FixedCapacitor | FixedResistor)]
    found: list[Part] = [part for part in small if set(part.nodes) == ends]
    touching: dict[str, list[Part]] = {}
    for part in rig.harness.parts.values():
        for node in part.joints:
            touching.setdefault(node, []).append(part)
    for node, parts in touching.items():
        if node in ends or len(parts) != 2 or any(part not in small for part in parts):
            continue
        far = {other for part in parts for other in part.nodes if other != node}
        if far == ends:
            found += parts
    return found
