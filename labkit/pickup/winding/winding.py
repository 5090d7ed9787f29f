"""Winding: what turns, wire and bobbin make of one another.

`Winding` is a thin shell over the formulas of `labkit.pickup.winding.formulas`, which are at hand here as well. Doubts
of these numbers are added in `labkit.pickup.winding.air_coil`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from labkit.core.errors import InputError
from labkit.core.validity import range_called, warnings_of
from labkit.pickup.materials.wire import COPPER_DENSITY, WIRE_DIAMETER, Wire
from labkit.pickup.winding.formulas import (
    USUAL_PACKING,
    build_up,
    coil_resistance,
    mean_turn,
    turn_area,
    turns_for_build_up,
    turns_for_wire_length,
)
from labkit.pickup.winding.spectral import CoilShape

__all__ = [
    "PACKING_LIMITS",
    "USUAL_PACKING",
    "Winding",
    "build_up",
    "coil_resistance",
    "mean_turn",
    "turn_area",
    "turns_for_build_up",
    "turns_for_wire_length",
]

PACKING = range_called("packing")
PACKING_LIMITS = PACKING.limits
"""A packing factor below is no coil, and above 2/√3 is denser than circles can lie."""

TURNS = range_called("turns")
BUILD_UP = range_called("build_up")
STRETCH = range_called("wire_stretch")
STRAIGHT_LENGTH = range_called("straight_length")
END_RADIUS = range_called("end_radius")
WINDING_HEIGHT = range_called("winding_height")


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

    Raises
    ------
    InputError
        If a measure is impossible or the turns do not fit the flange (says by how much, and how many do).
    """

    turns: float
    wire: Wire
    straight_length: float
    end_radius: float
    winding_height: float
    packing: float = USUAL_PACKING
    stretch: float = 0.0
    flange_radius: float | None = None

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
