"""What is left of spools and magnets, counted down by what was wound.

A coil takes the wire that its design predicts, scaled by the turns that were counted. What tore, was unwound again or
went into test pieces is not in the book, so the wire left is rather less than said. The doubt of the prediction is
shared by all coils (the same wire, the same bobbin), so it adds up coil by coil.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from labkit.book.records import LEADS, Design, MagnetLot, Spool, WoundCoil
from labkit.book.store import Book, read_design
from labkit.core.sourced import Interval
from labkit.pickup.materials.wire import COPPER_DENSITY, Wire
from labkit.pickup.predict.built import BuiltPickup
from labkit.pickup.predict.propagation import COVERAGE

FILM_DENSITY = 1300.0
"""Of a polyurethane enamel, kg/m³ (from memory); the film is some 4 % of the mass, so 10 % of this is 0.4 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WireLeft:
    """A spool's wire: how much is on it.

    Attributes
    ----------
    spool : Spool
    coils : int
        Wound from it, also those that were scrapped; of coils whose design is no build nothing is counted.
    used_m : float
    left_m : Interval or None
        With 95 % bounds; None where nobody said how much there was.
    coils_left : int or None
        Of the design that was wound from it last, by the lower bound.
    """

    spool: Spool
    coils: int
    used_m: float
    left_m: Interval | None
    coils_left: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MagnetsLeft:
    """A lot of magnets: how many coils took from it, how many magnets they have, how many are left (or None)."""

    lot: MagnetLot
    coils: int
    used: int
    left: int | None


def wire_left(book: Book) -> list[WireLeft]:
    """Return what is left of every spool."""
    designs = _built(book)
    found = []
    for spool in book.records(Spool):
        used = doubt = 0.0
        last = None
        coils = book.records(WoundCoil, "spool = ? and void_reason is null", [spool.uid])
        for coil in coils:
            length, deviation = wire_of(designs[coil.design], coil.coil, coil.turns_counted)
            used, doubt = used + length, doubt + deviation
            last = length or last
        left = None
        if spool.length_m is not None:
            half = COVERAGE * math.hypot(doubt, spool.length_deviation or 0.0)
            value = spool.length_m - used
            left = Interval(value=max(value, 0.0), low=max(value - half, 0.0), high=max(value + half, 0.0))
        if spool.emptied_on is not None:
            left = Interval(value=0.0, low=0.0, high=0.0)
        found.append(
            WireLeft(
                spool=spool,
                coils=len(coils),
                used_m=used,
                left_m=left,
                coils_left=None if left is None or not last else int(left.low // last),
            )
        )
    return found


def magnets_left(book: Book) -> list[MagnetsLeft]:
    """Return what is left of every lot of magnets; what repairs took is not counted."""
    designs = _built(book)
    found = []
    for lot in book.records(MagnetLot):
        coils = book.records(WoundCoil, "lot = ? and void_reason is null", [lot.uid])
        used = sum(magnets_of(designs[coil.design], coil.coil) for coil in coils)
        left = None if lot.count is None else lot.count - used
        found.append(MagnetsLeft(lot=lot, coils=len(coils), used=used, left=left))
    return found


def _built(book: Book) -> dict[str, BuiltPickup]:
    return {each.uid: read_design(each.sheet, each.title) for each in book.records(Design)}


def _coils(built: BuiltPickup, coil: str) -> Iterator[str]:
    yield from (name for name, _ in built.build.coils if coil in (LEADS, name))


def length_of_mass(wire: Wire, mass: float, deviation: float = 0.0) -> tuple[float, float]:
    """Return the length of a wire of a mass (kg, its relative deviation) and its standard deviation, m.

    Copper of the bare diameter and a film of `FILM_DENSITY` on it; the diameters have the limits of their standard.
    """
    bare, overall = wire.bare_limits, wire.overall_limits
    copper = math.pi / 4 * bare.value**2 * COPPER_DENSITY
    film = math.pi / 4 * (overall.value**2 - bare.value**2) * FILM_DENSITY
    doubt = 2 * bare.deviation / bare.value * copper / (copper + film)
    length = mass / (copper + film)
    return length, length * math.hypot(doubt, deviation)


def wire_of(built: BuiltPickup, coil: str, turns_counted: float | None = None) -> tuple[float, float]:
    """Return the wire that a coil takes off its spool and its standard deviation, m; 0 where the design is no build."""
    parts = dict(built.build.coils)
    length = deviation = turns = 0.0
    for name in _coils(built, coil):
        winding, predicted = parts[name].winding, built.coils[name].wire_length
        if winding is None or predicted is None:
            continue
        length += winding.spool_length
        turns += winding.turns
        deviation += predicted.half_width_fraction / COVERAGE * winding.spool_length
    scale = turns_counted / turns if turns_counted and turns else 1.0
    return scale * length, scale * deviation


def magnets_of(built: BuiltPickup, coil: str) -> int:
    """Return how many magnets of its lot a coil has: its rods, and with the whole pickup its bars."""
    parts = dict(built.build.coils)
    rods = sum(each.pole.count for name in _coils(built, coil) for each in parts[name].kinds if each.grade is not None)
    bars = built.build.bar.count if built.build.bar is not None and coil == LEADS else 0
    return rods + bars
