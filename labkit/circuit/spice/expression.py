"""Expressions of a netlist, ``{2*load + 1k}``: worked out by a small parser that knows arithmetic and nothing else."""

from __future__ import annotations

import math
import operator
import re
from collections.abc import Callable

LONGEST = 400
"""Characters of an expression."""

_DEEPEST = 40

_TOKEN = re.compile(
    r"\s*(?:(?P<number>(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?[a-zµμω]*\d*)|(?P<name>[a-z_][\w.]*)"
    r"|(?P<sign>\*\*|<=|>=|==|!=|[-+*/^(),?:<>]))",
    re.IGNORECASE,
)
_FUNCTIONS: dict[str, Callable[..., float]] = {
    "sqrt": math.sqrt,
    "exp": math.exp,
    "ln": math.log,
    "log": math.log,
    "log10": math.log10,
    "sin": math.sin,
    "cos": math.cos,
    "tan": math.tan,
    "atan": math.atan,
    "abs": abs,
    "min": min,
    "max": max,
    "pow": math.pow,
}
_COMPARISONS: dict[str, Callable[[float, float], bool]] = {
    "<": operator.lt,
    ">": operator.gt,
    "<=": operator.le,
    ">=": operator.ge,
    "==": operator.eq,
    "!=": operator.ne,
}


class ExpressionError(ValueError):
    """What is wrong with an expression, without its place in the netlist."""


def evaluate(text: str, number: Callable[[str], float], value: Callable[[str], float]) -> float:
    """Return the value of an expression.

    Parameters
    ----------
    text : str
        ``+ - * / ^ **``, brackets, comparisons, ``a ? b : c``, and sqrt, exp, ln, log (natural), log10, sin, cos, tan,
        atan, abs, min, max, pow; ``pi``.
    number : callable
        Reads a literal with its SPICE multiplier.
    value : callable
        Gives the value of a parameter.

    Raises
    ------
    ExpressionError
        If it cannot be read, or has no finite value.

    >>> evaluate("2*(load + 1)^2", float, {"load": 2.0}.__getitem__)
    18.0
    """
    if len(text) > LONGEST:
        raise ExpressionError(f"an expression must be shorter than {LONGEST} characters")
    tokens, place = [], 0
    while place < len(text.rstrip()):
        match = _TOKEN.match(text, place)
        if match is None:
            raise ExpressionError(f"'{text[place:].strip()[:20]}' is no part of an expression")
        tokens.append((str(match.lastgroup), match[match.lastgroup or 0]))
        place = match.end()
    parser = _Parser(tokens, number, value)
    try:
        found = float(parser.choice(0))
    except (ArithmeticError, ValueError, TypeError) as problem:
        if isinstance(problem, ExpressionError):
            raise
        raise ExpressionError(f"'{text.strip()[:60]}' has no value: {problem}") from None
    if parser.tokens:
        raise ExpressionError(f"'{parser.tokens[0][1]}' is not expected in '{text.strip()[:60]}'")
    if not math.isfinite(found):
        raise ExpressionError(f"'{text.strip()[:60]}' has no finite value")
    return found


class _Parser:
    """Recursive descent; every step takes its tokens from the front."""

    def __init__(
        self, tokens: list[tuple[str, str]], number: Callable[[str], float], value: Callable[[str], float]
    ) -> None:
        self.tokens, self.number, self.value = tokens, number, value

    def take(self, *signs: str) -> str | None:
        if self.tokens and self.tokens[0][0] == "sign" and self.tokens[0][1] in signs:
            return self.tokens.pop(0)[1]
        return None

    def need(self, sign: str) -> None:
        if self.take(sign) is None:
            raise ExpressionError(f"'{sign}' is missing in an expression")

    def choice(self, depth: int) -> float:
        if depth > _DEEPEST:
            raise ExpressionError("an expression is nested too deeply")
        left = self.sum(depth)
        sign = self.take(*_COMPARISONS)
        if sign is not None:
            left = float(_COMPARISONS[sign](left, self.sum(depth)))
        if self.take("?") is None:
            return left
        yes = self.choice(depth + 1)
        self.need(":")
        no = self.choice(depth + 1)
        return yes if left else no

    def sum(self, depth: int) -> float:
        total = self.product(depth)
        while (sign := self.take("+", "-")) is not None:
            term = self.product(depth)
            total = total + term if sign == "+" else total - term
        return total

    def product(self, depth: int) -> float:
        total = self.signed(depth)
        while (sign := self.take("*", "/")) is not None:
            factor = self.signed(depth)
            total = total * factor if sign == "*" else total / factor
        return total

    def signed(self, depth: int) -> float:
        if depth > _DEEPEST:
            raise ExpressionError("an expression is nested too deeply")
        if self.take("-") is not None:
            return -self.signed(depth + 1)
        if self.take("+") is not None:
            return self.signed(depth + 1)
        base = self.single(depth)
        return math.pow(base, self.signed(depth + 1)) if self.take("^", "**") is not None else base

    def single(self, depth: int) -> float:
        if self.take("(") is not None:
            inner = self.choice(depth + 1)
            self.need(")")
            return inner
        if not self.tokens or self.tokens[0][0] == "sign":
            raise ExpressionError("a value is missing in an expression")
        kind, word = self.tokens.pop(0)
        if kind == "number":
            return self.number(word)
        if self.take("(") is None:
            return math.pi if word.lower() == "pi" else self.value(word)
        function = _FUNCTIONS.get(word.lower())
        if function is None:
            raise ExpressionError(f"'{word}' is no function here; known: {', '.join(_FUNCTIONS)}")
        given = [self.choice(depth + 1)]
        while self.take(",") is not None:
            given.append(self.choice(depth + 1))
        self.need(")")
        return float(function(*given))
