"""Enamelled copper wire: diameters with their limits, and what "the resistance of 42 gauge" means.

Two conventions exist for a gauge number: resistance from the exact gauge law, and from the rounded nominal
diameter of the magnet-wire standard. They differ by −2.2 … +2.9 % between 40 and 44 AWG. This package
computes from the rounded nominal bare diameter with standard copper; `gauge_law_diameter` gives the other.
Metric wire has a third: its standard's nominal resistance assumes 58.5 MS/m, 0.85 % below standard copper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from labkit.catalogue import catalogue
from labkit.core.errors import InputError, did_you_mean
from labkit.core.keys import quantity, read_keys, text
from labkit.core.sheet import Table
from labkit.core.sourced import SourcedValue
from labkit.core.units import UsualRange
from labkit.core.validity import range_called
from labkit.pickup.materials.materials import provenance, sourced
from labkit.pickup.predict.propagation import Doubtful

COPPER_RESISTIVITY = 1.7241e-8
"""Ω·m at 20 °C, standard annealed copper, 58 MS/m (IEC 60028)."""

COPPER_TEMPERATURE_COEFFICIENT = 0.00393
"""1/K at 20 °C (IEC 60028); a winding-wire test standard uses 0.00396, a database 0.00404."""

COPPER_DENSITY = 8890.0
"""kg/m³ at 20 °C (IEC 60028)."""

METRIC_CONDUCTIVITY = 58.5e6
"""S/m assumed by the nominal resistances of IEC 60317-0-1."""

WIRE_DIAMETER = range_called("wire_diameter")
USUAL_DIAMETER = UsualRange(low=20e-6, high=0.5e-3)
COPPER_TEMPERATURE = range_called("copper_temperature")

ResistanceConvention = Literal["rounded nominal diameter", "exact gauge law", "metric standard"]


def copper_resistivity(*, temperature_c: ArrayLike = 20.0, at_20: ArrayLike | None = None) -> np.ndarray:
    """Resistivity of annealed copper: ρ(T) = 1.7241·10⁻⁸·(1 + 0.00393·(T − 20 °C)) Ω·m.

    Parameters
    ----------
    temperature_c : array_like, shape (...), °C
        Compared with tables between −20 and 120 °C.
    at_20 : array_like, optional, Ω·m
        Another resistivity at 20 °C.

    Returns
    -------
    ndarray, shape (...), Ω·m

    Source: IEC 60028 (1925).

    >>> float(copper_resistivity(temperature_c=20.0))
    1.7241e-08
    """
    start = COPPER_RESISTIVITY if at_20 is None else np.asarray(at_20, dtype=float)
    resistivity: np.ndarray = start * (
        1 + COPPER_TEMPERATURE_COEFFICIENT * (np.asarray(temperature_c, dtype=float) - 20.0)
    )
    return resistivity


def resistance_at_20(*, resistance: ArrayLike, temperature_c: ArrayLike) -> np.ndarray:
    """Bring a measured DC resistance to 20 °C: R20 = R/(1 + 0.00393·(T − 20 °C)).

    Parameters
    ----------
    resistance : array_like, shape (...), Ω
    temperature_c : array_like, shape (...), °C
        Of the coil when it was measured.

    Returns
    -------
    ndarray, shape (...), Ω
    """
    ratio = copper_resistivity(temperature_c=temperature_c) / COPPER_RESISTIVITY
    at_20: np.ndarray = np.asarray(resistance, dtype=float) / ratio
    return at_20


def gauge_law_diameter(gauge: ArrayLike) -> np.ndarray:
    """Bare diameter by the exact law of the American wire gauge: d = 0.005 in · 92^((36 − n)/39), m.

    Source: ASTM B258.

    >>> float((gauge_law_diameter(42) * 1e3).round(5))
    0.06334
    """
    diameter: np.ndarray = 0.005 * 0.0254 * 92.0 ** ((36.0 - np.asarray(gauge, dtype=float)) / 39.0)
    return diameter


def resistance_per_length(*, bare_diameter: ArrayLike, resistivity: ArrayLike = COPPER_RESISTIVITY) -> np.ndarray:
    """Resistance of a metre of wire: 4ρ/(π·d²).

    Parameters
    ----------
    bare_diameter : array_like, shape (...), m
    resistivity : array_like, shape (...), Ω·m

    Returns
    -------
    ndarray, shape (...), Ω/m
    """
    per_length: np.ndarray = np.asarray(resistivity) * 4 / (math.pi * np.asarray(bare_diameter, dtype=float) ** 2)
    return per_length


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire:
    """A round enamelled copper wire.

    Parameters
    ----------
    name : str
        Such as ``"AWG 42 single build"`` or ``"0.063 mm grade 1"``.
    bare_min, bare_nominal, bare_max : float, m
        Diameter of the copper and its limits of acceptance.
    overall_min, overall_nominal, overall_max : float, m
        Diameter over the film and its limits.
    gauge : int or None
        American wire gauge; None for metric wire.
    film : str
        Name of the enamel in the catalogue; empty when not known.
    bare, overall : SourcedValue or None
        The same nominal diameters with spread, source and doubt.
    standard_resistance : SourcedValue or None, Ω/m
        As tabulated in the wire's own standard.

    Raises
    ------
    InputError
        If no such wire can exist: limits out of order, or a film of no thickness.
    """

    name: str
    bare_nominal: float
    overall_nominal: float
    bare_min: float | None = None
    bare_max: float | None = None
    overall_min: float | None = None
    overall_max: float | None = None
    gauge: int | None = None
    film: str = ""
    bare: SourcedValue | None = field(default=None, compare=False)
    overall: SourcedValue | None = field(default=None, compare=False)
    standard_resistance: SourcedValue | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        WIRE_DIAMETER.check(self.bare_nominal, whose=f"wire '{self.name}': ")
        for part in ("bare", "overall"):
            nominal = getattr(self, f"{part}_nominal")
            low, high = getattr(self, f"{part}_min"), getattr(self, f"{part}_max")
            low, high = nominal if low is None else low, nominal if high is None else high
            if not 0 < low <= nominal <= high < math.inf:
                raise InputError(
                    f"wire '{self.name}': {part} diameters must satisfy 0 < min ≤ nominal ≤ max; "
                    f"got {low * 1e6:g}, {nominal * 1e6:g}, {high * 1e6:g} µm"
                )
            object.__setattr__(self, f"{part}_min", low)
            object.__setattr__(self, f"{part}_max", high)
        if not self.overall_nominal > self.bare_nominal:
            raise InputError(
                f"wire '{self.name}': the overall diameter must exceed the bare one by two films; "
                f"got {self.overall_nominal * 1e6:g} µm over {self.bare_nominal * 1e6:g} µm"
            )

    @property
    def bare_limits(self) -> Doubtful:
        """Bare diameter, m, with its limits of acceptance as three standard deviations."""
        low, high = self.bare_min or self.bare_nominal, self.bare_max or self.bare_nominal
        return Doubtful.between(low, self.bare_nominal, high)

    @property
    def overall_limits(self) -> Doubtful:
        """Overall diameter, m, with its limits of acceptance as three standard deviations."""
        low, high = self.overall_min or self.overall_nominal, self.overall_max or self.overall_nominal
        return Doubtful.between(low, self.overall_nominal, high)

    def resistance_per_length(self, convention: ResistanceConvention = "rounded nominal diameter") -> float:
        """Nominal resistance at 20 °C, Ω/m, under a stated convention.

        Parameters
        ----------
        convention : "rounded nominal diameter", "exact gauge law" or "metric standard"
            The first two use 58 MS/m (IEC 60028), the last 58.5 MS/m on the nominal diameter (IEC 60317-0-1).

        Raises
        ------
        InputError
            If the convention is unknown or the wire has no gauge number.
        """
        if convention == "rounded nominal diameter":
            return float(resistance_per_length(bare_diameter=self.bare_nominal))
        if convention == "metric standard":
            return float(resistance_per_length(bare_diameter=self.bare_nominal, resistivity=1 / METRIC_CONDUCTIVITY))
        if convention not in get_args(ResistanceConvention):
            known = get_args(ResistanceConvention)
            raise InputError(
                f"`convention` must be one of {', '.join(known)}; got {convention!r}.{did_you_mean(convention, known)}"
            )
        if self.gauge is None:
            raise InputError(f"wire '{self.name}' has no gauge number, so the gauge law does not give its resistance")
        return float(resistance_per_length(bare_diameter=gauge_law_diameter(self.gauge)))


def wire_from_sheet(table: Table) -> Wire:
    """Read a ``wire`` entry of the catalogue.

    Raises
    ------
    SheetError
        If a key is missing, misspelt or impossible; the message names the file and the key.
    """
    limits = {
        f"{part}_{end}": table.quantity(f"{part}_{end}", "m", low=1e-6, high=2e-3)
        for part in ("bare", "overall")
        for end in ("min", "nominal", "max")
    }
    gauge = table.number("gauge", None, low=0, high=60, whole=True)
    provenance(table, "standard_resistance")  # stated once for a whole file, though not every wire has the value
    standard = sourced(table, "standard_resistance", "Ω/m", low=0.0) if "standard_resistance" in table else None
    values = {}
    for part in ("bare", "overall"):
        kind, source, doubt = provenance(table, part)
        values[part] = SourcedValue(
            value=limits[f"{part}_nominal"],
            unit="m",
            spread=(limits[f"{part}_max"] - limits[f"{part}_min"]) / 2,
            kind=kind,
            source=source,
            doubt=doubt,
        )
    wire = table.attempt(
        "",
        lambda: Wire(
            name=table.text("name"),
            gauge=None if gauge is None else int(gauge),
            film=table.text("film", ""),
            bare=values["bare"],
            overall=values["overall"],
            standard_resistance=standard,
            **limits,
        ),
    )
    table.done()
    return wire


def wire(name: str) -> Wire:
    """Return a wire of the catalogue by name, such as ``"AWG 42 single build"`` or ``"0.063 mm grade 1"``.

    Raises
    ------
    InputError
        If there is none of that name; says the nearest.
    """
    return wire_from_sheet(catalogue().item("wire", name).table())


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredWire:
    """A wire by the diameters somebody measured, each with the half-width of its 95 % interval."""

    bare: float = quantity("m", usual=USUAL_DIAMETER, meaning="diameter of the copper")
    overall: float = quantity("m", usual=USUAL_DIAMETER, meaning="diameter over the film")
    bare_spread: float = quantity("m", default=1e-6, low=0.0, meaning="95 % half-width; a micrometer's 1 µm")
    overall_spread: float = quantity("m", default=1e-6, low=0.0, meaning="95 % half-width; a micrometer's 1 µm")
    name: str = text(default="measured wire", meaning="a name for it")

    def wire(self) -> Wire:
        """Return it as a `Wire`: limits are three standard deviations, a 95 % half-width two."""
        bare, overall = 1.5 * self.bare_spread, 1.5 * self.overall_spread
        if bare >= self.bare or overall >= self.overall:
            raise InputError("the spread of a wire's diameter must be smaller than the diameter itself")
        return Wire(
            name=self.name,
            bare_min=self.bare - bare,
            bare_nominal=self.bare,
            bare_max=self.bare + bare,
            overall_min=self.overall - overall,
            overall_nominal=self.overall,
            overall_max=self.overall + overall,
        )


def read_wire(table: Table, key: str = "wire") -> Wire:
    """Read a wire: a name of the catalogue, or ``{ bare = "62.8 µm", overall = "70 µm" }`` as measured."""
    given = table.raw(key, expected='a wire such as "AWG 42 single build"')
    if isinstance(given, str):
        return table.attempt(key, lambda: wire(given))
    own = table.table(key)
    measured = MeasuredWire(**read_keys(MeasuredWire, own))
    own.done()
    return table.attempt(key, measured.wire)
