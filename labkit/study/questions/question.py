"""What a ready question is: its words, what it asks for, the function that answers it, and what the answer holds.

One record, in `labkit.study.questions.ready.QUESTIONS`, is all there is to a question: the command ``labkit search``,
the page of tolerances and searches, the first page and the reference of questions are made from it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from labkit.core.errors import InputError, QuantityError, did_you_mean, join_words
from labkit.core.grid import frequency_grid
from labkit.core.keys import Key
from labkit.core.units import format_quantity, parse_quantity
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig

GRID_HZ = frequency_grid(50.0, 20_000.0, 256)

SILENCE = 1e-6
"""Gain at 1 kHz below which a pickup counts as switched off; an open contact or a volume at 0 leaves far less."""

InputKind = Literal["quantity", "band", "rig", "names", "word"]


@dataclass(frozen=True, slots=True, kw_only=True)
class QuestionAnswer:
    """The answer to a ready question.

    Attributes
    ----------
    question : str
    sentence : str
        The answer in words.
    value : float
        In ``unit``.
    unit : str
    stocked : float or None
        Nearest preferred value.
    left_db : float or None
        What is still different: root mean square over 80 Hz to 8 kHz after matching levels, with the stocked value.
    rests_on : tuple of str
        What was assumed.
    rows : tuple of mapping
        Alternatives or a table, SI with the unit in the key.
    rig : Rig or None
        The rig with the answer built in: the stocked value where there is one.
    """

    question: str
    sentence: str
    value: float
    unit: str
    stocked: float | None = None
    left_db: float | None = None
    rests_on: tuple[str, ...] = ()
    rows: tuple[dict[str, Any], ...] = field(default=())
    rig: Rig | None = field(default=None, repr=False, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuestionInput:
    """One thing that a question asks for beside its rig.

    Attributes
    ----------
    name : str
        Option of the command (``--at``) and key of the page's control (``own.at``).
    argument : str
        Keyword of the function; the name unless stated.
    meaning : str
        What it is, for the command's help.
    label : str
        What the page calls it; the page leaves an input without a label as it is usual.
    kind : str
        A quantity, a band (two frequencies), a rig, names (one or several), or a word.
    unit : str
        Of a quantity, SI.
    default : Any
        Where nothing is given; None leaves it to the function, or asks for it where ``is_needed``.
    is_needed : bool
        True where the command has to be told.
    low, high : float
        Limits of a quantity, SI, inclusive.
    offered : tuple or callable
        What the page lets choose from: values, words, or ``offered(rig)``; a mapping of words to names for names.
    start : float, str or callable, optional
        Where the page stands at first, or ``start(rig)``; the default, or the first offered, unless stated.
    """

    name: str
    meaning: str
    argument: str = ""
    label: str = ""
    kind: InputKind = "quantity"
    unit: str = ""
    default: Any = None
    is_needed: bool = False
    low: float = -math.inf
    high: float = math.inf
    offered: Any = ()
    start: Any = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "argument", self.argument or self.name)

    @property
    def terms(self) -> str:
        """What is said of it in a table: whether it must be given, its default, its limits."""
        said = ["needed"] if self.is_needed else []
        if self.kind == "quantity":
            if self.default is not None:
                said.append(f"{format_quantity(self.default, self.unit)} unless given")
            said.append(f"{format_quantity(self.low, self.unit)} to {format_quantity(self.high, self.unit)}")
        elif isinstance(self.default, str):
            said.append(f"{self.default} unless given")
        return f"({', '.join(said)})" if said else ""

    def offers(self, rig: Rig) -> Any:
        """Return what the page lets choose from for a rig."""
        return self.offered(rig) if callable(self.offered) else self.offered

    def starts_at(self, rig: Rig) -> Any:
        """Return where the page stands at first."""
        first = self.start(rig) if callable(self.start) else self.start
        if first is not None:
            return first
        return self.default if self.default is not None else next(iter(self.offers(rig)))

    def read(self, given: Any) -> Any:
        """Return the value that the function takes from the texts of a command.

        Raises
        ------
        InputError
            If it is missing or cannot be read, or lies outside its limits.
        """
        if not given:
            if self.is_needed:
                raise InputError(f"this question needs --{self.name}")
            return self.default
        if self.kind == "quantity":
            try:
                return Key(name=f"--{self.name}", unit=self.unit, low=self.low, high=self.high, default=None).check(
                    _quantity(given, self.unit)
                )
            except QuantityError as error:
                raise InputError(f"--{self.name}: {error}") from None
        if self.kind == "band":
            low, _, high = str(given).partition(" to ")
            try:
                return parse_quantity(low, "Hz"), parse_quantity(high, "Hz")
            except QuantityError:
                raise InputError(f"--{self.name} is written LOW to HIGH, such as '2k to 5k'; got '{given}'") from None
        return load_rig(given) if self.kind == "rig" else given


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A question that is asked every week, and who answers it.

    Attributes
    ----------
    name : str
        What ``labkit search`` calls it.
    asks : str
        The question in words.
    answer : str
        What is found, in terms of the options: for the command's help.
    function : callable
        ``function(rig, **arguments)`` returns a `QuestionAnswer`.
    inputs : tuple of QuestionInput
    rests_on : str
        What every answer assumes.
    hint : str
        One line of the first page: what is found, without the options.
    asked_by : str
        Heading of the first page under which it stands; empty leaves it to the page that asks it by itself.
    suits : callable
        ``suits(rig)``: whether a rig has what is asked about.
    note : str
        What the page says of whom it may be asked.
    found, found_note, counts : str
        What the page calls the value, what it says beside it, and what is counted where the value is a number.
    is_soldered : bool
        True where doing what is found means soldering, so that the page cautions.
    """

    name: str
    asks: str
    answer: str
    function: Callable[..., QuestionAnswer]
    inputs: tuple[QuestionInput, ...]
    rests_on: str
    hint: str = ""
    asked_by: str = ""
    suits: Callable[[Rig], bool] = lambda rig: bool(rig.pickups)
    note: str = ""
    found: str = "It takes"
    found_note: str = ""
    counts: str = ""
    is_soldered: bool = True

    def ask(self, rig: Rig, given: Mapping[str, Any]) -> QuestionAnswer:
        """Return the answer for the texts of a command, by the names of the inputs.

        Raises
        ------
        InputError
            If something is missing, cannot be read, or belongs to another question.
        """
        takes = {each.name: each for each in self.inputs}
        for name, value in given.items():
            if value and name not in takes:
                options = ", ".join(f"--{item}" for item in takes)
                raise InputError(f'"{self.name}" takes {options}; got --{name}')
        read = {each.argument: each.read(given.get(each.name)) for each in self.inputs}
        return self.function(rig, **{name: value for name, value in read.items() if value is not None})


