"""What past coils say, as plain things: readings of a coil and of a spool's wire, and what each reading should be.

A reading counts as the logarithm of its ratio to the plan without the book, at the temperature of its session. The plan
and what every cause does to a reading come from the build (`labkit.pickup.predict`), straight-line in each cause.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal, get_args

import numpy as np

from labkit.book.learn.levels import shares_of
from labkit.book.records import QUANTITIES
from labkit.core.errors import InputError, did_you_mean
from labkit.core.units import format_quantity
from labkit.pickup.materials.wire import Wire, copper_resistivity
from labkit.pickup.predict.bench import meter_reading, pole_index
from labkit.pickup.predict.built import predict_build
from labkit.pickup.predict.model import evaluate, series_impedance
from labkit.pickup.predict.plan import BuildPlan, plan_of
from labkit.pickup.predict.propagation import propagate
from labkit.pickup.predict.sheet import PickupBuild
from labkit.pickup.winding.air_coil import DEVIATIONS

Quantity = Literal["resistance", "inductance", "loss_resistance", "capacitance", "peak", "height", "field"]
"""``inductance`` and ``loss_resistance`` in series, by an LCR meter at a frequency, at the leads; ``peak`` and
``height`` (dB over 100 Hz) into 470 pF and 200 kΩ; ``field`` by a probe at a gap over a pole."""
_LEARNED: tuple[Quantity, ...] = get_args(Quantity)

HIGH_LOSS_HZ, HIGH_LOSS_REPEAT, HIGH_LOSS_OFFSET = 2e3, 0.02, 0.05
"""Above this frequency a series resistance is mostly eddy loss: harder to read, and to predict (assumption)."""

UNKNOWN_CELSIUS = 4.0
"""Standard deviation of a room's temperature that nobody read, K (common practice, no source)."""

SESSION_TEMPERATURE = "temperature of the session"

_TEMPERATURES = np.arange(-10.0, 61.0, 5.0)
_DECIBELS = 20 / math.log(10)


def offset_of(quantity: Quantity) -> float:
    """Return the standard deviation by which labkit's models may be off for all coils of a shop alike, as a ratio."""
    offset = QUANTITIES[quantity].offset
    assert offset is not None
    return offset


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Kind:
    """What is read: the quantity, and at which frequency, or over which pole at which gap."""

    quantity: Quantity
    frequency_hz: float = 0.0
    gap: float = 0.0
    pole: str = ""

    def __post_init__(self) -> None:
        if self.quantity not in _LEARNED:
            raise InputError(
                f"a book learns from {', '.join(_LEARNED)}; got '{self.quantity}'."
                f"{did_you_mean(str(self.quantity), _LEARNED)}"
            )
        if (self.quantity in ("inductance", "loss_resistance")) != (self.frequency_hz > 0):
            raise InputError(f"{self.quantity}: a frequency goes with readings of an LCR meter, and only with them")

    @property
    def words(self) -> str:
        """The quantity as people say it."""
        name = QUANTITIES[self.quantity].words
        if self.frequency_hz:
            return f"{name} at {format_quantity(self.frequency_hz, 'Hz')}"
        return f"field at pole {self.pole}" if self.pole else name

    @property
    def _is_high_loss(self) -> bool:
        return self.quantity == "loss_resistance" and self.frequency_hz > HIGH_LOSS_HZ

    @property
    def repeat(self) -> float:
        """Standard deviation of reading again, as a ratio."""
        return HIGH_LOSS_REPEAT if self._is_high_loss else QUANTITIES[self.quantity].repeat

    @property
    def offset(self) -> float:
        """Standard deviation of the models' common error, as a ratio."""
        return HIGH_LOSS_OFFSET if self._is_high_loss else offset_of(self.quantity)

    @property
    def offset_name(self) -> str:
        """Name of that error as a cause."""
        return f"offset, {self.quantity}{' of high frequency' if self._is_high_loss else ''}"

    def logarithm(self, value: float) -> float:
        """Return a reading as a logarithm; a height (dB) as that of its ratio."""
        if self.quantity == "height":
            return value / _DECIBELS
        if not value > 0:
            raise InputError(
                f"{self.words}: a reading above zero is due; got {value:g} {QUANTITIES[self.quantity].unit}"
            )
        return math.log(value)

    def value(self, logarithm: float) -> float:
        """Return the value (SI, dB of a height) of a logarithm."""
        return logarithm * _DECIBELS if self.quantity == "height" else math.exp(logarithm)


