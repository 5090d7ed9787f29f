"""One probe for each range: the model at a value of its quantity, with what it says and how wide it is.

A probe returns a `Seen`, or raises what the model raises. ``width`` is half a width as a ratio, or whatever stands for
the doubt of this model; 0 where the model gives a number without an interval.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.optimize import brentq

from labkit.bench.diagnose.faults import with_shorted_turns
from labkit.bench.diagnose.meter import dc_resistance_at, lcr_reading
from labkit.circuit.solve.noise import thermal_noise
from labkit.cli.response_command import peak_doubt, range_warnings
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.core.sourced import SourcedValue
from labkit.pickup.electrical import Coil
from labkit.pickup.losses.cylinder import cylinder_permeability, skin_depth
from labkit.pickup.losses.plates import Cover
from labkit.pickup.magnetics.field import estimate_charge, predict_field
from labkit.pickup.magnetics.magnet import magnet, operating_point
from labkit.pickup.magnetics.poles import Pole, pole_inductance
from labkit.pickup.magnetics.slices import Rods, row_positions
from labkit.pickup.materials.wire import Wire, wire
from labkit.pickup.predict.built import BuiltPickup, predict_build
from labkit.pickup.predict.plan import plan_of
from labkit.pickup.predict.propagation import Doubtful, Prediction, propagate
from labkit.pickup.predict.sheet import PickupBuild
from labkit.pickup.winding import inductance
from labkit.pickup.winding.air_coil import air_coil_warnings, predict_air_coil
from labkit.pickup.winding.winding import Winding
from labkit.rig.chain.chain import Cable
from labkit.rig.chain.stages import ValveInput
from labkit.rig.hum import hum_voltage, mismatch_residual_db
from labkit.rig.parts.parts import FixedCapacitor
from labkit.rig.sheet import load_rig
from labkit.sound.blind.abx import plan_trials
from labkit.sound.convert.difference import Difference
from labkit.sound.loudness import integrated_loudness, match_loudness
from labkit.sound.strings import String, StringSet, string_set
from labkit.sound.take.performance import Performance, Pluck
from labkit.sound.take.take import CoilSpot, coil_factor, synthesise
from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study
from tests.pickup.builds import COVER, SINGLE, built

AWG_42 = wire("AWG 42 single build")


@dataclass(frozen=True)
class Seen:
    """What a model gave: its number, how doubtful, and its warnings."""

    value: float
    width: float = 0.0
    warnings: tuple[str, ...] = ()


Probe = Callable[[float], Seen]


def of(prediction: Prediction, warnings: tuple[str, ...] = ()) -> Seen:
    return Seen(prediction.value, math.log(prediction.high / prediction.low) / 2, warnings)


def winding(**changes: Any) -> Winding:
    usual = {"turns": 8000.0, "wire": AWG_42, "straight_length": 52e-3, "end_radius": 2.5e-3, "winding_height": 11e-3}
    return Winding(**(usual | changes))


def coil(result: str, *, celsius: float = 20.0, **changes: Any) -> Seen:
    made = winding(**changes)
    predicted = predict_air_coil(made, temperature_c=celsius)[result]
    return of(predicted, air_coil_warnings(made, temperature_c=celsius))


def of_wire(diameter: float) -> Seen:
    """Resistance of 2 mm of a wire whose diameters are known to the same share whatever its size."""
    overall = 1.12 * diameter
    made = Wire(
        name="wire",
        **{f"bare_{end}": diameter * (1 + part) for end, part in (("min", -0.02), ("nominal", 0.0), ("max", 0.02))},
        **{f"overall_{end}": overall * (1 + part) for end, part in (("min", -0.02), ("nominal", 0.0), ("max", 0.02))},
    )
    return coil("resistance", wire=made, turns=2e-3 * 0.85 * 11e-3 / overall**2)


def with_layers(result: str) -> Probe:
    return lambda layers: coil(result, turns=layers * winding().turns_per_layer)


def closed_form(name: str) -> Probe:
    usual = {"straight_length": 52e-3, "end_radius": 2.5e-3, "winding_height": 11e-3, "build_up": 4.33e-3}

    def probe(value: float) -> Seen:
        shape = usual | {name: value}
        found = float(inductance.inductance_closed_form(turns=8000, **shape))
        return Seen(found, warnings=inductance.closed_form_warnings(**shape))

    return probe


def rods_with(**changes: Any) -> Pole:
    usual = {"kind": "rod magnet", "grade": "Alnico 5", "count": 1, "diameter": 4e-3, "length": 14e-3}
    return Pole(**(usual | changes))


def build_of(pole: Pole | None = None, **coil_changes: Any) -> PickupBuild:
    build = built().build
    main = replace(build.coils[0][1], **({} if pole is None else {"poles": pole}), **coil_changes)
    return replace(build, coils=(("main", main),))


def with_core(build: PickupBuild) -> Seen:
    """Inductance of a build, and how doubtful the model of its poles is."""
    pickup = predict_build(build)
    model = plan_of(build).inputs["model of rod magnets"].deviation
    return Seen(pickup.total.inductance.value, model, pickup.warnings)


def of_permeability(value: float) -> Seen:
    number = SourcedValue(value=value, unit="1", kind="invented", source="a probe") if math.isfinite(value) else None
    if number is None:  # no sheet can hold it: the model below it is asked
        shape = {"straight_length": 52e-3, "end_radius": 2.5e-3, "build_up": 4e-3, "winding_height": 11e-3}
        rods = Rods(positions=row_positions(count=1, pitch=0.0), radius=2e-3, length=14e-3)
        return Seen(pole_inductance(rods, turns=1.0, relative_permeability=value, **shape).inductance)
    return with_core(build_of(permeability=number))


def of_skin(ratio: float) -> Seen:
    radius, mu, resistivity = 2.4e-3, 100.0, 1.5e-7
    per_root = float(skin_depth(frequency_hz=1.0, relative_permeability=mu, resistivity=resistivity))
    hertz = math.copysign((ratio * per_root / radius) ** 2, ratio)
    found = cylinder_permeability(frequency_hz=hertz, relative_permeability=mu, radius=radius, resistivity=resistivity)
    return Seen(float(abs(found)))


@lru_cache
def covered() -> PickupBuild:
    return built(SINGLE, COVER).build


def of_cover(**changes: float) -> Seen:
    build = covered()
    plate = build.plates[0]
    cover = Cover(**{"kind": plate.kind, "resistivity": plate.resistivity, "thickness": 0.4e-3, "gap": 1e-3} | changes)
    build = replace(build, plates=(cover,))
    pickup = predict_build(build)
    model = plan_of(build).inputs[f"model of the {plate.kind}"].deviation
    return Seen(pickup.loss_resistance[5e3].value, model, pickup.warnings)


def of_wax(fill: float) -> Seen:
    return of(predict_air_coil(winding(), wax_fill=fill)["capacitance"])


ROW = Rods(positions=row_positions(count=6, pitch=10.4e-3), radius=2.4e-3, length=17e-3)


def of_reading(**changes: float) -> Seen:
    # the probe stands exactly where it says, so that only the model's own doubt is seen
    given = {"reading": 60e-3, "gap": 2e-3, "sensor_depth": 0.0, "distance_deviation": 0.0} | changes
    found = estimate_charge(ROW, magnet("Alnico 5"), **given)
    width = math.log(found.charge.high / found.charge.low) / 2
    return Seen(found.charge.value, width, found.warnings)


def of_charge(charge: float) -> Seen:
    (found,) = predict_field(ROW, magnet("Alnico 5"), distance=3e-3, charge=charge)
    return Seen(found.value, 0.0)


def of_magnet_temperature(celsius: float) -> Seen:
    ferrite = magnet("hard ferrite")
    (found,) = predict_field(ROW, ferrite, distance=3e-3, celsius=celsius)
    return of(found, operating_point(ROW, ferrite, celsius=celsius).warnings)


def of_string(distance: float) -> Seen:
    pickup = predict_build(replace(build_of(), string_distance=distance))
    assert pickup.output_db is not None
    return Seen(pickup.output_db.value, (pickup.output_db.high - pickup.output_db.low) / 2, pickup.warnings)


def of_peak(frequency: float) -> Seen:
    """A pickup whose peak into the usual load lies at a frequency, by its turns or, low down, by its lead."""
    if not (math.isfinite(frequency) and frequency > 1e3):
        raise InputError("no pickup peaks there")

    def pickup(log_of_it: float) -> BuiltPickup:
        build = build_of()
        if frequency < 3e3:
            lead = replace(build.lead, value=math.exp(log_of_it), spread=0.0)
            return predict_build(replace(build, lead=lead))
        return predict_build(build_of(winding=winding(turns=math.exp(log_of_it))))

    def miss(log_of_it: float) -> float:
        found = pickup(log_of_it).loaded_resonance
        return math.log(found.value / frequency) if found is not None else 10.0  # a peak beyond 1 MHz is not given

    ends = (1e-11, 10e-9) if frequency < 3e3 else (max(8000.0 * 2e3 / frequency, 20.0), 12_000.0)
    if miss(math.log(max(8000.0 * 4e3 / frequency, 1.0))) == 10.0 and frequency > 1e6 * (1 + 1e-9):
        raise InputError(pickup(math.log(max(8000.0 * 4e3 / frequency, 1.0))).warnings[-1])
    here = brentq(miss, *map(math.log, ends), xtol=1e-13, rtol=1e-13)
    made = pickup(here)
    assert made.loaded_resonance is not None
    return of(made.loaded_resonance, made.warnings)


RIG = load_rig("Saltmarsh Lane, narrow single coil")


def of_frequency(frequency: float) -> Seen:
    at = np.array([frequency])
    level = float(RIG.response(at).gain_db[0])
    said = range_warnings(RIG, at)
    given = re.search(r"to ±([\d.]+) dB", " ".join(said))
    return Seen(10 ** (level / 20), float(given[1]) if given else 0.0, said)


def of_cable(**changes: float) -> Seen:
    cable = Cable(**{"name": "cable", "length": 5.0, "capacitance_per_length": 100e-12} | changes)
    rig = RIG.with_stage(cable)
    return Seen(
        10 ** (float(rig.response(np.array([1e3])).gain_db[0]) / 20),
        peak_doubt(rig),
        range_warnings(rig, np.array([1e3])),
    )


def of_gain(gain: float) -> Seen:
    keys = {"stopper": "34k", "leak": "1M", "grid_cathode": "1.65 pF", "grid_anode": "1.6 pF", "stage_gain": gain}
    return Seen(ValveInput.read("input", Table(keys, "probe")).grid_capacitance)


def of_loss_tangent(value: float) -> Seen:
    keys = {"value": "22n", "nodes": ["a", "ground"], "loss_tangent": f"{value!r}"}
    part = FixedCapacitor.read("capacitor", Table(keys, "probe"))
    return Seen(1 + part.loss_tangent)


def of_noise(celsius: float) -> Seen:
    return Seen(float(thermal_noise(RIG.circuit, np.array([1e3]), temperature_c=celsius)[0]))


def of_mismatch(value: float) -> Seen:
    return Seen(10 ** (mismatch_residual_db(value) / 20))


def of_hum_field(tesla: float) -> Seen:
    found = hum_voltage(RIG, field_t=tesla)
    assert found is not None
    return Seen(found.rms)


def string_with(**changes: Any) -> String:
    usual = {"name": "E4", "open_hz": 329.6, "diameter": 0.254e-3, "mass_per_length": 4e-4}
    return String(**(usual | changes))


def tuned(scale: float = 0.648, **changes: Any) -> Seen:
    return Seen(StringSet(name="one", strings=(string_with(**changes),), scale=scale).tension(1))


SIX = string_set("six strings 10-46")


def plucked(**changes: Any) -> Seen:
    """A note's own numbers; one number that moves with each of them."""
    pluck = Pluck(**({"at_s": 0.0, "string": 1} | changes))
    return Seen(1 + pluck.at_s + pluck.displacement + pluck.position + pluck.width)


