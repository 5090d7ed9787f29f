"""Touchstone text to an impedance: a pickup at one port, or in series or in shunt between two.

The library reads the format; what is added is which of the two fixtures a two-port was, and what is doubtful about it.
"""

from __future__ import annotations

import io
import warnings as python_warnings
from typing import Any, Literal

import numpy as np

from labkit.bench.read.column_values import SweepColumns
from labkit.core.errors import InputError

LEAST_IMPEDANCE = 50.0
"""Ω; no pickup has less at any frequency, and the wrong fixture of a two-port shows less than an ohm."""


def _network(text: str, name: str) -> Any:
    """Parse text as Touchstone and as nothing else: given a path, the library would also unpickle a file."""
    import skrf.network

    stream = io.StringIO(text)
    stream.name = name  # the library counts ports by the name's ending
    network = skrf.Network()
    network.read_touchstone(stream)
    return network


def touchstone_columns(text: str, name: str, through: Literal["series", "shunt"] | None = None) -> SweepColumns:
    """Return the impedance that a Touchstone file shows, by a network that knows its reference and its form.

    Parameters
    ----------
    text : str
    name : str
        The file's name; its ending says how many ports there are.
    through : "series", "shunt" or None
        How a pickup sat between two ports; None leaves it to what a pickup can be.

    Raises
    ------
    InputError
        If the text is no Touchstone file, has more than two ports, or a two-port could be either.
    """
    try:
        import skrf.network
    except ImportError:
        raise InputError(
            f"{name}: Touchstone files are read by the package scikit-rf, which is not installed; "
            "python -m pip install scikit-rf, or export the sweep as CSV text"
        ) from None
    try:
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore")
            network = _network(text, name)
    except Exception as problem:  # the library raises whatever its parser stumbles over
        raise InputError(f"{name}: not a readable Touchstone file ({problem})") from problem
    if network.nports > 2:
        raise InputError(
            f"{name}: a pickup is measured at one port or between two, this file holds {network.nports} ports"
        )
    if not network.f.size:
        raise InputError(f"{name}: this Touchstone file holds no rows of numbers")
    reference = float(network.z0[0, 0].real)
    impedance = np.full(network.f.size, np.nan, dtype=complex)
    warnings: list[str] = []
    if network.nports == 2:
        impedance, note, warnings = _two_port_impedance(network, name, through)
        notes = [note]
    else:
        finite = np.isfinite(network.s[:, 0, 0])  # the library's inversion refuses all rows for one that is not
        with np.errstate(all="ignore"):
            impedance[finite] = skrf.network.s2z(network.s[finite], network.z0[finite])[:, 0, 0]
        notes = [f"Touchstone one-port, reference {reference:g} Ω, turned into an impedance in Ω"]
    far = np.nanmedian(np.abs(impedance)) if np.isfinite(impedance).any() else 0.0
    if network.nports == 1 and far > 100 * reference:
        warnings.append(
            f"reflection against {reference:g} Ω is a poor way to see an impedance of {far:.3g} Ω: "
            "its error is multiplied by their ratio; measure through a series resistor of 0.1 to 1 MΩ instead"
        )
    return SweepColumns(
        frequency_hz=network.f,
        magnitude=np.abs(impedance),
        phase_deg=np.degrees(np.angle(impedance)),
        kind="impedance",
        notes=tuple(notes),
        warnings=tuple(warnings),
    )


def _two_port_impedance(
    network: Any, name: str, through: Literal["series", "shunt"] | None
) -> tuple[np.ndarray, str, list[str]]:
    """Return the impedance between or across two ports, which of the two it was, and what is doubtful about it.

    In series S21 = 2√(Z1·Z2)/(Z + Z1 + Z2), in shunt S21 = 2√(G1·G2)/(Y + G1 + G2): the ABCD matrix of one part.
    """
    first, second = network.z0[:, 0], network.z0[:, 1]
    with np.errstate(all="ignore"):
        factor = 2 / network.s[:, 1, 0]
        found = {
            "series": factor * np.sqrt(first * second) - first - second,
            "shunt": 1 / (factor / np.sqrt(first * second) - 1 / first - 1 / second),
        }
    fits = [way for way, z in found.items() if np.isfinite(z).any() and np.nanmin(np.abs(z)) >= LEAST_IMPEDANCE]
    if through is None and len(fits) != 1:
        show = f"{LEAST_IMPEDANCE:g} Ω or more"
        raise InputError(
            f"{name}: read in series and read in shunt this two-port shows {show}; say how the pickup sat: "
            "--through series (between the ports) or --through shunt (across both)"
            if fits
            else f"{name}: neither read in series nor in shunt does this two-port show {show}, which every pickup has; "
            "check what was connected, or say --through series or --through shunt"
        )
    way = through or fits[0]
    impedance = found[way]
    warnings = []
    if way not in fits:
        warnings.append(
            f"in {way} these readings show {np.nanmin(np.abs(impedance)):.3g} Ω at the least: no pickup has that little"
        )
    expected = 1 - network.s[:, 1, 0] if way == "series" else network.s[:, 1, 0] - 1
    with np.errstate(all="ignore"):
        if np.nanmedian(np.abs(network.s[:, 0, 0] - expected)) > 0.1:
            warnings.append(
                f"the reflection S11 is not that of one part in {way}: check the fixture and its calibration"
            )
        far = np.nanmedian(np.abs(impedance)) / float(first[0].real)
    if way == "shunt" and far > 100:
        warnings.append(
            f"in shunt an impedance {far:.3g} times the reference hardly shows: its error is multiplied by that; "
            "measure in series"
        )
    where = "between its ports (series)" if way == "series" else "across both ports (shunt)"
    said = "as stated" if through else "the other fixture would make it less than an ohm or no impedance at all"
    note = f"Touchstone two-port, reference {first[0].real:g} Ω, pickup {where}: {said}; turned into an impedance in Ω"
    return impedance, note, warnings
