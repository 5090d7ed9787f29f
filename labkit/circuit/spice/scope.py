"""What a name or a number means at one place of a netlist: parameters, expressions, and how numbers are written.

A `Scope` is the whole netlist, or one use of a subcircuit; what it does not know is looked for in the whole netlist.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Literal

from labkit.circuit.spice.expression import ExpressionError, evaluate
from labkit.circuit.spice.lines import NUMBER, POWERS, Statement, scaled
from labkit.core.errors import did_you_mean

_LONGEST_NUMBER = 60
_LITERAL = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?[a-zµμω%]*\d*", re.IGNORECASE)
_MIL_M = 25.4e-6

Texts = dict[str, tuple[Statement, str]]
"""Parameters as written, each with its line."""


def split_parameters(statement: Statement) -> tuple[list[str], Texts]:
    """Return the plain words of a line, and its ``name=value`` words; each name once."""
    plain: list[str] = []
    found: Texts = {}
    for word in statement.words:
        key, equals, value = word.partition("=")
        if not equals:
            if word.lower().rstrip(":") not in ("params", "param"):
                plain.append(word)
            continue
        if not key or not value:
            raise statement.error(f"a parameter is written name=value; got '{word}'")
        if key.lower() in found:
            raise statement.error(f"parameter '{key}' is given twice; keep the one that holds")
        found[key.lower()] = (statement, value)
    return plain, found


@dataclass(slots=True)
class Scope:
    """The whole netlist, or one use of a subcircuit with its ports and parameters."""

    path: str = ""
    ports: dict[str, str] = field(default_factory=dict)
    texts: Texts = field(default_factory=dict)
    """Parameters as written, worked out when they are used."""
    values: dict[str, float] = field(default_factory=dict)
    whole: Scope | None = None
    """The netlist around a subcircuit."""
    depth: int = 0
    capital_m: Literal["milli", "mega"] | None = None

    def inside(self, *, path: str, ports: dict[str, str], texts: Texts, values: dict[str, float]) -> Scope:
        """Return the scope of one use of a subcircuit."""
        whole = self if self.whole is None else self.whole
        return Scope(path, ports, texts, values, whole=whole, depth=self.depth + 1, capital_m=self.capital_m)

    def add(self, statement: Statement) -> None:
        """Take the parameters of a ``.param`` line."""
        plain, found = split_parameters(statement)
        if plain[1:]:
            raise statement.error(f"a parameter is written name=value; got '{plain[1]}'")
        twice = next((key for key in found if key in self.texts), None)
        if twice is not None:
            raise statement.error(f"parameter '{twice}' is given twice; keep the one that holds")
        self.texts |= found

    def parameter(self, name: str) -> float | None:
        """Return the value of a parameter as seen from here; None where there is none."""
        if name not in self.values and name in self.texts:
            statement, text = self.texts.pop(name)  # so that one that needs itself is not found again
            try:
                self.values[name] = self.number(statement, text, f"parameter '{name}'")
            finally:
                self.texts[name] = (statement, text)
        if name in self.values:
            return self.values[name]
        return None if self.whole is None else self.whole.parameter(name)

    def seen(self) -> list[str]:
        """Names of the parameters that are seen from here."""
        return list(dict.fromkeys([*self.values, *self.texts, *(self.whole.seen() if self.whole else ())]))

    def number(self, statement: Statement, word: str, name: str) -> float:
        """Return the value of a literal, of a parameter, or of an expression in braces or quotes."""
        braced = re.fullmatch(r"\{(.*)\}|'(.*)'", word)
        inner = (braced[1] or braced[2] or "").strip() if braced else word
        is_literal = _LITERAL.fullmatch(inner) is not None
        if is_literal or not (braced or re.search(r"[-+*/^(]", inner.lstrip("+-"))):
            value = None if is_literal else self.parameter(inner.lower())
            return (
                self.literal(statement, inner if braced else word, name, braced is not None) if value is None else value
            )

        def parameter(wanted: str) -> float:
            found = self.parameter(wanted.lower())
            if found is None:
                hint = did_you_mean(wanted.lower(), self.seen()) or " No .param gives it a value."
                raise ExpressionError(f"'{wanted}' has no value.{hint}")
            return found

        try:
            return evaluate(inner, lambda text: self.literal(statement, text, name, False), parameter)
        except ExpressionError as problem:
            raise statement.error(f"'{name}' needs a number or an expression: {problem}") from None

    def literal(self, statement: Statement, word: str, name: str, braced: bool) -> float:
        inner = word
        between = re.fullmatch(r"([+-]?\d+)(meg|[rkmunp])(\d+)", inner, re.IGNORECASE)
        if between is not None and len(inner) <= _LONGEST_NUMBER:  # 2k2 is 2.2k; R stands for the point alone
            letters = "" if between[2].lower() == "r" else between[2]
            inner = f"{between[1]}.{between[3]}{letters}"
        match = NUMBER.fullmatch(inner) if len(inner) <= _LONGEST_NUMBER else None
        if match is None:
            hint = ""
            if braced or inner[:1].isalpha():
                hint = did_you_mean(inner.lower(), self.seen()) or " No .param gives it a value."
            raise statement.error(f"'{name}' needs a number such as 1k, 22n or 1meg; got '{word}'.{hint}")
        if match[2].startswith("M") and not match[2].lower().startswith(("meg", "mil")) and self.capital_m is None:
            raise statement.error(
                f"'{word}' is {match[1]} milli in SPICE, where capitals do not count, and {match[1]} mega to most who "
                f'write it: write {match[1]}m or {match[1]}meg, or say capital_m="milli" or "mega"'
            )
        letters = match[2].lower().replace("µ", "u").replace("μ", "u")
        if match[2].startswith("M") and self.capital_m == "mega" and not letters.startswith("mil"):
            letters = "meg"
        if letters.startswith("mil"):
            value = float(match[1]) * _MIL_M
        else:
            # The power of ten goes into the text, so that 22n is the float nearest to 22e-9.
            power = next((POWERS[suffix] for suffix in ("meg", *POWERS) if letters.startswith(suffix)), 0)
            value = scaled(match[1], power)
        if not math.isfinite(value):
            raise statement.error(f"'{name}' needs a finite number; got '{word}'")
        return value
