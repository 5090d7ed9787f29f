"""`BuiltPickup`: a build sheet's pickup with every electrical value, its interval and what causes it.

The values end in the same `Pickup` as measured ones do, so a built pickup goes into any rig. Changes are made in the
words of the sheet (``coil.main.turns``), and two pickups are compared cause by cause: what they share cancels.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from types import MappingProxyType
from typing import Any

import numpy as np

from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.core.validity import range_called, warnings_of
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.losses.cylinder import MOST_LOST, SECTIONS_ALNICO, SECTIONS_STEEL, fit_sections
from labkit.pickup.magnetics.magnet import CHARGE
from labkit.pickup.predict.change import PickupChange, compare_pickups
from labkit.pickup.predict.compare import exactly, prediction
from labkit.pickup.predict.curves import LOSS_HZ
from labkit.pickup.predict.field import FIELD_AT, field_predictions, output_prediction, relative_output
from labkit.pickup.predict.model import nominal, predictions
from labkit.pickup.predict.plan import Plan, plan_of
from labkit.pickup.predict.propagation import Prediction
from labkit.pickup.predict.sheet import CoilBuild, PickupBuild, read_pickup_build, with_changes
from labkit.pickup.predict.warnings import build_warnings

DECIBELS = 20 / math.log(10)

_PEAKS = {"resonance": "with nothing connected", "loaded resonance": "into the usual load"}

PEAK = range_called("peak")


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltCoil:
    """Values of one coil, or of all of them at the pickup's leads.

    Attributes
    ----------
    resistance, inductance, capacitance : Prediction, Ω, H, F
        Capacitance without the lead for one coil, with it for the total.
    air_inductance : Prediction or None, H
        Without poles and bar.
    turns, mean_turn, wire_length, build_up : Prediction or None, 1, m, m, m
        None for a coil given by its values.
    eddy : tuple of EddySection
        Fitted losses; their sum has a meaning, a single one of three has not. Empty for the total.
    """

    resistance: Prediction
    inductance: Prediction
    capacitance: Prediction
    air_inductance: Prediction | None = None
    turns: Prediction | None = None
    mean_turn: Prediction | None = None
    wire_length: Prediction | None = None
    build_up: Prediction | None = None
    eddy: tuple[EddySection, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltPickup:
    """A pickup predicted from its build.

    Attributes
    ----------
    build : PickupBuild
    coils : mapping of str to BuiltCoil
    total : BuiltCoil
        At the leads.
    coupling : Prediction or None
        Of two coils.
    loss_resistance : mapping of float to Prediction, Hz to Ω
        Series resistance that eddy currents add, at `LOSS_HZ`.
    resonance : Prediction or None, Hz
        Peak with nothing connected, lead included; None where there is no peak.
    loaded_resonance : Prediction or None, Hz
        Peak into 470 pF and 200 kΩ.
    loaded_height_db : Prediction or None, dB
        That peak over the level at 100 Hz.
    field_at : tuple of float, m
    field_t : tuple of Prediction, T
        Over the poles; empty where it is not modelled.
    output_db : Prediction or None, dB
        Level against the reference coil of `build_field.reference_sensitivity`.
    pickup : Pickup
        The best values as a pickup of any rig.
    warnings : tuple of str
    """

    build: PickupBuild
    coils: Mapping[str, BuiltCoil]
    total: BuiltCoil
    coupling: Prediction | None
    loss_resistance: Mapping[float, Prediction]
    resonance: Prediction | None
    loaded_resonance: Prediction | None
    loaded_height_db: Prediction | None
    field_at: tuple[float, ...]
    field_t: tuple[Prediction, ...]
    output_db: Prediction | None
    pickup: Pickup
    warnings: tuple[str, ...] = field(default=(), compare=False)

    @property
    def name(self) -> str:
        """The pickup's name."""
        return self.build.name

    @property
    def is_given(self) -> bool:
        """Whether every coil is given by its values, so that nothing here is a prediction."""
        return all(coil.values is not None for _, coil in self.build.coils)

    def replace(self, changes: Mapping[str, Any]) -> BuiltPickup:
        """Return the pickup with keys of its sheet changed, such as ``{"coil.main.turns": 7500}``."""
        return read_build(with_changes(self.build.table(), changes))

    def with_magnet(self, grade: str) -> BuiltPickup:
        """Return the pickup with its rod magnets, or its bar, of another grade and their charge as it was.

        Raises
        ------
        InputError
            If it has no magnet, or there is no such grade.
        """
        return self.replace(dict.fromkeys(self._magnet_keys("grade"), grade))

    def with_charge(self, charge: float) -> BuiltPickup:
        """Return the pickup with its magnets at a fraction (0 … 1) of saturation."""
        CHARGE.check(charge)
        return self.replace(dict.fromkeys(self._magnet_keys("charge"), f"{100 * charge:.12g} %"))

    def at_temperature(self, celsius: float) -> BuiltPickup:
        """Return the pickup at another temperature, °C."""
        return self.replace({"temperature": f"{celsius:.12g} °C"})

    def change_to(self, other: BuiltPickup) -> PickupChange:
        """Return what differs in another pickup: level, inductance, losses, resistance and loaded peak together."""
        return compare_pickups(self, other)

    def magnet_swap(self, grade: str) -> PickupChange:
        """Return what another grade of magnet changes."""
        return self.change_to(self.with_magnet(grade))

    def _magnet_keys(self, key: str) -> list[str]:
        found = [f"coil.{name}.poles.{key}" for name, coil in self.build.coils if coil.grade is not None]
        found += [f"bar.{key}"] if self.build.bar is not None else []
        if not found:
            raise InputError(f"pickup '{self.name}' has no magnet on its sheet: give its poles a `grade`, or a [bar]")
        return found


