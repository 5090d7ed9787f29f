"""A build made ready for evaluation: its doubtful inputs in one list, its nominal geometry and poles worked out once.

An input that moves both coils (the wire of one spool, the bobbins of one mould, the layer factor) is one input; turns
are counted for each coil. Errors of the models are inputs too, so that "which input causes most of it" also answers
"the model".

The slice model gives what the poles add. For the interval it is not run again at every step: the stored field S follows
a power law of each dimension close by, with exponents from the same field along the poles' axes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from labkit.core.sourced import SourcedValue
from labkit.pickup.losses.plates import PlateEffect, plate_effect
from labkit.pickup.magnetics.assembly import Assembly, answered, coil_drive
from labkit.pickup.magnetics.bar import bar_inductance_factor
from labkit.pickup.magnetics.pair import CoreMode, coil_arguments, pair_core, single_core
from labkit.pickup.magnetics.poles import PERMEABILITY, POLE_HEIGHT, Pole
from labkit.pickup.magnetics.slices import SLICES, coil_field, gauss_points
from labkit.pickup.predict.propagation import Doubtful
from labkit.pickup.predict.sheet import CoilBuild, PickupBuild
from labkit.pickup.predict.standing import standing_poles
from labkit.pickup.winding.air_coil import air_coil_inputs
from labkit.pickup.winding.capacitance import COVER_DEVIATION, LEADS, cover_capacitance
from labkit.pickup.winding.inductance import MU_0, inductance_integral, stacked_mutual_inductance
from labkit.pickup.winding.spectral import CoilShape, coupling_of_pair

POLE_SIZE_DEVIATION = 0.01
"""One standard deviation of a pole's diameter and length as a ratio (calliper on a cast or turned part)."""

COUPLING_DEVIATION = 0.05
"""The same of the coupling of two air coils: their places on the baseplate."""

PAIR_DEVIATION = 0.05
"""The same of the inductance of two coils with poles, beyond what their inputs explain: finite elements of one geometry
only, measured pairs of unknown geometry. With the inputs it makes ± 15 %."""

PEAK_DEVIATIONS = {"model of the peak": 0.02, "model of the peak's height": 0.07}
"""The same of frequency and height (as a ratio) of the loaded peak: the conducting cylinder is 3–6 % off finite
elements in its real part, and a measured height deserves ± 15 % (95 %)."""