RESISTANCE = Kind(quantity="resistance")
INDUCTANCE = Kind(quantity="inductance", frequency_hz=1e3)
LOSS = Kind(quantity="loss_resistance", frequency_hz=1e3)
HIGH_LOSS = Kind(quantity="loss_resistance", frequency_hz=5e3)
CAPACITANCE = Kind(quantity="capacitance")
PEAK = Kind(quantity="peak")
HEIGHT = Kind(quantity="height")
NEXT_READINGS = (RESISTANCE, INDUCTANCE, CAPACITANCE, PEAK, HEIGHT)
"""What a book predicts of the next coil as the workshop's meters will show it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilPlace:
    """From what, on what and when a coil was wound and read: things of one name are the same thing.

    Attributes
    ----------
    design, maker, machine, bobbin : str
        ``maker`` of the wire. Where empty, the shop's usual one.
    spool, lot, session : str
        Where empty, one that no other coil shares.
    months : float
        When, counted from any day.
    celsius : float or None
        Of the coils at the bench; None takes 20 °C with the doubt of a room nobody read.
    celsius_deviation : float or None, K
        None takes that of a thermometer beside the coil.
    meters : tuple of (str, str)
        Which meter read what; one that is not named is one of its own.
    """

    design: str = ""
    spool: str = ""
    maker: str = ""
    lot: str = ""
    machine: str = ""
    bobbin: str = ""
    session: str = ""
    months: float = 0.0
    celsius: float | None = 20.0
    celsius_deviation: float | None = None
    meters: tuple[tuple[str, str], ...] = ()

    @property
    def extra_celsius(self) -> float:
        """Doubt of the session's temperature beyond what a prediction holds already, K."""
        stated = self.celsius_deviation if self.celsius is not None else UNKNOWN_CELSIUS
        usual = DEVIATIONS["temperature"][0] ** 2 * shares_of("temperature")["session"]
        return 0.0 if stated is None else math.sqrt(max(stated**2 - usual, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilEvidence:
    """A finished coil with what was read on it; repeats of a reading come averaged.

    Attributes
    ----------
    serial : str
    build : PickupBuild
        What it was wound to: one object for all coils of a design.
    place : CoilPlace
    readings : mapping of Kind to float
        SI, dB of a height.
    fault : str
        Why it does not teach ("scrapped", "repaired"); empty for a good coil.
    """

    serial: str
    build: PickupBuild
    place: CoilPlace
    readings: Mapping[Kind, float]
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WireEvidence:
    """A measured length of a spool's wire on the ohmmeter.

    Attributes
    ----------
    wire : Wire
    place : CoilPlace
        Its ``spool`` and ``maker``; the ohmmeter in ``meters``.
    ohm_per_m : float
        As read, at the temperature of the place.
    deviation : float
        Of the length, as a ratio (1 cm in 10 m is 0.001).
    """

    wire: Wire
    place: CoilPlace
    ohm_per_m: float
    deviation: float = 0.001

    def __post_init__(self) -> None:
        if not (self.ohm_per_m > 0 and self.deviation > 0):
            raise InputError("a length of wire needs ohms per metre and a deviation above zero")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingModel:
    """What readings of a coil should be, and what one standard deviation of every cause does to them.

    Attributes
    ----------
    kinds : tuple of Kind
    names : tuple of str
        Of the causes.
    effects : ndarray, shape (kinds, names)
        Change of the logarithm; meters, repeats and offsets of the models included.
    planned : ndarray, shape (temperatures, kinds)
        Logarithms at `temperatures`; NaN where a reading is not predicted.
    """

    kinds: tuple[Kind, ...]
    names: tuple[str, ...]
    effects: np.ndarray
    planned: np.ndarray
    temperatures: np.ndarray = field(default_factory=lambda: _TEMPERATURES)

    def at(self, celsius: float) -> np.ndarray:
        """Return the logarithms of the planned readings of coils at a temperature, shape (kinds,)."""
        place = np.clip((celsius - _TEMPERATURES[0]) / 5.0, 0, len(_TEMPERATURES) - 1.001)
        low, part = int(place), place - int(place)
        found: np.ndarray = self.planned[low] * (1 - part) + self.planned[low + 1] * part
        return found


def evaluated(plan: BuildPlan, x: Mapping[str, np.ndarray], kinds: Sequence[Kind]) -> dict[Kind, np.ndarray]:
    """Return readings for every row of inputs, by the full model: logarithms, shape (rows,); NaN where there is none.

    Fields have no place in the rows and are left out.
    """
    results = evaluate(plan, x).results
    frequencies = sorted({kind.frequency_hz for kind in kinds if kind.frequency_hz})
    impedance = series_impedance(plan, x, np.array(frequencies)) if frequencies else np.empty(0)
    names = {"resistance": "total resistance", "capacitance": "total capacitance"}
    names |= {"peak": "loaded resonance", "height": "loaded height"}
    found = {}
    rows = len(next(iter(x.values())))
    for kind in kinds:
        if kind.quantity == "field":
            continue
        if kind.frequency_hz:
            z = impedance[:, frequencies.index(kind.frequency_hz)]
            value = z.imag / (2 * math.pi * kind.frequency_hz) if kind.quantity == "inductance" else z.real
        else:
            value = results.get(names[kind.quantity], np.full(rows, np.nan))
        value = np.broadcast_to(value, rows)
        found[kind] = np.log(np.where(value > 0, value, np.nan))
    return found


@lru_cache(maxsize=128)
def reading_model(build: PickupBuild, kinds: tuple[Kind, ...], meters: tuple[tuple[str, str], ...]) -> ReadingModel:
    """Return what readings of a build should be; see `ReadingModel`.

    Parameters
    ----------
    build : PickupBuild
    kinds : tuple of Kind
    meters : tuple of (str, str)
        Their names make causes of their own: readings of one meter share its error.
    """
    planned, causes = _planned(build, kinds)
    labels = dict(meters)
    for index, kind in enumerate(kinds):
        whose = labels.get(meter, "") if (meter := QUANTITIES[kind.quantity].meter) else ""
        causes.setdefault(f"meter, {kind.quantity} of {whose}", {})[index] = QUANTITIES[kind.quantity].gain
        causes.setdefault(f"repeat, {kind.words}", {})[index] = kind.repeat
        causes.setdefault(kind.offset_name, {})[index] = kind.offset
    effects = np.zeros((len(kinds), len(causes)))
    for column, rows in enumerate(causes.values()):
        for index, effect in rows.items():
            effects[index, column] = effect
    effects.setflags(write=False)
    return ReadingModel(kinds=kinds, names=tuple(causes), effects=effects, planned=planned)


@lru_cache(maxsize=128)
def _planned(build: PickupBuild, kinds: tuple[Kind, ...]) -> tuple[np.ndarray, dict[str, dict[int, float]]]:
    plan = plan_of(build)
    rows = {name: np.full(_TEMPERATURES.size, float(doubt.value)) for name, doubt in plan.inputs.items()}
    if "temperature" in rows:
        rows["temperature"] = _TEMPERATURES
    nominal = evaluated(plan, rows, kinds)
    planned = np.full((_TEMPERATURES.size, len(kinds)), np.nan)
    for index, kind in enumerate(kinds):
        if kind in nominal:
            planned[:, index] = nominal[kind]
    known = {str(index): kind for index, kind in enumerate(kinds) if np.all(np.isfinite(planned[:, index]))}

    def usable(x: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        values = evaluated(plan, x, list(known.values()))
        return {key: np.exp(values[kind]) for key, kind in known.items() if np.all(np.isfinite(values[kind]))}

    found = {int(key): item for key, item in propagate(usable, plan.inputs).items()}
    for index, kind in enumerate(kinds):
        if kind.quantity == "field":
            built = predict_build(build)
            found[index] = meter_reading(built, gap=kind.gap, rod=pole_index(built, kind.pole))
            planned[:, index] = math.log(found[index].value)
        elif index not in found:
            planned[:, index] = np.nan
    causes: dict[str, dict[int, float]] = {}
    for index, item in found.items():
        for part in item.contributions:
            if part.name != "meter":  # a field's: counted as the gain of its meter
                causes.setdefault(part.name, {})[index] = part.deviation
    planned.setflags(write=False)
    return planned, causes


def wire_reading(evidence: WireEvidence) -> tuple[float, dict[str, float]]:
    """Return ln(ohms per metre) against the plan, and what one standard deviation of every cause does to it."""
    place, bare = evidence.place, evidence.wire.bare_limits
    celsius = 20.0 if place.celsius is None else place.celsius
    planned = 4 * float(copper_resistivity(temperature_c=celsius)) / (math.pi * bare.value**2)
    doubt = place.celsius_deviation if place.celsius is not None else UNKNOWN_CELSIUS
    warmer = celsius + (DEVIATIONS["temperature"][0] if doubt is None else doubt)
    effects = {
        "bare diameter": -2 * bare.deviation / bare.value,
        "copper resistivity": DEVIATIONS["copper resistivity"][0],
        SESSION_TEMPERATURE: math.log(
            float(copper_resistivity(temperature_c=warmer) / copper_resistivity(temperature_c=celsius))
        ),
        f"meter, resistance of {dict(place.meters).get('ohms', '')}": QUANTITIES["resistance"].gain,
        "measured length": math.hypot(evidence.deviation, QUANTITIES["resistance"].repeat),
    }
    return math.log(evidence.ohm_per_m / planned), effects
