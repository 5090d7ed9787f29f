"""What can be wrong with a coil, as changes to the plan that predict every reading.

Each `Fault` turns the planned pickup into the pickup it would be, for a grid of sizes of the fault. Nothing here looks
at readings; `diagnose` weighs these predictions against them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from labkit.bench.diagnose.meter import dc_resistance_at
from labkit.core.validity import range_called
from labkit.pickup.electrical import Coil, Connection, EddySection, Pickup
from labkit.pickup.network import joined_resistance

GAUGE_STEP = 92 ** (1 / 39)
"""Ratio of wire diameters one gauge apart (ASTM B258)."""

BUILD_SHARE = 0.1
"""How much of a relative change of the winding's cross-section returns as length of the mean turn: only the ends grow,
by half the build-up, so π·b/MTL; 4.3 mm on a mean turn of 133 mm, as on usual bobbins, makes 0.10."""

LOOP_COUPLING = 0.95
"""Square of the coupling between shorted turns and the rest of their coil: they lie in the same bundle."""


SHORTED_SHARE = range_called("shorted_share")


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """A pickup as one fault at one size would have it, and what else that fault changes.

    ``size`` is a word for people ("+5 % turns"); ``temperature_offset`` (K) adds to the temperature taken for the coil;
    ``field_factor`` multiplies the planned field; ``other_model`` says that the LCR meter showed the model not noted.
    """

    pickup: Pickup
    size: str = ""
    temperature_offset: float = 0.0
    field_factor: float | None = None
    other_model: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One cause: name, rough frequency at the bench (prior weight), its situations, and the check that settles it.

    Prior weights are common practice, no source; they only break ties, and a verdict that rests on them alone is
    reported as several findings.
    """

    name: str
    weight: float
    situations: tuple[Situation, ...]
    check: str
    note: str = ""


def every_coil(pickup: Pickup, change: Callable[[Coil], Coil]) -> Pickup:
    """Return the pickup with each coil changed."""
    return replace(pickup, coils={name: change(coil) for name, coil in pickup.coils.items()})


def one_coil(pickup: Pickup, name: str, change: Callable[[Coil], Coil]) -> Pickup:
    """Return the pickup with one coil changed."""
    return replace(pickup, coils={**pickup.coils, name: change(pickup.coils[name])})


def with_turns(coil: Coil, ratio: float) -> Coil:
    """Scale the turns: R with turns and a little with the longer outer turns, L with their square.

    Eddy corners stay: they belong to the core.
    """
    return replace(
        coil,
        resistance=coil.resistance * ratio * (1 + BUILD_SHARE * (ratio - 1)),
        inductance=coil.inductance * ratio**2,
        turns=None if coil.turns is None else coil.turns * ratio,
    )


def with_inductance(coil: Coil, ratio: float) -> Coil:
    """Scale the inductance alone: another core."""
    return replace(coil, inductance=coil.inductance * ratio)


def with_wire(coil: Coil, diameter_ratio: float) -> Coil:
    """Scale the wire's diameter: R goes with its inverse square and the cross-section of the winding with its "
    "square."""
    growth = 1 + BUILD_SHARE * (diameter_ratio**2 - 1)
    return replace(
        coil,
        resistance=coil.resistance / diameter_ratio**2 * growth,
        inductance=coil.inductance * (1 + 0.05 * (diameter_ratio**2 - 1)),
    )


def with_shorted_turns(coil: Coil, share: float) -> Coil:
    """Short a share m/N of the turns upon themselves.

    They leave the chain (R falls by m/N, L at low frequency to (1 − m/N)² of what it was) and become a loop: L_loop ∝
    (m/N)², R_loop ∝ m/N, coupled to the rest with k² = `LOOP_COUPLING`; so one more eddy section, which takes k² of the
    inductance that is left, with the corner R/(2πL)·N/m.
    """
    SHORTED_SHARE.check(share)
    corner = coil.resistance / (2 * math.pi * coil.inductance) / share
    left = 1 - sum(section.fraction for section in coil.eddy)
    loop = EddySection(fraction=LOOP_COUPLING * left, corner_hz=corner)
    return replace(
        coil,
        resistance=coil.resistance * (1 - share),
        inductance=coil.inductance * (1 - share) ** 2,
        eddy=(*coil.eddy, loop),
    )


def with_loop(coil: Coil, fraction: float, corner_hz: float) -> Coil:
    """Add a conducting loop outside the coil (cover, baseplate, ring)."""
    left = 1 - sum(section.fraction for section in coil.eddy)
    return replace(coil, eddy=(*coil.eddy, EddySection(fraction=min(fraction, 0.95 * left), corner_hz=corner_hz)))


def _percent(ratio: float) -> str:
    return f"{100 * (ratio - 1):+.0f} %".replace("-", "−")