LONE_BAR = SourcedValue(
    value=1.0,
    unit="1",
    spread=0.10,
    kind="invented",
    source="assumption: a bar beside the poles of a single coil was not calculated",
    doubt="may raise the inductance by some per cent",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilPlan:
    """How one coil is computed: its build, its poles by kind, and which input plays which part."""

    name: str
    build: CoilBuild
    cores: tuple[CoilCore, ...]
    inputs: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildPlan:
    """A build made ready: nominal geometry, inputs with their doubts, effect of the plates per turn².

    ``air_coupling`` is that of the air coils; of a tapped winding ``core_coupling`` is that of what the poles add.
    """

    build: PickupBuild
    coils: tuple[CoilPlan, ...]
    inputs: Mapping[str, Doubtful]
    air_coupling: float
    plates: tuple[tuple[str, PlateEffect], ...]
    core_coupling: float = 0.0


def plan_of(build: PickupBuild) -> BuildPlan:
    """Return a build made ready for evaluation."""
    built = [(name, coil) for name, coil in build.coils if coil.winding is not None]
    roles = {name: _coil_inputs(build, coil) for name, coil in built}
    names, inputs = _shared(roles)
    facing_poles = len(built) == 2 and not build.tapped and all(coil.poles is not None for _, coil in built)
    plans = []
    for name, coil in build.coils:
        cores: tuple[CoilCore, ...] = ()
        if coil.winding is not None:
            cores = coil_cores(coil, coil.winding.shape, build.spacing if facing_poles else None)
        plans.append(CoilPlan(name=name, build=coil, cores=cores, inputs=names.get(name, {})))
    inputs["lead"] = Doubtful.of(build.lead)
    for cause, deviation in PEAK_DEVIATIONS.items():
        inputs[cause] = Doubtful(value=1.0, deviation=deviation, scale="log")
    coupling = core_coupling = 0.0
    if build.coupling is not None:
        coupling = build.coupling
    elif build.tapped:
        coupling, core_coupling = _of_parts(built[0][1], built[1][1])
    elif len(built) == 2 and build.spacing is not None:
        first, second = (coil.winding.shape for _, coil in built if coil.winding is not None)
        coupling = coupling_of_pair(first, second, spacing=build.spacing)
        inputs["coupling of the air coils"] = Doubtful(value=1.0, deviation=COUPLING_DEVIATION, scale="log")
    if facing_poles:
        inputs["model of the pair"] = Doubtful(value=1.0, deviation=PAIR_DEVIATION, scale="log")
    if build.bar is not None and build.bar_grade is not None:
        lone = len(build.coils) == 1
        factor = LONE_BAR if lone else bar_inductance_factor(family=build.bar_grade.family, keeper=build.bar.keeper)
        inputs["bar magnet and keeper"] = Doubtful.percent(factor.value, (factor.spread or 0.0) / factor.value)
    plates = []
    for plate in build.plates if built else ():
        shape, turns = _mean_shape([coil for _, coil in built])
        spacing = build.spacing if len(built) == 2 else None
        plates.append((plate.kind, plate_effect(plate, shape, turns=turns, pair_spacing=spacing)))
        inputs[f"model of the {plate.kind}"] = Doubtful(value=1.0, deviation=plate.model_deviation, scale="log")
    if (beside := _cover_capacitance(build, [coil for _, coil in built])) > 0:
        inputs["cover capacitance"] = Doubtful(value=beside, deviation=COVER_DEVIATION, scale="log")
    return BuildPlan(
        build=build,
        coils=tuple(plans),
        inputs=inputs,
        air_coupling=coupling,
        plates=tuple(plates),
        core_coupling=core_coupling,
    )


def _of_parts(first: CoilBuild, second: CoilBuild) -> tuple[float, float]:
    """Coupling of the air coils, and of what the poles add, of two windings one over the other."""
    assert first.winding is not None
    assert second.winding is not None
    one, other = first.winding, second.winding
    shapes = {
        "straight_length": one.straight_length,
        "winding_height": (one.winding_height, other.winding_height),
        "end_radius": (one.end_radius, other.end_radius),
        "build_up": (one.build_up, other.build_up),
    }
    mutual = float(stacked_mutual_inductance(turns=(1.0, 1.0), distance=0.0, **shapes))  # type: ignore[arg-type]
    own = [
        float(
            inductance_integral(
                turns=1.0,
                straight_length=part.straight_length,
                end_radius=part.end_radius,
                winding_height=part.winding_height,
                build_up=part.build_up,
            )
        )
        for part in (one, other)
    ]
    air = mutual / math.sqrt(own[0] * own[1])
    if first.poles is None:
        return air, 0.0
    assembly = Assembly(poles=tuple(standing_poles(first)))
    drives = [coil_drive(assembly, part.shape) for part in (one, other)]
    states = [answered(assembly, drive).ravel() for drive in drives]
    volumes = np.concatenate([pole.volumes for pole in assembly.poles])
    energy = [[float(np.sum(volumes * state * drive)) for drive in drives] for state in states]
    return air, energy[0][1] / math.sqrt(energy[0][0] * energy[1][1])


def _cover_capacitance(build: PickupBuild, coils: list[CoilBuild]) -> float:
    """What a grounded cover adds between the leads, F; 0 without one, and where a coil is given by its values."""
    cover = next((plate for plate in build.plates if plate.kind != "baseplate"), None)
    if cover is None or len(coils) != len(build.coils):
        return 0.0
    hot_outer = build.hot_end == "outer"
    if build.tapped or len(coils) == 1 or build.connection == "parallel":
        ends = [(0.0, 1.0) if hot_outer else (1.0, 0.0)] * len(coils)
        coils = coils[1:] if build.tapped and hot_outer else coils[:1] if build.tapped else coils
    else:
        ends = [(0.5, 1.0), (0.0, 0.5)] if hot_outer else [(1.0, 0.5), (0.0, 0.5)]
    found = 0.0
    for coil, (inner, outer) in zip(coils, ends):
        winding = coil.winding
        assert winding is not None
        found += float(
            cover_capacitance(
                perimeter=2 * winding.straight_length + 2 * math.pi * winding.outer_radius,
                mean_turn=winding.mean_turn,
                winding_height=winding.winding_height,
                build_up=winding.build_up,
                gap=cover.gap,
                side_gap=cover.gap if cover.side_gap is None else cover.side_gap,
                inner=inner,
                outer=outer,
            )
        )
    return found


def _coil_inputs(build: PickupBuild, coil: CoilBuild) -> dict[str, Doubtful]:
    assert coil.winding is not None
    found = air_coil_inputs(
        coil.winding, temperature_c=build.temperature_c, lead=LEADS["none"], wax_fill=build.wax_fill
    )
    del found["lead"]
    models: dict[str, list[float]] = {}
    for kind in coil.kinds:
        PERMEABILITY.check(kind.permeability.value)
        POLE_HEIGHT.check(kind.pole.length / coil.winding.winding_height)
        models.setdefault(f"model of {kind.pole.kind}s", []).append(
            math.hypot(
                kind.pole.model_deviation(coil.winding.winding_height), PERMEABILITY.deviation(kind.permeability.value)
            )
        )
        found |= {
            f"permeability of {kind.material}": Doubtful.of(kind.permeability),
            f"resistivity of {kind.material}": Doubtful.of(kind.resistivity),
            "pole diameter": Doubtful(value=1.0, deviation=POLE_SIZE_DEVIATION, scale="log"),
            "pole length": Doubtful(value=1.0, deviation=POLE_SIZE_DEVIATION, scale="log"),
        }
    for name, deviations in models.items():
        found[name] = Doubtful(value=1.0, deviation=max(deviations), scale="log")
    return found


def _shared(roles: Mapping[str, Mapping[str, Doubtful]]) -> tuple[dict[str, dict[str, str]], dict[str, Doubtful]]:
    """Names of the inputs of every coil: one for both where it is the same thing, but turns for each."""
    names: dict[str, dict[str, str]] = {coil: {} for coil in roles}
    inputs: dict[str, Doubtful] = {}
    for coil, found in roles.items():
        for role, doubt in found.items():
            others = [item[role] for other, item in roles.items() if other != coil and role in item]
            alone = len(roles) == 1
            same = alone or not others or (role != "turns" and all(item == doubt for item in others))
            name = role if same else f"{role} of {coil}"
            names[coil][role] = name
            inputs[name] = doubt
    return names, inputs


def _mean_shape(coils: list[CoilBuild]) -> tuple[CoilShape, float]:
    windings = [coil.winding for coil in coils if coil.winding is not None]
    shapes = [winding.shape for winding in windings]
    mean = {
        name: sum(getattr(shape, name) for shape in shapes) / len(shapes)
        for name in ("straight_length", "end_radius", "winding_height", "build_up")
    }
    return CoilShape(**mean), sum(winding.turns for winding in windings) / len(windings)


DIAMETER_EXPONENTS = (2.0, 1.1)
"""Powers of the pole's diameter in S and N_f (slice model; S goes with the section)."""

LENGTH_EXPONENTS = (0.3, -1.0)
"""Powers of the pole's length in S and N_f (slice model, rods longer than the winding)."""

_STEP = 0.01
_HEIGHTS = 8  # points along a pole


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilCore:
    """Poles of one kind in one coil, alone or facing like poles in the other coil.

    Attributes
    ----------
    kind, material : str
        What they are, and of what; inputs are named by them.
    radius : float, m
        Of a pole, for eddy currents.
    shape : CoilShape
        At which the modes hold.
    modes : tuple of CoreMode
        One (a coil by itself), or two: both coils in opposite senses, and in one sense.
    exponents : mapping of str to float
        d ln S/d ln of straight length, end radius, winding height and build-up.
    """

    kind: str
    material: str
    radius: float
    shape: CoilShape
    modes: tuple[CoreMode, ...]
    exponents: Mapping[str, float]


def coil_cores(coil: CoilBuild, shape: CoilShape, spacing: float | None) -> tuple[CoilCore, ...]:
    """Return the core of one coil, kind of pole by kind; ``spacing`` (m) where the other coil has poles as well."""
    if coil.each:
        return _uneven_cores(coil, shape, spacing)
    return tuple(coil_core(made.pole, shape, made.permeability.value, spacing, made.material) for made in coil.kinds)


@lru_cache(maxsize=64)
def _uneven_cores(coil: CoilBuild, shape: CoilShape, spacing: float | None) -> tuple[CoilCore, ...]:
    """Each kind's share of what an uneven row adds, all poles answering together (and the same row in the far coil)."""
    half = (spacing or 0.0) / 2
    near = standing_poles(coil, across=half)
    far = [] if spacing is None else standing_poles(coil, across=-half)
    assembly = Assembly(poles=(*near, *far))
    own = coil_drive(assembly, shape, across=half)
    drives = [own]
    if spacing is not None:
        other = coil_drive(assembly, shape, across=-half)
        drives = [own - other, own + other]
    count = len(near) * SLICES
    volumes = np.concatenate([pole.volumes for pole in near])
    group = np.repeat([pole.group for pole in near], SLICES)
    states = [answered(assembly, drive).ravel()[:count] for drive in drives]
    found = []
    for index, made in enumerate(dict.fromkeys(coil.each)):
        mine = [pole for pole in near if pole.group == index]
        chosen = group == index
        modes = []
        for drive, state in zip(drives, states):
            stored = MU_0 * float(np.sum((volumes * drive[:count] ** 2)[chosen]))
            added = MU_0 * float(np.sum((volumes * state * drive[:count])[chosen]))
            modes.append(
                CoreMode(stored=stored, demagnetising_factor=stored / added - 1 / (made.permeability.value - 1))
            )
        along = tuple(pole.along for pole in mine)
        found.append(
            CoilCore(
                kind=made.pole.kind,
                material=made.material,
                radius=mine[0].radius,
                shape=shape,
                modes=tuple(modes),
                exponents=field_exponents(shape, along, made.pole.length, made.pole.rise),
            )
        )
    return tuple(found)


@lru_cache(maxsize=128)
def coil_core(
    pole: Pole, shape: CoilShape, permeability: float, spacing: float | None, material: str = "steel"
) -> CoilCore:
    """Return the core of a row of equal poles; ``spacing`` (m) where the other coil has poles as well."""
    rods = pole.rods()
    if spacing is None:
        modes: tuple[CoreMode, ...] = (single_core(rods, shape, relative_permeability=permeability, rise=pole.rise),)
    else:
        pair = pair_core(rods, shape, relative_permeability=permeability, spacing=spacing, rise=pole.rise)
        modes = (pair.opposite, pair.alike)
    exponents = field_exponents(shape, tuple(x for x, _ in rods.positions), rods.length, pole.rise)
    return CoilCore(
        kind=pole.kind, material=material, radius=rods.radius, shape=shape, modes=modes, exponents=exponents
    )


@lru_cache(maxsize=128)
def field_exponents(
    shape: CoilShape, along: tuple[float, ...], length: float, rise: float = 0.0
) -> Mapping[str, float]:
    """Return d ln S/d ln of each dimension of a coil, from H² along the axes of its poles.

    Parameters
    ----------
    shape : CoilShape
    along : tuple of float, m
        Places of the poles along the row.
    length, rise : float, m
        Of the poles.
    """
    places = np.unique(np.abs(np.round(along, 9)))[:, None]
    node, weight = gauss_points(_HEIGHTS)
    heights = length / 2 * node + rise

    def stored(of: CoilShape) -> float:
        field = coil_field(x=places, y=0.0, z=heights, **coil_arguments(of))
        return float(np.sum(field**2 @ weight))

    reference = stored(shape)
    found = {}
    for name in ("straight_length", "end_radius", "winding_height", "build_up"):
        start = getattr(shape, name)
        if start > 0:
            changed = stored(replace(shape, **{name: start * (1 + _STEP)}))
            found[name] = float(np.log(changed / reference) / np.log1p(_STEP))
    return MappingProxyType(found)
