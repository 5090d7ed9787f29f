"""What a build is warned about: limits that it leaves, and predictions that deserve less trust than the rest."""

from __future__ import annotations

from labkit.core.validity import warnings_of
from labkit.pickup.magnetics.poles import PERMEABILITY
from labkit.pickup.predict.field import PLAYING_DISTANCE, magnet_route
from labkit.pickup.predict.sheet import CoilBuild, PickupBuild
from labkit.pickup.winding.air_coil import air_coil_warnings


def build_warnings(build: PickupBuild) -> tuple[str, ...]:
    """Return one sentence for each limit a build leaves; empty for a build well inside the models."""
    found: list[str] = []
    for name, coil in build.coils:
        label = f"coil '{name}': " if len(build.coils) > 1 else ""
        found += [label + sentence for sentence in _coil_warnings(coil, build.temperature_c)]
    found += _magnet_warnings(build)
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
    if coil.permeability is not None:
        found += warnings_of((PERMEABILITY, coil.permeability.value))
    if coil.poles is not None:
        found += coil.poles.fit_warnings(
            straight_length=winding.straight_length,
            end_radius=winding.end_radius,
            winding_height=winding.winding_height,
        )
        if coil.poles.charge == 0 and coil.grade is not None:
            found.append("the magnets are at 0 % charge: no field and no output.")
    return found


def _magnet_warnings(build: PickupBuild) -> list[str]:
    found = []
    route = magnet_route(build)
    if route == "none":
        found.append("there is no magnet on this sheet: no field and no output are given.")
    if route == "bar beside":
        found.append(
            "a bar magnet is modelled between two rows of slugs or screws only: no field and no output are given, "
            "and its pull on the inductance is a guess."
        )
    if route == "bar":
        found.append("the field of a bar-magnet pickup is known to ±40 % only, rather high than low.")
    if route not in ("none", "bar beside"):
        found += warnings_of((PLAYING_DISTANCE, build.string_distance))
    return found + [
        sentence for grade in build.magnets for sentence in warnings_of((grade.temperature_range, build.temperature_c))
    ]
