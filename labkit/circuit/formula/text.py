"""How a formula is written out: plain text for a terminal, LaTeX for a page, and a mapping for JSON."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from labkit.circuit.formula.evaluation import Sensitivity
from labkit.circuit.formula.formula import Formula
from labkit.circuit.formula.polynomial import Monomial, Polynomial
from labkit.core.units import format_quantity

WIDTH = 100
"""Columns of plain text."""

LONGEST_FRACTION = 24
"""Terms of numerator and denominator together up to which LaTeX writes one fraction."""

_HEADS = {"transfer": ("H", "output voltage over EMF, V/V"), "output impedance": ("Z_out", "output impedance, Ω")}


def formula_text(formula: Formula) -> str:
    """Return the whole formula as plain text: symbols, polynomials, numbers, sensitivities and statements."""
    head, meaning = _HEADS[formula.quantity]
    lines = [f"{formula.name}: {head}(s), {meaning}", "", f"{head}(s) = N(s) / D(s)", ""]
    factor = _display_factor(formula)
    for letter, polynomial in (("N", formula.rational.numerator), ("D", formula.rational.denominator)):
        lines += [*_polynomial_lines(f"{letter}(s)", polynomial, factor), ""]
    if formula.symbols:
        lines.append("where")
        longest = max(len(symbol.name) for symbol in formula.symbols)
        for symbol in formula.symbols:
            value = format_quantity(symbol.value, symbol.unit, digits=6) if symbol.unit != "1" else f"{symbol.value:g}"
            lines.append(f"  {symbol.name:<{longest}} = {_tidy(value):<12} {symbol.combination or symbol.parts[0]}")
        lines.append("")
    lines += [*_number_lines(formula), "", *_sensitivity_lines(formula.sensitivities()), ""]
    for statement in formula.statements:
        lines += textwrap.wrap(statement, WIDTH)
    return "\n".join(lines).rstrip() + "\n"


def formula_latex(formula: Formula) -> str:
    """Return the formula in LaTeX; a long one as three aligned lines of fraction, numerator and denominator."""
    names = {symbol.name: symbol.latex for symbol in formula.symbols}
    head = {"transfer": "H", "output impedance": r"Z_{\mathrm{out}}"}[formula.quantity]
    factor = _display_factor(formula)
    rational = formula.rational
    above, below = (_latex_polynomial(side, names, factor) for side in (rational.numerator, rational.denominator))
    if len(rational.numerator) + len(rational.denominator) <= LONGEST_FRACTION:
        return rf"{head}(s) = \frac{{{' '.join(above)}}}{{{' '.join(below)}}}"
    rows = [rf"{head}(s) &= \frac{{N(s)}}{{D(s)}}"]
    for letter, parts in (("N", above), ("D", below)):
        first, *others = parts
        rows += [f"{letter}(s) &= {first}", *(rf"&\quad {part}" for part in others)]
    body = " \\\\\n".join(rows)
    return f"\\begin{{aligned}}\n{body}\n\\end{{aligned}}"


def formula_coefficients(formula: Formula) -> dict[str, list[float]]:
    """Return the coefficients of numerator and denominator by rising powers of s, in SI; the denominator's first is 1.

    Where the denominator has no constant term its lowest one is 1.
    """
    above, below = (side.in_si() for side in (formula._scaled.numerator, formula._scaled.denominator))
    scale = next((value for value in below if value), 1.0)
    ratio = math.exp(formula._scaled.numerator.log_factor - formula._scaled.denominator.log_factor)
    return {
        "numerator": [value * ratio / scale for value in above],
        "denominator": [value / scale for value in below],
    }


def coefficients_text(formula: Formula) -> str:
    """Return the coefficients as a table in plain text."""
    head, meaning = _HEADS[formula.quantity]
    sides = formula_coefficients(formula)
    lines = [f"{formula.name}: {head}(s), {meaning}", "", f"{head}(s) = Σ n_k·s^k / Σ d_k·s^k, s in rad/s", ""]
    lines.append(f"  {'k':>2}  {'n_k':>22}  {'d_k':>22}")
    for power in range(max(len(side) for side in sides.values())):
        cells = [f"{side[power]:.15g}" if power < len(side) else "" for side in sides.values()]
        lines.append(f"  {power:>2}  {cells[0]:>22}  {cells[1]:>22}".rstrip())
    return "\n".join(lines) + "\n"


def formula_python(formula: Formula) -> str:
    """Return a Python module with one function of frequency in numpy; every symbol is an argument with its value."""
    what, meaning = {
        "transfer": ("gain", "Output voltage over EMF, V/V"),
        "output impedance": ("output_impedance", "Output impedance, Ω"),
    }[formula.quantity]
    title = formula.name.replace("\\", "/").replace('"', "'")
    factor = _display_factor(formula)
    sides = {
        name: _PYTHON.pieces(side, factor) or ["0.0"]
        for name, side in (("numerator", formula.rational.numerator), ("denominator", formula.rational.denominator))
    }
    lines = [f'"""{title}: {what} as a function of frequency."""', "", "import numpy as np", "", ""]
    lines += [f"def {what}(", "    frequency_hz,", *(["    *,"] if formula.symbols else [])]
    for symbol in formula.symbols:
        parts = symbol.combination or symbol.parts[0]
        lines.append(f"    {symbol.name}={symbol.value!r},  # {_UNIT_WORD[symbol.unit]}{parts}")
    lines += ["):", f'    """{meaning}, complex, at frequencies in Hz."""']
    lines.append("    s = 2j * np.pi * np.asarray(frequency_hz, dtype=float)")
    for name, pieces in sides.items():
        lines += [
            f"    {name} = (",
            *(f"        {'+ ' if at else ''}{piece}" for at, piece in enumerate(pieces)),
            "    )",
        ]
    return "\n".join([*lines, "    return numerator / denominator + 0 * s", ""])


_UNIT_WORD = {"1": "", "Ω": "ohm, ", "H": "henry, ", "F": "farad, ", "V": "volt, "}


def formula_mapping(formula: Formula) -> dict[str, Any]:
    """Return the formula as plain values for JSON, SI with the unit in the key."""
    peak = formula.response.peak
    rational = formula.rational
    factor = _display_factor(formula)
    unit = "v_per_v" if formula.quantity == "transfer" else "ohm"
    return {
        "name": formula.name,
        "quantity": formula.quantity,
        "numerator": _plain(rational.numerator, factor),
        "denominator": _plain(rational.denominator, factor),
        "coefficients": formula_coefficients(formula),
        "latex": formula_latex(formula),
        "symbols": {
            symbol.name: {"value": symbol.value, "unit": symbol.unit, "parts": list(symbol.parts)}
            for symbol in formula.symbols
        },
        f"gain_factor_{unit}": formula.gain_factor,
        "poles_rad_per_s": [[pole.real, pole.imag] for pole in formula.poles.tolist()],
        "zeros_rad_per_s": [[zero.real, zero.imag] for zero in formula.zeros.tolist()],
        "resonance_hz": formula.resonance_hz,
        "q": formula.q,
        "peak": None
        if peak is None
        else {"frequency_hz": peak.frequency_hz, "gain_db": peak.gain_db, "height_db": peak.height_db},
        "sensitivities": {
            entry.part: {
                "resonance": entry.resonance,
                "q": entry.q,
                "peak_frequency": entry.peak_frequency,
                "peak_db_per_percent": entry.peak_db_per_percent,
                "height_db_per_percent": entry.height_db_per_percent,
            }
            for entry in formula.sensitivities()
        },
        "statements": list(formula.statements),
    }


def _display_factor(formula: Formula) -> Fraction:
    """With numbers among the symbols, divide by the denominator's lowest term, so that it begins with 1."""
    terms = formula.rational.denominator.terms
    if not formula._structure.numbers or not terms:
        return Fraction(1)
    lowest = min(terms, key=lambda monomial: (monomial[0], sum(monomial), monomial))
    return 1 / terms[lowest]