def read_build(table: Table) -> BuiltPickup:
    """Read a build sheet and predict the pickup.

    Raises
    ------
    SheetError
        Naming the file, the key and the remedy.
    """
    build = read_pickup_build(table)
    return table.attempt("", lambda: predict_build(build))


@lru_cache(maxsize=32)
def predict_build(build: PickupBuild) -> BuiltPickup:
    """Predict a pickup from its build.

    Returns
    -------
    BuiltPickup

    Raises
    ------
    InputError
        If coils overlap, or losses come out as more than passive coils can have.
    """
    plan = plan_of(build)
    found = predictions(plan)
    coils = {coil.name: _coil(coil.name, found, coil.build) for coil in plan.coils}
    coupling = _coupling(build, coils, found.get("mutual")) if len(coils) == 2 else None
    most = most_lost(0.0 if coupling is None else abs(coupling.value))
    coils = _with_sections(plan, coils, most)
    total = _coil("total", found, None)
    output = output_prediction(build)
    if output is not None and build.output is not None:
        raise InputError(
            "`output` is for a pickup whose output is not predicted; this build predicts it, so leave it out"
        )
    pickup = _electrical(build, coils, coupling, build.output if output is None else output)
    fields = field_predictions(build)
    warnings = build_warnings(build)
    for name, words in _PEAKS.items():
        if name in found and not PEAK.accepts(found[name].value):
            del found[name]
        elif name in found:
            warnings += warnings_of((replace(PEAK, quantity=f"peak {words}"), found[name].value))
            found[name] = found[name].widened(PEAK.deviation(found[name].value), "a peak outside the audio range")
    if most < MOST_LOST and any(sum(part.fraction for part in coil.eddy) > 0.98 * most for coil in coils.values()):
        warnings += (
            f"a coupling of {coupling.value if coupling else 0:.3g} leaves eddy currents at most {100 * most:.1f} % of "
            "a coil's inductance, less than its metal takes: losses are too small and the peak too high.",
        )
    missing = [words for name, words in _PEAKS.items() if name not in found]
    if missing:
        warnings += (
            f"no peak below {PEAK.shown(PEAK.limits[1])} stands out {' or '.join(missing)} for every input within its "
            "doubt.",
        )
    return BuiltPickup(
        build=build,
        coils=MappingProxyType(coils),
        total=total,
        coupling=coupling,
        loss_resistance=MappingProxyType({hz: found[f"loss {hz:g}"] for hz in LOSS_HZ if f"loss {hz:g}" in found}),
        resonance=found.get("resonance"),
        loaded_resonance=found.get("loaded resonance"),
        loaded_height_db=_decibels(found.get("loaded height")),
        field_at=FIELD_AT,
        field_t=fields,
        output_db=relative_output(pickup.output),
        pickup=replace(pickup, warnings=warnings),
        warnings=warnings,
    )