def coil_faults(pickup: Pickup, *, temperature_known: bool, magnet: str | None = None) -> list[Fault]:
    """Return everything that can be wrong with the winding and its core, the plan itself first."""
    faults = [
        Fault(name="as planned", weight=0.5, situations=(Situation(pickup=pickup),), check=""),
        Fault(
            name="number of turns",
            weight=0.1,
            situations=tuple(
                Situation(
                    pickup=every_coil(pickup, partial(with_turns, ratio=ratio)),
                    size=f"{_percent(ratio)} turns",
                )
                for ratio in _around(0.03, 0.25, 12)
            ),
            check="inductance goes with the square of the turns and resistance with the turns: read L at 1 "
            "kHz, or weigh "
            "the coil",
        ),
        Fault(
            name="wire diameter within the gauge",
            weight=0.1,
            situations=tuple(
                Situation(
                    pickup=every_coil(pickup, partial(with_wire, diameter_ratio=ratio)),
                    size=f"wire {100 * (ratio - 1):+.1f} % in diameter".replace("-", "−"),
                )
                for ratio in _around(0.015, 0.045, 4)
            ),
            check="resistance moves and inductance does not: read L at 1 kHz; measure the bare wire of that "
            "reel, or the "
            "resistance of 10 m of it",
        ),
        Fault(
            name="wrong wire gauge",
            weight=0.05,
            situations=tuple(
                Situation(
                    pickup=every_coil(pickup, partial(with_wire, diameter_ratio=GAUGE_STEP**-step)),
                    size=f"{abs(step)} gauge {'thinner' if step > 0 else 'thicker'}",
                )
                for step in (-3, -2, -1, 1, 2, 3)
            ),
            check="one gauge is 26 % in resistance with inductance unchanged: measure the wire with a "
            "micrometer, or the "
            "resistance of 10 m of the reel",
        ),
        Fault(
            name="warm coil",
            weight=0.02 if temperature_known else 0.12,
            situations=tuple(
                Situation(
                    pickup=pickup,
                    temperature_offset=offset,
                    size=f"{abs(offset):.0f} K {'warmer' if offset > 0 else 'colder'} than taken",
                )
                for offset in ((5.0, 10.0) if temperature_known else (-10.0, -5.0, 5.0, 10.0, 15.0, 20.0, 30.0))
            ),
            check="let it lie at room temperature for an hour, do not hold it, read again with the temperature "
            "beside it",
            note="copper gains 3.9 % in 10 K",
        ),
        *_short_faults(pickup),
        Fault(
            name="conducting loop around the coil",
            weight=0.06,
            situations=tuple(
                Situation(
                    pickup=every_coil(pickup, partial(with_loop, fraction=fraction, corner_hz=corner)),
                    size=f"{100 * fraction:.0f} % of L above {corner / 1e3:.3g} kHz",
                )
                for fraction in (0.05, 0.08, 0.12, 0.17, 0.23, 0.3, 0.4, 0.5)
                for corner in (1500.0, 3000.0, 6000.0, 12_000.0, 25_000.0)
            ),
            check="take off cover, baseplate and metal rings and read the loss again: a loop outside goes with "
            "them, shorted "
            "turns stay",
            note="a cover, baseplate, shield or ring that the plan does not hold",
        ),
        Fault(
            name="extra capacitance",
            weight=0.04,
            situations=tuple(
                Situation(
                    pickup=replace(pickup, lead_capacitance=pickup.lead_capacitance + extra),
                    size=f"{extra * 1e12:.0f} pF",
                )
                for extra in np.geomspace(40e-12, 1e-9, 57)
            ),
            check="take the probe and the lead off and read the resonance again",
            note="a long or braided lead, a probe, or wax",
        ),
        Fault(
            name="meter in the other LCR model",
            weight=0.04,
            situations=(Situation(pickup=pickup, other_model=True, size="series and parallel exchanged"),),
            check="set the meter to series, 1 kHz (or note what it shows) and read again",
        ),
        *_core_faults(pickup, magnet),
    ]
    if len(pickup.coils) == 2:
        faults += pair_faults(pickup)
    return faults


def _around(smallest: float, largest: float, count: int) -> list[float]:
    """Ratios on both sides of 1, leaving out what is within tolerance anyway."""
    sizes = np.geomspace(smallest, largest, count)
    return [*(1 - sizes[::-1]), *(1 + sizes)]


