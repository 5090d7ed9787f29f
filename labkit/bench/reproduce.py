"""From what is known of an original to the builds under a maker's own stock that could be it, or sound like it.

Two questions, kept apart. *Is it the same?* Every reading (resistance, inductance, capacitance, size, weight, wire,
field) is held against what a build predicts, all together. *Is its curve the same?* Two pickups are compared by what
they do in a rig. A 43-gauge copy of a 42-gauge original may pass the second and fail the first. An original that reads
open has no curve; its size, wire and weight still say what it was.

The build side enters as a callable (`stock_build`: the maker's bobbin with wire, turns and magnet open), so that any
way of turning a choice into a pickup can be searched, and the rig as another.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from labkit.bench.diagnose.expected import ROOM_C
from labkit.bench.diagnose.faults import dc_of, every_coil
from labkit.bench.diagnose.meter import dc_resistance_at
from labkit.bench.diagnose.readings import OPEN, FieldValue, Readings
from labkit.bench.fit.fixture import STANDARD_LOAD
from labkit.core.errors import InputError
from labkit.core.response import gain_db
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, Pickup
from labkit.pickup.materials.wire import COPPER_DENSITY
from labkit.pickup.network import joined_capacitance, joined_inductance, pickup_transfer
from labkit.pickup.predict.bench import planned_field
from labkit.pickup.predict.built import BuiltPickup
from labkit.pickup.winding.open_coil import FILM_DENSITY
from labkit.rig.rig import Rig as InstrumentRig

BAND_HZ = (100.0, 10_000.0)
"""Band of the distance."""

POINTS = 96

BUILD_DOUBT: Mapping[str, float] = {
    "resistance": 0.06,
    "inductance": 0.06,
    "capacitance": 0.25,
    "build-up": 0.06,
    "wire weight": 0.05,
    "wire diameter": 0.02,
    "field": 0.15,
}
"""95 % half-widths (1 = 100 %) of a finished build against its prediction: DCR and inductance of single coils 5 to 7 %,
self-capacitance 25 %; build-up by packing, weight and diameter by the wire's own tolerance, field by the magnet (common
practice, no source)."""

UNITS: Mapping[str, str] = {
    "resistance": "Ω",
    "inductance": "H",
    "capacitance": "F",
    "build-up": "m",
    "wire weight": "kg",
    "wire diameter": "m",
    "field": "T",
}

CURVE_DOUBTS = ("resistance", "inductance", "capacitance")
"""What moves a curve."""

HIGHEST_FOR_L_HZ = 1200.0
"""Above, an inductance reading is no longer that of low frequency: eddy losses and the resonance bend it."""

SAMPLES = 80
"""Draws behind an interval: its ends are then good to a tenth of the distance."""

SURE = 0.95
"""Part of all true copies that pass as the same."""

Rig = Callable[[Pickup, np.ndarray], np.ndarray]
"""From a pickup and frequencies (Hz, shape (F,)) to the complex gain in a stated rig, shape (F,)."""

Order = Literal["readings", "curve"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildChoice:
    """What a winder can choose: wire and magnet by name, turns, and how far the magnet is charged (1 = saturated)."""

    wire: str
    magnet: str
    turns: float
    charge: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wound:
    """What a choice becomes: the pickup, and what rule and scale would say of its first coil (SI; None: unknown)."""

    pickup: Pickup
    build_up: float | None = None
    wire_weight: float | None = None
    wire_diameter: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Original:
    """What is known of the original.

    Attributes
    ----------
    readings : mapping of str to Interval
        By the names of `BUILD_DOUBT`, SI, 95 % bounds: resistance at 20 °C, inductance and capacitance at the leads,
        build-up of the first coil and weight and bare diameter of its wire, field at a pole in the place where
        ``full_field`` of `reproduce` predicts it.
    pickup : Pickup or None
        Its electrical values, for its curve; None for a dead one.

    Raises
    ------
    InputError
        If nothing is known, or a reading has another name.
    """

    readings: Mapping[str, Interval]
    pickup: Pickup | None = None

    def __post_init__(self) -> None:
        unknown = [name for name in self.readings if name not in BUILD_DOUBT]
        if unknown:
            raise InputError(f"an original has no reading '{unknown[0]}'; known are {', '.join(BUILD_DOUBT)}")
        if not self.readings and self.pickup is None:
            raise InputError("nothing is known of the original: give a reading, or a pickup sheet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reproduction:
    """One build and how it compares.

    Attributes
    ----------
    choice : BuildChoice
    pickup : Pickup
    off : mapping of str to float
        Build over original minus 1, for each reading.
    deviations : mapping of str to float
        The same in standard deviations of reading and build together.
    share : float
        Likelihood of all readings, over the sum of all builds of the stock.
    is_same : bool or None
        Whether the readings together allow this build, as they would 95 of 100 true copies; None without readings.
    distance_db : Interval or None
        Root mean square difference of the two curves over 100 Hz to 10 kHz (log frequency), level aligned; 95 % bounds
        from the doubt of the original and of the build. None for a dead original.
    largest_db : float or None
        Largest single difference, dB.
    has_same_curve : bool or None
        Whether the distance is no larger than that of 95 of 100 true copies.
    notes : tuple of str
    """

    choice: BuildChoice
    pickup: Pickup
    off: Mapping[str, float]
    deviations: Mapping[str, float]
    share: float
    is_same: bool | None
    distance_db: Interval | None
    largest_db: float | None
    has_same_curve: bool | None
    notes: tuple[str, ...] = field(default=())

    @property
    def misfit(self) -> float:
        """Sum of the squared deviations."""
        return sum(value**2 for value in self.deviations.values())

    def as_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "wire": self.choice.wire,
            "magnet": self.choice.magnet,
            "turns": self.choice.turns,
            "charge": self.choice.charge,
            "off": dict(self.off),
            "deviations": dict(self.deviations),
            "share": self.share,
            "is_same": self.is_same,
            "distance_db": self.distance_db.as_dict() if self.distance_db else None,
            "largest_db": self.largest_db,
            "has_same_curve": self.has_same_curve,
            "notes": list(self.notes),
        }

    def text(self) -> str:
        """Return the build as a person reads it."""
        charge = f", charged to {100 * self.choice.charge:.0f} %" if self.choice.charge < 1 else ""
        lines = [f"{self.choice.turns:.0f} turns of {self.choice.wire}, {self.choice.magnet}{charge}"]
        if self.is_same is not None:
            verdict = "could be the original" if self.is_same else "is not the original"
            lines.append(f"  by its readings it {verdict} ({100 * self.share:.0f} % of what the stock offers)")
        for name, off in self.off.items():
            far = ", further than doubt allows" if abs(self.deviations[name]) > 1.96 else ""
            lines.append(f"    {name} {100 * off:+.1f} %{far}".replace("-", "−").replace("build−up", "build-up"))
        if self.distance_db is not None:
            d = self.distance_db
            verdict = "the same within what is known" if self.has_same_curve else "another"
            lines.append(f"  its curve is {verdict}: {d.value:.2f} dB apart ({d.low:.2f} to {d.high:.2f} dB)")
        return "\n".join([*lines, *(f"  {note}" for note in self.notes)])


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
    build: Callable[[BuildChoice], Wound],
    rig: Rig,
    full_field: Callable[[BuildChoice], float] | None = None,
    doubt: Mapping[str, float] = BUILD_DOUBT,
    order: Order = "readings",
    seed: int = 1,
) -> tuple[Reproduction, ...]:
    """Search the maker's stock for the builds that could be the original, or whose curve comes closest.

    For every wire and magnet the number of turns is found by bounded search: that which the readings together make
    likeliest, or with ``order="curve"`` that whose curve lies closest. The charge follows from the field.

    Parameters
    ----------
    original : Original
    wires, magnets : sequences of str
        The stock.
    turns : (float, float)
        Fewest and most that the bobbin takes. ``build`` may raise `InputError` for a choice that does not fit; it is
        then left out.
    build : callable
        From a choice to what it becomes.
    rig : Rig
    full_field : callable, optional
        Field of a choice at full charge in the place where the original was read, T.
    doubt : mapping of str to float
        95 % half-widths of a finished build.
    order : "readings" or "curve"
        What is searched and sorted by; without readings, the curve.
    seed : int
        Of the draws behind the interval.

    Returns
    -------
    tuple of Reproduction
        Best first.

    Raises
    ------
    InputError
        If the stock is empty, nothing in it fits, or the curve of a dead original is asked for.

    Notes
    -----
    Readings count as independent. Not modelled: string pull, microphony, and the response of the field to the string.
    Whether any difference is heard only a blind test can say.
    """
    from scipy.optimize import minimize_scalar

    if not wires or not magnets:
        raise InputError("a reproduction needs at least one wire and one magnet in stock")
    if not 0 < turns[0] < turns[1]:
        raise InputError(f"turns must run from a lower to a higher number; got {turns[0]:g} to {turns[1]:g}")
    if order == "curve" and original.pickup is None:
        raise InputError("a dead original has no curve to come close to; search by its readings")
    by_curve = order == "curve" or not (set(original.readings) - {"field"})
    frequency = np.geomspace(*BAND_HZ, POINTS)
    wanted = None if original.pickup is None else rig(original.pickup, frequency)
    found: list[Reproduction] = []
    refusals: list[str] = []
    alike = _distance_of_copies(original, rig, doubt, frequency, seed)
    for wire in wires:
        for magnet in magnets:

            def badness(count: float, wire: str = wire, magnet: str = magnet) -> float:
                choice = BuildChoice(wire=wire, magnet=magnet, turns=count)
                try:
                    made = build(choice)
                except InputError as error:
                    refusals.append(str(error))
                    return 1e9 + count  # drives the search towards fewer turns, which always fit
                if by_curve:
                    assert wanted is not None
                    return curve_distance_db(rig(made.pickup, frequency), wanted)[0]
                return sum(z**2 for _, z in _compared(original, made, None, doubt).values())

            best = minimize_scalar(badness, bounds=turns, method="bounded", options={"xatol": 1.0})
            if best.fun >= 1e9:
                continue
            choice = BuildChoice(wire=wire, magnet=magnet, turns=float(round(best.x)))
            full = full_field(choice) if full_field is not None and "field" in original.readings else None
            found.append(_judged(original, choice, build, rig, full, doubt, frequency, wanted, seed, turns, alike))
    if not found:
        raise InputError(f"nothing in stock fits: {refusals[-1] if refusals else 'no choice could be built'}")
    least = min(item.misfit for item in found)
    total = sum(math.exp(-0.5 * (item.misfit - least)) for item in found)
    shared = [replace(item, share=math.exp(-0.5 * (item.misfit - least)) / total) for item in found]
    if by_curve:
        return tuple(sorted(shared, key=lambda item: item.distance_db.value if item.distance_db else 0.0))
    return tuple(sorted(shared, key=lambda item: item.misfit))


def values_of(made: Wound) -> dict[str, float]:
    """Return what a build would read, by the names of `BUILD_DOUBT`, as far as it is known."""
    coils = list(made.pickup.coils.values())
    mutual = made.pickup.coupling * math.sqrt(coils[0].inductance * coils[-1].inductance)
    inductances = [coil.inductance for coil in coils]
    found: dict[str, float | None] = {
        "resistance": dc_of(made.pickup, temperature_c=20.0),
        "inductance": float(joined_inductance(made.pickup.connection, inductances, mutual)),
        "capacitance": float(joined_capacitance(made.pickup.connection, [coil.capacitance for coil in coils]))
        + made.pickup.lead_capacitance,
        "build-up": made.build_up,
        "wire weight": made.wire_weight,
        "wire diameter": made.wire_diameter,
    }
    return {name: value for name, value in found.items() if value is not None}


def _compared(
    original: Original, made: Wound, full_field: float | None, doubt: Mapping[str, float]
) -> dict[str, tuple[float, float]]:
    """Each reading of the original: build over it minus 1, and the same in standard deviations."""
    own = values_of(made)
    if full_field is not None:
        # a magnet can be charged down to the reading, not up
        own["field"] = min(full_field, original.readings["field"].value)
    found = {}
    for name, read in original.readings.items():
        if name not in own:
            continue
        spread = math.log(read.high / read.low) / (2 * 1.96) if read.low > 0 else 0.5
        log = math.log(own[name] / read.value)
        found[name] = (math.expm1(log), log / math.hypot(spread, doubt[name] / 1.96))
    return found


def _judged(
    original: Original,
    choice: BuildChoice,
    build: Callable[[BuildChoice], Wound],
    rig: Rig,
    full_field: float | None,
    doubt: Mapping[str, float],
    frequency: np.ndarray,
    wanted: np.ndarray | None,
    seed: int,
    turns: tuple[float, float],
    alike: float,
) -> Reproduction:
    from scipy.stats import chi2

    notes = []
    if full_field is not None:
        charge = original.readings["field"].value / full_field
        if charge > 1:
            notes.append(f"fully charged it reaches {100 / charge:.0f} % of the original's field")
        choice = replace(choice, charge=min(charge, 1.0))
    if min(choice.turns - turns[0], turns[1] - choice.turns) < 2:
        notes.append("the best number of turns lies at the limit given; a wider range may come closer")
    made = build(choice)
    compared = _compared(original, made, full_field, doubt)
    misfit = sum(z**2 for _, z in compared.values())
    distance, largest = None, None
    if wanted is not None:
        rms, largest = curve_distance_db(rig(made.pickup, frequency), wanted)
        distance = _distance_interval(original, made.pickup, rig, doubt, frequency, rms, seed)
    return Reproduction(
        choice=choice,
        pickup=made.pickup,
        off={name: off for name, (off, _) in compared.items()},
        deviations={name: z for name, (_, z) in compared.items()},
        share=1.0,
        is_same=bool(misfit <= chi2.ppf(SURE, len(compared))) if compared else None,
        distance_db=distance,
        largest_db=largest,
        has_same_curve=None if distance is None else distance.value <= alike,
        notes=tuple(notes),
    )


def _spreads(original: Original) -> dict[str, float]:
    """Standard deviations of the original's electrical values; of a pickup without readings, those of a good fit."""
    usual = {"resistance": 0.01, "inductance": 0.03, "capacitance": 0.1}
    found = {}
    for name in CURVE_DOUBTS:
        read = original.readings.get(name)
        known = read is not None and read.low > 0
        found[name] = math.log(read.high / read.low) / (2 * 1.96) if read and known else usual[name] / 1.96
    return found