def heard_slot(rig: Rig, slot: str | None = None) -> str:
    """Return the slot that a question is about: the one asked for, or the first that is heard at the settings.

    Raises
    ------
    InputError
        If there is no such slot, or it is switched off: nothing that is changed there would reach the output.
    """
    if slot is not None and slot not in rig.pickups:
        raise InputError(f"rig '{rig.name}' has no pickup '{slot}'.{did_you_mean(slot, rig.pickups)}")
    at = np.array([1000.0])
    heard = [name for name in rig.pickups if abs(rig.evaluate(at, source=name)[0]) > SILENCE]
    if slot is None and heard:
        return heard[0]
    if slot is None or slot not in heard:
        which = f"'{slot}'" if heard else "no pickup"
        others = f"; {join_words(heard)} does" if heard else ""
        raise InputError(
            f"{which} of rig '{rig.name}' {'does not reach' if heard else 'reaches'} the output at these settings"
            f"{others}; set its switches and volumes first"
        )
    return slot


def require_positive(**values: float) -> None:
    """Refuse values that are not above 0; InputError names them."""
    for name, value in values.items():
        if not 0 < value < math.inf:
            raise InputError(f"{name.replace('_', ' ')} must be above 0; got {value:g}")


def shown(value: float, unit: str) -> str:
    """Write a value with three digits."""
    return format_quantity(value, unit, digits=3)


def _quantity(text: str, unit: str) -> float:
    """A quantity; a frequency or a level may be a bare number, which can only be meant in hertz or decibels."""
    if unit in ("Hz", "dB"):
        try:
            return float(text)
        except ValueError:
            pass
    return parse_quantity(text, unit)
