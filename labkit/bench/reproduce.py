"""From the measurements of an original to the build that comes closest under the maker's own stock.

The build side enters as a callable (`stock_build`: the maker's bobbin with wire, turns and magnet open), so that any
way of turning a choice into a pickup can be searched, and the rig as another: two pickups are compared by what they do
in it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from labkit.bench.diagnose.faults import every_coil
from labkit.core.errors import InputError
from labkit.core.response import gain_db
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.predict.built import BuiltPickup

BAND_HZ = (100.0, 10_000.0)
"""Band of the distance."""

POINTS = 96

BUILD_DOUBT: Mapping[str, float] = {"resistance": 0.06, "inductance": 0.06, "capacitance": 0.25}
"""95 % half-widths (1 = 100 %) of a finished build against its prediction, where the build states none: DCR and
inductance of single coils 5 to 7 %, self-capacitance 25 %."""

SAMPLES = 80
"""Draws behind an interval: its ends are then good to a tenth of the distance."""

Rig = Callable[[Pickup, np.ndarray], np.ndarray]
"""From a pickup and frequencies (Hz, shape (F,)) to the complex gain in a stated rig, shape (F,)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildChoice:
    """What a winder can choose: wire and magnet by name, turns, and how far the magnet is charged (1 = saturated)."""

    wire: str
    magnet: str
    turns: float
    charge: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Original:
    """What is known of the original, with 95 % bounds.

    ``field_t`` is the field read at a pole (T, calibrated), in the same place that the build predicts it.
    """

    pickup: Pickup
    resistance: Interval
    inductance: Interval
    capacitance: Interval
    field_t: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reproduction:
    """One build and how close it comes.

    Attributes
    ----------
    choice : BuildChoice
    pickup : Pickup
    distance_db : Interval
        Root mean square difference of the two curves over 100 Hz to 10 kHz (log frequency), level aligned; 95 % bounds
        from the doubt of the original and of the build.
    largest_db : float
        Largest single difference, dB.
    resistance_difference : float
        DC resistance over the original's, minus 1.
    field_difference : float or None
        Field over the original's, minus 1, at the charge of the choice.
    notes : tuple of str
    """

    choice: BuildChoice
    pickup: Pickup
    distance_db: Interval
    largest_db: float
    resistance_difference: float
    field_difference: float | None = None
    notes: tuple[str, ...] = field(default=())


def curve_distance_db(first: np.ndarray, second: np.ndarray) -> tuple[float, float]:
    """Return rms and largest difference of two curves, dB, after aligning their mean level.

    Level is set by height and volume; the distance is about the shape of the curve.

    Parameters
    ----------
    first, second : ndarray, shape (F,), complex
        Gains at the same log-spaced frequencies.
    """
    difference = gain_db(first) - gain_db(second)
    difference = difference - difference.mean()
    return float(np.sqrt(np.mean(difference**2))), float(np.max(np.abs(difference)))


def reproduce(
    original: Original,
    *,
    wires: Sequence[str],
    magnets: Sequence[str],
    turns: tuple[float, float],
    build: Callable[[BuildChoice], Pickup],
    rig: Rig,
    full_field: Callable[[BuildChoice], float] | None = None,
    doubt: Mapping[str, float] = BUILD_DOUBT,
    seed: int = 1,
) -> tuple[Reproduction, ...]:
    """Search the maker's stock for the build whose curve in a rig lies closest to the original's.

    For every wire and magnet the number of turns is found by bounded search on the distance; the charge then follows
    from the field.

    Parameters
    ----------
    original : Original
    wires, magnets : sequences of str
        The stock.
    turns : (float, float)
        Fewest and most that the bobbin takes. ``build`` may raise `InputError` for a choice that does not fit; it is
        then left out.
    build : callable
        From a choice to a pickup.
    rig : Rig
    full_field : callable, optional
        Field of a choice at full charge in the place where the original was read, T.
    doubt : mapping of str to float
        95 % half-widths of resistance, inductance and capacitance of a finished build.
    seed : int
        Of the draws behind the interval.

    Returns
    -------
    tuple of Reproduction
        Closest first.

    Raises
    ------
    InputError
        If the stock is empty or nothing in it fits.

    Notes
    -----
    Not modelled: string pull, microphony, and the response of the field to the string. A distance below the interval of
    its neighbour is no reason to prefer it; whether any remaining difference is heard only a blind test can say.
    """
    from scipy.optimize import minimize_scalar

    if not wires or not magnets:
        raise InputError("a reproduction needs at least one wire and one magnet in stock")
    if not 0 < turns[0] < turns[1]:
        raise InputError(f"turns must run from a lower to a higher number; got {turns[0]:g} to {turns[1]:g}")
    frequency = np.geomspace(*BAND_HZ, POINTS)
    wanted = rig(original.pickup, frequency)
    found = []
    refusals: list[str] = []
    for wire in wires:
        for magnet in magnets:

            def distance(count: float, wire: str = wire, magnet: str = magnet) -> float:
                try:
                    made = build(BuildChoice(wire=wire, magnet=magnet, turns=count))
                except InputError as error:
                    refusals.append(str(error))
                    return 1e3 + count  # drives the search towards fewer turns, which always fit
                return curve_distance_db(rig(made, frequency), wanted)[0]

            best = minimize_scalar(distance, bounds=turns, method="bounded", options={"xatol": 1.0})
            if best.fun >= 1e3:
                continue
            choice = BuildChoice(wire=wire, magnet=magnet, turns=float(round(best.x)))
            found.append(_judged(original, choice, build, rig, full_field, doubt, frequency, wanted, seed, turns))
    if not found:
        raise InputError(f"nothing in stock fits: {refusals[-1] if refusals else 'no choice could be built'}")
    best_first = sorted(found, key=lambda item: item.distance_db.value)
    limit = best_first[0].distance_db.high
    return tuple(
        replace(item, notes=(*item.notes, "as close as the best within what is known"))
        if number and item.distance_db.value <= limit
        else item
        for number, item in enumerate(best_first)
    )


