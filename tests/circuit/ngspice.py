"""A translator from labkit's circuits to ngspice, independent of labkit's own exporter, and the runs themselves.

Parts whose conductance depends on frequency (a capacitor with a dissipation factor, a custom admittance) become a plain
resistor beside a plain capacitor whose values are set anew before each frequency. Shorts are merged nodes and opens are
left out, so that ngspice never meets its own floor for resistances. One process works through many circuits.
"""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Circuit,
    Coupling,
    CustomAdmittance,
    Inductor,
    Resistor,
    Source,
)
from tests.circuit.ideal import idealised

TIE_RESISTANCE = 1.0
"""From one node of an island to ground, Ω: no current flows through a single tie."""


@dataclass(frozen=True)
class SimulatedSweep:
    """What ngspice found: frequencies, Hz, and the transfer (or impedance, Ω) at exactly these."""

    frequency_hz: np.ndarray
    transfer: np.ndarray
    output_impedance: np.ndarray


def simulate(circuits: Sequence[Circuit], frequency_hz: np.ndarray, folder: Path) -> list[SimulatedSweep]:
    """Run every circuit through one ngspice process; files go to ``folder``."""
    commands = ["set noaskquit", "set appendwrite"]
    for number, circuit in enumerate(circuits):
        lines, changing, output = translate(circuit)
        if output is None:
            continue
        (folder / f"c{number}.cir").write_text("\n".join(["* circuit", *lines, ".end", ""]), encoding="ascii")
        commands.append(f"source c{number}.cir")
        commands += _sweep(changing, frequency_hz, output, f"t{number}.raw")
        commands += [f"alter @v{place}[acmag] = 0" for place, _ in enumerate(circuit.sources)]
        commands.append("alter @iprobe[acmag] = 1")
        commands += _sweep(changing, frequency_hz, output, f"z{number}.raw")
        commands += ["destroy all", "remcirc"]
    run_commands(commands, folder)
    sweeps = []
    for number in range(len(circuits)):
        if not (folder / f"c{number}.cir").exists():
            grounded = np.zeros(len(frequency_hz), dtype=complex)
            sweeps.append(SimulatedSweep(frequency_hz, grounded, grounded))
            continue
        found, transfer = read_raw(folder / f"t{number}.raw")
        _, impedance = read_raw(folder / f"z{number}.raw")
        sweeps.append(SimulatedSweep(found, transfer, impedance))
    return sweeps


def run_commands(commands: Sequence[str], folder: Path) -> None:
    """Run ngspice in ``folder`` on a control script; raise with its own words where it reports an error."""
    (folder / "run.cir").write_text("\n".join(["* run", ".control", *commands, "quit", ".endc", ".end", ""]))
    done = subprocess.run(
        ["ngspice", "-b", "run.cir"], cwd=folder, capture_output=True, text=True, timeout=300, check=False
    )
    said = done.stdout + done.stderr
    complaints = [line for line in said.splitlines() if "error" in line.lower() or "singular" in line.lower()]
    if complaints:
        raise RuntimeError("ngspice: " + " / ".join(complaints[:5]))


def translate(circuit: Circuit) -> tuple[list[str], dict[str, tuple[Capacitor | CustomAdmittance, str]], str | None]:
    """Return the lines of the deck, the parts to set anew at each frequency, and the output (None: it is grounded)."""
    ideal = idealised(circuit)
    name_of = {GROUND: "0"} | {node: f"n{place}" for place, node in enumerate(ideal.nodes, 1)}
    lines = [".options noopac"]
    changing: dict[str, tuple[Capacitor | CustomAdmittance, str]] = {}
    inductor_number = {inductor.name: place for place, inductor in enumerate(circuit.of_kind(Inductor))}
    source_number = {source.name: place for place, source in enumerate(circuit.sources)}
    for number, element in enumerate(ideal.elements):
        ends = " ".join(name_of[node] for node in element.nodes)
        if isinstance(element, Resistor):
            lines.append(f"R{number} {ends} {element.resistance!r}")
        elif isinstance(element, Capacitor) and element.dissipation == 0:
            lines.append(f"C{number} {ends} {element.capacitance!r}")
        elif isinstance(element, (Capacitor, CustomAdmittance)):
            lines += [f"R{number} {ends} 1", f"C{number} {ends} 1"]
            changing[str(number)] = (element, ends)
        elif isinstance(element, Inductor):
            lines.append(f"L{inductor_number[element.name]} {ends} {element.inductance!r}")
        elif isinstance(element, Coupling):
            first, second = (f"L{inductor_number[name]}" for name in element.inductors)
            lines.append(f"K{number} {first} {second} {element.coefficient!r}")
        elif isinstance(element, Source):
            lines.append(f"V{source_number[element.name]} {ends} DC 0 AC {element.voltage!r}")
        elif isinstance(element, Buffer):
            taken, given = (name_of[node] for node in element.nodes)
            inner = f"b{number}" if element.output_resistance else given
            lines.append(f"E{number} {inner} 0 {taken} 0 {element.gain!r}")
            if element.output_resistance:
                lines.append(f"R{number} {inner} {given} {element.output_resistance!r}")
    lines += [f"Rtie{place} {name_of[node]} 0 {TIE_RESISTANCE}" for place, node in enumerate(ideal.islands)]
    output = name_of[ideal.output]
    if output == "0":
        return lines, changing, None
    lines.append(f"Iprobe 0 {output} DC 0 AC 0")
    return lines, changing, output


def _sweep(
    changing: dict[str, tuple[Capacitor | CustomAdmittance, str]],
    frequency_hz: np.ndarray,
    output: str,
    file: str,
) -> list[str]:
    commands = []
    for frequency in frequency_hz:
        omega = 2 * np.pi * float(frequency)
        for number, (element, _) in changing.items():
            if isinstance(element, Capacitor):
                admittance = omega * element.capacitance * (element.dissipation + 1j)
            else:
                admittance = element.coefficient * complex(element.row(np.array([omega]))[0])
            commands.append(f"alter R{number} = {1 / admittance.real if admittance.real else 1e30!r}")
            commands.append(f"alter C{number} = {admittance.imag / omega!r}")
        commands += [f"ac lin 1 {float(frequency)!r} {float(frequency)!r}", f"write {file} v({output})"]
    return commands


def read_raw(file: Path) -> tuple[np.ndarray, np.ndarray]:
    """Return frequency and the one voltage of a binary raw file, which may hold several plots one after another."""
    content = file.read_bytes()
    frequency, voltage = [], []
    while content:
        head, _, content = content.partition(b"Binary:\n")
        fields = dict(line.split(": ", 1) for line in head.decode("latin-1").splitlines() if ": " in line)
        variables, points = int(fields["No. Variables"]), int(fields["No. Points"])
        size = 16 * variables * points
        table = np.frombuffer(content[:size], dtype=complex).reshape(points, variables)
        content = content[size:].lstrip(b"\n")
        frequency.append(table[:, 0].real)
        voltage.append(table[:, 1])
    return np.concatenate(frequency), np.concatenate(voltage)
