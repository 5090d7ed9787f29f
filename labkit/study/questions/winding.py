"""Which wire and how many turns bring a built pickup nearest to the sound of another rig."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.pickup.electrical import Pickup
from labkit.rig.rig import Rig
from labkit.study.measures import decibels
from labkit.study.questions.question import GRID_HZ, QuestionAnswer, heard_slot, shown
from labkit.study.search.goal import Target, like

NOT_CARRIED = (
    "every trial as labkit predicts it from its build: what a workshop book, or a set value, says of the coil as it is "
    "now is not carried over"
)


def turns_and_wire(
    rig: Rig, *, target: Rig, wires: Sequence[str], slot: str | None = None, turns: tuple[int, int] = (3000, 14_000)
) -> QuestionAnswer:
    """How many turns of which stocked wire bring a built pickup nearest to the sound of a target rig?

    All coils of the pickup get the same wire, and turns in the proportion they have. Builds that do not fit their
    bobbin (``flange_radius`` of the sheet) are left out and counted.

    Parameters
    ----------
    rig : Rig
        With a pickup that comes from a build sheet.
    target : Rig
        What it shall sound like.
    wires : sequence of str
        Stocked wires, by catalogue name.
    slot : str, optional
        The pickup to be wound; the first one that is heard where left out.
    turns : (low, high)
        Range for the first coil.
    """
    slot = heard_slot(rig, slot)
    build: Any = getattr(rig.pickups[slot], "made_from", None)
    if build is None:
        raise InputError(
            f"the pickup in slot '{slot}' of rig '{rig.name}' is given by its values; turns and wire need a build sheet"
        )
    from scipy.optimize import minimize_scalar

    from labkit.pickup.predict.built import read_build
    from labkit.pickup.predict.sheet import with_changes

    coils = [(name, coil.winding.turns) for name, coil in build.coils if coil.winding is not None]
    aim = like(target, GRID_HZ)
    rows: list[dict[str, Any]] = []
    unfit: list[str] = []

    def made(wire: str, count: float) -> Rig:
        changes: dict[str, Any] = {}
        for name, own in coils:
            changes |= {f"coil.{name}.wire": wire, f"coil.{name}.turns": round(count * own / coils[0][1])}
        built = read_build(with_changes(build.table(), changes))
        return rig.replace(pickups={slot: replace(built.pickup, made_from=built.build)})

    for wire in wires:
        catalogue().item("wire", wire)

        def distance(logarithm: float, wire: str = wire) -> float:
            try:
                return distance_to(aim, made(wire, math.exp(logarithm)))
            except InputError as error:
                unfit.append(f"{wire}: {error}")
                return 1e3

        trial = np.linspace(math.log(turns[0]), math.log(turns[1]), 9)
        found = [distance(float(point)) for point in trial]
        best = int(np.argmin(found))
        if found[best] >= 1e3:
            continue
        ends = (trial[max(best - 1, 0)], trial[min(best + 1, len(trial) - 1)])
        refined = minimize_scalar(distance, bounds=ends, method="bounded", options={"xatol": 2e-3, "maxiter": 14})
        count = round(math.exp(float(refined.x)))
        pickup = made(wire, count).pickups[slot]
        rows.append(
            {
                "wire": wire,
                "turns": count,
                "distance_db": distance_to(aim, made(wire, count)),
                "resistance_ohm": sum(coil.resistance for coil in pickup.coils.values()),
                "inductance_h": sum(coil.inductance for coil in pickup.coils.values()),
            }
        )
    if not rows:
        raise InputError(
            f"no wire of {', '.join(wires)} can be wound with {turns[0]} to {turns[1]} turns here: "
            f"{unfit[0] if unfit else ''}"
        )
    rows.sort(key=lambda row: (row["distance_db"], row["wire"]))
    first = rows[0]
    return QuestionAnswer(
        question="turns and wire",
        sentence=(
            f"{first['turns']} turns of {first['wire']} come nearest to '{target.name}': "
            f"{first['distance_db']:.2f} dB apart, {shown(first['resistance_ohm'], 'Ω')}."
        ),
        value=float(first["turns"]),
        unit="1",
        left_db=first["distance_db"],
        rests_on=(
            "bobbin, poles and magnets as on the sheet",
            *(() if _is_as_planned(rig.pickups[slot], read_build(build.table()).pickup) else (NOT_CARRIED,)),
            *((f"{len(unfit)} trials did not fit the bobbin ({unfit[0]})",) if unfit else ()),
        ),
        rows=tuple(rows),
        rig=made(first["wire"], first["turns"]),
    )


def _is_as_planned(pickup: Pickup, planned: Pickup) -> bool:
    """Whether the coils of a pickup have the values that its build predicts."""
    return all(
        math.isclose(getattr(coil, key), getattr(planned.coils[name], key), rel_tol=1e-9)
        for name, coil in pickup.coils.items()
        for key in ("resistance", "inductance", "capacitance")
    )


def distance_to(aim: Target, rig: Rig) -> float:
    return float(aim.values(GRID_HZ, decibels(rig.evaluate(GRID_HZ))[None])[0])