def _judged(
    original: Original,
    choice: BuildChoice,
    build: Callable[[BuildChoice], Pickup],
    rig: Rig,
    full_field: Callable[[BuildChoice], float] | None,
    doubt: Mapping[str, float],
    frequency: np.ndarray,
    wanted: np.ndarray,
    seed: int,
    turns: tuple[float, float],
) -> Reproduction:
    notes = []
    field_difference = None
    if full_field is not None and original.field_t is not None:
        full = full_field(choice)
        charge = original.field_t.value / full
        if charge > 1:
            notes.append(f"fully charged it reaches {100 / charge:.0f} % of the original's field")
            field_difference = 1 / charge - 1
        else:
            field_difference = 0.0
        choice = replace(choice, charge=min(charge, 1.0))
    if min(choice.turns - turns[0], turns[1] - choice.turns) < 2:
        notes.append("the best number of turns lies at the limit given; a wider range may come closer")
    made = build(choice)
    rms, largest = curve_distance_db(rig(made, frequency), wanted)
    dc = sum(coil.resistance for coil in made.coils.values())
    dc_original = sum(coil.resistance for coil in original.pickup.coils.values())
    return Reproduction(
        choice=choice,
        pickup=made,
        distance_db=_distance_interval(original, made, rig, doubt, frequency, rms, seed),
        largest_db=largest,
        resistance_difference=dc / dc_original - 1,
        field_difference=field_difference,
        notes=tuple(notes),
    )


def _distance_interval(
    original: Original,
    made: Pickup,
    rig: Rig,
    doubt: Mapping[str, float],
    frequency: np.ndarray,
    value: float,
    seed: int,
) -> Interval:
    """Draw original and build within their bounds and take the middle 95 % of the distances."""
    random = np.random.default_rng(seed)
    spreads = {
        name: math.log(bounds.high / bounds.low) / (2 * 1.96) if bounds.low > 0 else 0.5
        for name, bounds in (
            ("resistance", original.resistance),
            ("inductance", original.inductance),
            ("capacitance", original.capacitance),
        )
    }
    build_spreads = {name: half / 1.96 for name, half in doubt.items()}
    distances = []
    for _ in range(SAMPLES):
        one = rig(_drawn(original.pickup, spreads, random), frequency)
        other = rig(_drawn(made, build_spreads, random), frequency)
        distances.append(curve_distance_db(one, other)[0])
    low, high = np.percentile(distances, [2.5, 97.5])
    return Interval(value=value, low=min(float(low), value), high=max(float(high), value))


def _drawn(pickup: Pickup, spreads: Mapping[str, float], random: np.random.Generator) -> Pickup:
    factors = {name: math.exp(spread * random.standard_normal()) for name, spread in spreads.items()}

    def scaled(coil: Coil) -> Coil:
        return replace(
            coil,
            resistance=coil.resistance * factors.get("resistance", 1.0),
            inductance=coil.inductance * factors.get("inductance", 1.0),
            capacitance=coil.capacitance * factors.get("capacitance", 1.0),
        )

    return every_coil(pickup, scaled)


def built(bobbin: BuiltPickup, choice: BuildChoice) -> BuiltPickup:
    """Return the bobbin wound and magnetised as chosen; every coil gets the same wire and its share of the turns.

    Parameters
    ----------
    bobbin : BuiltPickup
        Any build on the maker's bobbin; its wire, turns and magnet grade are replaced.
    choice : BuildChoice
        Turns of the whole pickup.

    Raises
    ------
    InputError
        If the bobbin has no winding, or the choice does not fit it.
    """
    wound = [name for name, coil in bobbin.build.coils if coil.winding is not None]
    if not wound or len(wound) != len(bobbin.build.coils):
        raise InputError(f"pickup '{bobbin.name}' must be a build in every coil to be wound again")
    share = choice.turns / len(wound)
    changes: dict[str, object] = {}
    for name in wound:
        changes[f"coil.{name}.turns"] = round(share)
        changes[f"coil.{name}.wire"] = choice.wire
    made = bobbin.replace(changes).with_magnet(choice.magnet)
    return made if choice.charge == 1.0 else made.with_charge(choice.charge)


def stock_build(bobbin: BuiltPickup) -> Callable[[BuildChoice], Pickup]:
    """Return the build callable of `labkit.bench.reproduce.reproduce` for a bobbin."""
    return lambda choice: built(bobbin, choice).pickup


def stock_field(bobbin: BuiltPickup, *, distance: float) -> Callable[[BuildChoice], float]:
    """Return the field callable of `reproduce`: T over the poles at ``distance`` (m, gap plus sensor depth)."""

    def full_field(choice: BuildChoice) -> float:
        made = bobbin.with_magnet(choice.magnet).with_charge(1.0)
        if not made.field_t:
            raise InputError(f"the field of '{bobbin.name}' is not modelled; leave the field of the original out")
        values = np.array([float(prediction.value) for prediction in made.field_t])
        return float(np.exp(np.interp(distance, np.array(made.field_at), np.log(values))))

    return full_field