def _by_power(polynomial: Polynomial) -> dict[int, list[tuple[Monomial, Fraction]]]:
    powers: dict[int, list[tuple[Monomial, Fraction]]] = {}
    for monomial, value in sorted(
        polynomial.terms.items(), key=lambda term: (term[0][0], [-power for power in term[0]])
    ):
        powers.setdefault(monomial[0], []).append((monomial, value))
    return powers


@dataclass(frozen=True, slots=True)
class _Notation:
    """How products, powers and brackets are written."""

    times: str
    between: str
    """Between what stands before brackets."""
    power: str
    brackets: str
    names: Mapping[str, str] = field(default_factory=dict)
    before_brackets: str = " "

    def powers(self, name: str, power: int) -> list[str]:
        shown = self.names.get(name, name)
        return [] if not power else [shown if power == 1 else self.power.format(shown, power)]

    def factors(self, polynomial: Polynomial, monomial: Monomial) -> list[str]:
        pairs = zip(polynomial.generators[1:], monomial[1:])
        return [factor for name, power in pairs for factor in self.powers(name, power)]

    def term(self, polynomial: Polynomial, monomial: Monomial, value: Fraction) -> str:
        factors, number = self.factors(polynomial, monomial), self.number(value)
        if factors and number in ("1", "-1"):
            return number.removesuffix("1") + self.times.join(factors)
        return self.times.join([number, *factors])

    def number(self, value: Fraction) -> str:
        if value.denominator == 1 and abs(value.numerator) < 10**6:
            return str(value.numerator)
        return f"{value.numerator / value.denominator:.6g}"

    def pieces(self, polynomial: Polynomial, factor: Fraction) -> list[str]:
        """Return one piece per power of s, what its terms share before brackets."""
        pieces: list[str] = []
        for power, terms in _by_power(polynomial).items():
            common, rest = _common_factor(terms)
            outside = self.between.join([*self.powers("s", power), *self.factors(polynomial, common)])
            inside = _joined([self.term(polynomial, monomial, value * factor) for monomial, value in rest])
            if outside and len(rest) > 1:
                pieces.append(f"{outside}{self.before_brackets}{self.brackets.format(inside)}")
            elif outside:
                pieces.append({"1": "", "-1": "-"}.get(inside, inside + self.between) + outside)
            else:
                pieces.append(inside)
        return pieces


