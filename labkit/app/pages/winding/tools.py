"""What is asked at the winder: turns for a resistance, turns that fill the bobbin, turns left when the wire broke."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from labkit.app.kit.controls import Control, Value
from labkit.core.errors import InputError
from labkit.core.units import format_quantity
from labkit.pickup.predict.built import BuiltCoil
from labkit.pickup.predict.compare import prediction
from labkit.pickup.predict.propagation import Prediction
from labkit.pickup.winding.winding import Winding

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
        return WinderAnswer(key="full", text=f"{str(error)[:1].upper()}{str(error)[1:]}.")
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
