"""Every command that writes a file, with what it needs to read, ready to be run into a given name."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

RIG = "Saltmarsh Lane, narrow single coil"
QUICK = ("--count", "400", "--points", "16", "--seed", "1")

PLAN = """sheet = "pickup"
format = 1
name = "narrow"
[coil.main]
resistance = "5.8 kΩ"
inductance = "2.2 H"
capacitance = "90 pF"
"""
READINGS = """sheet = "readings"
format = 1
name = "no. 1"
temperature = "20 °C"
resistance = "5.83 kΩ"
"""

Arguments = Callable[[Path, Path], list[object]]
"""From a folder of inputs and the file to write, to the arguments of a command."""

REMAKE = (
    *("narrow single coil, built", "--original", "narrow single coil"),
    *("--wire", "AWG 42 single build", "--turns", "7900-8100"),
)


def _lifted(inputs: Path) -> list[object]:
    return [
        *(inputs / "lifted.wav", "--string", "E4", "--shim", "1 mm", "--full-scale", "0.05 V"),
        *("--against", "narrow single coil, built"),
    ]


WRITERS: dict[str, Arguments] = {
    "response --output": lambda inputs, file: ["response", RIG, "--output", file],
    "response --plot": lambda inputs, file: ["response", RIG, "--plot", file.with_suffix(".svg")],
    "formula --output": lambda inputs, file: ["formula", RIG, "--output", file],
    "netlist --output": lambda inputs, file: ["netlist", RIG, "--output", file],
    "wiring --output": lambda inputs, file: ["wiring", "one volume", "--output", file],
    "wiring --drawing": lambda inputs, file: [
        "wiring",
        "one volume",
        "--drawing",
        "--output",
        file.with_suffix(".svg"),
    ],
    "own-wiring --output": lambda inputs, file: ["own-wiring", "a: neck", "b: bridge", "--output", file],
    "schematic --output": lambda inputs, file: ["schematic", RIG, "--output", file.with_suffix(".png")],
    "render --output": lambda inputs, file: ["render", RIG, "--take", inputs / "take.toml", "--output", file],
    "convert --output": lambda inputs, file: [
        *("convert", inputs / "dry.wav", "--from", RIG, "--to", "Saltmarsh Lane, two pickups", "--output", file)
    ],
    "impulse --output": lambda inputs, file: [
        *("impulse", "--from", RIG, "--set-to", "cable.length=9m", "--output", file)
    ],
    "impulse --table": lambda inputs, file: [
        *("impulse", "--from", RIG, "--set-to", "cable.length=9m", "--output", inputs / "i.wav", "--force"),
        *("--table", file),
    ],
    "blind prepare --output": lambda inputs, file: [
        *("blind", "prepare", RIG, "--set-second", "cable.length=9m", "--trials", "2"),
        *("--take", inputs / "take.toml", "--output", file),
    ],
    "sweep check --output": lambda inputs, file: ["sweep", "check", inputs / "source.wav", "--output", file],
    "sweep calibrate --output": lambda inputs, file: [
        *("sweep", "calibrate", *(inputs / f"{take}.wav" for take in ("source", "open", "shorted"))),
        *("--series", "220k", "--name", "box", "--output", file),
    ],
    "shim --output": lambda inputs, file: ["shim", *_lifted(inputs), "--output", file],
    "shim --sheet": lambda inputs, file: ["shim", *_lifted(inputs), "--sheet", file],
    "fit --output": lambda inputs, file: ["fit", inputs / "sweep.csv", "--output", file],
    "fit --sheet": lambda inputs, file: ["fit", inputs / "sweep.csv", "--sheet", file],
    "fit --record": lambda inputs, file: ["fit", inputs / "sweep.csv", "--record", file],
    "diagnose --output": lambda inputs, file: [
        *("diagnose", inputs / "plan.toml", inputs / "readings.toml", "--output", file)
    ],
    "diagnose --record": lambda inputs, file: [
        *("diagnose", inputs / "plan.toml", inputs / "readings.toml", "--record", file)
    ],
    "reproduce --output": lambda inputs, file: ["reproduce", *REMAKE, "--output", file],
    "reproduce --record": lambda inputs, file: ["reproduce", *REMAKE, "--record", file],
    "book find --output": lambda inputs, file: [
        *("book", "find", "--book", inputs / "workshop.book", "--csv", "--output", file)
    ],
    "tolerance --output": lambda inputs, file: ["tolerance", RIG, *QUICK, "--output", file],
    "tolerance --plot": lambda inputs, file: ["tolerance", RIG, *QUICK, "--plot", file.with_suffix(".svg")],
    "report --output": lambda inputs, file: ["report", RIG, "--output", file],
    "cases --output": lambda inputs, file: ["cases", "pair_coupling", "--output", file],
    "catalogue --output": lambda inputs, file: ["catalogue", "--output", file],
    "pickup --output": lambda inputs, file: ["pickup", "narrow single coil", "--output", file],
}


def make_inputs(folder: Path) -> Path:
    """Write what the commands read."""
    import numpy as np

    from labkit.bench.recording.excitation import excitation
    from labkit.core.wav import write_wav
    from tests.bench.shim_bench import Lift
    from tests.book.books import small_book

    frequency = np.geomspace(100.0, 20_000.0, 40)
    omega = 2 * np.pi * frequency
    impedance = 1 / (1 / (6200 + 2.6j * omega) + 120e-12j * omega)
    rows = "".join(f"{f:.4f},{abs(z):.6g}\n" for f, z in zip(frequency, impedance))
    (folder / "sweep.csv").write_text(f"Frequency [Hz],Impedance [ohm]\n{rows}")
    (folder / "plan.toml").write_text(PLAN)
    (folder / "readings.toml").write_text(READINGS)
    (folder / "take.toml").write_text(TAKE)
    write_wav(folder / "dry.wav", 0.3 * np.sin(np.arange(24_000) / 9.0), 48_000)
    write_wav(folder / "lifted.wav", Lift().recording(1), Lift().rate)
    small_book(folder).close()
    played = excitation("sweeps", 44_100)
    for take, share in (("source", 0.9), ("open", 0.7), ("shorted", 1e-4)):
        write_wav(folder / f"{take}.wav", np.stack([played, share * played]), 44_100)
    return folder


TAKE = """sheet = "take"
format = 1
name = "one note"
summary = "One note, half a second."
strings = "six strings 10-46"
duration = "0.5 s"
pluck = { position = "130 mm", displacement = "1.5 mm", width = "1 mm" }
seed = 1
notes = [{ at = "0 ms", string = 3, fret = 2 }]
"""
