"""Good and faulty pickups as ngspice circuits, read with a shop's meters.

A coil is coupled inductors here (winding, eddy loop, shorted turns), not the sections the diagnosis calculates with;
what a meter shows is taken from the simulator's node voltages. Every part scatters as good ones do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from labkit.bench.diagnose.readings import OPEN, FieldValue, LcrValue, PartValue, PeakValue, Readings
from labkit.bench.fit.fixture import STANDARD_LOAD
from labkit.bench.fit.prediction import peak_of
from tests.circuit.ngspice import run_commands

R, L, C, FRACTION, CORNER = 5805.0, 2.4, 110e-12, 0.1, 3000.0
FIELD = 0.07
"""T; what the plan says of a pole."""

TURNS, GAUGE, SHORT, LOADING, LOOP = (
    "number of turns",
    "wrong wire gauge",
    "shorted turns",
    "extra capacitance",
    "conducting loop around the coil",
)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One pickup: what is wrong with it, in the words of the diagnosis, and its electrical values."""

    truth: tuple[str, ...]
    turns: float = 1.0
    wire: float = 1.0
    short: float = 0.0
    extra: float = 0.0
    loop: float = 0.0
    loop_corner: float = 8000.0
    warm: float = 0.0
    magnet: float = 1.0
    resistance: float = R
    inductance: float = L
    other: str = ""

    def netlist(self) -> str:
        """One coil twice: driven by 1 A at its open leads, and by its EMF into the standard load."""
        bulk = 1 + 0.1 * (self.turns * self.wire**2 - 1)
        ohms = self.resistance * self.turns / self.wire**2 * bulk * (1 + 0.00393 * self.warm) * (1 - self.short)
        henries = self.inductance * (self.turns * (1 - self.short)) ** 2
        lines = ["* pickup"]
        for way in ("a", "b"):
            lines += [f"V{way} e{way} 0 dc 0 ac {1 if way == 'b' else 0}", f"R{way} e{way} w{way} {ohms:.8g}"]
            lines += [f"L{way} w{way} h{way} {henries:.8g}", f"C{way} h{way} 0 {C + self.extra:.8g}"]
            loops = [("x", math.sqrt(FRACTION), CORNER)]
            if self.loop:
                loops.append(("y", math.sqrt(self.loop), self.loop_corner))
            if self.short:
                own = ohms / (1 - self.short) * self.short / (2 * math.pi * self.inductance * self.short**2)
                loops.append(("z", 0.975, own))
            for name, _, corner in loops:
                lines += [f"L{name}{way} l{name}{way} 0 1", f"R{name}{way} l{name}{way} 0 {2 * math.pi * corner:.8g}"]
            for number, (name, k, _) in enumerate(loops):
                lines.append(f"K{name}{way} L{way} L{name}{way} {k:.8g}")
                for further, k_further, _ in loops[number + 1 :]:
                    # flux that both share passes through the winding
                    lines.append(f"K{name}{further}{way} L{name}{way} L{further}{way} {k * k_further:.8g}")
        lines += ["Ia 0 ha ac 1", "Rl hb 0 200k", "Cl hb 0 470p", "Rtie ha 0 1e12", ".end"]
        return "\n".join(lines) + "\n"


def good(random: np.random.Generator) -> Case:
    """A part inside the plan: resistance and inductance within 5 % in 95 of 100."""
    return Case(
        truth=(),
        resistance=R * math.exp(0.05 / 1.96 * random.standard_normal()),
        inductance=L * math.exp(0.05 / 1.96 * random.standard_normal()),
    )


def faulty(kind: str, random: np.random.Generator) -> Case:
    """A part with a fault of random size, larger than what tolerance allows."""
    base = good(random)
    sign = float(random.choice([-1, 1]))
    turns = 1 + sign * random.uniform(0.12, 0.22)
    gauge = (92 ** (1 / 39)) ** (float(random.choice([-1, 1])))
    made = {
        TURNS: replace(base, truth=(TURNS,), turns=turns),
        GAUGE: replace(base, truth=(GAUGE,), wire=gauge),
        SHORT: replace(base, truth=(SHORT,), short=random.uniform(0.01, 0.12)),
        LOADING: replace(base, truth=(LOADING,), extra=random.uniform(300e-12, 800e-12)),
        LOOP: replace(base, truth=(LOOP,), loop=random.uniform(0.15, 0.4), loop_corner=random.uniform(4e3, 12e3)),
        "warm coil": replace(base, truth=("warm coil",), warm=random.uniform(18.0, 30.0)),
        "gauge and turns": replace(base, truth=(GAUGE, TURNS), wire=gauge, turns=1 + abs(turns - 1)),
        "warm and short": replace(
            base, truth=("warm coil", SHORT), warm=random.uniform(20.0, 30.0), short=random.uniform(0.03, 0.12)
        ),
        "weak magnet and loading": replace(
            base,
            truth=("weak magnet", LOADING),
            magnet=random.uniform(0.4, 0.65),
            extra=random.uniform(300e-12, 800e-12),
        ),
        "weak magnet": replace(base, truth=("weak magnet",), magnet=random.uniform(0.4, 0.65)),
    }
    if kind in made:
        return made[kind]
    truth = f"wrong harness value: {WRONG_PARTS[kind]}" if kind in WRONG_PARTS else kind
    return replace(base, truth=(truth,), other=kind)


