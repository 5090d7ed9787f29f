"""The closed forms people use of a coil and its load, each beside what the whole circuit does.

They are those of a coil L with R in series, loaded by C and R across the output; the four numbers are taken from the
circuit at its settings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from labkit.circuit.elements import (
    GROUND,
    Capacitor,
    Circuit,
    Coupling,
    Inductor,
    InputNoise,
    control_nodes,
)
from labkit.circuit.elements import ControlledSource as ActivePart
from labkit.circuit.solve.solver import circuit_response, solve
from labkit.circuit.solve.stability import poles
from labkit.core.errors import CircuitError
from labkit.core.grid import REFERENCE_HZ
from labkit.core.response import Response
from labkit.core.units import format_quantity

NO_LOAD_OHM = 1e9
"""From here on a load is none: between two coils of a pickup nothing but the other coil leads on."""

_LOW_HZ = 1.0
"""Where coil and loads are read for direct current: every reactance of an instrument is negligible beside them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedForm:
    """One formula of the trade with this circuit's numbers, beside what the whole circuit does.

    Attributes
    ----------
    quantity : str
        What it is of, in words.
    expression : str
        The formula.
    value, exact : float or None
        By the formula and of the whole circuit, in ``unit``; None where there is none, such as a peak.
    unit : "Hz", "1" or "dB"
    """

    quantity: str
    expression: str
    value: float | None
    exact: float | None
    unit: str

    @property
    def error(self) -> float | None:
        """The formula against the circuit: a ratio less 1, or dB; None where one of the two has no value."""
        if self.value is None or self.exact is None:
            return None
        return self.value - self.exact if self.unit == "dB" else self.value / self.exact - 1

    @property
    def words(self) -> tuple[str, str, str]:
        """Value, exact and error as a table shows them."""
        error, shown = self.error, ""
        if error is not None:
            shown = f"{error:+.2f} dB" if self.unit == "dB" else f"{100 * error:+.1f} %"
        return _shown(self.value, self.unit), _shown(self.exact, self.unit), shown


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilAndLoad:
    """The four numbers of a coil and its load, taken from a circuit.

    Attributes
    ----------
    inductance, series_resistance : float, H and Ω
        Of coil and all that lies in series with it, at low frequencies.
    capacitance, load_resistance : float, F and Ω
        Across the output with the coils taken out, at the frequency that L and C give.
    direct_load : float, Ω
        The same load for direct current.
    emf : float
        What drives it, over the EMF of the pickups.
    node : str
        Where it was taken.
    is_output : bool
        Whether that is the output.
    """

    inductance: float
    series_resistance: float
    capacitance: float
    load_resistance: float
    direct_load: float
    emf: float
    node: str
    is_output: bool

    @property
    def resonance_hz(self) -> float:
        """f₀ = 1/(2π√(LC)), Hz."""
        return 1 / (2 * math.pi * math.sqrt(self.inductance * self.capacitance))

    @property
    def q(self) -> float:
        """Q = 1/(R_s/X + X/R_p) with X = √(L/C)."""
        reactance = math.sqrt(self.inductance / self.capacitance)
        return 1 / (self.series_resistance / reactance + reactance / self.load_resistance)


def coil_and_load(circuit: Circuit) -> CoilAndLoad | None:
    """Return coil and load as seen from where the coil meets its load; None where there is none.

    With the inductances opened, the admittance at that node is the load; what the whole adds to it is the coil with all
    that lies in series. Exact where the circuit is one such divider. The node is the output, or the input of the first
    active part; where a pot turned down keeps the coil from it, the node with a capacitor that the coil reaches best.
    """
    found = [_coil_at(circuit, node) for node in (*_active_inputs(circuit), circuit.output)]
    ends = [each for each in found if each is not None]
    others = dict.fromkeys(node for part in circuit.of_kind(Capacitor) for node in part.nodes if node != GROUND)
    near = [each for node in others if (each := _coil_at(circuit, node)) is not None and each.direct_load < NO_LOAD_OHM]
    best = min(near, key=lambda each: each.series_resistance, default=None)
    if ends and (best is None or ends[0].series_resistance <= 3 * best.series_resistance):
        return ends[0]
    return best


def _active_inputs(circuit: Circuit) -> list[str]:
    active = [part for part in circuit.elements if isinstance(part, ActivePart)]
    return [node for part in active for node in control_nodes(part) if node != GROUND]


