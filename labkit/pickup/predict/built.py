"""`BuiltPickup`: a build sheet's pickup with every electrical value, its interval and what causes it.

The values end in the same `Pickup` as measured ones do, so a built pickup goes into any rig. Changes are made in the
words of the sheet (``coil.main.turns``), and two pickups are compared cause by cause: what they share cancels, so a
swap is known better than either pickup. A pickup of known values has every value as given, nothing predicted but its
peaks. What a build is warned about stands here too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from labkit.catalogue import find_sheet
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.core.sourced import SourcedValue
from labkit.core.validity import range_called, warnings_of
from labkit.pickup.electrical import SILENT_OUTPUT_DB, Coil, EddySection, Pickup
from labkit.pickup.losses.cylinder import MOST_LOST, SECTIONS_ALNICO, SECTIONS_STEEL, fit_sections
from labkit.pickup.magnetics.bar import field_spread
from labkit.pickup.magnetics.magnet import CHARGE
from labkit.pickup.magnetics.poles import PERMEABILITY
from labkit.pickup.network import (
    LOAD_CAPACITANCE,
    LOAD_RESISTANCE,
    joined_capacitance,
    joined_inductance,
    joined_resistance,
    loaded_response,
)
from labkit.pickup.predict.aging import aged_build, at_bounds, with_history
from labkit.pickup.predict.field import FIELD_AT, field_predictions, magnet_route
from labkit.pickup.predict.model import LOSS_HZ, nominal, predictions
from labkit.pickup.predict.output import output_prediction, relative_output
from labkit.pickup.predict.plan import BuildPlan, plan_of
from labkit.pickup.predict.propagation import COVERAGE, Contribution, Prediction, difference, exactly, prediction, ratio
from labkit.pickup.predict.sheet import CoilBuild, PickupBuild, is_build_sheet, read_pickup_build, with_changes
from labkit.pickup.sheet import read_pickup
from labkit.pickup.string.response import PLAYING_DISTANCE
from labkit.pickup.winding.air_coil import DEVIATIONS, air_coil_warnings

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
        Level against the reference coil of `output.reference_sensitivities`.
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
    def hum_ratio(self) -> Prediction | None:
        """Hum of two coils at the leads over that of the stronger one alone, 1; None where that is not known.

        Turns × mean area of each, with the sign of its pole (the leads are joined so that the strings add); its bounds
        come from the count of turns of either coil.
        """
        coils = [coil for _, coil in self.build.coils]
        if len(coils) != 2 or self.build.tapped is not None:
            return None
        if any(coil.winding is None or coil.facing is None for coil in coils):
            return None
        parts = [
            (-1 if coil.facing == "south" else 1) * coil.winding.turns * coil.winding.turn_area
            for coil in coils
            if coil.winding is not None
        ]
        whole = max(abs(part) for part in parts)
        if self.build.connection == "parallel":
            one, other = (coil.resistance.value for coil in self.coils.values())
            parts = [parts[0] * other / (one + other), parts[1] * one / (one + other)]
        value = abs(sum(parts)) / whole
        half = COVERAGE * math.hypot(*(part * DEVIATIONS["turns"][0] for part in parts)) / whole
        cause = Contribution(name="turns", deviation=half / COVERAGE, share=1.0)
        return Prediction(value=value, low=max(value - half, 0.0), high=value + half, contributions=(cause,))

    def of_coil(self, name: str) -> BuiltCoil:
        """Return the values of a coil by its name on the sheet: of a tapped one, of the whole."""
        return self.total if self.build.tapped is not None and name not in self.coils else self.coils[name]

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

    def saturated(self) -> BuiltPickup:
        """Return the pickup with its magnets freshly charged: no history, full charge."""
        table = with_changes(self.build.table(), dict.fromkeys(self._magnet_keys("charge"), "100 %"))
        data = {key: value for key, value in table.data.items() if key != "history"}
        return read_build(Table(data, table.where, folder=table.folder))

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
        found = []
        for name, coil in (self.build.data.get("coil") or {}).items():
            poles = coil.get("poles") if isinstance(coil, dict) else None
            if isinstance(poles, list):  # an entry that leaves a key out takes the one before it
                own = [index for index, entry in enumerate(poles, start=1) if index == 1 or key in entry]
                found += [f"coil.{name}.poles.{index}.{key}" for index in own if "grade" in poles[0]]
            elif isinstance(poles, dict) and "grade" in poles:
                found.append(f"coil.{name}.poles.{key}")
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
    return table.attempt("", lambda: predict_build(aged_build(build)))


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
    wound = _wound(_uncharged(build))
    found, coils, coupling, most = dict(wound.found), wound.coils, wound.coupling, wound.most
    total = _coil("total", found, None)
    output = output_prediction(build)
    if output is not None and build.output is not None:
        raise InputError(
            "`output` is for a pickup whose output is not predicted; this build predicts it, so leave it out"
        )
    fields = field_predictions(build)
    if build.aged is not None:
        low, high = at_bounds(build)
        fields = tuple(
            with_history(*each, log=True) for each in zip(fields, field_predictions(low), field_predictions(high))
        )
        ends = output_prediction(low), output_prediction(high)
        if output is not None and ends[0] is not None and ends[1] is not None:
            output = with_history(output, ends[0], ends[1], log=False)
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
    pickup = _electrical(build, coils, coupling, build.output if output is None else output, warnings, wound.beside)
    return BuiltPickup(
        build=build,
        coils=coils,
        total=total,
        coupling=coupling,
        loss_resistance=MappingProxyType({hz: found[f"loss {hz:g}"] for hz in LOSS_HZ if f"loss {hz:g}" in found}),
        resonance=found.get("resonance"),
        loaded_resonance=found.get("loaded resonance"),
        loaded_height_db=_decibels(found.get("loaded height")),
        field_at=FIELD_AT,
        field_t=fields,
        output_db=relative_output(pickup.output),
        pickup=pickup,
        warnings=warnings,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wound:
    """What a build is electrically: results by name, coils with their fitted losses, capacitance beside them, F."""

    found: Mapping[str, Prediction]
    coils: Mapping[str, BuiltCoil]
    coupling: Prediction | None
    most: float
    beside: float


def _uncharged(build: PickupBuild) -> PickupBuild:
    """The same coils, poles and plates: neither charge nor strings change R, L, C or losses."""
    coils = tuple(
        (name, coil if coil.poles is None else replace(coil, poles=replace(coil.poles, charge=1.0)))
        for name, coil in build.coils
    )
    bar = None if build.bar is None else replace(build.bar, charge=1.0)
    return replace(build.without_strings, coils=coils, bar=bar, history=(), aged=None, output=None)


@lru_cache(maxsize=16)
def _wound(build: PickupBuild) -> _Wound:
    plan = plan_of(build)
    found = predictions(plan)
    coils: Mapping[str, BuiltCoil] = {coil.name: _coil(coil.name, found, coil.build) for coil in plan.coils}
    coupling = _coupling(build, coils, found.get("mutual")) if len(coils) == 2 else None
    most = most_lost(0.0 if coupling is None else abs(coupling.value))
    cover = plan.inputs.get("cover capacitance")
    return _Wound(
        found=found,
        coils=MappingProxyType(_with_sections(plan, coils, most)),
        coupling=coupling,
        most=most,
        beside=0.0 if cover is None else cover.value,
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


def most_lost(coupling: float) -> float:
    """Return the part of a coil's inductance that its sections may take (1), for a coupling of 0 … 1.

    The inductors that are left carry the coupling: what is kept stays above it, however tight it is.

    >>> [round(most_lost(coupling), 4) for coupling in (0.0, 0.3, 0.95)]
    [0.97, 0.67, 0.045]
    """
    return min(MOST_LOST, 1 - coupling - 0.1 * min(coupling, 1 - coupling))


def _with_sections(plan: BuildPlan, coils: Mapping[str, BuiltCoil], most: float) -> dict[str, BuiltCoil]:
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
    steel = any(kind.grade is None for kind in coil.kinds)
    own = 0 if coil.poles is None else SECTIONS_STEEL if steel else SECTIONS_ALNICO
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
    build: PickupBuild,
    coils: Mapping[str, BuiltCoil],
    coupling: Prediction | None,
    output: Prediction | None,
    warnings: tuple[str, ...],
    beside: float,
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
        lead_capacitance=build.lead.value + beside,
        output=output,
        warnings=warnings,
    )


def _decibels(ratio: Prediction | None) -> Prediction | None:
    if ratio is None:
        return None
    deviations = {item.name: DECIBELS * item.deviation for item in ratio.contributions}
    return prediction(DECIBELS * math.log(ratio.value), deviations, log=False)


def build_warnings(build: PickupBuild) -> tuple[str, ...]:
    """Return one sentence for each limit a build leaves; empty for a build well inside the models."""
    found: list[str] = []
    for name, coil in build.coils:
        label = f"coil '{name}': " if len(build.coils) > 1 else ""
        found += [label + sentence for sentence in _coil_warnings(coil, build.temperature_c)]
    found += _magnet_warnings(build)
    found += build.aged.warnings if build.aged is not None else ()
    for plate in build.plates:
        found += [sentence for sentence in plate.warnings if sentence not in found]
    if len(build.coils) == 2 and any(coil.values is not None for _, coil in build.coils):
        found.append(
            "one coil is given by its values: what its poles do to the other coil is not modelled, and their coupling "
            + ("is as stated." if build.coupling is not None else "is taken as 0.")
        )
    return tuple(dict.fromkeys(found))


def _coil_warnings(coil: CoilBuild, temperature_c: float) -> list[str]:
    found: list[str] = []
    winding = coil.winding
    if winding is None:
        return found
    found += air_coil_warnings(winding, temperature_c=temperature_c)
    for kind in coil.kinds:
        found += warnings_of((PERMEABILITY, kind.permeability.value))
        found += kind.pole.fit_warnings(
            straight_length=winding.straight_length,
            end_radius=winding.end_radius,
            winding_height=winding.winding_height,
        )
    magnets = [kind.pole for kind in coil.kinds if kind.grade is not None]
    if magnets and not any(pole.charge for pole in magnets):
        found.append("the magnets are at 0 % charge: no field and no output.")
    if len({kind.pole.facing for kind in coil.kinds if kind.grade is not None}) > 1:
        found.append(
            "poles of one coil face both ways: strings over the fewer are heard against the others in sign, and the "
            "output is taken by size."
        )
    return found


def _bar_spread(build: PickupBuild) -> str:
    grades = () if build.bar_grade is None else (build.bar_grade,)
    return f"±{100 * field_spread(*grades):.0f} %"


def _magnet_warnings(build: PickupBuild) -> list[str]:
    found = []
    route = magnet_route(build)
    if route == "none":
        found.append("there is no magnet on this sheet: no field and no output are given.")
    if route == "assembly" and build.bar is not None:
        found.append(
            f"a bar magnet beside or under one row, or with blades: its field is known to {_bar_spread(build)}, steel "
            "keepers and saturation of the poles are not modelled, and its pull on the inductance is a guess."
        )
    if route == "bar":
        found.append(f"the field of a bar-magnet pickup is known to {_bar_spread(build)} only, rather high than low.")
    if route != "none":
        farthest = build.string_distance + max(build.string_offsets, default=0.0)
        found += warnings_of(*((PLAYING_DISTANCE, each) for each in sorted({build.string_distance, farthest})))
    return found + [
        sentence for grade in build.magnets for sentence in warnings_of((grade.temperature_range, build.temperature_c))
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class PickupChange:
    """A pickup against another one before it.

    Attributes
    ----------
    before, after : BuiltPickup
    level_db : Prediction or None, dB
        Output with equal strings; None where either is not known.
    resistance, inductance : Prediction
        After over before, at the leads.
    loss : mapping of float to Prediction, Hz to ratio
        Added series resistance after over before.
    loaded_resonance : Prediction or None
        After over before.
    loaded_height_db : Prediction or None, dB
        After less before.
    """

    before: BuiltPickup
    after: BuiltPickup
    level_db: Prediction | None
    resistance: Prediction
    inductance: Prediction
    loss: Mapping[float, Prediction]
    loaded_resonance: Prediction | None
    loaded_height_db: Prediction | None


def compare_pickups(before: BuiltPickup, after: BuiltPickup) -> PickupChange:
    """Return what changes from one built pickup to another."""
    peak = height = None
    if before.loaded_resonance is not None and after.loaded_resonance is not None:
        peak = ratio(after.loaded_resonance, before.loaded_resonance)
    if before.loaded_height_db is not None and after.loaded_height_db is not None:
        height = difference(after.loaded_height_db, before.loaded_height_db)
    shared = [hz for hz in before.loss_resistance if hz in after.loss_resistance]
    return PickupChange(
        before=before,
        after=after,
        level_db=level_change(before, after),
        resistance=ratio(after.total.resistance, before.total.resistance),
        inductance=ratio(after.total.inductance, before.total.inductance),
        loss=MappingProxyType({hz: ratio(after.loss_resistance[hz], before.loss_resistance[hz]) for hz in shared}),
        loaded_resonance=peak,
        loaded_height_db=height,
    )


def level_change(before: BuiltPickup, after: BuiltPickup) -> Prediction | None:
    """Return the output of one pickup over another's, dB; None where either is not known or the old one is silent.

    Exact where only turns or wire differ: both share the doubt of the model and of the strings' steel.
    """
    old, new = before.pickup.output, after.pickup.output
    if old is None or new is None or old.value <= SILENT_OUTPUT_DB:
        return None
    return difference(new, old)


NO_CHANGES: Mapping[str, str] = MappingProxyType({})


def load_built(sheet: str | Path, changes: Mapping[str, str] = NO_CHANGES) -> BuiltPickup:
    """Load a pickup by path or catalogue name, with its predictions.

    Parameters
    ----------
    sheet : str or Path
        A sheet of a build, whose values come out with 95 % bounds, or one of known values, which come out as given.
    changes : mapping of str to str, optional
        Keys of the sheet with other values, such as ``{"coil.main.turns": "7500"}``.

    Raises
    ------
    InputError
        If nothing answers to the name, or a key or value cannot be used.

    >>> fewer = load_built("narrow single coil, built", {"coil.main.turns": "7000"})
    >>> fewer.total.inductance.value < load_built("narrow single coil, built").total.inductance.value
    True
    """
    return built_pickup(with_changes(find_sheet(sheet, "pickup"), changes))


def built_pickup(table: Table) -> BuiltPickup:
    """Read an open pickup sheet, of a build or of values; see `load_built`."""
    return read_build(table) if is_build_sheet(table) else given_pickup(read_pickup(table))


def given_pickup(pickup: Pickup) -> BuiltPickup:
    """Return a pickup of known values with both bounds of everything on its value."""
    coils = {name: _given_coil(coil) for name, coil in pickup.coils.items()}
    bare = loaded_response(pickup).peak
    loaded = loaded_response(pickup, resistance=LOAD_RESISTANCE, capacitance=LOAD_CAPACITANCE).peak
    build = PickupBuild(
        name=pickup.name,
        coils=tuple((name, CoilBuild(values=coil)) for name, coil in pickup.coils.items()),
        connection=pickup.connection,
        coupling=pickup.coupling if len(coils) == 2 else None,
        lead=SourcedValue(
            value=pickup.lead_capacitance, unit="F", spread=None, kind="measured", source="the pickup sheet"
        ),
    )
    return BuiltPickup(
        build=build,
        coils=MappingProxyType(coils),
        total=_given_total(pickup),
        coupling=exactly(pickup.coupling) if len(coils) == 2 else None,
        loss_resistance=MappingProxyType({}),
        resonance=None if bare is None else exactly(bare.frequency_hz),
        loaded_resonance=None if loaded is None else exactly(loaded.frequency_hz),
        loaded_height_db=None if loaded is None else exactly(loaded.height_db),
        field_at=(),
        field_t=(),
        output_db=relative_output(pickup.output),
        pickup=pickup,
        warnings=pickup.warnings,
    )


def _given_coil(coil: Coil) -> BuiltCoil:
    return BuiltCoil(
        resistance=exactly(coil.resistance),
        inductance=exactly(coil.inductance),
        capacitance=exactly(coil.capacitance),
        turns=None if coil.turns is None else exactly(coil.turns),
        eddy=coil.eddy,
    )


def _given_total(pickup: Pickup) -> BuiltCoil:
    coils = list(pickup.coils.values())
    counts = [coil.turns for coil in coils if coil.turns is not None]
    turns = exactly(sum(counts)) if len(counts) == len(coils) else None
    mutual = pickup.coupling * math.sqrt(coils[0].inductance * coils[-1].inductance)
    capacitance = joined_capacitance(pickup.connection, [coil.capacitance for coil in coils])
    return BuiltCoil(
        resistance=exactly(float(joined_resistance(pickup.connection, [coil.resistance for coil in coils]))),
        inductance=exactly(float(joined_inductance(pickup.connection, [coil.inductance for coil in coils], mutual))),
        capacitance=exactly(float(capacitance) + pickup.lead_capacitance),
        turns=turns,
    )
