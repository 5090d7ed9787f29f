"""Faults of a coil as a batch weighs them: how far each, at every size, moves the readings, and how likely it is.

They are the faults of `labkit.bench.diagnose.faults`, with the small sizes that only a batch can show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from labkit.bench.diagnose.expected import loaded_peak
from labkit.bench.diagnose.faults import Fault, Situation, coil_faults, dc_of, every_coil, with_turns, with_wire
from labkit.bench.diagnose.meter import dc_resistance_at, lcr_reading
from labkit.bench.fit.fixture import STANDARD_LOAD
from labkit.book.learn.evidence import Kind
from labkit.pickup.electrical import Pickup
from labkit.pickup.network import joined_capacitance, pickup_impedance
from labkit.pickup.predict.built import predict_build
from labkit.pickup.predict.sheet import PickupBuild

FAULTY = 0.03
"""Part of the coils that are faulty before anything is read (common practice, no source); of these a tenth in ways that
are not on the list."""

UNLISTED, UNLISTED_SPAN = 0.1, 1.5
"""A fault that is not on the list puts a reading anywhere within e^±0.75 of the plan."""

WARM_STEPS = (-6.0, -4.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 30.0)
TURN_STEPS = np.geomspace(0.01, 0.25, 14)
WARM_WEIGHT = 0.08
GAUGE_STEPS = (-0.03, -0.02, -0.01, 0.0, 0.01, 0.02, 0.03)
_NOT_OF_ONE_COIL = ("as planned", "wire diameter within the gauge", "meter in the other LCR model")


@dataclass(frozen=True, slots=True, eq=False)
class FaultShifts:
    """Every fault at every size: shifts of the readings (situations, kinds), whose they are, and log weights."""

    names: tuple[str, ...]
    checks: tuple[str, ...]
    sizes: tuple[str, ...]
    fault: np.ndarray
    shifts: np.ndarray
    weights: np.ndarray

    @property
    def members(self) -> np.ndarray:
        """1 where a situation is one of a fault, shape (situations, faults)."""
        found: np.ndarray = (self.fault[:, None] == np.arange(len(self.names))).astype(float)
        return found


@lru_cache(maxsize=64)
def fault_shifts(build: PickupBuild, kinds: tuple[Kind, ...], celsius: float) -> FaultShifts:
    pickup = predict_build(build).pickup
    grades = {grade.name for grade in build.magnets}
    faults = [
        _finer(fault, pickup)
        for fault in coil_faults(pickup, temperature_known=True, magnet=grades.pop() if len(grades) == 1 else None)
        if fault.name not in _NOT_OF_ONE_COIL
    ]
    if any(kind.quantity == "field" for kind in kinds):
        faults.append(_weak_magnet(pickup))
    planned = _logarithms(Situation(pickup=pickup), kinds, celsius)
    shifts = [_logarithms(situation, kinds, celsius) - planned for fault in faults for situation in fault.situations]
    total = math.fsum(fault.weight for fault in faults)
    weights = [
        math.log(FAULTY * (1 - UNLISTED) * fault.weight / total / len(fault.situations))
        for fault in faults
        for _ in fault.situations
    ]
    return FaultShifts(
        names=tuple(fault.name for fault in faults),
        checks=tuple(fault.check for fault in faults),
        sizes=tuple(situation.size for fault in faults for situation in fault.situations),
        fault=np.repeat(np.arange(len(faults)), [len(fault.situations) for fault in faults]),
        shifts=np.array(shifts),
        weights=np.array(weights),
    )


def _weak_magnet(pickup: Pickup) -> Fault:
    return Fault(
        name="weak magnet",
        weight=0.06,
        situations=tuple(
            Situation(pickup=pickup, field_factor=left, size=f"{100 * left:.0f} % of the field")
            for left in (0.95, 0.9, 0.85, 0.8, 0.7, 0.6, 0.5)
        ),
        check="read that pole again at the same gap; then charge the magnet fully (trained persons only) and read "
        "again",
    )


def _finer(fault: Fault, pickup: Pickup) -> Fault:
    """Return a fault with the small sizes that only a batch can show."""
    if fault.name == "number of turns":
        ratios = [1 + sign * step for step in TURN_STEPS for sign in (1, -1)]
        return replace(
            fault,
            situations=tuple(
                Situation(
                    pickup=every_coil(pickup, partial(with_turns, ratio=ratio)),
                    size=f"{100 * (ratio - 1):+.0f} % turns".replace("-", "−"),
                )
                for ratio in map(float, ratios)
            ),
        )
    if fault.name == "wrong wire gauge":  # off another spool: its wire lies anywhere within the limits of its gauge
        return replace(
            fault,
            situations=tuple(
                replace(situation, pickup=every_coil(situation.pickup, partial(with_wire, diameter_ratio=1 + off)))
                for situation in fault.situations
                for off in GAUGE_STEPS
            ),
        )
    if fault.name == "warm coil":
        return replace(
            fault,
            weight=WARM_WEIGHT,
            situations=tuple(
                Situation(
                    pickup=pickup,
                    temperature_offset=step,
                    size=f"{abs(step):.0f} K {'warmer' if step > 0 else 'colder'} than the others",
                )
                for step in WARM_STEPS
            ),
        )
    return fault


def _logarithms(situation: Situation, kinds: Sequence[Kind], celsius: float) -> np.ndarray:
    """What a pickup should read, as logarithms, shape (kinds,); a field as its factor on the plan."""
    pickup, warm = situation.pickup, celsius + situation.temperature_offset
    copper = every_coil(
        pickup,
        lambda coil: replace(coil, resistance=dc_resistance_at(resistance_at_20=coil.resistance, temperature_c=warm)),
    )
    peak = None
    if any(kind.quantity in ("peak", "height") for kind in kinds):
        peak = loaded_peak(copper, STANDARD_LOAD) or (20.0, 0.0)
    found = []
    for kind in kinds:
        value = 1.0
        if kind.frequency_hz:
            shown = lcr_reading(complex(pickup_impedance(copper, np.array([kind.frequency_hz]))[0]), kind.frequency_hz)
            value = shown.series_inductance if kind.quantity == "inductance" else shown.series_resistance
        elif kind.quantity == "resistance":
            value = dc_of(pickup, temperature_c=warm)
        elif kind.quantity == "capacitance":
            joined = joined_capacitance(pickup.connection, [coil.capacitance for coil in pickup.coils.values()])
            value = float(joined) + pickup.lead_capacitance
        elif kind.quantity == "field":
            value = 1.0 if situation.field_factor is None else situation.field_factor
        elif peak is not None:
            value = peak[0] if kind.quantity == "peak" else 10 ** (peak[1] / 20)
        found.append(math.log(max(value, 1e-9)))
    return np.array(found)
