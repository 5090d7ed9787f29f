"""From the pulses of a lifted string to volts per velocity, with an interval.

The integral of the voltage over a lift is the mean sensitivity over the lift times its height, whatever the motion:
∫e dt = ∫S dz. It takes volts per full scale of the input and the height of the shim, and nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from labkit.bench.shim.pulses import LiftReading
from labkit.core.errors import InputError, join_words
from labkit.pickup.predict.propagation import COVERAGE, Doubtful, Prediction, prediction, ratio

PULSES, FULL_SCALE, SHIM, LOAD = (
    "scatter of the pulses",
    "volts per full scale",
    "height of the shim",
    "load of the input",
)

INPUT_RESISTANCE = 1e6
"""Of an instrument input, where no other is stated, Ω (common practice, no source)."""

INPUT_DEVIATION = 0.1
"""Relative standard deviation of it."""

NOT_IN_PREDICTION = (
    "The prediction's interval holds steel, field, turns, gap (± 0.2 mm) and the model; not hysteresis of the string, "
    "nor a string that lies beside its pole."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftScale:
    """What turns a recording into volts per velocity.

    Parameters
    ----------
    full_scale : Doubtful, V
        Peak voltage at the input that reaches full scale.
    shim : Doubtful, m
    coil_resistance : float, Ω
        Of the pickup; 0 leaves the load of the input uncounted.
    input_resistance : float, Ω
    """

    full_scale: Doubtful
    shim: Doubtful
    coil_resistance: float = 0.0
    input_resistance: float = INPUT_RESISTANCE

    def __post_init__(self) -> None:
        if not 1e-4 <= self.full_scale.value <= 100:
            raise InputError(f"volts per full scale must be 0.1 mV to 100 V; got {self.full_scale.value:g} V")
        if not 1e-4 <= self.shim.value <= 5e-3:
            raise InputError(f"the shim must be 0.1 to 5 mm high; got {1e3 * self.shim.value:g} mm")
        if not self.input_resistance > 10 * self.coil_resistance:
            raise InputError("the input loads the pickup too much to be counted out; use an instrument input (1 MΩ)")

    @property
    def shared_deviation(self) -> float:
        """Relative standard deviation that full scale and shim bring to every string alike."""
        return math.hypot(self.full_scale.deviation, self.shim.deviation)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredLift:
    """One string's sensitivity as measured.

    Attributes
    ----------
    string : str
        Its note, such as ``E4``.
    reading : LiftReading
    integral : Prediction, V·s
        Of the voltage over one change of height.
    sensitivity : Prediction, V/(m/s)
        Mean over the lift.
    """

    string: str
    reading: LiftReading
    integral: Prediction
    sensitivity: Prediction


def measured_lift(reading: LiftReading, string: str, scale: LiftScale) -> MeasuredLift:
    """Return the sensitivity that a reading stands for.

    S = flux·V_fs·(1 + R/R_in)/h. The pulses' scatter is widened so that the whole interval is Student's, with the
    effective degrees of freedom of Welch and Satterthwaite (JCGM 100:2008, G.4).

    Parameters
    ----------
    reading : LiftReading
    string : str
    scale : LiftScale
    """
    load = scale.coil_resistance / scale.input_resistance
    known: dict[str, float] = {FULL_SCALE: scale.full_scale.deviation}
    if load:
        known[LOAD] = INPUT_DEVIATION * load / (1 + load)
    integral = reading.flux * scale.full_scale.value * (1 + load)
    whole = known | {SHIM: scale.shim.deviation}
    return MeasuredLift(
        string=string,
        reading=reading,
        integral=prediction(integral, known | {PULSES: _widened(reading, known)}, log=True),
        sensitivity=prediction(integral / scale.shim.value, whole | {PULSES: _widened(reading, whole)}, log=True),
    )


def _widened(reading: LiftReading, known: Mapping[str, float]) -> float:
    """Standard deviation for the pulses' scatter that makes a normal interval of the whole as wide as Student's."""
    from scipy.special import stdtrit

    if not reading.deviation:
        return 0.0
    others = math.fsum(part**2 for part in known.values())
    whole = others + reading.deviation**2
    freedom = whole**2 / (reading.deviation**4 / reading.freedom)
    return math.sqrt((float(stdtrit(freedom, 0.975)) / COVERAGE) ** 2 * whole - others)


def over_plan(lift: MeasuredLift, predicted: Prediction) -> Prediction:
    """Return measured over predicted, dB."""
    found = ratio(lift.sensitivity, predicted)
    value, low, high = (20 * math.log10(each) for each in (found.value, found.low, found.high))
    return Prediction(value=value, low=low, high=high)


def lifts_in_words(over_db: Mapping[str, Prediction], build: str) -> str:
    """Say which lifted strings lie outside what a build predicts; a sign only where the interval does not hold zero.

    Parameters
    ----------
    over_db : mapping of str to Prediction, dB
        `over_plan` by note.
    build : str
        What the build is called.
    """
    inside = [note for note, each in over_db.items() if each.low <= 0 <= each.high]
    far = [
        f"{note}, {abs(each.value):.1f} dB {'more' if each.value > 0 else 'less'}"
        for note, each in over_db.items()
        if note not in inside
    ]
    lie = "lie" if len(inside) > 1 else "lies"
    if not far:
        return f"{join_words(inside)} {lie} within what {build} predicts."
    said = f"Outside what {build} predicts: {'; '.join(far)}. "
    said += "Height, turns, magnets or strings are not what the sheet says."
    return f"{said} {join_words(inside)} {lie} within." if inside else said
