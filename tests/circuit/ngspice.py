"""A translator from labkit's circuits to ngspice, independent of labkit's own exporter, and the runs themselves.

Parts whose conductance depends on frequency (a capacitor with a dissipation factor, a custom admittance) become a plain
resistor beside a plain capacitor whose values are set anew before each frequency. Shorts are merged nodes and opens are
left out, so that ngspice never meets its own floor for resistances. The falling gain of an amplifier is a controlled
source into an RC; e_n and i_n are the noise of a resistor by itself, carried over by a controlled source. One process
works through many circuits.
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
    ControlledCurrent,
    ControlledVoltage,
    Coupling,
    CustomAdmittance,
    Inductor,
    InputNoise,
    Resistor,
    Source,
)
from tests.circuit.ideal import idealised

NOISE_OHM = 1e3
"""Resistor whose thermal noise stands for e_n and i_n."""

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
    noises = {noise.reader: noise for noise in circuit.of_kind(InputNoise) if noise.voltage}
    source_number = {source.name: place for place, source in enumerate(circuit.sources)}
    for number, element in enumerate(ideal.elements):
        ends = " ".join(name_of[node] for node in element.nodes)
        if isinstance(element, Resistor):
            quiet = "" if element.is_noisy else " noisy=0"
            lines.append(f"R{number} {ends} {element.resistance!r}{quiet}")
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
            taken = with_noise(lines, element.name, noises, taken)
            inner = f"b{number}" if element.output_resistance else given
            lines.append(f"E{number} {inner} 0 {taken} 0 {element.gain!r}")
            if element.output_resistance:
                lines.append(f"R{number} {inner} {given} {element.output_resistance!r}")
        elif isinstance(element, ControlledVoltage):
            positive, negative, plus, minus = ends.split()
            plus = with_noise(lines, element.name, noises, plus)
            lines.append(f"E{number} g{number} 0 {plus} {minus} {element.gain!r}")
            if np.isfinite(element.corner_hz):
                # 1 mΩ and its capacitor: their own noise stays far below anything else
                farad = 1 / (2 * np.pi * element.corner_hz * 1e-3)
                lines += [f"Rg{number} g{number} h{number} 1m", f"Cg{number} h{number} 0 {farad!r}"]
            here = f"h{number}" if np.isfinite(element.corner_hz) else f"g{number}"
            inner = f"b{number}" if element.output_resistance else positive
            lines.append(f"E{number}o {inner} {negative} {here} 0 1")
            if element.output_resistance:
                quiet = "" if element.is_noisy else " noisy=0"
                lines.append(f"R{number} {inner} {positive} {element.output_resistance!r}{quiet}")
        elif isinstance(element, ControlledCurrent):
            leaves, enters, plus, minus = ends.split()
            plus = with_noise(lines, element.name, noises, plus)
            lines.append(f"G{number} {leaves} {enters} {plus} {minus} {element.transconductance!r}")
        elif isinstance(element, InputNoise):
            lines += [f"Ri{number} i{number} 0 {NOISE_OHM!r}"]
            lines += [f"G{number} {ends} i{number} 0 {element.current / own_noise()!r}"]
    lines += [f"Rtie{place} {name_of[node]} 0 {TIE_RESISTANCE}" for place, node in enumerate(ideal.islands)]
    output = name_of[ideal.output]
    if output == "0":
        return lines, changing, None
    output = with_noise(lines, "", noises, output)
    lines.append(f"Iprobe 0 {name_of[ideal.output]} DC 0 AC 0")
    return lines, changing, output


def own_noise() -> float:
    """Noise of the resistor that stands for e_n and i_n, at 20 °C, V/√Hz."""
    return float(np.sqrt(4 * 1.380649e-23 * 293.15 * NOISE_OHM))


def with_noise(lines: list[str], reader: str, noises: dict[str, InputNoise], node: str) -> str:
    """Put e_n of a reader's input in series with the node it reads; return the node behind it."""
    if reader not in noises:
        return node
    inside = f"e{len(lines)}"
    lines += [f"Re{len(lines)} {inside}n 0 {NOISE_OHM!r}"]
    lines += [f"Ee{len(lines)} {inside} {node} {inside}n 0 {noises[reader].voltage / own_noise()!r}"]
    return inside


def simulate_noise(circuits: Sequence[Circuit], frequency_hz: np.ndarray, folder: Path) -> list[np.ndarray]:
    """Return ngspice's noise analysis of every circuit at 20 °C: V/√Hz at the output, shape (F,)."""
    commands = ["set noaskquit"]
    for number, circuit in enumerate(circuits):
        lines, changing, output = translate(circuit)
        assert not changing
        deck = ["* circuit", *lines, ".options temp=20 tnom=20", ".end", ""]
        (folder / f"c{number}.cir").write_text("\n".join(deck), encoding="ascii")
        commands.append(f"source c{number}.cir")
        for place, frequency in enumerate(frequency_hz):
            commands += [f"noise v({output}) iprobe lin 1 {float(frequency)!r} {float(frequency)!r}"]
            commands += [f"wrdata n{number}_{place} onoise_spectrum", "destroy all"]
        commands.append("remcirc")
    run_commands(commands, folder)
    return [
        np.array([_number(folder / f"n{number}_{place}") for place in range(len(frequency_hz))])
        for number in range(len(circuits))
    ]


def _number(file: Path) -> float:
    return float(file.read_text().split()[1])


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
