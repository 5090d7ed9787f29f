"""The quantity reader: the trade's text with units to SI numbers, and back.

`parse_quantity` is told the unit it must find; that is what makes ``4k7``, ``22n``, ``500 pF/m`` and
``68 °F`` safe to read. `format_quantity` writes engineering notation that reads back to the same number.
Letter codes follow IEC 60062 (``4K7``, ``p33``, ``47KJ``).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from labkit.core.errors import InputError, QuantityError, did_you_mean, join_words

PREFIXES = {"f": -15, "p": -12, "n": -9, "µ": -6, "u": -6, "μ": -6, "m": -3, "": 0, "k": 3, "K": 3, "M": 6, "G": 9}
"""Powers of ten by prefix; both micro signs and the letter u are read."""

_WRITTEN_PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}

TOLERANCE_LETTERS = {
    "B": 0.001,
    "C": 0.0025,
    "D": 0.005,
    "F": 0.01,
    "G": 0.02,
    "J": 0.05,
    "K": 0.1,
    "M": 0.2,
    "N": 0.3,
}
"""IEC 60062 tolerance letters (1 = 100 %); below 10 pF the letters B to G mean pF and are refused."""


@dataclass(frozen=True, slots=True)
class Unit:
    """How one SI unit is written, which other spellings are read, and what each is worth.

    ``prefixed`` spellings take prefixes; ``spellings`` are worth a factor, and ``offsets`` are added: SI =
    number·factor + offset. ``letter`` is the IEC 60062 letter that stands for the decimal point without multiplier.
    """

    symbol: str
    noun: str
    example: str
    prefixed: tuple[str, ...] = ()
    spellings: Mapping[str, float] = field(default_factory=dict)
    offsets: Mapping[str, float] = field(default_factory=dict)
    bare_prefix: bool = False
    letter: str = ""

    @property
    def known(self) -> tuple[str, ...]:
        """Every spelling, without prefix."""
        return *self.prefixed, *self.spellings


_INCH, _FOOT, _POUND_FORCE = 0.0254, 0.3048, 4.4482216152605
_INCHES = dict.fromkeys(("in", "inch", '"'), _INCH)
_FEET = dict.fromkeys(("ft", "feet"), _FOOT)
_METRES = dict.fromkeys(("meter", "metre", "metres"), 1.0)
_OHMS_PER_FOOT = dict.fromkeys(("ohm/ft", "Ω/ft"), 1 / _FOOT)
_ZEROES = {"°F": -160 / 9, "K": -273.15}
_PER_LENGTH = {"pF/ft": 1e-12 / _FOOT, "nF/ft": 1e-9 / _FOOT, "pF/km": 1e-15, "nF/km": 1e-12}

UNITS: dict[str, Unit] = {
    unit.symbol: unit
    for unit in (
        Unit("Ω", "resistance", "4.7 kΩ", ("Ω", "ohm", "ohms", "Ohm", "R"), bare_prefix=True, letter="R"),
        Unit("F", "capacitance", "22 nF", ("F", "farad"), bare_prefix=True, letter="F"),
        Unit("H", "inductance", "2.4 H", ("H", "henry"), bare_prefix=True, letter="H"),
        Unit("Hz", "frequency", "4.1 kHz", ("Hz", "hz", "hertz"), bare_prefix=True),
        Unit("V", "voltage", "200 mV", ("V", "volt"), bare_prefix=True, letter="V"),
        Unit("A", "current", "10 µA", ("A",)),
        Unit("V/√Hz", "noise voltage density", "5 nV/√Hz", ("V/√Hz", "V/rtHz", "V/sqrt(Hz)")),
        Unit("A/√Hz", "noise current density", "0.5 pA/√Hz", ("A/√Hz", "A/rtHz", "A/sqrt(Hz)")),
        Unit("S", "conductance", "10 µS", ("S",)),
        Unit("T", "flux density", "50 mT", ("T", "tesla"), dict.fromkeys(("G", "gauss"), 1e-4)),
        Unit("A/m", "field strength", "50 kA/m", ("A/m",), {"Oe": 1000 / (4 * math.pi)}),
        Unit("J/m³", "energy product", "43.8 kJ/m³", ("J/m³", "J/m3"), {"MGOe": 1e5 / (4 * math.pi)}),
        Unit("m", "length", "5 m", ("m",), {**_INCHES, **_FEET, "mil": _INCH / 1000, "cm": 0.01, **_METRES}),
        Unit("F/m", "capacitance per length", "100 pF/m", ("F/m",), _PER_LENGTH),
        Unit("Ω/m", "resistance per length", "5.5 Ω/m", ("Ω/m", "ohm/m"), _OHMS_PER_FOOT),
        Unit("H/m", "inductance per length", "0.3 µH/m", ("H/m",)),
        Unit("Ω·m", "resistivity", "0.29 µΩ·m", ("Ω·m", "ohm m", "Ωm", "ohm.m")),
        Unit("°C", "temperature", "20 °C", (), {"°C": 1.0, "C": 1.0, "°F": 5 / 9, "K": 1.0}, _ZEROES),
        Unit("1/K", "temperature coefficient", "-0.02 %/K", ("1/K", "/K"), {"%/K": 0.01, "ppm/K": 1e-6}),
        Unit("1", "fraction", "10 %", spellings={"%": 0.01}),
        Unit("s", "time", "4 s", ("s",), {"min": 60.0}),
        Unit("kg", "mass", "35 g", spellings={"kg": 1.0, "g": 1e-3, "mg": 1e-6, "oz": 0.028349523125}),
        Unit("kg/m³", "density", "8.9 g/cm³", spellings={"kg/m³": 1.0, "kg/m3": 1.0, "g/cm³": 1e3, "g/cm3": 1e3}),
        Unit("kg/m", "mass per length", "0.4 g/m", spellings={"kg/m": 1.0, "g/m": 1e-3, "lb/in": 0.45359237 / _INCH}),
        Unit("N", "force", "73 N", ("N",), {"lbf": _POUND_FORCE}),
        Unit("Pa", "stress", "200 GPa", ("Pa",)),
        Unit("dB", "level", "-3 dB", spellings={"dB": 1.0}),
        Unit("°", "angle", "45 °", spellings={"°": 1.0, "deg": 1.0}),
        Unit("m/s", "speed", "1 m/s", ("m/s",)),
        # a prefix on an area is squared with its metre, so none is taken or written
        Unit("m²", "area", "600 mm²", spellings={"m²": 1.0, "mm²": 1e-6, "cm²": 1e-4}),
    )
}

_NUMBER = re.compile(r"[+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+\-−]?\d+)?")
_CODE = re.compile(r"([+\-−]?\d*)([A-Za-zµμΩ])(\d+)")
_LONGEST_TEXT = 60
_LONGEST_PLAIN = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualRange:
    """The range in which a part's value normally lies; a hundred times outside it a value is questioned.

    ``low`` and ``high`` are in SI. Zero is never questioned: it is a short or an absent part, not a slip.
    """

    low: float
    high: float

    FACTOR = 100.0

    def holds(self, value: float) -> bool:
        """Say whether ``value`` passes without a question."""
        return value == 0 or self.low / self.FACTOR < abs(value) < self.high * self.FACTOR


@dataclass(frozen=True, slots=True)
class Marking:
    """What an IEC 60062 marking says: value in SI and tolerance (1 = 100 %), None where no letter is given."""

    value: float
    tolerance: float | None


def parse_quantity(text: str, unit: str, *, usual: UsualRange | None = None) -> float:
    """Read a quantity in the trade's spelling and return it in SI.

    Parameters
    ----------
    text : str
        ``"4.7 kΩ"``, ``"4k7"``, ``"0.022 uF"``, ``"30 pF/ft"``, ``"68 °F"``, ``"10 %"`` … A trailing ``!``
        insists on a value outside ``usual``.
    unit : str
        Symbol of the SI unit expected; a key of `UNITS`. ``"1"`` reads fractions (``"10 %"`` is 0.1, ``"0.1"`` is 0.1).
    usual : UsualRange, optional
        Values 100 times outside are questioned, since they are nearly always a slip of the unit.

    Returns
    -------
    float, in ``unit``

    Raises
    ------
    QuantityError
        If the text is not a quantity, has another unit, is ambiguous, not finite, or questioned.

    >>> parse_quantity("4k7", "Ω"), parse_quantity("0.022 uF", "F"), parse_quantity("16 ft", "m")
    (4700.0, 2.2e-08, 4.8768)
    """
    insists = isinstance(text, str) and text.rstrip().endswith("!")
    value = parse_marking(text.rstrip().removesuffix("!") if insists else text, unit).value
    if usual is not None and not insists and not usual.holds(value):
        shown = format_quantity(value, unit)
        raise QuantityError(
            f"{shown} is far outside the usual {format_quantity(usual.low, unit)} to "
            f"{format_quantity(usual.high, unit)}{_slip(value, unit, usual)} Write '{text.strip()}!' to insist"
        )
    return value


def stated(text: str, unit: str, where: str, tolerance: float) -> tuple[float, float]:
    """Read ``220k ± 1 %`` or ``1 mm ± 0.02 mm``: a value and its 95 % half-width over it.

    Parameters
    ----------
    text : str
    unit : str
    where : str
        For messages.
    tolerance : float
        Taken where none is stated.

    Raises
    ------
    InputError
        If one of the two cannot be read, or the tolerance is not 0 to 50 %.
    """
    value_text, _, doubt = text.replace("+/-", "±").partition("±")
    try:
        value = parse_quantity(value_text.strip(), unit)
        if doubt.strip():
            share = "%" in doubt
            tolerance = parse_quantity(doubt.strip(), "1" if share else unit) / (1 if share or not value else value)
    except InputError as problem:
        raise InputError(f"{where}: {problem}") from None
    if not 0 <= tolerance <= 0.5:
        raise InputError(f"{where}: the tolerance must be 0 to 50 %; got {100 * tolerance:g} %")
    return value, tolerance


ROOM_HALF_WIDTH = 2.0
"""Of a temperature without a ±, K, 95 % (common practice, no source)."""


def stated_temperature(text: str, where: str = "temperature") -> tuple[float, float]:
    """Read ``23 °C ± 1``: value and standard deviation, °C; the half-width holds 95 %.

    Raises
    ------
    InputError
        If one of them cannot be read.
    """
    value, _, doubt = text.replace("+/-", "±").partition("±")
    try:
        celsius = parse_quantity(value.strip(), "°C")
        half = parse_quantity(doubt.strip().rstrip("°CK ") or "nothing", "1") if doubt.strip() else ROOM_HALF_WIDTH
    except InputError as problem:
        raise InputError(f"{where}: {problem}") from None
    if not 0 <= half < 50:
        raise InputError(f"{where}: the doubt of '{text}' must be 0 to 50 K")
    return celsius, half / 1.96


def name_and_value(text: str, requirement: str) -> tuple[str, str]:
    """Return name and value of a text NAME=VALUE, neither of them empty.

    Parameters
    ----------
    text : str
    requirement : str
        What is said to whoever wrote something else, as in "--set takes NAME=VALUE, such as volume=5".

    Raises
    ------
    InputError
        If there is no equals sign, or nothing on one side of it.

    Examples
    --------
    >>> name_and_value(" volume = 5 ", "--set takes NAME=VALUE, such as volume=5")
    ('volume', '5')
    """
    name, _, value = (part.strip() for part in text.partition("="))
    if not name or not value:
        raise InputError(f"{requirement}; got '{text}'")
    return name, value


def parse_marking(text: str, unit: str) -> Marking:
    """Read a quantity together with the IEC 60062 tolerance letter it may carry.

    Parameters and errors as `parse_quantity`.

    >>> parse_marking("4K7J", "Ω")
    Marking(value=4700.0, tolerance=0.05)
    """
    if unit not in UNITS:
        raise QuantityError(f"unknown unit '{unit}'.{did_you_mean(unit, UNITS)}")
    wanted = UNITS[unit]
    if not isinstance(text, str):
        raise QuantityError(
            f'a {wanted.noun} must be text with its unit, such as "{wanted.example}"; '
            f"got the bare {_noun(text)} {text!r}"
        )
    # the ohm sign of its own, which some keyboards write, is the Greek letter
    cleaned = re.sub(r"[\s\u00a0\u202f]+", " ", text).strip().replace("\N{OHM SIGN}", "Ω")
    if not cleaned:
        raise QuantityError(f'a {wanted.noun} is empty; write it with its unit, such as "{wanted.example}"')
    if len(cleaned) > _LONGEST_TEXT:
        raise QuantityError(
            f'a {wanted.noun} must be short text such as "{wanted.example}"; got {len(cleaned)} characters'
        )
    try:
        marking = _read_code(cleaned, wanted) or _read_number_and_unit(cleaned, wanted)
    except ArithmeticError:  # an exponent of many digits: beyond decimal arithmetic, let alone a float
        raise QuantityError(f"a {wanted.noun} must be finite; got '{cleaned}'") from None
    if marking is None:
        raise QuantityError(
            f"'{cleaned}' is not {_article(wanted.noun)} {wanted.noun}; write a number and its unit, such as "
            f'"{wanted.example}"'
        )
    if not math.isfinite(marking.value):
        raise QuantityError(f"a {wanted.noun} must be finite; got '{cleaned}'")
    return marking


def format_quantity(value: float, unit: str, *, digits: int | None = None, usual: UsualRange | None = None) -> str:
    """Write an SI number in engineering notation with its unit.

    Parameters
    ----------
    value : float
        Number in ``unit``.
    unit : str
        Symbol, a key of `UNITS`.
    digits : int, optional
        Significant digits; None writes as many as it takes to read back the same number.
    usual : UsualRange, optional
        Adds the ``!`` that `parse_quantity` asks for outside this range, so that a saved sheet reads back.

    Returns
    -------
    str
        For example ``"4.7 kΩ"``; no-break space between number and unit is left to the display.

    >>> format_quantity(4700, "Ω"), format_quantity(2.2e-8, "F"), format_quantity(0.1, "1")
    ('4.7 kΩ', '22 nF', '10 %')
    """
    if unit not in UNITS:
        raise QuantityError(f"unknown unit '{unit}'.{did_you_mean(unit, UNITS)}")
    insist = "!" if usual is not None and not usual.holds(value) else ""
    if not math.isfinite(value):
        raise QuantityError(f"only finite numbers can be written as a quantity; got {value}")
    if unit == "1":
        return f"{_digits(Decimal(repr(float(value))).scaleb(2), digits)} %{insist}"
    if not UNITS[unit].prefixed or unit == "1/K":
        return f"{_digits(Decimal(repr(float(value))), digits)} {unit}{insist}"
    exact = Decimal(repr(float(value)))
    if digits is not None and exact:
        exact = Decimal(f"{exact:.{max(digits - 1, 0)}e}")
    power = 3 * math.floor(exact.adjusted() / 3) if exact else 0
    power = min(max(power, -15), 9)
    return f"{_digits(exact.scaleb(-power), digits)} {_WRITTEN_PREFIXES[power]}{unit}{insist}"


def _digits(number: Decimal, digits: int | None) -> str:
    if digits is not None and number:
        number = Decimal(f"{number:.{max(digits - 1, 0)}e}")
        decimals = max(digits - 1 - number.adjusted(), 0)
        return f"{number:.{decimals}f}"
    text = f"{number:f}"
    if len(text) > _LONGEST_PLAIN:
        return f"{number.normalize():e}"  # beyond every prefix; written out it would be too long to be read again
    return (text.rstrip("0").rstrip(".") if "." in text else text) or "0"


def _read_code(text: str, unit: Unit) -> Marking | None:
    """Read an IEC 60062 code (``4k7``, ``p33``, ``470R``, ``4K7J``), optionally followed by the unit (``4k7 Ω``)."""
    if not unit.bare_prefix or "," in text or "." in text:
        return None
    body = text
    for spelling in sorted(unit.prefixed, key=len, reverse=True):
        if spelling != unit.letter and body.endswith(spelling) and len(body) > len(spelling):
            body = body.removesuffix(spelling).rstrip()
            break
    tolerance = None
    match = _CODE.fullmatch(body)
    if match is None and len(body) > 2 and body[-1] in TOLERANCE_LETTERS:
        match = _CODE.fullmatch(body[:-1])
        if match is None:
            whole = re.fullmatch(r"(\d+)([A-Za-zµμ])", body[:-1])
            if whole is None or body[-1] == unit.letter or (whole[2] not in PREFIXES and whole[2] != unit.letter):
                return None
            tolerance = TOLERANCE_LETTERS[body[-1]]
            power = 0 if whole[2] == unit.letter else PREFIXES[whole[2]]
            return Marking(_scaled(Decimal(whole[1]), power), tolerance)
        tolerance = TOLERANCE_LETTERS[body[-1]]
    if match is None:
        return None
    before, letter, after = match.groups()
    if letter != unit.letter and letter not in PREFIXES:
        return None
    power = 0 if letter == unit.letter else PREFIXES[letter]
    sign = "-" if before[:1] in ("-", "−") else ""
    number = Decimal(f"{sign}{before.lstrip('+-−') or '0'}.{after}")
    return Marking(_scaled(number, power), tolerance)


def _read_number_and_unit(text: str, unit: Unit) -> Marking | None:
    match = _NUMBER.match(text)
    if match is None:
        return None
    number = _decimal(match[0], text)
    spelled = text[match.end() :].strip()
    if spelled in unit.spellings:
        return Marking(_affine(number, unit.spellings[spelled], unit.offsets.get(spelled, 0.0)), None)
    for spelling in unit.prefixed:
        if spelled.endswith(spelling) and spelled.removesuffix(spelling).strip() in PREFIXES:
            return Marking(_scaled(number, PREFIXES[spelled.removesuffix(spelling).strip()]), None)
    if spelled == "":
        if number == 0 or unit.symbol == "1":
            return Marking(float(number), None)
        raise QuantityError(f"'{text}' has no unit; a {unit.noun} needs one, such as \"{unit.example}\"")
    if unit.bare_prefix and spelled in PREFIXES:
        return Marking(_scaled(number, PREFIXES[spelled]), None)
    other = [known for known in UNITS.values() if known.symbol != unit.symbol and _is_unit(spelled, known)]
    if other:
        nouns = join_words(dict.fromkeys(known.noun for known in other), "or")
        raise QuantityError(f"'{text}' is a {nouns}; a {unit.noun} is due here, such as \"{unit.example}\"")
    raise QuantityError(
        f"'{spelled}' in '{text}' is not a unit of {unit.noun}, write it like \"{unit.example}\"."
        f"{did_you_mean(spelled, unit.known)}"
    )


def _is_unit(spelled: str, unit: Unit) -> bool:
    return spelled in unit.spellings or any(
        spelled.endswith(name) and spelled.removesuffix(name).strip() in PREFIXES for name in unit.prefixed
    )


def _decimal(digits: str, text: str) -> Decimal:
    digits = digits.replace("−", "-")
    if "," in digits:
        whole, _, part = digits.partition(",")
        if len(re.sub(r"[eE].*", "", part)) == 3 and whole.lstrip("+-") not in ("", "0"):
            raise QuantityError(
                f"'{text}' is ambiguous: is the comma a decimal or a thousands mark? Write it with a point or a prefix"
            )
        digits = f"{whole}.{part}"
    return Decimal(digits)


def _scaled(number: Decimal, power: int) -> float:
    return float(number.scaleb(power))


def _affine(number: Decimal, factor: float, offset: float) -> float:
    """Scale exactly in decimal first: 10 % must be 0.1 and 16 ft 4.8768 to the last digit."""
    if offset == 0.0:
        return float(number * Decimal(repr(factor)))
    return float(number) * factor + offset


def _slip(value: float, unit: str, usual: UsualRange) -> str:
    for power in (-3, 3, -6, 6):
        candidate = float(Decimal(repr(value)).scaleb(power))
        if usual.low <= abs(candidate) <= usual.high:
            return f". Did you mean {format_quantity(candidate, unit)}?"
    return ". Check the unit."


def _noun(value: object) -> str:
    if isinstance(value, bool):
        return "true/false"
    return "number" if isinstance(value, int | float) else type(value).__name__


def _article(noun: str) -> str:
    return "an" if noun[:1] in "aeiou" else "a"
