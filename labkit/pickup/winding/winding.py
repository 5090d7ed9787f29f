"""Winding: what turns, wire and bobbin make of one another.

Formulas of an obround winding on arrays: straights of length a, inner end radius r0, height h between the flanges; N
turns of wire of bare diameter d_b and overall diameter d_o, packed so that a turn takes d_o²/F of the section (F = 1:
square packing). `Winding` is a thin shell over them, read from the keys of a coil on a build sheet. Doubts of these
numbers are added in `labkit.pickup.winding.air_coil`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError
from labkit.core.keys import custom, declared_keys, made, number, quantity, text
from labkit.core.sheet import Table
from labkit.core.units import UsualRange
from labkit.core.validity import range_called, warnings_of
from labkit.pickup.materials.wire import COPPER_DENSITY, WIRE_DIAMETER, Wire, copper_resistivity, read_wire
from labkit.pickup.winding.bobbin import bobbin_measures
from labkit.pickup.winding.capacitance import Tension
from labkit.pickup.winding.spectral import CoilShape

USUAL_PACKING = 0.85
"""Packing of a machine-wound coil; 0.75 is heavy scatter, 0.95 tight layers (common practice, no source)."""

PACKING = range_called("packing")
PACKING_LIMITS = PACKING.limits
"""A packing factor below is no coil, and above 2/√3 is denser than circles can lie."""

TURNS = range_called("turns")
BUILD_UP = range_called("build_up")
STRETCH = range_called("wire_stretch")
STRAIGHT_LENGTH = range_called("straight_length")
END_RADIUS = range_called("end_radius")
WINDING_HEIGHT = range_called("winding_height")

_LENGTH = UsualRange(low=2e-3, high=100e-3)
_RADIUS = UsualRange(low=0.5e-3, high=20e-3)


def build_up(
    *, turns: ArrayLike, overall_diameter: ArrayLike, winding_height: ArrayLike, packing: ArrayLike = USUAL_PACKING
) -> np.ndarray:
    """Radial depth of the winding: w = N·d_o²/(F·h), and never less than one wire, d_o.

    Parameters
    ----------
    turns : array_like, shape (...), 1
    overall_diameter, winding_height : array_like, shape (...), m
    packing : array_like, shape (...), 1

    Returns
    -------
    ndarray, shape (...), m

    >>> float(build_up(turns=8000, overall_diameter=71.1e-6, winding_height=11e-3).round(5))
    0.00433
    """
    wire = np.asarray(overall_diameter, dtype=float)
    depth: np.ndarray = np.maximum(np.asarray(turns, dtype=float) * _growth(wire, winding_height, packing), wire)
    return depth


def _growth(overall_diameter: ArrayLike, winding_height: ArrayLike, packing: ArrayLike) -> np.ndarray:
    """Depth that a turn adds to a winding of many layers, d_o²/(F·h), m."""
    growth: np.ndarray = np.asarray(overall_diameter, dtype=float) ** 2 / (
        np.asarray(packing, dtype=float) * np.asarray(winding_height, dtype=float)
    )
    return growth


def mean_turn(*, straight_length: ArrayLike, end_radius: ArrayLike, build_up: ArrayLike) -> np.ndarray:
    """Mean length of a turn: MTL = 2a + 2π(r0 + w/2).

    Parameters
    ----------
    straight_length, end_radius, build_up : array_like, shape (...), m

    Returns
    -------
    ndarray, shape (...), m

    >>> float(mean_turn(straight_length=52e-3, end_radius=2.5e-3, build_up=4.33e-3).round(4))
    0.1333
    """
    radius = np.asarray(end_radius, dtype=float) + np.asarray(build_up, dtype=float) / 2
    length: np.ndarray = 2 * np.asarray(straight_length, dtype=float) + 2 * math.pi * radius
    return length


def turn_area(*, straight_length: ArrayLike, end_radius: ArrayLike, build_up: ArrayLike) -> np.ndarray:
    """Mean area of a turn over the build-up: a·q + π(r0² + r0·w + w²/3), q = 2·r0 + w.

    Parameters
    ----------
    straight_length, end_radius, build_up : array_like, shape (...), m

    Returns
    -------
    ndarray, shape (...), m²
    """
    a, r0, w = (np.asarray(value, dtype=float) for value in (straight_length, end_radius, build_up))
    area: np.ndarray = a * (2 * r0 + w) + math.pi * (r0**2 + r0 * w + w**2 / 3)
    return area


def coil_resistance(
    *,
    wire_length: ArrayLike,
    bare_diameter: ArrayLike,
    temperature_c: ArrayLike = 20.0,
    stretch: ArrayLike = 0.0,
    resistivity_20: ArrayLike | None = None,
) -> np.ndarray:
    """DC resistance of a wound length of copper: R = ρ(T)·ℓ·(1 + s)/(π·d_b²/4).

    Parameters
    ----------
    wire_length : array_like, shape (...), m
        In the finished coil, N·MTL.
    bare_diameter : array_like, shape (...), m
        As supplied, before winding.
    temperature_c : array_like, shape (...), °C
    stretch : array_like, shape (...), 1
        Elongation by the winding tension, 0 … 1.5 %. The length is that of the finished coil, so only the thinned
        section counts; against the length taken off the spool the factor would be (1 + s)².
    resistivity_20 : array_like, optional, Ω·m
        At 20 °C; IEC 60028 when left out.

    Returns
    -------
    ndarray, shape (...), Ω

    >>> length = 8000 * mean_turn(straight_length=52e-3, end_radius=2.5e-3, build_up=4.325e-3)
    >>> coil_resistance(wire_length=length, bare_diameter=63.5e-6, temperature_c=[0, 20, 40]).round(0).tolist()
    [5349.0, 5805.0, 6262.0]
    """
    section = math.pi * np.asarray(bare_diameter, dtype=float) ** 2 / 4
    resistivity = copper_resistivity(temperature_c=temperature_c, at_20=resistivity_20)
    resistance: np.ndarray = resistivity * np.asarray(wire_length, dtype=float) * (1 + np.asarray(stretch)) / section
    return resistance


def turns_for_build_up(
    *, build_up: ArrayLike, overall_diameter: ArrayLike, winding_height: ArrayLike, packing: ArrayLike = USUAL_PACKING
) -> np.ndarray:
    """Turns that fill a build-up: N = w·F·h/d_o², not rounded.

    Parameters
    ----------
    build_up, overall_diameter, winding_height : array_like, shape (...), m
    packing : array_like, shape (...), 1

    Returns
    -------
    ndarray, shape (...), 1
    """
    turns: np.ndarray = (
        np.asarray(build_up, dtype=float)
        * np.asarray(packing, dtype=float)
        * np.asarray(winding_height, dtype=float)
        / np.asarray(overall_diameter, dtype=float) ** 2
    )
    return turns


def turns_for_wire_length(
    *,
    wire_length: ArrayLike,
    straight_length: ArrayLike,
    end_radius: ArrayLike,
    winding_height: ArrayLike,
    overall_diameter: ArrayLike,
    packing: ArrayLike = USUAL_PACKING,
) -> np.ndarray:
    """Turns that a length of wire makes: the positive root of N·(2a + 2π·r0 + π·N·d_o²/(F·h)) = ℓ.

    Parameters
    ----------
    wire_length, straight_length, end_radius, winding_height, overall_diameter : array_like, shape (...), m
    packing : array_like, shape (...), 1

    Returns
    -------
    ndarray, shape (...), 1
        Not rounded; of a part layer, as `build_up` has it, the wire itself is the build-up. The same root gives the
        turns for a target resistance and the turns already on a broken coil.
    """
    length = np.asarray(wire_length, dtype=float)
    first = mean_turn(straight_length=straight_length, end_radius=end_radius, build_up=0.0)
    growth = math.pi * _growth(overall_diameter, winding_height, packing)
    # 2ℓ/(b + √(b² + 4gℓ)): the form that loses no digits when the build-up hardly matters
    turns = 2 * length / (first + np.sqrt(first**2 + 4 * growth * length))
    wire = np.asarray(overall_diameter, dtype=float)
    few: np.ndarray = length / (first + math.pi * wire)  # a part layer is one wire thick
    return np.where(turns * growth < math.pi * wire, few, turns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Winding:
    """N turns of a wire on an obround bobbin.

    Parameters
    ----------
    turns : float
    wire : Wire
    straight_length : float, m
        Straight part of the core; (n − 1) pitches for a row of n rods, 0 for a round core.
    end_radius : float, m
        Of the core at its ends, that is at the innermost turn.
    winding_height : float, m
        Between the flanges.
    packing : float
        N·d_o²/(w·h): 0.75 heavy scatter, 0.85 usual, 0.95 tight.
    stretch : float
        Elongation of the wire in winding, 0 … 1.5 %.
    flange_radius : float or None, m
        Outer end radius of the flanges; the winding must stay inside it. None where the flange is not known.
    tension : "tight", "usual", "loose" or None
        None where it is not known.
    turns_per_pass : float or None
        Of the wire guide; None takes tight layers.

    Raises
    ------
    InputError
        If a measure is impossible or the turns do not fit the flange (says by how much, and how many do).
    """

    turns: float = number(low=TURNS.low, high=TURNS.high, is_whole=True, meaning="turns")
    wire: Wire = custom(
        take=read_wire,
        form='text, or a table such as `{ bare = "62.8 µm", overall = "70 µm" }`',
        meaning="a wire of the catalogue, or its diameters as measured",
    )
    straight_length: float = quantity(
        "m", usual=_LENGTH, low=0.0, meaning="straight part of the core: (n − 1) pitches for n rods, 0 for a round core"
    )
    end_radius: float = quantity("m", usual=_RADIUS, meaning="radius of the core's ends, at the innermost turn")
    winding_height: float = quantity("m", usual=_LENGTH, meaning="between the flanges")
    packing: float = number(
        default=USUAL_PACKING, meaning="N·d²/(w·h) of the wire over its film: 0.75 heavy scatter, 0.95 tight"
    )
    stretch: float = quantity("1", default=0.0, meaning="elongation of the wire in winding, 0 to 1.5 %")
    flange_radius: float | None = quantity(
        "m", default=None, usual=_RADIUS, meaning="outer end radius of the flanges, which the turns must stay inside"
    )
    tension: Tension | None = text(
        options=get_args(Tension), default=None, meaning="how tightly it was wound, for its capacitance"
    )
    turns_per_pass: float | None = number(
        default=None, low=0.5, is_varied=False, meaning="turns of one pass of the wire guide from flange to flange"
    )

    def __post_init__(self) -> None:
        TURNS.check(self.turns)
        STRAIGHT_LENGTH.check(self.straight_length)
        END_RADIUS.check(self.end_radius)
        WINDING_HEIGHT.check(self.winding_height)
        PACKING.check(self.packing)
        STRETCH.check(self.stretch)
        if self.winding_height < self.wire.overall_nominal:
            raise InputError(
                f"winding height must hold one turn of {self.wire.name} ({self.wire.overall_nominal * 1e6:.0f} µm); "
                f"got {self.winding_height * 1e6:.0f} µm"
            )
        if self.flange_radius is not None:
            self._check_flange(self.flange_radius)
        BUILD_UP.check(
            self.build_up,
            whose=f"{self.turns:.0f} turns of {self.wire.name} on {1e3 * self.winding_height:g} mm of height fit no "
            "bobbin: ",
        )

    def _check_flange(self, flange_radius: float) -> None:
        room = flange_radius - self.end_radius
        if room <= 0:
            raise InputError(
                f"the flange radius must exceed the core's end radius {self.end_radius * 1e3:g} mm; "
                f"got {flange_radius * 1e3:g} mm"
            )
        if self.build_up > room * (1 + 1e-9):
            over, needed = (self.build_up - room) * 1e3, self.build_up * 1e3
            raise InputError(
                f"{self.turns:.0f} turns of {self.wire.name} overflow the bobbin by {over:.2f} mm: they need "
                f"{needed:.2f} mm of build-up and the flange leaves {room * 1e3:.2f} mm; "
                f"{self.turns_that_fit(flange_radius)} turns fit at packing {self.packing:g}"
            )

    @property
    def warnings(self) -> tuple[str, ...]:
        """A sentence for each measure outside the range of its model."""
        return warnings_of(
            (WIRE_DIAMETER, self.wire.bare_nominal),
            (BUILD_UP, self.build_up),
            (PACKING, self.packing),
            (STRETCH, self.stretch),
            (STRAIGHT_LENGTH, self.straight_length),
            (END_RADIUS, self.end_radius),
            (WINDING_HEIGHT, self.winding_height),
        )

    @property
    def build_up(self) -> float:
        """Radial depth of the winding, m."""
        return float(
            build_up(
                turns=self.turns,
                overall_diameter=self.wire.overall_nominal,
                winding_height=self.winding_height,
                packing=self.packing,
            )
        )

    @property
    def shape(self) -> CoilShape:
        """The section the turns fill."""
        return CoilShape(
            straight_length=self.straight_length,
            end_radius=self.end_radius,
            winding_height=self.winding_height,
            build_up=self.build_up,
        )

    @property
    def mean_turn(self) -> float:
        """Mean length of a turn, m."""
        return float(
            mean_turn(straight_length=self.straight_length, end_radius=self.end_radius, build_up=self.build_up)
        )

    @property
    def turn_area(self) -> float:
        """Mean area of a turn, m²."""
        return float(
            turn_area(straight_length=self.straight_length, end_radius=self.end_radius, build_up=self.build_up)
        )

    @property
    def wire_length(self) -> float:
        """Length of wire in the coil, m."""
        return self.turns * self.mean_turn

    @property
    def spool_length(self) -> float:
        """Length taken off the spool, m: the wire gets longer by the stretch."""
        return self.wire_length / (1 + self.stretch)

    @property
    def copper_mass(self) -> float:
        """Mass of the copper, kg; the film adds to what a balance shows."""
        return self.spool_length * math.pi * self.wire.bare_nominal**2 / 4 * COPPER_DENSITY

    @property
    def turns_per_layer(self) -> float:
        """h/d_o: turns side by side in one tight layer, 1."""
        return self.winding_height / self.wire.overall_nominal

    @property
    def layers(self) -> float:
        """Turns over turns per layer, 1: the number of layers if each were tight."""
        return self.turns / self.turns_per_layer

    @property
    def outer_radius(self) -> float:
        """End radius over the winding, m."""
        return self.end_radius + self.build_up

    @property
    def finished_size(self) -> tuple[float, float]:
        """Length and width over the winding, m."""
        return self.straight_length + 2 * self.outer_radius, 2 * self.outer_radius

    def resistance(self, temperature_c: float = 20.0) -> float:
        """DC resistance, Ω, at a temperature of the coil in °C."""
        return float(
            coil_resistance(
                wire_length=self.wire_length,
                bare_diameter=self.wire.bare_nominal,
                temperature_c=temperature_c,
                stretch=self.stretch,
            )
        )

    def turns_that_fit(self, flange_radius: float) -> int:
        """Whole turns inside a flange of this outer end radius (m); its fill is the full bobbin."""
        full = turns_for_build_up(
            build_up=max(flange_radius - self.end_radius, 0.0),
            overall_diameter=self.wire.overall_nominal,
            winding_height=self.winding_height,
            packing=self.packing,
        )
        return math.floor(float(full) * (1 + 1e-12))

    def turns_in(self, resistance: float, temperature_c: float = 20.0) -> float:
        """Turns of this wire on this bobbin whose DC resistance (Ω) is ``resistance`` at a temperature in °C.

        Raises
        ------
        InputError
            If the resistance is not above zero.
        """
        if not 0 < resistance < math.inf:
            raise InputError(f"a coil's resistance must be above 0 Ω; got {resistance:g} Ω")
        per_metre = coil_resistance(
            wire_length=1.0,
            bare_diameter=self.wire.bare_nominal,
            temperature_c=temperature_c,
            stretch=self.stretch,
        )
        return self._turns_of(resistance / float(per_metre))

    def for_resistance(self, resistance: float, temperature_c: float = 20.0) -> Winding:
        """The same winding with the whole turns that come nearest to a target resistance (Ω)."""
        return replace(self, turns=float(max(1, round(self.turns_in(resistance, temperature_c)))))

    def full_bobbin(self, flange_radius: float | None = None) -> Winding:
        """The same winding with as many whole turns as the flange holds.

        Raises
        ------
        InputError
            If no flange radius is known or not one turn fits.
        """
        radius = self.flange_radius if flange_radius is None else flange_radius
        if radius is None:
            raise InputError("a full bobbin needs the flange radius; give it in millimetres, such as 7.2 mm")
        turns = self.turns_that_fit(radius)
        if turns < 1:
            raise InputError(
                f"not one turn fits: flange radius {radius * 1e3:g} mm, core end radius {self.end_radius * 1e3:g} mm"
            )
        return replace(self, turns=float(turns), flange_radius=radius)

    def turns_left(
        self, measured_resistance: float, *, temperature_c: float = 20.0, full_resistance: float | None = None
    ) -> float:
        """Turns still to be wound when the wire broke, from the DC resistance of the part already on the bobbin.

        Parameters
        ----------
        measured_resistance : float, Ω
            Of the wound part.
        temperature_c : float, °C
            Of the coil while it was measured.
        full_resistance : float, optional, Ω
            Of an earlier coil of the same turns from the same spool, at the same temperature. With it the true
            diameter of the wire drops out, which otherwise is most of the doubt.

        Returns
        -------
        float
            Not rounded.

        Raises
        ------
        InputError
            If the wound part reads more than the whole coil should.
        """
        if not 0 < measured_resistance < math.inf:
            raise InputError(f"a coil's resistance must be above 0 Ω; got {measured_resistance:g} Ω")
        if full_resistance is None:
            wound, whole = self.turns_in(measured_resistance, temperature_c), self.resistance(temperature_c)
        else:
            if not 0 < full_resistance < math.inf:
                raise InputError(f"a coil's resistance must be above 0 Ω; got {full_resistance:g} Ω")
            wound, whole = self._turns_of(self.wire_length * measured_resistance / full_resistance), full_resistance
        if wound > self.turns * (1 + 1e-9):
            raise InputError(
                f"the wound part reads {measured_resistance:.0f} Ω, more than the {whole:.0f} Ω of all "
                f"{self.turns:.0f} turns; check the wire, the temperature and the turns"
            )
        return self.turns - wound

    def _turns_of(self, wire_length: float) -> float:
        return float(
            turns_for_wire_length(
                wire_length=wire_length,
                straight_length=self.straight_length,
                end_radius=self.end_radius,
                winding_height=self.winding_height,
                overall_diameter=self.wire.overall_nominal,
                packing=self.packing,
            )
        )


def over_winding(first: Winding, *, turns: float, wire: Wire, packing: float | None = None) -> Winding:
    """Return further turns wound over a winding, as a coil of its own that begins at the outermost of the first.

    Parameters
    ----------
    first : Winding
    turns : float
    wire : Wire
    packing : float or None
        As of the first where None.

    Raises
    ------
    InputError
        If they do not fit the flange.
    """
    return replace(
        first,
        turns=turns,
        wire=wire,
        end_radius=first.outer_radius,
        packing=first.packing if packing is None else packing,
    )


def joined_winding(first: Winding, second: Winding) -> Winding:
    """Return two windings, one over the other and in series, as one of a wire in between.

    The wire that gives both together their build-up and their resistance; its limits in the same proportion.

    Validity: turns count as spread evenly over the section. Where the outer wire is thinner they lie further out than
    that: AWG 43 over as many turns of 42 has 2 % more inductance.
    """
    turns = first.turns + second.turns
    depth = first.build_up + second.build_up
    packing = first.packing
    whole = math.sqrt(depth * packing * first.winding_height / turns)
    turn = float(mean_turn(straight_length=first.straight_length, end_radius=first.end_radius, build_up=depth))
    sections = sum(part.wire_length / part.wire.bare_nominal**2 for part in (first, second))
    bare = math.sqrt(turns * turn / sections)

    def limit(which: str, part: str, nominal: float) -> float:
        ratios = [
            getattr(each.wire, f"{part}_{which}") / getattr(each.wire, f"{part}_nominal") for each in (first, second)
        ]
        return nominal * float(ratios[0] * first.turns + ratios[1] * second.turns) / turns

    if first.wire == second.wire:
        return replace(first, turns=turns)
    wire = Wire(
        name=f"{first.wire.name}, then {second.wire.name}",
        bare_min=limit("min", "bare", bare),
        bare_nominal=bare,
        bare_max=limit("max", "bare", bare),
        overall_min=limit("min", "overall", whole),
        overall_nominal=whole,
        overall_max=limit("max", "overall", whole),
    )
    return replace(first, turns=turns, wire=wire)


def read_winding(table: Table) -> Winding:
    """Read the winding of one coil of a build sheet; other keys of its table are left to their own readers.

    Raises
    ------
    SheetError
        If a key is missing or impossible, the wire unknown, or the turns do not fit the flange.

    >>> coil = {"turns": 8000, "wire": {"bare": "63 µm", "overall": "70 µm"}, "straight_length": "52 mm"}
    >>> coil |= {"end_radius": "2.5 mm", "winding_height": "11 mm"}
    >>> round(read_winding(Table(coil, "coil")).resistance())
    5879
    """
    measures = bobbin_measures(table) if "bobbin" in table else {}
    values = {key.field: key.read(table) for key in declared_keys(Winding) if key.field not in measures} | measures
    return made(Winding, table, values | {"turns": float(values["turns"])})