class _LatexNotation(_Notation):
    def number(self, value: Fraction) -> str:
        mantissa, e, exponent = super().number(value).partition("e")
        return rf"{mantissa} \cdot 10^{{{int(exponent)}}}" if e else mantissa


class _PythonNotation(_Notation):
    def number(self, value: Fraction) -> str:
        return str(value.numerator) if value.denominator == 1 and abs(value.numerator) < 10**6 else repr(float(value))


_PLAIN = _Notation("·", " ", "{}^{}", "({})")
_PYTHON = _PythonNotation("*", "*", "{}**{}", "({})", before_brackets="*")
_JSON = _Notation("*", "*", "{}^{}", "({})")


def _polynomial_lines(left: str, polynomial: Polynomial, factor: Fraction) -> list[str]:
    if not polynomial.terms:
        return [f"{left} = 0"]
    lines: list[str] = []
    for piece in _PLAIN.pieces(polynomial, factor):
        head = f"{left} =" if not lines else " " * len(left) + " +"
        lines += textwrap.wrap(
            piece,
            WIDTH,
            initial_indent=f"{head} ",
            subsequent_indent=" " * (len(head) + 4),
            break_long_words=False,
            break_on_hyphens=False,
        )
    return lines


def _common_factor(terms: list[tuple[Monomial, Fraction]]) -> tuple[Monomial, list[tuple[Monomial, Fraction]]]:
    """Take what all terms of one power of s share out of them; s itself goes, too."""
    common = tuple(min(column) for column in zip(*(monomial for monomial, _ in terms)))
    rest = [(tuple(power - least for power, least in zip(monomial, common)), value) for monomial, value in terms]
    return common, rest