def _short_faults(pickup: Pickup) -> list[Fault]:
    shares = np.geomspace(0.002, 0.3, 14)
    situations = [
        Situation(
            pickup=one_coil(pickup, name, partial(with_shorted_turns, share=float(share))),
            size=f"{100 * share:.2g} % of the turns{f' of coil {name}' if len(pickup.coils) > 1 else ''}",
        )
        for name in pickup.coils
        for share in shares
    ]
    return [
        Fault(
            name="shorted turns",
            weight=0.06,
            situations=tuple(situations),
            check="compare the loss (series resistance at 1 and 5 kHz) with a good coil after taking off every "
            "metal part: "
            "shorted turns keep it, while DC resistance falls by their share only",
            note="the loss tells, not the DC resistance",
        )
    ]


_GRADES = {  # inductance (H) of one six-rod coil and field (mT) at 1 mm, measured and modelled for one geometry
    "Alnico 5": (1.882, 101.0),
    "Alnico 2": (2.203, 71.0),
    "Alnico 3": (2.244, 62.0),
    "Alnico 4": (2.184, 69.0),
}
_AIR_INDUCTANCE = 1.493


def _core_faults(pickup: Pickup, magnet: str | None) -> list[Fault]:
    """Other rods than planned: L and field move together (discussion-forum measurement of one coil with each grade)."""
    if magnet in _GRADES:
        own_l, own_b = _GRADES[magnet]
        options = {
            name: (inductance / own_l, at_1mm / own_b)
            for name, (inductance, at_1mm) in _GRADES.items()
            if name != magnet
        }
        options["no magnets"] = (_AIR_INDUCTANCE / own_l, 0.0)
        situations = tuple(
            Situation(
                pickup=every_coil(pickup, partial(with_inductance, ratio=ratio)),
                field_factor=field,
                size=f"{name} instead of {magnet}" if field else name,
            )
            for name, (ratio, field) in options.items()
        )
    else:
        situations = tuple(
            Situation(
                pickup=every_coil(pickup, partial(with_inductance, ratio=ratio)),
                size=f"{_percent(ratio)} inductance",
            )
            for ratio in (0.6, 0.7, 0.8, 0.88, 1.12, 1.2, 1.35, 1.6)
        )
    return [
        Fault(
            name="other core or magnet than planned",
            weight=0.05,
            situations=situations,
            check="field and inductance move together with another grade of rod: read the field at a pole; "
            "look at slugs, "
            "screws and keeper",
            note="grade of the rods, slugs or keeper missing or exchanged",
        )
    ]


def pair_faults(pickup: Pickup) -> list[Fault]:
    """Return what can be wrong with two coils together."""
    first, second = pickup.coils
    other: Connection = "parallel" if pickup.connection == "series" else "series"
    faults = [
        Fault(
            name=f"coils connected in {other}",
            weight=0.04,
            situations=(
                Situation(pickup=replace(pickup, connection=other), size=f"{other} instead of {pickup.connection}"),
            ),
            check=f"a {other} pair has {'a quarter' if other == 'parallel' else 'four times'} the resistance; "
            "follow the leads",
        ),
        Fault(
            name="coils out of phase",
            weight=0.05,
            situations=(Situation(pickup=replace(pickup, coupling=-pickup.coupling), size="one coil reversed"),),
            check="bring steel to one pole of each coil in turn and compare the first swing at the leads; "
            "exchange the leads "
            "of one coil and read L again: it must rise",
            note="inductance falls by 4k√(L₁L₂), resistance stays",
        ),
    ]
    for name in (first, second):
        kept = second if name == first else first
        faults.append(
            Fault(
                name=f"coil {name} shorted out",
                weight=0.03,
                situations=(
                    Situation(
                        pickup=Pickup(
                            name=pickup.name,
                            coils={kept: pickup.coils[kept]},
                            lead_capacitance=pickup.lead_capacitance,
                        ),
                        size=f"only coil {kept} is heard",
                    ),
                ),
                check=f"read coil {name} at its own leads; look for a split switch left on",
            )
        )
    sizes = (0.03, 0.06, 0.1, 0.15, 0.25)
    faults.append(
        Fault(
            name="mismatched pair",
            weight=0.06,
            situations=tuple(
                Situation(
                    pickup=one_coil(pickup, name, partial(with_turns, ratio=ratio)),
                    size=f"coil {name} {_percent(ratio)} turns",
                )
                for name in (first, second)
                for ratio in [*(1 - size for size in sizes), *(1 + size for size in sizes)]
            ),
            check="read resistance and inductance of each coil by itself",
            note="hum of unequal coils does not cancel: 2 % leaves −34 dB of one coil",
        )
    )
    return faults


def dc_of(pickup: Pickup, *, temperature_c: float) -> float:
    """Return the DC resistance at the leads at a temperature, Ω."""
    values = [
        dc_resistance_at(resistance_at_20=coil.resistance, temperature_c=temperature_c)
        for coil in pickup.coils.values()
    ]
    return float(joined_resistance(pickup.connection, values))