def _draws(
    first: Pickup,
    second: Pickup,
    original: Original,
    rig: Rig,
    doubt: Mapping[str, float],
    frequency: np.ndarray,
    seed: int,
) -> list[float]:
    """Distances of two pickups, each drawn within its bounds."""
    random = np.random.default_rng(seed)
    build_spreads = {name: doubt[name] / 1.96 for name in CURVE_DOUBTS}
    spreads = _spreads(original)
    return [
        curve_distance_db(
            rig(_drawn(first, spreads, random), frequency), rig(_drawn(second, build_spreads, random), frequency)
        )[0]
        for _ in range(SAMPLES)
    ]


def _distance_of_copies(
    original: Original, rig: Rig, doubt: Mapping[str, float], frequency: np.ndarray, seed: int
) -> float:
    """Distance below which 95 of 100 true copies of the original lie, dB."""
    if original.pickup is None:
        return 0.0
    found = _draws(original.pickup, original.pickup, original, rig, doubt, frequency, seed)
    return float(np.percentile(found, 100 * SURE))


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
    assert original.pickup is not None
    low, high = np.percentile(_draws(original.pickup, made, original, rig, doubt, frequency, seed), [2.5, 97.5])
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


def stock_build(bobbin: BuiltPickup) -> Callable[[BuildChoice], Wound]:
    """Return the build callable of `labkit.bench.reproduce.reproduce` for a bobbin."""

    def build(choice: BuildChoice) -> Wound:
        made = built(bobbin, choice)
        winding = made.build.coils[0][1].winding
        coil = next(iter(made.coils.values()))
        assert winding is not None
        copper = math.pi / 4 * winding.wire.bare_nominal**2
        film = math.pi / 4 * winding.wire.overall_nominal**2 - copper
        grams = copper * COPPER_DENSITY + film * FILM_DENSITY.value
        return Wound(
            pickup=made.pickup,
            build_up=coil.build_up.value if coil.build_up else None,
            wire_weight=coil.wire_length.value * grams if coil.wire_length else None,
            wire_diameter=winding.wire.bare_nominal,
        )

    return build