def _coil_at(whole_circuit: Circuit, node: str) -> CoilAndLoad | None:
    circuit = replace(whole_circuit, output=node)
    coils = {part.name for part in circuit.of_kind(Inductor)}
    if not coils:
        return None
    kept = tuple(
        part for part in circuit.elements if part.name not in coils and not isinstance(part, Coupling | InputNoise)
    )
    try:  # a node that only coils reach is none of what is left
        load = replace(circuit, elements=kept)
        low = np.array([_LOW_HZ, REFERENCE_HZ])
        whole, alone = solve(circuit, low), solve(load, low)
        with np.errstate(divide="ignore", invalid="ignore"):
            series = 1 / (1 / whole.output_impedance - 1 / alone.output_impedance)
        inductance = float(series[1].imag) / (2 * math.pi * REFERENCE_HZ)
        if not (inductance > 0 and np.isfinite(inductance)):
            return None
        frequency = 3000.0
        for _ in range(30):
            admittance = complex(1 / solve(load, np.array([frequency])).output_impedance[0])
            capacitance = admittance.imag / (2 * math.pi * frequency)
            if not 1e-15 < capacitance < 1.0:
                return None
            frequency = math.sqrt(frequency / (2 * math.pi * math.sqrt(inductance * capacitance)))
    except CircuitError:
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        loads = 1 / np.array([admittance.real, (1 / alone.output_impedance[0]).real])
    resistances = float(loads[0]), float(loads[1]), float(series[0].real)
    emf = abs(complex(whole.transfer[0] * series[0] / whole.output_impedance[0]))
    if not all(each > 0 for each in resistances) or not 0.01 < emf < 100 or not math.isfinite(resistances[2]):
        return None
    return CoilAndLoad(
        inductance=inductance,
        series_resistance=resistances[2],
        capacitance=capacitance,
        load_resistance=resistances[0],
        direct_load=resistances[1],
        emf=emf,
        node=node,
        is_output=node == whole_circuit.output,
    )


def closed_forms(circuit: Circuit, coil: CoilAndLoad) -> tuple[ClosedForm, ...]:
    """Return the closed forms of a coil and its load, in SI, each beside the same of the whole circuit.

    They are the second-order low-pass D(s) = (R_s + sL)(1/R_p + sC) + 1 with R_s/R_p left out beside 1, worked out here
    for one coil under one load.
    """
    curve = circuit_response(replace(circuit, output=coil.node))
    peak, resonance, q = curve.peak, coil.resonance_hz, coil.q
    damped = 1 - 1 / (2 * q**2)
    return (
        ClosedForm(
            quantity="resonance",
            expression="f0 = 1/(2π√(L·C))",
            value=resonance,
            exact=None if peak is None else peak.frequency_hz,
            unit="Hz",
        ),
        ClosedForm(
            quantity="Q",
            expression="Q = 1/(R_s/X + X/R_p), X = √(L/C)",
            value=q,
            exact=_pole_q(circuit, resonance if peak is None else peak.frequency_hz),
            unit="1",
        ),
        ClosedForm(
            quantity="height of the peak",
            expression="Q/√(1 − 1/(4Q²))",
            value=20 * math.log10(q / math.sqrt(1 - 1 / (4 * q**2))) if damped > 0 else None,
            exact=None if peak is None else peak.height_db,
            unit="dB",
        ),
        *_level_and_edge(circuit, coil, curve, damped),
    )


def _level_and_edge(circuit: Circuit, coil: CoilAndLoad, curve: Response, damped: float) -> tuple[ClosedForm, ...]:
    """The level at low frequencies and the treble's end: of the coil's node, or behind a pot that is turned down."""
    emf = "" if abs(coil.emf - 1) < 0.005 else f"{coil.emf:.3g}·"
    level = coil.emf / (1 + coil.series_resistance / coil.direct_load)
    low = f"{emf}R_dc/(R_s + R_dc)"
    edge = coil.resonance_hz * math.sqrt(damped + math.sqrt(damped**2 + 1))
    high = "f0·√(u + √(u² + 1)), u = 1 − 1/(2Q²)"
    if coil.node != circuit.output and not _active_inputs(circuit):
        curve = circuit_response(circuit)
        direct = solve(circuit, np.array([_LOW_HZ]))
        level, resistance = float(abs(direct.transfer[0])), float(direct.output_impedance[0].real)
        opened = tuple(part for part in circuit.elements if not isinstance(part, Inductor | Coupling | InputNoise))
        far = 1e7  # Hz: what lies straight across the output is all that counts there
        admittance = 1 / complex(solve(replace(circuit, elements=opened), np.array([far])).output_impedance[0])
        capacitance = admittance.imag / (2 * math.pi * far)
        edge = 1 / (2 * math.pi * resistance * capacitance)
        low = "the resistances alone"
        high = f"1/(2π·{in_short(resistance, 'Ω')}·{in_short(capacitance, 'F')})"
    return (
        ClosedForm(
            quantity="low frequencies",
            expression=low,
            value=20 * math.log10(level),
            exact=curve.gain_db_at(REFERENCE_HZ),
            unit="dB",
        ),
        ClosedForm(quantity="3 dB down", expression=high, value=edge, exact=curve.minus_3db_hz, unit="Hz"),
    )


def _pole_q(circuit: Circuit, near_hz: float) -> float | None:
    """Q of the pair of poles nearest to a frequency, None where no pair is complex."""
    pairs = [complex(pole) for pole in poles(circuit) if pole.imag > 1e-6 * abs(pole)]
    if not pairs:
        return None
    pole = min(pairs, key=lambda each: abs(math.log(abs(each) / (2 * math.pi * near_hz))))
    return abs(pole) / (-2 * pole.real) if pole.real < 0 else None


def in_short(value: float, unit: str) -> str:
    """Return a value with its unit in three digits."""
    return f"{value:.3g}" if unit == "1" else format_quantity(value, unit, digits=3)


def _shown(value: float | None, unit: str) -> str:
    if value is None:
        return "has none"
    return f"{value:+.2f} dB" if unit == "dB" else in_short(value, unit)