def _joined(terms: list[str]) -> str:
    text = terms[0]
    for term in terms[1:]:
        text += f" - {term[1:]}" if term.startswith("-") else f" + {term}"
    return text


def _plain(polynomial: Polynomial, factor: Fraction) -> str:
    parts = [
        "*".join([_JSON.term(polynomial, monomial, value * factor), *_JSON.powers("s", power)])
        for power, terms in _by_power(polynomial).items()
        for monomial, value in terms
    ]
    return _joined(parts) if parts else "0"


def _latex_polynomial(polynomial: Polynomial, names: dict[str, str], factor: Fraction) -> list[str]:
    """Return one piece per power of s, each but the first with its sign."""
    how = _LatexNotation(r"\, ", r"\, ", "{}^{{{}}}", r"\left( {} \right)", names)
    first, *others = how.pieces(polynomial, factor) or ["0"]
    return [first, *(f"- {piece[1:]}" if piece.startswith("-") else f"+ {piece}" for piece in others)]


def _number_lines(formula: Formula) -> list[str]:
    unit = "" if formula.quantity == "transfer" else " Ω"
    lines = [f"In numbers: K·Π(s − zero)/Π(s − pole), K = {formula.gain_factor:.6g}{unit} in powers of rad/s"]
    for title, found in (("poles", formula.poles), ("zeros", formula.zeros)):
        if not found.size:
            lines.append(f"  {title}: none")
            continue
        lines.append(f"  {title}:")
        lines += [_root_line(root) for root in found.tolist() if root.imag >= 0]
    if formula.resonance_hz is None or formula.q is None:
        lines.append("Resonance: no pair of poles is complex")
    else:
        lines.append(f"Resonance: {_hertz(formula.resonance_hz)}, Q {formula.q:.4g} (dominant pole pair)")
    peak = formula.response.peak
    if peak is not None:
        lines.append(f"Peak of the curve: {_hertz(peak.frequency_hz)}, {peak.height_db:+.3f} dB over 100 Hz")
    return lines


def _root_line(root: complex) -> str:
    magnitude = abs(root) / (2 * math.pi)
    if root.imag == 0:
        return f"    {root.real:.6g} rad/s   ({_hertz(magnitude)}, real)" if root else "    0"
    quality = abs(root) / (2 * abs(root.real)) if root.real else math.inf
    return f"    {root.real:.6g} ± {root.imag:.6g}j rad/s   ({_hertz(magnitude)}, Q {quality:.4g})"


def _hertz(value: float) -> str:
    return _tidy(format_quantity(value, "Hz", digits=6))


def _tidy(text: str) -> str:
    """Drop zeros that say nothing: ``22.0000 nF`` becomes ``22 nF``."""
    number, _, unit = text.partition(" ")
    return f"{number.rstrip('0').rstrip('.') if '.' in number else number} {unit}"


def _sensitivity_lines(entries: tuple[Sensitivity, ...]) -> list[str]:
    if not entries:
        return []
    columns: list[tuple[str, Callable[[Sensitivity], float | None], str]] = [
        ("d ln f₀", lambda entry: entry.resonance, "+.4f"),
        ("d ln Q", lambda entry: entry.q, "+.4f"),
        ("d ln f peak", lambda entry: entry.peak_frequency, "+.4f"),
        ("height dB/%", lambda entry: entry.height_db_per_percent, "+.5f"),
    ]
    longest = max(len(entry.part) for entry in entries)
    lines = [
        "Sensitivity to each part (per d ln part; height over 100 Hz per +1 %):",
        "  " + " " * longest + "".join(f"{title:>14}" for title, _, _ in columns),
    ]
    for entry in entries:
        cells = []
        for _, read, form in columns:
            value = read(entry)
            cells.append(f"{'–':>14}" if value is None else f"{format(value, form):>14}")
        lines.append(f"  {entry.part:<{longest}}{''.join(cells)}")
    return lines