def lasting(seconds: float) -> Seen:
    note = Pluck(at_s=0.0, string=1)
    return Seen(Performance(name="one", strings=SIX, plucks=(note,), duration_s=seconds).duration_s)


def spot(**changes: Any) -> Seen:
    place = CoilSpot(**({"position": 0.1, "aperture": 0.01} | changes))
    found = coil_factor(number=np.arange(1, 9), length=0.648, position=place.position, aperture=place.aperture)
    return Seen(1 + float(np.sum(found**2)))


def rendered(rate: float) -> Seen:
    note = Performance(name="one", strings=SIX, plucks=(Pluck(at_s=0.0, string=1),), duration_s=0.1)
    whole = int(rate) if math.isfinite(rate) else rate
    return Seen(float(np.max(np.abs(synthesise(note, {"coil": CoilSpot(position=0.1)}, rate=whole).emf))))  # type: ignore[arg-type]


def boosted(limit: float) -> Seen:
    flat = Difference(
        before=lambda f: 1 / (1 + 1j * f / 500), after=lambda f: np.ones(f.shape, complex), greatest_boost_db=limit
    )
    return Seen(float(abs(flat.limited(np.array([5e3]))[0])))


TONE = np.sin(2 * np.pi * 997 * np.arange(48_000) / 48_000) * 0.1