def stock_field(bobbin: BuiltPickup, *, distance: float) -> Callable[[BuildChoice], float]:
    """Return the field callable of `reproduce`: T over the poles at ``distance`` (m, gap plus sensor depth)."""

    def full_field(choice: BuildChoice) -> float:
        made = bobbin.with_magnet(choice.magnet).with_charge(1.0)
        if not made.field_t:
            raise InputError(f"the field of '{bobbin.name}' is not modelled; leave the field of the original out")
        values = np.array([float(prediction.value) for prediction in made.field_t])
        return float(np.exp(np.interp(distance, np.array(made.field_at), np.log(values))))

    return full_field


def original_of(
    readings: Readings | None,
    pickup: Pickup | None,
    bobbin: BuiltPickup,
) -> tuple[Original, Callable[[BuildChoice], float] | None]:
    """Return what is known of an original from a readings sheet and a pickup sheet, and the field to hold it against.

    A resistance is brought to 20 °C, an inductance is taken from a series reading at 1.2 kHz or below, a field from the
    poles that were read. Values of a pickup sheet stand for readings that are missing, as good as a fit makes them (1,
    3 and 10 %).

    Parameters
    ----------
    readings : Readings or None
    pickup : Pickup or None
        As fitted; None for a dead original.
    bobbin : BuiltPickup
    """
    known: dict[str, Interval] = {}
    if pickup is not None:
        own = values_of(Wound(pickup=pickup))
        known = {
            name: Interval.relative(own[name], doubt)
            for name, doubt in (("resistance", 0.01), ("inductance", 0.03), ("capacitance", 0.1))
            if own[name] > 0
        }
    full_field = None
    if readings is not None:
        if readings.resistance not in (None, OPEN) and not readings.pots:
            assert readings.resistance is not None
            celsius = ROOM_C if readings.temperature_c is None else readings.temperature_c
            at_20 = readings.resistance / dc_resistance_at(resistance_at_20=1.0, temperature_c=celsius)
            known["resistance"] = Interval.relative(at_20, max(readings.resistance_accuracy, 1e-4))
        for lcr in readings.lcr:
            is_low = lcr.frequency_hz <= HIGHEST_FOR_L_HZ and lcr.model == "series" and lcr.coil is None
            if is_low and lcr.inductance is not None and lcr.inductance > 0:
                known["inductance"] = Interval.relative(lcr.inductance, lcr.accuracy)
                break
        if readings.winding is not None:
            rule = readings.winding
            for name, value in (
                ("build-up", rule.build_up),
                ("wire weight", rule.wire_weight),
                ("wire diameter", rule.wire_diameter),
            ):
                if value is not None:
                    known[name] = Interval.relative(value, rule.accuracy)
        read = [value for value in readings.field if value.value > 0]
        if read:
            mean = math.exp(sum(math.log(value.value) for value in read) / len(read))
            known["field"] = Interval.relative(mean, max(value.accuracy for value in read))
            full_field = _field_where_read(bobbin, read)
    return Original(readings=known, pickup=pickup), full_field


def _field_where_read(bobbin: BuiltPickup, read: Sequence[FieldValue]) -> Callable[[BuildChoice], float]:
    def full_field(choice: BuildChoice) -> float:
        made = bobbin.with_magnet(choice.magnet).with_charge(1.0)
        found = [planned_field(made, gap=value.gap, pole=value.pole) for value in read]
        if any(value is None for value in found):
            raise InputError(f"the field of '{bobbin.name}' is not modelled; leave the field of the original out")
        return math.exp(sum(math.log(value.value) for value in found if value is not None) / len(found))

    return full_field


def standard_rig(pickup: Pickup, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the gain of a pickup into the standard load, 200 kΩ parallel to 470 pF."""
    across = 1 / STANDARD_LOAD.resistance + 2j * np.pi * frequency_hz * STANDARD_LOAD.capacitance
    return pickup_transfer(pickup, frequency_hz, across)


def in_rig(rig: InstrumentRig) -> Rig:
    """Return the gain of a pickup in the first place of a rig."""
    slot = next(iter(rig.pickups))

    def gain(pickup: Pickup, frequency_hz: np.ndarray) -> np.ndarray:
        return np.asarray(rig.replace(pickups={slot: pickup}).response(frequency_hz).values)

    return gain
