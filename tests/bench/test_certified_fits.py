"""The solver of fits against certified nonlinear regressions.

Source: National Institute of Standards and Technology, Statistical Reference Datasets, nonlinear regression (public
domain; the files in `nist` are as published). Certified values hold ten or eleven digits.
"""

import re
from pathlib import Path

import numpy as np
import pytest

from labkit.bench.fit.solve import covariance_of, jacobian, least_squares

FOLDER = Path(__file__).parent / "nist"

MODELS = {
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Thurber": lambda b, x: (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3),
    "Eckerle4": lambda b, x: (b[0] / b[1]) * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Lanczos3": lambda b, x: sum(b[2 * k] * np.exp(-b[2 * k + 1] * x) for k in range(3)),
}


def certified(name):
    """Second start, certified values with their standard deviations, and the data (y, x)."""
    text = (FOLDER / f"{name}.dat").read_text()
    rows = re.findall(r"^\s*b\d+\s*=\s*(\S+)\s+(\S+)\s+(\S+)\s+(\S+)", text, re.MULTILINE)
    table = np.array(rows, dtype=float)
    data = np.array([line.split() for line in text.splitlines()[60:] if line.split()], dtype=float)
    return table[:, 1], table[:, 2], table[:, 3], data[:, 0], data[:, 1]


@pytest.mark.parametrize("name", MODELS)
def test_certified_values_and_standard_deviations_are_reached(name):
    """Six digits of the values and four of their deviations.

    The solver stops at 1e-10 of the sum of squares, which leaves half the digits of the values; deviations rest on
    central differences, good to 1e-6 here.
    """
    start, values, deviations, y, x = certified(name)

    def residual(scaled):  # every unknown in units of its start, as one step has to suit all
        return y - MODELS[name](scaled * start, x)

    nowhere = np.full(start.size, np.inf)
    found = least_squares(residual, np.ones(start.size), low=-nowhere, high=nowhere)
    rest = residual(found)
    spread = np.sqrt(np.diag(covariance_of(jacobian(residual, found))) * float(rest @ rest) / (y.size - start.size))
    np.testing.assert_allclose(found * start, values, rtol=1e-6)
    np.testing.assert_allclose(spread * np.abs(start), deviations, rtol=1e-4)