ELECTRICAL = (TURNS, GAUGE, SHORT, LOADING, LOOP, "warm coil", "gauge and turns", "warm and short")
OTHERS = (
    "weak magnet",
    "weak magnet and loading",
    "open coil",
    "leak to ground",
    "coil touches metal",
    "reversed magnet",
    "leads exchanged",
    "wrong pot",
    "wrong tone capacitor",
    "wrong cable",
    "leaky capacitor",
)
WRONG_PARTS = {"wrong pot": "volume", "wrong tone capacitor": "tone capacitor", "wrong cable": "cable"}
KINDS = (*ELECTRICAL, *OTHERS)


def read_cases(cases: Sequence[Case], folder: Path, random: np.random.Generator) -> list[Readings]:
    """Simulate every case in one ngspice process, and read each as a shop does."""
    commands = ["set noaskquit"]
    for number, case in enumerate(cases):
        (folder / f"p{number}.cir").write_text(case.netlist())
        commands += [f"source p{number}.cir", "ac lin 1 0.01 0.01", f"wrdata d{number}.txt v(ha)"]
        commands += ["ac dec 60 100 20k", f"wrdata s{number}.txt v(ha) v(hb)", "destroy all", "remcirc"]
    run_commands(commands, folder)
    return [
        _read(case, np.loadtxt(folder / f"d{n}.txt", ndmin=2), np.loadtxt(folder / f"s{n}.txt"), random)
        for n, case in enumerate(cases)
    ]


def _read(case: Case, dc: np.ndarray, sweep: np.ndarray, random: np.random.Generator) -> Readings:
    def scatter(size: float) -> float:
        return math.exp(size * random.standard_normal())

    frequency, impedance = sweep[:, 0], sweep[:, 1] + 1j * sweep[:, 2]
    level = 20 * np.log10(np.abs(sweep[:, 4] + 1j * sweep[:, 5]))
    lcr = []
    for hertz in (1000.0, 5000.0):
        z = complex(*(np.interp(hertz, frequency, part) for part in (impedance.real, impedance.imag)))
        lcr.append(
            LcrValue(
                frequency_hz=hertz,
                inductance=z.imag / (2 * math.pi * hertz) * scatter(0.005),
                resistance=z.real * scatter(0.005),
            )
        )
    peak = peak_of(frequency, level)
    assert peak is not None
    readings = Readings(
        name="as read",
        temperature_c=None if case.warm else 20.0,
        resistance=float(dc[0, 1]) * scatter(0.0015),
        lcr=tuple(lcr),
        peak=PeakValue(
            load=STANDARD_LOAD,
            frequency_hz=peak[0] * scatter(0.005),
            height_db=peak[1] - level[0] + 0.15 * random.standard_normal(),
        ),
        field=(
            FieldValue(
                value=FIELD * case.magnet * scatter(0.06),
                planned=FIELD,
                facing="south" if case.other == "reversed magnet" else "north",
                planned_facing="north",
            ),
        ),
        insulation={"leak to ground": 2e6, "coil touches metal": 60.0}.get(case.other, OPEN),
        first_swing="negative" if case.other in ("reversed magnet", "leads exchanged") else "positive",
        planned_swing="positive",
        parts=_parts(case, random),
    )
    if case.other == "open coil":
        return replace(readings, resistance=OPEN, lcr=(), peak=None, passes_sound=bool(random.integers(2)))
    return readings


def _parts(case: Case, random: np.random.Generator) -> tuple[PartValue, ...]:
    """Volume pot, tone capacitor and cable; one of them wrong, or the capacitor leaky, where that is the fault.

    A wrong part is another common value: a pot or capacitor about twice as large, a cable of two to four times the
    length.
    """
    wrong = WRONG_PARTS.get(case.other)
    planned = (("volume", "Ω", 250e3, 0.2), ("tone capacitor", "F", 22e-9, 0.1), ("cable", "F", 500e-12, 0.2))
    slips = {"volume": 2.0, "tone capacitor": 47 / 22, "cable": float(random.uniform(2.0, 4.0))}
    return tuple(
        PartValue(
            name=name,
            unit=unit,  # type: ignore[arg-type]
            planned=value,
            read=value
            * math.exp(tolerance / 1.96 * random.standard_normal() * 0.5)
            * (slips[name] if name == wrong else 1.0),
            tolerance=tolerance,
            leak=(2e6 if case.other == "leaky capacitor" else OPEN) if name == "tone capacitor" else None,
        )
        for name, unit, value, tolerance in planned
    )