def matched(target: float) -> Seen:
    found = match_loudness({"tone": TONE}, 48_000, target_lufs=target)
    return Seen(float(10 ** (found.gain_db["tone"] / 20)))


def measured(seconds: float) -> Seen:
    if not math.isfinite(seconds) or seconds < 0:
        raise InputError("no sound has that length")
    return Seen(10 ** (integrated_loudness(np.tile(TONE, 10)[: round(min(seconds, 9.0) * 48_000)], 48_000) / 20))


def trials(count: float) -> Seen:
    return Seen(float(len(plan_trials(int(count) if math.isfinite(count) else count, seed=1))))  # type: ignore[arg-type]


def with_short(share: float) -> Seen:
    sound = Coil(resistance=6000.0, inductance=2.4, capacitance=100e-12)
    return Seen(with_shorted_turns(sound, share).inductance)


def doubtful(deviation: float) -> Seen:
    inputs = {"x": Doubtful(value=1.0, deviation=deviation, scale="log")}
    return of(propagate(lambda row: {"y": row["x"]}, inputs)["y"])


def variants(count: float) -> Seen:
    study = tolerance_study(RIG, count=int(count) if math.isfinite(count) else count, points=32)  # type: ignore[arg-type]
    return Seen(float(study.count), warnings=run_tolerance(study).warnings if count < 64 else ())


