"""What a pickup in the making is said to be: predicted numbers with their bounds and largest cause, the answers to the
winder's questions, and cautions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from labkit.app.kit.controls import Control, Value
from labkit.app.kit.pickup.made import Keys
from labkit.core.errors import InputError, capitalized
from labkit.core.sourced import Interval
from labkit.core.units import format_quantity
from labkit.pickup.network import LOAD_CAPACITANCE, LOAD_RESISTANCE
from labkit.pickup.predict.built import BuiltCoil, BuiltPickup, PickupChange
from labkit.pickup.predict.output import string_outputs
from labkit.pickup.predict.propagation import Prediction, prediction
from labkit.pickup.winding.winding import Winding
from labkit.view.drawings.interval import IntervalScale
from labkit.view.words import Reading, frequency_in_words, level_in_words, side_in_words

LOSS_AT_HZ = 5000.0
FIELD_AT_M = (1e-3, 3e-3)

_SCALES = {
    "Ω": IntervalScale(low=2e3, high=20e3),
    "H": IntervalScale(low=1.0, high=10.0),
    "F": IntervalScale(low=30e-12, high=300e-12),
    "T": IntervalScale(low=10e-3, high=200e-3),
    "Hz": IntervalScale(low=2e3, high=20e3),
    "dB": IntervalScale(low=-10.0, high=10.0, is_log=False),
}
"""What pickups of the usual kinds measure, by unit: common practice, no source."""
_HEIGHTS = IntervalScale(low=0.0, high=20.0, is_log=False)

_CAUSES = {
    "bare diameter": "the diameter of the copper",
    "film": "the thickness of the film",
    "packing": "how tightly the turns lie",
    "layer factor": "how the layers lie on one another",
    "turns": "the count of turns",
    "end radius": "the core's end radius",
    "straight length": "the straight length",
    "winding height": "the winding height",
    "stretch": "the wire's stretch in winding",
    "temperature": "the temperature",
    "copper resistivity": "the copper itself",
    "pole diameter": "the poles' diameter",
    "pole length": "the poles' length",
    "wax": "what wax does",
    "scatter": "how loosely the turns are scattered",
    "passes of the wire guide": "the passes of the wire guide",
    "cover capacitance": "the gaps to the cover",
    "lead": "the lead",
    "model of the peak": "the model itself",
    "model of the peak's height": "the model itself",
    "model of the field": "the model itself",
    "model of the output": "the model itself",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedRow:
    """One predicted number.

    Attributes
    ----------
    label : str
    value : str
        With its unit.
    bounds : str
        95 of 100 such pickups lie inside; empty where nothing is in doubt.
    cause : str
        What most of the doubt comes from.
    interval : Interval or None
        Best guess and bounds as numbers, for a drawing on ``scale``.
    """

    label: str
    value: str
    bounds: str = ""
    cause: str = ""
    interval: Interval | None = None
    scale: IntervalScale | None = None

    @property
    def sentence(self) -> str:
        """The row as running text."""
        text = f"{self.label}: {self.value}"
        if self.bounds:
            text += f", 95 of 100 between {self.bounds}"
        return text + (f", {self.cause}." if self.cause else ".")


def cause_in_words(prediction: Prediction) -> str:
    """Say what most of the doubt of a number comes from, with the next one where the two are close.

    >>> from labkit.pickup.predict.propagation import prediction
    >>> cause_in_words(prediction(5.0, {"bare diameter": 0.03, "packing": 0.01}, log=True))
    'mostly the diameter of the copper'
    """
    listed = [item for item in prediction.contributions if item.share > 0]
    if not listed:
        return ""
    first = _plain(listed[0].name)
    if len(listed) > 1 and listed[0].share < 0.5:
        return f"{first} and {_plain(listed[1].name)}"
    return f"mostly {first}"


def _plain(cause: str) -> str:
    name, _, coil = cause.partition(" of ")
    if cause in _CAUSES:
        return _CAUSES[cause]
    if name in _CAUSES and coil:
        return f"{_CAUSES[name]} of the {coil} coil"
    if cause.startswith("model of "):
        return f"the model of {cause.removeprefix('model of ')}"
    return f"the {cause}"


def value_rows(built: BuiltPickup) -> tuple[PredictedRow, ...]:
    """Return what a pickup will measure and do, at its own leads."""
    total = built.total
    load = f"{format_quantity(LOAD_CAPACITANCE, 'F')} and {format_quantity(LOAD_RESISTANCE, 'Ω')}"
    rows = [
        _row("DC resistance at 20 °C", total.resistance, "Ω"),
        _row("Inductance", total.inductance, "H"),
    ]
    if total.air_inductance is not None and total.air_inductance.value < 0.999 * total.inductance.value:
        rows.append(_row("Inductance without poles", total.air_inductance, "H"))
    rows.append(_row("Capacitance with its lead", total.capacitance, "F", digits=2))
    if (loss := built.loss_resistance.get(LOSS_AT_HZ)) is not None:
        rows.append(_row("Loss in series at 5 kHz", loss, "Ω", digits=2))
    rows.append(
        _frequency(f"Peak into {load}", built.loaded_resonance)
        if built.loaded_resonance
        else PredictedRow(label=f"Peak into {load}", value="no peak")
    )
    if built.loaded_height_db is not None:
        rows.append(_level("Height of that peak", built.loaded_height_db))
    if built.resonance is not None:
        rows.append(_frequency("Peak with nothing connected", built.resonance))
    for distance, field in zip(built.field_at, built.field_t):
        if distance in FIELD_AT_M:
            rows.append(_row(f"Field {1e3 * distance:.0f} mm over a pole", field, "T", digits=2))
    if built.output_db is not None:
        rows.append(_level("Output against the reference coil", built.output_db, signed=True))
    if (hum := built.hum_ratio) is not None:
        best, low, high = (f"{100 * end:.1f} %" for end in (hum.value, hum.low, hum.high))
        rows.append(
            PredictedRow(
                label="Hum over that of one coil", value=best, bounds=f"{low} … {high}", cause=cause_in_words(hum)
            )
        )
    rows += _string_rows(built)
    return tuple(rows)


def _string_rows(built: BuiltPickup) -> list[PredictedRow]:
    """Output, pull and window from the thinnest string to the thickest."""
    outputs = string_outputs(built.build)
    if not outputs:
        return []
    first, last = outputs[0].sensitivity, outputs[-1].sensitivity
    ends = [[f"{1e3 * bound:.0f}" for bound in (each.low, each.high)] for each in (first, last)]
    pulls, windows = [output.pull for output in outputs], [output.window for output in outputs]
    names = [output.string.partition(",")[0] for output in outputs]
    return [
        PredictedRow(
            label=f"Output of {names[0]} to {names[-1]}, mV per m/s",
            value=", ".join(f"{1e3 * output.sensitivity.value:.0f}" for output in outputs),
            bounds=", ".join(f"{low} … {high} ({name})" for (low, high), name in zip(ends, (names[0], names[-1]))),
            cause="model, not measured",
        ),
        _spread("Pull on the strings", pulls, "mN", digits=0),
        _spread("Length of string heard", windows, "mm", digits=1),
    ]


def _spread(label: str, found: Sequence[Prediction], unit: str, *, digits: int) -> PredictedRow:
    """From the least of several numbers to the greatest, in thousandths."""
    least, most = (pick(found, key=lambda each: each.value) for pick in (min, max))
    value = " to ".join(f"{1e3 * each.value:.{digits}f}" for each in (least, most))
    return PredictedRow(
        label=label,
        value=f"{value} {unit}",
        bounds=f"{1e3 * least.low:.{digits}f} … {1e3 * most.high:.{digits}f} {unit}",
        cause=cause_in_words(most),
    )


def coil_rows(winding: Winding, spool: str) -> tuple[PredictedRow, ...]:
    """Return what the winder wants to know of one coil."""
    length, wide = winding.finished_size
    return (
        PredictedRow(label="Turns in a layer", value=f"{winding.turns_per_layer:.0f}"),
        PredictedRow(label="Layers, if each were tight", value=f"{winding.layers:.0f}"),
        PredictedRow(label="Wire off the spool", value=f"{winding.spool_length:.0f} m"),
        PredictedRow(label="Copper", value=f"{1e3 * winding.copper_mass:.1f} g of {spool}"),
        PredictedRow(label="Wound size", value=f"{1e3 * length:.1f} × {1e3 * wide:.1f} mm"),
        PredictedRow(label="Mean turn", value=f"{1e3 * winding.mean_turn:.0f} mm"),
    )


def fit_sentence(winding: Winding, flange: float) -> str:
    """Say whether the turns fit inside the flange, and how many do."""
    fit = winding.turns_that_fit(flange)
    over = winding.outer_radius - flange
    if over > 1e-9 * flange:
        if fit < 1:
            return "It does not fit: the flange is no larger than the core, so not one turn does."
        return (
            f"It does not fit: {winding.turns:.0f} turns stand out over the flange by {1e3 * over:.1f} mm all round; "
            f"{fit} turns fit."
        )
    return (
        f"It fits, with {1e3 * max(-over, 0.0):.1f} mm left all round; "
        f"a full bobbin holds {fit} turns, {fit - round(winding.turns)} more."
    )


def fit_in_short(winding: Winding, flange: float) -> str:
    """Say whether the turns fit, as a heading carries it."""
    left = 1e3 * (flange - winding.outer_radius)
    return f"✓ fits, {max(left, 0.0):.1f} mm left" if left > -1e-6 else f"✕ {-left:.1f} mm too big"


def winding_answer(built: BuiltPickup, turns: float | None, reading: Reading, change: PickupChange | None) -> str:
    """Return what a pickup should read and do, in one sentence, HTML.

    Parameters
    ----------
    built : BuiltPickup
    turns : float or None
        Of its only coil.
    reading : Reading
        Of its rig's curve.
    change : PickupChange or None
        From B.
    """
    who = "This pickup" if turns is None else f"{turns:,.0f} turns"
    parts = [f"{who} should read <em>{quantity_in_words(built.total.resistance.value, 'Ω')}</em>"]
    if reading.peak_hz is not None:
        parts.append(f" and peak at <em>{frequency_in_words(reading.peak_hz)}</em> in this rig")
    if change is not None and change.level_db is not None and abs(change.level_db.value) >= 0.05:
        side = side_in_words(change.level_db, "stronger", "weaker")
        size = level_in_words(abs(change.level_db.value))
        parts.append(f", {size} {side} than B" if side else "; which of A and B is stronger is not settled")
    return "".join(parts) + "."


def change_sentence(change: PickupChange, name: str) -> str:
    """Say what differs from a kept pickup; causes that both share are taken out of the bounds."""
    parts = [
        _ratio("resistance", change.resistance),
        _ratio("inductance", change.inductance),
    ]
    if change.loaded_resonance is not None:
        parts.append(_ratio("loaded peak", change.loaded_resonance))
    if change.loaded_height_db is not None:
        parts.append(_difference("its height", change.loaded_height_db))
    parts.append(
        _difference("output", change.level_db)
        if change.level_db is not None
        else "output not comparable, because one of the two has no magnet whose field is modelled"
    )
    return f"Against {name}: {'; '.join(parts)}."


def cautions(keys: Keys) -> tuple[str, ...]:
    """Return what can hurt in making this pickup; local codes and the data sheets of the products come first."""
    found = [
        "Winding: a turning machine takes hair, sleeves and loose wire along; tie them back and keep fingers away. "
        "Fine wire whips when it breaks: wear eye protection.",
        "Soldering the lead: draw the fumes off, wash your hands where the solder has lead, and keep heat off the "
        "magnets.",
    ]
    has_magnet = any(key.endswith(".grade") for key in keys)
    if has_magnet:
        found.append(
            "Charging magnets: a magnetiser holds enough energy to kill and throws parts; trained persons only, and "
            "nobody with a pacemaker near. Shock, cold and foreign fields lower the charge of alnico afterwards."
        )
        found.append(
            "Heating a magnet, or a pickup with it, burns fingers and gives off fumes from wax, glue and enamel: wear "
            "gloves, let fresh air in, and go no hotter than wire and bobbin stand."
        )
        found.append("Grinding or sanding magnets makes harmful dust: wear a mask.")
    if str(keys.get("wax", "0 %")).split()[0] not in ("0", "0.0"):
        found.append("Wax: a double boiler with a thermostat, never over a flame and never left alone.")
    return tuple(found)


def not_modelled() -> str:
    """Say what the numbers leave out, and how far the weak ones may be trusted."""
    return (
        "Most doubtful is the capacitance (± 30 % or worse), and with it the peak with nothing connected; a known "
        "cable hides it, so the loaded peak is good to ± 6 %. A cover's effect is known to ± 40 %. Output counts from "
        "8000 turns of 42 gauge around six alnico 5 rods, strings at 3 mm; volts, wound against plain strings and the "
        "order of magnet grades are modelled, not measured. Not modelled: hysteresis of steel, saturation of steel "
        "poles, magnetic baseplates, screw threads, charge-dependent permeability."
    )


def quantity_in_words(value: float, unit: str, digits: int = 3) -> str:
    """Write a quantity to a few digits.

    >>> quantity_in_words(5804.6, "Ω"), quantity_in_words(0.1006, "T", 2)
    ('5.80 kΩ', '100 mT')
    """
    return format_quantity(float(f"{value:.{digits}g}"), unit, digits=None if digits < 3 else digits)


def _row(label: str, prediction: Prediction, unit: str, digits: int = 3) -> PredictedRow:
    value = quantity_in_words(prediction.value, unit, digits)
    low, high = (quantity_in_words(bound, unit, digits) for bound in (prediction.low, prediction.high))
    return PredictedRow(
        label=label,
        value=value,
        bounds=f"{low} … {high}" if prediction.high > prediction.low else "",
        cause=cause_in_words(prediction),
        interval=prediction.interval,
        scale=_SCALES[unit],
    )


def _frequency(label: str, prediction: Prediction) -> PredictedRow:
    low, high = frequency_in_words(prediction.low), frequency_in_words(prediction.high)
    return PredictedRow(
        label=label,
        value=frequency_in_words(prediction.value),
        bounds=f"{low} … {high}" if prediction.high > prediction.low else "",
        cause=cause_in_words(prediction),
        interval=prediction.interval,
        scale=_SCALES["Hz"],
    )


def _level(label: str, prediction: Prediction, *, signed: bool = False) -> PredictedRow:
    def write(level: float) -> str:
        return f"+{level_in_words(level)}" if signed and level > 0.05 else level_in_words(level)

    return PredictedRow(
        label=label,
        value=write(prediction.value),
        bounds=f"{write(prediction.low)} … {write(prediction.high)}" if prediction.high > prediction.low else "",
        cause=cause_in_words(prediction),
        interval=prediction.interval,
        scale=_SCALES["dB"] if signed else _HEIGHTS,
    )


def _ratio(what: str, prediction: Prediction) -> str:
    change = 100 * (prediction.value - 1)
    half = 100 * (prediction.high - prediction.low) / 2
    if abs(change) < 0.05 and half < 0.05:
        return f"{what} the same"
    return f"{what} {abs(change):.1f} % {'up' if change >= 0 else 'down'} (± {half:.1f} %)"


def _difference(what: str, value: Prediction | Interval) -> str:
    half = (value.high - value.low) / 2
    if abs(value.value) < 0.05 and half < 0.05:
        return f"{what} the same"
    doubt = f" (± {half:.1f} dB)" if half >= 0.05 else ""
    if half >= 0.05 and value.low < 0 < value.high:
        return f"{what} up or down, not settled (best guess {value.value:+.1f} dB, ± {half:.1f} dB)".replace("-", "−")
    return f"{what} {abs(value.value):.1f} dB {'up' if value.value >= 0 else 'down'}{doubt}"


_RESISTANCES = tuple(float(f"{0.1 * step:.1f}e3") for step in range(5, 201))

TOOL_CONTROLS = (
    Control(
        key="target",
        label="Wanted resistance",
        kind="slider",
        unit="Ω",
        positions=_RESISTANCES,
        low=1.0,
        high=200e3,
        note="wanted",
    ),
    Control(
        key="broke",
        label="Wire broke, it reads",
        kind="slider",
        unit="Ω",
        positions=_RESISTANCES,
        low=1.0,
        high=200e3,
        note="broke at",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WinderAnswer:
    """The answer to one question at the winder.

    Attributes
    ----------
    key : str
    text : str
        The answer in a sentence, with its bounds.
    turns : int or None
        Turns that can be taken over; None where there are none.
    """

    key: str
    text: str
    turns: int | None = None


def answers(
    winding: Winding, coil: BuiltCoil, *, flange: float, entered: Mapping[str, Value]
) -> tuple[WinderAnswer, ...]:
    """Return the three answers for one coil.

    Parameters
    ----------
    winding : Winding
        Of the coil; its turns are the goal of a broken one.
    coil : BuiltCoil
        The same coil's predictions, for the bounds.
    flange : float, m
        Outer end radius of the flange.
    entered : mapping of str to float, Ω
        ``target`` and ``broke``, of the coil at 20 °C.
    """
    return (
        _for_resistance(winding, coil, flange, float(entered["target"])),
        _full(winding, flange),
        _broken(winding, coil, float(entered["broke"])),
    )


def _for_resistance(winding: Winding, coil: BuiltCoil, flange: float, wanted: float) -> WinderAnswer:
    turns = round(winding.turns_in(wanted))
    low, high = _bounds(winding, coil, wanted)
    text = (
        f"{turns} turns of {winding.wire.name} read {format_quantity(wanted, 'Ω')} at 20 °C; "
        f"depending on the spool it takes {low:.0f} to {high:.0f}."
    )
    fit = winding.turns_that_fit(flange)
    if turns > fit:
        return WinderAnswer(key="target", text=f"{text} Only {fit} fit this bobbin: a thinner wire would.", turns=None)
    return WinderAnswer(key="target", text=text, turns=turns)


def _full(winding: Winding, flange: float) -> WinderAnswer:
    try:
        full = winding.full_bobbin(flange)
    except InputError as error:
        return WinderAnswer(key="full", text=f"{capitalized(str(error))}.")
    return WinderAnswer(
        key="full",
        text=(
            f"A full bobbin holds {full.turns:.0f} turns and reads about "
            f"{format_quantity(float(f'{full.resistance():.3g}'), 'Ω')}."
        ),
        turns=round(full.turns),
    )


def _broken(winding: Winding, coil: BuiltCoil, read: float) -> WinderAnswer:
    goal = f"{winding.turns:.0f} turns"
    try:
        left = winding.turns_left(read)
    except InputError:
        return WinderAnswer(
            key="broke",
            text=(
                f"{format_quantity(read, 'Ω')} is more than all {goal} read "
                f"({format_quantity(float(f'{winding.resistance():.3g}'), 'Ω')}): check the wire, the temperature and "
                "the turns."
            ),
        )
    low, high = _bounds(winding, coil, read)
    return WinderAnswer(
        key="broke",
        text=(
            f"{winding.turns - left:.0f} turns are on ({low:.0f} to {high:.0f}), so about {left:.0f} of {goal} are "
            "left to wind. A whole coil from the same spool as a standard would say it more closely."
        ),
    )


def _bounds(winding: Winding, coil: BuiltCoil, resistance: float) -> tuple[float, float]:
    """Turns, 95 %, that a resistance may mean: everything in doubt but the count of turns, which is what is asked."""
    doubt = _without_turns(coil.resistance)
    return (
        winding.turns_in(resistance * doubt.value / doubt.high),
        winding.turns_in(resistance * doubt.value / doubt.low),
    )


def _without_turns(resistance: Prediction) -> Prediction:
    deviations = {
        item.name: item.deviation
        for item in resistance.contributions
        if item.name != "turns" and not item.name.startswith("turns of ")
    }
    return prediction(resistance.value, deviations, log=True)