def _coil(name: str, found: Mapping[str, Prediction], build: CoilBuild | None) -> BuiltCoil:
    eddy = build.values.eddy if build is not None and build.values is not None else ()
    return BuiltCoil(
        resistance=found[f"{name} resistance"],
        inductance=found[f"{name} inductance"],
        capacitance=found.get(f"{name} capacitance", exactly(0.0)),
        air_inductance=found.get(f"{name} air inductance"),
        turns=found.get(f"{name} turns"),
        mean_turn=found.get(f"{name} mean turn"),
        wire_length=found.get(f"{name} wire length"),
        build_up=found.get(f"{name} build-up"),
        eddy=eddy,
    )


def lost_inductance_of(plan: Plan, name: str, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the complex inductance that eddy currents take from a coil, exactly as modelled, shape (F,), H."""
    flat = np.atleast_1d(np.asarray(frequency_hz, dtype=float)).ravel()
    return nominal(plan, flat).lost[name].reshape(np.shape(frequency_hz))


def most_lost(coupling: float) -> float:
    """Return the part of a coil's inductance that its sections may take (1), for a coupling of 0 … 1.

    The inductors that are left carry the coupling: what is kept stays above it, however tight it is.

    >>> [round(most_lost(coupling), 4) for coupling in (0.0, 0.3, 0.95)]
    [0.97, 0.67, 0.045]
    """
    return min(MOST_LOST, 1 - coupling - 0.1 * min(coupling, 1 - coupling))


def _with_sections(plan: Plan, coils: Mapping[str, BuiltCoil], most: float) -> dict[str, BuiltCoil]:
    known: dict[bytes, Mapping[str, np.ndarray]] = {}

    def lost(name: str, frequency_hz: np.ndarray) -> np.ndarray:
        key = frequency_hz.tobytes()  # both coils are fitted over one grid
        if key not in known:
            known[key] = nominal(plan, frequency_hz).lost
        return known[key][name]

    def left(name: str, whole: float, frequency_hz: np.ndarray) -> np.ndarray:
        return whole - lost(name, frequency_hz)

    fitted = {}
    for coil in plan.coils:
        values = coils[coil.name]
        count = _section_count(coil.build, bool(plan.plates))
        if count:
            whole = values.inductance.value
            sections = fit_sections(partial(left, coil.name, whole), low_frequency=whole, count=count, most=most)
            values = replace(values, eddy=sections)
        fitted[coil.name] = values
    return fitted


def _section_count(coil: CoilBuild, plated: bool) -> int:
    """Sections of a built coil: 1 for alnico and 3 for steel; a plate asks for two more, but three follow both."""
    if coil.winding is None:
        return 0
    own = 0 if coil.poles is None else SECTIONS_ALNICO if coil.grade is not None else SECTIONS_STEEL
    return min(own + 2 * int(plated), SECTIONS_STEEL)


def _coupling(build: PickupBuild, coils: Mapping[str, BuiltCoil], mutual: Prediction | None) -> Prediction:
    if build.coupling is not None:
        return exactly(build.coupling)
    if mutual is None:
        return exactly(0.0)
    first, second = coils.values()
    deviations = {item.name: item.deviation for item in mutual.contributions}
    for coil in (first, second):
        for item in coil.inductance.contributions:
            deviations[item.name] = deviations.get(item.name, 0.0) - item.deviation / 2
    size = mutual.value / math.sqrt(first.inductance.value * second.inductance.value)
    found = prediction(size, deviations, log=True)
    if build.coupling_sign > 0:
        return found
    return Prediction(value=-found.value, low=-found.high, high=-found.low, contributions=found.contributions)


def _electrical(
    build: PickupBuild, coils: Mapping[str, BuiltCoil], coupling: Prediction | None, output: Prediction | None
) -> Pickup:
    electrical = {}
    for name, made in build.coils:
        if made.values is not None:
            electrical[name] = made.values
            continue
        assert made.winding is not None
        values = coils[name]
        electrical[name] = Coil(
            resistance=values.resistance.value,
            inductance=values.inductance.value,
            capacitance=values.capacitance.value,
            eddy=values.eddy,
            turns=made.winding.turns,
            area=made.winding.turn_area,
            facing=made.facing,
            wound=made.wound,
        )
    return Pickup(
        name=build.name,
        coils=electrical,
        connection=build.connection,
        coupling=coupling.value if coupling is not None else 0.0,
        lead_capacitance=build.lead.value,
        output=output,
    )


def _decibels(ratio: Prediction | None) -> Prediction | None:
    if ratio is None:
        return None
    deviations = {item.name: DECIBELS * item.deviation for item in ratio.contributions}
    return prediction(DECIBELS * math.log(ratio.value), deviations, log=False)