PROBES: Mapping[tuple[str, str], Probe] = {
    ("wire", "bare diameter"): of_wire,
    ("wire", "temperature of the copper"): lambda v: coil("resistance", celsius=v),
    ("winding", "turns"): lambda v: coil("resistance", turns=v, wire=wire("0.040 mm grade 1"), winding_height=40e-3),
    ("winding", "build-up"): lambda v: coil("resistance", turns=v * 0.85 * 11e-3 / AWG_42.overall_nominal**2),
    ("winding", "packing"): lambda v: coil("resistance", packing=v),
    ("winding", "wire stretch"): lambda v: coil("resistance", stretch=v),
    ("winding", "straight length"): lambda v: coil("capacitance", straight_length=v),
    ("winding", "end radius"): lambda v: coil("capacitance", end_radius=v),
    ("winding", "winding height"): lambda v: coil(
        "capacitance", winding_height=v, turns=727e3 * v if 0 < v < 0.2 else 8000.0
    ),
    ("air inductance", "straight length in the closed form"): closed_form("straight_length"),
    ("air inductance", "end radius in the closed form"): closed_form("end_radius"),
    ("air inductance", "build-up in the closed form"): closed_form("build_up"),
    ("air inductance", "winding height in the closed form"): closed_form("winding_height"),
    ("air inductance", "layers of tight turns"): with_layers("inductance"),
    ("cored inductance", "length of a pole over its diameter"): lambda v: with_core(
        build_of(rods_with(length=11e-3, diameter=11e-3 / v))
    ),
    ("cored inductance", "length of a pole over the winding's height"): lambda v: with_core(
        build_of(rods_with(length=11e-3 * v, diameter=11e-3 * v / 3.5))
    ),
    ("cored inductance", "pitch of the poles over their diameter"): lambda v: with_core(
        build_of(rods_with(count=6, pitch=4e-3 * v))
    ),
    ("cored inductance", "relative permeability of the poles"): of_permeability,
    ("cored inductance", "rise of the poles over the winding"): lambda v: with_core(build_of(rods_with(rise=v))),
    ("losses", "radius of a pole over its skin depth"): of_skin,
    ("losses", "thickness of a cover or baseplate"): lambda v: of_cover(thickness=v),
    ("losses", "gap between winding and cover or baseplate"): lambda v: of_cover(gap=v),
    ("self-capacitance", "layers of tight turns"): with_layers("capacitance"),
    ("self-capacitance", "wax fill"): of_wax,
    ("field", "distance from a pole's face"): lambda v: of_reading(gap=v),
    ("charge", "field reading"): lambda v: of_reading(reading=v),
    ("charge", "charge"): of_charge,
    ("charge", "temperature of the magnets"): of_magnet_temperature,
    ("output", "distance from pole to string"): of_string,
    ("built pickup", "peak"): of_peak,
    ("circuit", "frequency"): of_frequency,
    ("loads", "cable length"): lambda v: of_cable(length=v),
    ("loads", "cable capacitance per metre"): lambda v: of_cable(capacitance_per_length=v),
    ("valve input", "gain of the valve stage"): of_gain,
    ("parts", "loss tangent of a capacitor"): of_loss_tangent,
    ("noise", "temperature"): of_noise,
    ("hum", "mains field"): of_hum_field,
    ("hum", "mismatch of two coils"): of_mismatch,
    ("strings", "open note"): lambda v: tuned(open_hz=v),
    ("strings", "diameter of a string"): lambda v: tuned(diameter=v),
    ("strings", "mass per metre"): lambda v: tuned(mass_per_length=v),
    ("strings", "scale length"): lambda v: tuned(scale=v),
    ("strings", "fret"): lambda v: Seen(SIX.speaking_length(v)),  # type: ignore[arg-type]
    ("takes", "time of a note"): lambda v: plucked(at_s=v),
    ("takes", "displacement"): lambda v: plucked(displacement=v),
    ("takes", "plucking position from the bridge"): lambda v: plucked(position=v),
    ("takes", "width of what lets go"): lambda v: plucked(width=v),
    ("takes", "duration"): lasting,
    ("takes", "position of a coil from the bridge"): lambda v: spot(position=v),
    ("takes", "aperture of a coil along the string"): lambda v: spot(aperture=v),
    ("takes", "sample rate"): rendered,
    ("dry conversion", "greatest boost"): boosted,
    ("loudness", "loudness"): matched,
    ("loudness", "length of the sound"): measured,
    ("blind test", "number of trials"): trials,
    ("meter readings", "frequency of an LCR meter"): lambda v: Seen(lcr_reading(6000 + 2400j, v).quality),
    ("meter readings", "temperature of the coil"): lambda v: Seen(
        dc_resistance_at(resistance_at_20=6000, temperature_c=v)
    ),
    ("faults", "share of shorted turns"): with_short,
    ("statistics", "standard deviation of a ratio"): doubtful,
    ("statistics", "variants of a study"): variants,
}
"""By model and quantity, as the ranges name them."""

NAMED: Mapping[tuple[str, str], str] = {
    ("built pickup", "peak"): "built pickup: peak into the usual load",
    ("statistics", "variants of a study"): "no percentiles:",
}
"""What a warning holds where it is not ``MODEL: QUANTITY``."""

WHOLE = {("winding", "turns"), ("blind test", "number of trials"), ("statistics", "variants of a study")}
"""Quantities that are counted."""

DERIVED = {
    *(key for key in PROBES if key[1].startswith(("layers", "length", "pitch", "radius")) or "closed form" in key[1]),
    ("field", "distance from a pole's face"), ("winding", "build-up"), ("built pickup", "peak"),
    ("valve input", "gain of the valve stage"), ("parts", "loss tangent of a capacitor"),
}  # fmt: skip
"""Quantities that follow from others: what is impossible may be refused in the words of those."""
