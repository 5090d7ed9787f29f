"""The optional extra `labkit[fast]`: a compiled loop that runs the programs of `labkit.circuit.solve.program`.

One function for all topologies, compiled by numba once and kept on disk, reads the operations of a program as whole
numbers and works through a few dozen points at a time, so that all slots stay in the processor's nearest cache. Loading
it takes some tenths of a second: it runs where that pays (`pays`), and the numpy route otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache, lru_cache
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from labkit.circuit.solve.program import Program

PAYS_FROM = 20_000_000
"""Points (variants × frequencies) from which a study is faster with the extra although it has to be loaded first."""

POINTS_AT_A_TIME = 64
"""A slot of so many complex points is a kilobyte."""

_LETTERS = {letter: number for number, letter in enumerate("fmsnweE+-~")}


def is_installed() -> bool:
    """Return True where the extra is installed."""
    return find_spec("numba") is not None


def pays(points: int) -> bool:
    """Return True where the extra is installed and so many points are solved sooner with it, loading included.

    It depends on the number alone, not on what ran before: a study gives the same digits in any process.
    """
    return points >= PAYS_FROM and is_installed()


@cache
def _kernel() -> Callable[..., None]:
    import numba

    compiled = numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
    globals()["_invert"] = compiled(_invert)
    found: Callable[..., None] = compiled(_run_program)
    return found


def version_line() -> str:
    """Return the line of ``labkit --version`` on the extra.

    >>> version_line().startswith("fast circuits:")
    True
    """
    if not is_installed():
        return "fast circuits: no (pip install labkit[fast])"
    from importlib.metadata import version

    return f"fast circuits: yes (numba {version('numba')})"


def run_compiled(
    program: Program, coefficients: np.ndarray, basis: np.ndarray, emfs: Mapping[int, np.ndarray | float]
) -> np.ndarray:
    """Run a program as `labkit.circuit.solve.program.run` does; the extra must be installed.

    Parameters and result are those of that function, and the results agree within some 1e-13.
    """
    variants, points = coefficients.shape[1], basis.shape[-1]
    given = [np.atleast_2d(emfs[index]) for index in sorted(emfs)]
    across = max((each.shape[-1] for each in given), default=1)
    weights = np.empty((len(given), variants, across), dtype=complex)
    for place, each in enumerate(given):
        weights[place] = each
    result = np.empty((len(program.currents) + 1, variants, points), dtype=complex)
    codes, currents = _codes(program)
    _kernel()(
        codes,
        program.slots,
        np.ascontiguousarray(coefficients),
        np.ascontiguousarray(basis),
        weights,
        -1 if program.through is None else program.through,
        currents,
        result,
    )
    return result


@lru_cache(maxsize=512)
def _codes(program: Program) -> tuple[np.ndarray, np.ndarray]:
    """Operations as rows of length, letter and slots, one after another; and the slots of the currents, −1 for none."""
    flat: list[int] = []
    for letter, *slots in program.operations:
        flat += [len(slots), _LETTERS[str(letter)], *map(int, slots)]
    return np.array(flat, dtype=np.int64), np.array([-1 if s is None else s for s in program.currents], dtype=np.int64)


def _run_program(
    codes: np.ndarray,
    slots: int,
    coefficients: np.ndarray,
    basis: np.ndarray,
    weights: np.ndarray,
    through: int,
    currents: np.ndarray,
    result: Any,
) -> None:
    """What numba compiles: plain loops over real and imaginary parts."""
    branches, variants, rows = coefficients.shape
    points = basis.shape[1]
    # A row holds the real parts of a slot and, right behind them, the imaginary ones: the compiler then has so few
    # places to tell apart that it works on several points at once. Points behind the last one are worked out and left.
    work = np.zeros((slots + 1, 2 * POINTS_AT_A_TIME))
    shares = np.zeros((points // POINTS_AT_A_TIME + 1, rows, 2 * POINTS_AT_A_TIME))
    for f in range(points):
        for r in range(rows):
            shares[f // POINTS_AT_A_TIME, r, f % POINTS_AT_A_TIME] = basis[r, f].real
            shares[f // POINTS_AT_A_TIME, r, f % POINTS_AT_A_TIME + POINTS_AT_A_TIME] = basis[r, f].imag
    for v in range(variants):
        for start in range(0, points, POINTS_AT_A_TIME):
            n = min(POINTS_AT_A_TIME, points - start)
            share = shares[start // POINTS_AT_A_TIME]
            for b in range(branches):
                x = work[b]
                x[:] = 0.0
                for r in range(rows):
                    c = coefficients[b, v, r]
                    if c != 0.0:
                        p = share[r]
                        for i in range(2 * POINTS_AT_A_TIME):
                            x[i] += c * p[i]
            at = 0
            while at < codes.size:
                count, letter, out = codes[at], codes[at + 1], codes[at + 2]
                x = work[out]
                a = work[codes[at + 3]] if count > 1 else x
                if letter == 2:  # s: reciprocal of a sum
                    p = work[slots]
                    p[:POINTS_AT_A_TIME] = 1e-300
                    p[POINTS_AT_A_TIME:] = 0.0
                    for k in range(at + 3, at + 2 + count):
                        a = work[codes[k]]
                        for i in range(2 * POINTS_AT_A_TIME):
                            p[i] += a[i]
                    _invert(x, p)
                elif letter == 5 or letter == 6:  # e, E: times an EMF
                    place, sign = codes[at + 4], 1.0
                    if place < 0:
                        place, sign = ~place, -1.0
                    if weights.shape[2] == 1:
                        e = sign * weights[place, v, 0]
                        for i in range(POINTS_AT_A_TIME):
                            g = a[i] * e.real - a[i + POINTS_AT_A_TIME] * e.imag
                            h = a[i] * e.imag + a[i + POINTS_AT_A_TIME] * e.real
                            x[i] = g if letter == 5 else x[i] + g
                            x[i + POINTS_AT_A_TIME] = h if letter == 5 else x[i + POINTS_AT_A_TIME] + h
                    else:
                        for i in range(n):
                            e = sign * weights[place, v, start + i]
                            g = a[i] * e.real - a[i + POINTS_AT_A_TIME] * e.imag
                            h = a[i] * e.imag + a[i + POINTS_AT_A_TIME] * e.real
                            x[i] = g if letter == 5 else x[i] + g
                            x[i + POINTS_AT_A_TIME] = h if letter == 5 else x[i + POINTS_AT_A_TIME] + h
                elif letter <= 4:  # f, m, n, w: products
                    p = work[codes[at + 4]]
                    if letter == 0:
                        for i in range(POINTS_AT_A_TIME):
                            x[i] += a[i] * p[i] - a[i + POINTS_AT_A_TIME] * p[i + POINTS_AT_A_TIME]
                            x[i + POINTS_AT_A_TIME] += a[i] * p[i + POINTS_AT_A_TIME] + a[i + POINTS_AT_A_TIME] * p[i]
                    elif letter == 3:
                        for i in range(POINTS_AT_A_TIME):
                            x[i] -= a[i] * p[i] - a[i + POINTS_AT_A_TIME] * p[i + POINTS_AT_A_TIME]
                            x[i + POINTS_AT_A_TIME] -= a[i] * p[i + POINTS_AT_A_TIME] + a[i + POINTS_AT_A_TIME] * p[i]
                    else:
                        sign = 1.0 if letter == 1 else -1.0
                        for i in range(POINTS_AT_A_TIME):
                            g = a[i] * p[i] - a[i + POINTS_AT_A_TIME] * p[i + POINTS_AT_A_TIME]
                            h = a[i] * p[i + POINTS_AT_A_TIME] + a[i + POINTS_AT_A_TIME] * p[i]
                            x[i] = sign * g
                            x[i + POINTS_AT_A_TIME] = sign * h
                elif letter == 9:  # ~
                    for i in range(2 * POINTS_AT_A_TIME):
                        x[i] = -x[i]
                else:  # +, -
                    sign = 1.0 if letter == 7 else -1.0
                    for i in range(2 * POINTS_AT_A_TIME):
                        x[i] += sign * a[i]
                at += 2 + count
            p = work[slots]
            p[:POINTS_AT_A_TIME] = 1e-300
            p[POINTS_AT_A_TIME:] = 0.0
            if through >= 0:
                a = work[through]
                for i in range(2 * POINTS_AT_A_TIME):
                    p[i] += a[i]
            _invert(p, p)
            last = len(currents)
            for i in range(n):
                result[last, v, start + i] = complex(p[i], p[i + POINTS_AT_A_TIME])
            for k in range(last):
                if currents[k] < 0:
                    result[k, v, start : start + n] = 0.0
                else:
                    a = work[currents[k]]
                    for i in range(n):
                        g, h = p[i], p[i + POINTS_AT_A_TIME]
                        c, d = a[i], a[i + POINTS_AT_A_TIME]
                        result[k, v, start + i] = complex(d * h - c * g, -(c * h + d * g))


def _invert(x: np.ndarray, p: np.ndarray) -> None:
    """Reciprocal of a row, scaled so that its square neither over- nor underflows."""
    for i in range(POINTS_AT_A_TIME):
        g, h = p[i], p[i + POINTS_AT_A_TIME]
        k, w = abs(g), abs(h)
        m = 1.0 / (k if k > w else w)
        g *= m
        h *= m
        w = m / (g * g + h * h)
        x[i] = g * w
        x[i + POINTS_AT_A_TIME] = -h * w
