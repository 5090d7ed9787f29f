"""`Coil` and `Pickup`: the electrical values that every route (known, built, measured) ends in.

A coil is an EMF in series with its resistance and its inductance, its own capacitance and an optional loss
resistance across both. Eddy currents in core and cover take the form L·(1 − Σ K·jω/(jω+ω_e)); each term is
exactly one inductor in parallel with one resistor (L_k = K·L, R_k = K·L·ω_e) in series with L·(1 − ΣK), so the
same network goes to the solver, to SPICE and to symbols, and cannot be active while K ≥ 0 and ΣK < 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal, get_args

from labkit.core.errors import InputError
from labkit.core.keys import listed, number, quantity, text
from labkit.core.units import UsualRange, format_quantity
from labkit.pickup.predict.propagation import Prediction, shifted

RESISTANCE = UsualRange(low=100.0, high=30e3)
INDUCTANCE = UsualRange(low=0.1, high=20.0)
CAPACITANCE = UsualRange(low=10e-12, high=2e-9)
LOSS = UsualRange(low=20e3, high=20e6)
CORNER = UsualRange(low=200.0, high=100e3)

SILENT_OUTPUT_DB = -300.0
"""Output of a pickup whose magnets are uncharged: it stays a number."""

Facing = Literal["north", "south"]
Wound = Literal["clockwise", "counter-clockwise"]
Connection = Literal["series", "parallel"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EddySection:
    """One eddy-current term: ``fraction`` K of the inductance (0 … 1) that vanishes above ``corner_hz``."""

    fraction: float = number(low=0.0, high=0.999, meaning="share of the inductance that vanishes above the corner")
    corner_hz: float = quantity("Hz", name="corner", usual=CORNER, low=1e-3, meaning="corner frequency")

    def __post_init__(self) -> None:
        if not 0 <= self.fraction < 1:
            raise InputError(
                f"eddy fraction must lie in 0 … 1 (a negative one would create energy); got {self.fraction}"
            )
        if not 0 < self.corner_hz < math.inf:
            raise InputError(f"eddy corner must be above 0 Hz; got {self.corner_hz} Hz")


@dataclass(frozen=True, slots=True, kw_only=True)
class Coil:
    """One coil as the circuit sees it.

    Parameters
    ----------
    resistance : float, Ω
        DC resistance at the temperature of use.
    inductance : float, H
        Low-frequency inductance, core included.
    capacitance : float, F
        Capacitance across the coil, its leads included.
    loss_resistance : float, Ω
        Parallel loss; infinity when there is none.
    eddy : tuple of EddySection
        Core and cover losses.
    turns : float or None
        Weight of this coil's EMF inside its pickup; equal shares where unknown.
    area : float or None, m²
        Mean turn area, for hum pickup; None where unknown.
    facing : "north", "south" or None
        Pole seen from the strings.
    wound : "clockwise", "counter-clockwise" or None
        Sense from start to finish, seen from the strings.
    """

    resistance: float = quantity("Ω", usual=RESISTANCE, low=1e-3, meaning="DC resistance")
    inductance: float = quantity("H", usual=INDUCTANCE, low=1e-6, meaning="inductance at low frequency, core included")
    capacitance: float = quantity(
        "F", default=0.0, usual=CAPACITANCE, low=0.0, meaning="capacitance across the coil, its leads included"
    )
    loss_resistance: float = quantity(
        "Ω", default=math.inf, usual=LOSS, low=1.0, meaning="parallel loss; none where absent"
    )
    eddy: tuple[EddySection, ...] = listed(EddySection)
    turns: float | None = number(
        default=None, low=1, high=100_000, is_varied=False, meaning="weight of its EMF; equal shares where absent"
    )
    area: float | None = quantity("m²", default=None, low=0.0, is_varied=False, meaning="mean area of a turn, for hum")
    facing: Facing | None = text(options=get_args(Facing), default=None, meaning="pole seen from the strings")
    wound: Wound | None = text(
        options=get_args(Wound),
        default=None,
        meaning="sense from start to finish, seen from the strings",
    )

    def __post_init__(self) -> None:
        for name, unit in (("resistance", "Ω"), ("inductance", "H"), ("loss_resistance", "Ω")):
            value = getattr(self, name)
            if not value > 0 or (name != "loss_resistance" and not math.isfinite(value)):
                raise InputError(f"a coil's {name.replace('_', ' ')} must be above 0 {unit}; got {value} {unit}")
        if not 0 <= self.capacitance < math.inf:
            raise InputError(f"a coil's capacitance must be 0 F or more; got {self.capacitance} F")
        lost = sum(section.fraction for section in self.eddy)
        if lost >= 1:
            raise InputError(f"the eddy fractions of a coil must sum to less than 1; got {lost:g}")

    @property
    def sense(self) -> int:
        """+1 or −1: sign of the EMF from finish to start for a given string motion (wind × pole)."""
        wind = -1 if self.wound == "counter-clockwise" else 1
        pole = -1 if self.facing == "south" else 1
        return wind * pole


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Pickup:
    """Coils, how the pickup's own two leads present them, and what couples them.

    Parameters
    ----------
    name : str
    coils : mapping of str to Coil
        One or two coils, in order from the first (start of the series chain at hot).
    connection : "series" or "parallel"
        How the two leads present two coils; a harness may rewire them.
    coupling : float
        Inductive coupling between the two coils, positive when it adds to the series inductance.
    lead_capacitance : float, F
        Between the leads.
    output : Prediction or None, dB
        At its own leads, over the reference coil of `labkit.pickup.predict.output` with the same strings; predicted
        from a build or stated by the sheet, None where it is not known. Causes that two pickups share cancel in the
        difference of their outputs.
    warnings : tuple of str
        Sentences on validity that travel with the values.
    made_from : object or None
        The build that the values were predicted from, for whoever varies the build; None for known values.
    """

    name: str = text(meaning="the pickup's name")
    coils: Mapping[str, Coil]
    connection: Connection = text(options=get_args(Connection), default="series", meaning="how its leads join coils")
    coupling: float = number(
        default=0.0, low=-0.999, high=0.999, meaning="of two coils; positive when it adds to the series inductance"
    )
    lead_capacitance: float = 0.0
    output: Prediction | None = field(default=None, compare=False)
    warnings: tuple[str, ...] = field(default=(), compare=False)
    made_from: object | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        if not 1 <= len(self.coils) <= 2:
            raise InputError(f"pickup '{self.name}' must have one or two coils; got {len(self.coils)}")
        if not -1 < self.coupling < 1:
            raise InputError(f"pickup '{self.name}': coupling must lie between −1 and 1; got {self.coupling}")
        if not 0 <= self.lead_capacitance < math.inf:
            raise InputError(
                f"pickup '{self.name}': lead capacitance must be 0 F or more; got {self.lead_capacitance} F"
            )
        object.__setattr__(self, "coils", MappingProxyType(dict(self.coils)))

    def __repr__(self) -> str:
        coils = "; ".join(
            f"{name} "
            + ", ".join(
                format_quantity(float(f"{value:.3g}"), unit)
                for value, unit in ((coil.resistance, "Ω"), (coil.inductance, "H"), (coil.capacitance, "F"))
            )
            for name, coil in self.coils.items()
        )
        return f"<Pickup {self.name!r}: {coils}{f', in {self.connection}' if len(self.coils) > 1 else ''}>"

    def _repr_html_(self) -> str:
        from labkit import notebook_html  # drawings belong to a layer above, which the public face loads when asked

        return notebook_html(self)

    @property
    def emf(self) -> Prediction | None:
        """The EMFs of all coils together over the reference coil, dB: two coils in parallel give half of it."""
        if self.output is None or len(self.coils) < 2 or self.connection == "series":
            return self.output
        return shifted(self.output, 20 * math.log10(2))
