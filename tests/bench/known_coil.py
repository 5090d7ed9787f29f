"""A known coil written out anew, and what instruments show of it: shared by the tests of sweep files."""

import numpy as np

R, L, C = 6200.0, 2.4, 110e-12
FRACTION, CORNER = 0.12, 4000.0


def impedance(frequency):
    """The coil with one eddy section by the printed formula, written out anew: (R + sL(1 − K·jf/(jf + f_e))) ∥ C."""
    s = 2j * np.pi * frequency
    branch = R + s * L * (1 - FRACTION * 1j * frequency / (1j * frequency + CORNER))
    return branch / (1 + s * C * branch)


FREQUENCY = np.geomspace(40, 20_000, 60)
Z = impedance(FREQUENCY)
METER = np.array([100.0, 120.0, 400.0, 1e3, 4e3, 10e3, 20e3])
"""What hand-held and bench LCR meters offer; the last lies above the coil's resonance."""


def table(head, *columns, separator=","):
    rows = [separator.join(cell if isinstance(cell, str) else f"{cell:.9g}" for cell in row) for row in zip(*columns)]
    return "\n".join([*([head] if head else []), *rows]) + "\n"


def assert_is(sweep, frequency, expected, rtol=1e-6):
    # nine digits are written: 1e-8 of each number, a hundred times that where resistance and reactance nearly cancel
    np.testing.assert_allclose(sweep.frequency_hz, frequency, rtol=rtol)
    np.testing.assert_allclose(sweep.magnitude * np.exp(1j * np.radians(sweep.phase_deg)), expected, rtol=rtol)
    assert sweep.kind == "impedance"


def shown_by_a_meter(frequency):
    """Ls, Rs, Q, D, Lp, Rp, Cs, Cp, G as the meter handbook defines them, for every frequency."""
    z, w = impedance(frequency), 2 * np.pi * frequency
    y = 1 / z
    return {
        "Ls": z.imag / w,
        "Rs": z.real,
        "Q": np.abs(z.imag) / z.real,
        "D": z.real / np.abs(z.imag),
        "Lp": -1 / (w * y.imag),
        "Rp": 1 / y.real,
        "Cs": -1 / (w * z.imag),
        "Cp": y.imag / w,
        "G": y.real,
    }
