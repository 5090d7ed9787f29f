"""Poles: what goes into the build sheet, and the inductance that magnets, slugs, screws and blades add to a coil.

The slice model of `labkit.pickup.magnetics.slices` gives the added inductance as N²·S/(1/χ + N_f). What a magnet does
as a magnet is in `labkit.pickup.magnetics.magnet`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, replace
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.keys import declared_keys, made, number, quantity, text
from labkit.core.sheet import Table
from labkit.core.units import UsualRange
from labkit.core.validity import range_called, warnings_of
from labkit.pickup.electrical import Facing
from labkit.pickup.magnetics.magnet import CHARGE
from labkit.pickup.magnetics.slices import Rods, coil_field_in_rods, magnetise, row_positions, stored_field
from labkit.pickup.predict.propagation import COVERAGE
from labkit.pickup.winding.inductance import MU_0

PoleKind = Literal["rod magnet", "slug", "screw", "blade"]
KINDS: tuple[PoleKind, ...] = get_args(PoleKind)

_USUAL_SIZE = UsualRange(low=1e-3, high=0.1)

MODEL_SPREAD: Mapping[PoleKind, float] = {
    "rod magnet": 0.04,  # slice model against boundary elements and finite elements: 0.97 to 1.00
    "slug": 0.07,  # the same at high permeability: 0.94 to 0.98
    "screw": 0.20,  # thread and head replaced by a plain rod: geometry guessed
    "blade": 0.20,  # solid blade replaced by columns; no measured blade was found
}
"""Relative half-width (95 %) of the added inductance by kind, from the model alone."""

SLENDERNESS = range_called("pole_slenderness")
POLE_HEIGHT = range_called("pole_height")
POLE_PITCH = range_called("pole_pitch")
PERMEABILITY = range_called("pole_permeability")
RISE = range_called("pole_rise")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pole:
    """A row of equal poles of one coil.

    Parameters
    ----------
    kind : "rod magnet", "slug", "screw" or "blade"
    grade : str or None
        Magnet grade of rod magnets; None for steel.
    count : int
        Poles in the row, at least 1 (a blade counts as 1).
    diameter : float, m
        Of a rod; of a screw the mean of thread crest and root. Thickness of a blade.
    length : float, m
        Along the pole; the height of a blade.
    pitch : float, m
        Between centres; may be 0 for a single pole.
    width : float, m
        Of a blade, along the strings' row; 0 for rods.
    beside : float, m
        Between the two rods that stand on either side of each string; 0 for one rod under it.
    charge : float
        Remaining magnetisation of rod magnets, 0 … 1.
    facing : "north" or "south"
        Pole seen from the strings.
    rise : float, m
        How far the poles' mid-height lies above the winding's.

    Raises
    ------
    InputError
        For an unknown kind, no poles, a measure that is not positive, poles that overlap, or a charge outside 0 … 1.
    """

    kind: PoleKind = text(options=KINDS, meaning="kind of pole")
    grade: str | None = text(default=None, meaning="a magnet grade")
    count: int = number(high=100, is_whole=True, meaning="poles in the row; none of a blade")
    diameter: float = quantity(
        "m", usual=_USUAL_SIZE, meaning="of a rod; of a screw between crest and root; for a blade it is its `thickness`"
    )
    length: float = quantity("m", usual=_USUAL_SIZE, meaning="along the pole; the height of a blade")
    pitch: float = quantity("m", default=0.0, usual=_USUAL_SIZE, meaning="between centres; due for two poles and more")
    width: float = quantity("m", default=0.0, usual=_USUAL_SIZE, meaning="of a blade, along the row; of no other")
    beside: float = quantity(
        "m", default=0.0, usual=_USUAL_SIZE, meaning="between two rods on either side of a string; one rod where absent"
    )
    charge: float = quantity("1", default=1.0, meaning="magnetisation left of a rod magnet, 0 to 100 %")
    facing: Facing = text(options=get_args(Facing), default="north", meaning="pole seen from the strings")
    rise: float = quantity("m", default=0.0, meaning="how far the poles' mid-height lies above the winding's")

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError(
                f"pole kind must be one of {join_words(KINDS, 'or')}; got '{self.kind}'."
                f"{did_you_mean(self.kind, KINDS)}"
            )
        if isinstance(self.count, bool) or not isinstance(self.count, int) or self.count < 1:
            raise InputError(
                f"a coil with poles needs at least 1 of them; got {self.count}. Leave `poles` out for none"
            )
        for name in ("diameter", "length"):
            if not 0 < getattr(self, name) < math.inf:
                raise InputError(f"a pole's {name} must be above 0 m; got {getattr(self, name)} m")
        CHARGE.check(self.charge)
        RISE.check(self.rise)
        if self.kind != "blade":
            SLENDERNESS.check(self.length / self.diameter)
        if self.facing not in ("north", "south"):
            raise InputError(f"a pole faces north or south; got '{self.facing}'")
        if (self.grade is not None) != (self.kind == "rod magnet"):
            need = "a rod magnet needs a `grade`" if self.grade is None else f"a steel {self.kind} has no magnet grade"
            raise InputError(f"{need}; got grade {self.grade!r}")
        if self.kind == "blade" and not self.width > self.diameter:
            raise InputError(
                f"a blade needs a `width` along the row above its thickness of {1e3 * self.diameter:g} mm; "
                f"got {1e3 * self.width:g} mm"
            )
        if self.beside and not self.diameter <= self.beside:
            raise InputError(
                f"two rods of {1e3 * self.diameter:g} mm beside one string must stand at least that far apart; "
                f"got {1e3 * self.beside:g} mm"
            )
        if self.kind != "blade" and self.count > 1:
            POLE_PITCH.check(
                (self.pitch - self.beside) / self.diameter,
                whose=f"poles of {1e3 * self.diameter:g} mm diameter do not fit a pitch of {1e3 * self.pitch:g} mm: ",
            )

    @property
    def row_length(self) -> float:
        """Length taken up along the row, m."""
        return self.width if self.kind == "blade" else (self.count - 1) * self.pitch + self.beside + self.diameter

    def rods(self, *, across: float = 0.0) -> Rods:
        """Return the rods of the slice model; a blade becomes columns of equal section, side by side."""
        if self.kind != "blade":
            positions = row_positions(count=self.count, pitch=self.pitch, across=across)
            if self.beside:
                half = self.beside / 2
                positions = tuple((x + step, y) for x, y in positions for step in (-half, half))
            return Rods(positions=positions, radius=self.diameter / 2, length=self.length)
        columns = max(1, math.floor(self.width / self.diameter))  # never narrower than thick: circles barely overlap
        pitch = self.width / columns
        radius = math.sqrt(pitch * self.diameter / math.pi)
        positions = row_positions(count=columns, pitch=pitch, across=across)
        return Rods(positions=positions, radius=radius, length=self.length, slices=8, merged=True)

    def model_deviation(self, winding_height: float) -> float:
        """Return the relative standard deviation of what these poles add to a winding, from the model alone."""
        return math.hypot(
            MODEL_SPREAD[self.kind] / COVERAGE,
            0.0 if self.kind == "blade" else SLENDERNESS.deviation(self.length / self.diameter),
            POLE_HEIGHT.deviation(self.length / winding_height),
            RISE.deviation(self.rise),
        )

    def fit_warnings(
        self,
        *,
        straight_length: float,
        end_radius: float,
        winding_height: float,
        bobbin_height: float | None = None,
    ) -> tuple[str, ...]:
        """Return a sentence for everything about these poles that does not suit their bobbin or the model.

        Parameters
        ----------
        straight_length, end_radius, winding_height : float, m
            Of the winding.
        bobbin_height : float or None, m
            Outside height over both flanges; None takes the winding and 10 mm.
        """
        found = []
        tallest = winding_height + 10e-3 if bobbin_height is None else bobbin_height
        if self.length > tallest:
            over = "its bobbin" if bobbin_height is not None else "the winding and 10 mm for flanges and stand-out"
            found.append(
                f"the poles are {1e3 * self.length:.3g} mm long, {1e3 * (self.length - tallest):.2g} mm more than "
                f"{over} ({1e3 * tallest:.3g} mm): check the length."
            )
        found += warnings_of((POLE_HEIGHT, self.length / winding_height))
        if self.diameter > 2 * end_radius * (1 + 1e-9):
            found.append(
                f"poles of {1e3 * self.diameter:.3g} mm do not go into a core {2e3 * end_radius:.3g} mm wide: "
                "they would cut into the winding."
            )
        core = straight_length + 2 * end_radius
        if self.row_length > core * (1 + 1e-9):
            found.append(
                f"the row of poles is {1e3 * self.row_length:.3g} mm long and the core {1e3 * core:.3g} mm: "
                "the outer poles would cut into the winding."
            )
        found += warnings_of((RISE, self.rise))
        if self.kind != "blade":
            found += warnings_of((SLENDERNESS, self.length / self.diameter))
        if self.kind in ("screw", "blade"):
            found.append(
                f"{self.kind} poles: geometry guessed, ±{100 * MODEL_SPREAD[self.kind]:.0f} % on what they add."
            )
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class PoleInductance:
    """What poles add to a coil.

    Attributes
    ----------
    inductance : float, H
        Added at low frequency.
    stored : float, H
        N²·S, the inductance per unit of 1/(1/χ + N_f).
    demagnetising_factor : float
        N_f of the whole row, for which ``stored``/(1/χ + N_f) equals ``inductance``.
    warnings : tuple of str
    """

    inductance: float
    stored: float
    demagnetising_factor: float
    warnings: tuple[str, ...] = ()


def core_inductance(*, stored: ArrayLike, demagnetising_factor: ArrayLike, susceptibility: ArrayLike) -> np.ndarray:
    """Return the added inductance N²S·χ/(1 + N_f·χ).

    Not N²S/(1/χ + N_f): with eddy currents χ passes through 0 on its way to −1 high up.

    Parameters
    ----------
    stored : array_like, H
    demagnetising_factor : array_like
    susceptibility : array_like, real or complex
        μ_r − 1; complex with eddy currents.

    Returns
    -------
    ndarray, H, broadcast

    >>> float(core_inductance(stored=0.3, demagnetising_factor=0.1, susceptibility=2.0))
    0.5
    """
    chi = np.asarray(susceptibility)
    return np.asarray(np.asarray(stored) * chi / (1 + np.asarray(demagnetising_factor) * chi))


def pole_inductance(
    rods: Rods,
    *,
    turns: float,
    relative_permeability: float,
    straight_length: float,
    end_radius: float,
    build_up: float,
    winding_height: float,
    rise: float = 0.0,
    pair_spacing: float | None = None,
) -> PoleInductance:
    """Return the inductance that rods add to a coil, from the slice model: ΔL = N²·μ0·Σ V·M·H.

    Parameters
    ----------
    rods : Rods
        With ``pair_spacing``: the rods of both rows, centred between the coils.
    turns : float
        Of one coil.
    relative_permeability : float
        Small-signal (recoil) permeability, above 1.
    straight_length, end_radius, build_up, winding_height : float, m
    rise : float, m
        Mid-height of the rods above the winding's.
    pair_spacing : float or None, m
        Between the long axes of two equal coils in series with opposite sense; the result is for the pair.

    Returns
    -------
    PoleInductance

    Validity: lone rods of 2 to 10 diameters within 1.5 % of boundary elements (μ 2.8 to 100). Saturation,
    hysteresis, threads and a change of μ with charge are not modelled.
    """
    shape = {
        "straight_length": straight_length,
        "end_radius": end_radius,
        "build_up": build_up,
        "winding_height": winding_height,
        "rise": rise,
    }
    if pair_spacing is None:
        field = coil_field_in_rods(rods, **shape)
    else:
        half = pair_spacing / 2
        field = coil_field_in_rods(rods, coil_across=half, **shape) - coil_field_in_rods(
            rods, coil_across=-half, **shape
        )
    PERMEABILITY.check(relative_permeability)
    magnetisation = magnetise(rods, field=field, relative_permeability=relative_permeability).ravel()
    volume = np.tile(rods.slice_volume, len(rods.positions))
    added = turns**2 * MU_0 * float(np.sum(volume * magnetisation * field))
    stored = turns**2 * stored_field(rods, field)
    return PoleInductance(
        inductance=added,
        stored=stored,
        demagnetising_factor=stored / added - 1 / (relative_permeability - 1),
        warnings=warnings_of((PERMEABILITY, relative_permeability), (SLENDERNESS, rods.length / (2 * rods.radius))),
    )


_NOT_OF_STEEL = ("grade", "width", "charge")
_NOT_OF = {"rod magnet": ("width",), "blade": ("grade", "count", "pitch", "beside", "charge")}
"""Keys that a kind of pole does not have."""

_OF_MAGNETS = ("grade", "charge")


def poles_from_sheet(table: Table, key: str = "poles") -> tuple[Pole, ...]:
    """Read the poles of a coil: one table for a row of equal poles, or a list, string by string.

    In a list each entry is one pole, or ``count`` equal ones side by side, and what it leaves out is as in the entry
    before; only the first states the ``pitch``. Of a list every pole comes back by itself, in the order of the strings.

    Raises
    ------
    SheetError
        Naming the sheet, the key, what was expected and what was found.
    """
    if not isinstance(table.data.get(key), list):
        return (pole_from_sheet(table.table(key)),)
    before: dict[str, Any] = {}
    found: list[Pole] = []
    for index, entry in enumerate(table.tables(key)):
        if "pitch" in entry.data and index:
            entry.fail("pitch", "is one for the whole row; state it in the first entry")
        if entry.data.get("kind", before.get("kind")) != before.get("kind"):
            before = {name: value for name, value in before.items() if name not in _OF_MAGNETS}
        data = {**before, **entry.data}
        if data.get("kind") == "blade":
            entry.fail("kind", "a blade stands under all strings; give it as one table, not in a list")
        read = pole_from_sheet(Table({"count": 1, **data}, entry.where, entry.path, entry.folder))
        found += [replace(read, count=1)] * read.count
        before = {name: value for name, value in data.items() if name != "count"}
    if not found:
        table.fail(key, "is an empty list; leave it out for a coil without poles")
    for one, other in itertools.pairwise(found):
        table.attempt(key, lambda one=one, other=other: _check_neighbours(one, other))  # type: ignore[misc]
    return tuple(found)


def _check_neighbours(one: Pole, other: Pole) -> None:
    between = (one.diameter + one.beside + other.diameter + other.beside) / 2
    if one.pitch < between * (1 - 1e-9):
        raise InputError(
            f"neighbouring poles need a pitch of {1e3 * between:.3g} mm at least; got {1e3 * one.pitch:.3g} mm"
        )


def pole_from_sheet(table: Table) -> Pole:
    """Read the ``poles`` table of a build sheet; each kind of pole has its own keys among those of `Pole`.

    Raises
    ------
    SheetError
        Naming the sheet, the key, what was expected and what was found.
    """
    keys = {key.field: key for key in declared_keys(Pole)}
    kind = keys["kind"].read(table)
    if kind == "blade":
        keys["diameter"] = replace(keys["diameter"], name="thickness")
    values: dict[str, Any] = {"count": 1}
    for name, key in keys.items():
        if name in _NOT_OF.get(kind, _NOT_OF_STEEL):
            continue
        due = name in ("grade", "width") or (name == "pitch" and values["count"] > 1)
        values[name] = (replace(key, default=MISSING) if due else key).read(table)
    read = made(Pole, table, values)
    table.done()
    return read
