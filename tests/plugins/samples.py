"""A sample of every implementation that the contracts are held to; `test_contracts` fails where one is missing."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from types import ModuleType
from typing import Any

import openpyxl

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "light_control"

PARTS: dict[str, dict[str, Any]] = {
    "pot": {"nodes": ["a", "b", "ground"], "value": "250k", "taper": "audio 10 %", "end_resistance": "20 Ω"},
    "resistor": {"nodes": ["a", "b"], "value": "150k"},
    "capacitor": {"nodes": ["a", "b"], "value": "22n", "loss_tangent": "1 %"},
    "inductor": {"nodes": ["a", "ground"], "value": "1.5 H", "resistance": "600 Ω"},
    "switch": {
        "positions": {"neck": [["n", "bus"]], "both": [["n", "bus"], ["b", "bus"]], "bridge": [["b", "bus"]]},
    },
    "buffer": {"nodes": ["a", "b"], "input_resistance": "1 MΩ", "input_capacitance": "20 pF", "gain": "3 dB"},
    "dummy coil": {"nodes": ["a", "b"], "resistance": "6 kΩ", "inductance": "2.4 H", "capacitance": "100 pF"},
    "screened lead": {"nodes": ["a", "ground"], "capacitance": "60 pF"},
    "operational amplifier": {"nodes": ["a", "b", "c"], "gain_bandwidth": "1 MHz", "voltage_noise": "8 nV/√Hz"},
    "shelving amplifier": {"nodes": ["a", "b"], "band": "treble", "corner": "2 kHz", "range": "9 dB"},
    "transistor": {"nodes": ["a", "b", "c"], "transconductance": "2 mS", "gate_resistance": "100 kΩ"},
    "transformer": {"nodes": ["a", "ground", "b", "ground"], "primary_inductance": "20 H", "ratio": 0.2},
    "piezo": {"nodes": ["a", "ground"], "capacitance": "1 nF", "level": "3 dB"},
    "light resistor": {"nodes": ["a", "b"], "cell": "small cell", "darkest_lux": 0.2},
}

STAGES: dict[str, dict[str, Any]] = {
    "cable": {"length": "5 m", "capacitance": "100 pF/m", "plugs": "20 pF"},
    "input": {"resistance": "1 MΩ", "capacitance": "20 pF"},
    "bypass box": {"capacitance": "60 pF"},
    "buffer": {"input_resistance": "500 kΩ", "input_capacitance": "20 pF", "output_resistance": "1 kΩ"},
    "volume pedal": {"value": "250k", "taper": "audio 10 %", "position": 7},
    "valve input": {
        "stopper": "33 kΩ",
        "leak": "1 MΩ",
        "grid_cathode": "1.6 pF",
        "grid_anode": "1.7 pF",
        "stage_gain": 55,
    },
    "low-impedance input": {"coupling": "10 µF", "resistance": "10 kΩ"},
    "amplifier": {"gain": "12 dB", "input_resistance": "1 MΩ", "coupling": "22 nF", "roll_off": "100 pF"},
    "transistor stage": {"transconductance": "2 mS", "leak": "470 kΩ", "current_noise": "10 fA/√Hz"},
    "transformer": {"primary_inductance": "20 H", "ratio": 0.2, "primary_resistance": "100 Ω"},
    "cable line": {"length": "50 m", "capacitance": "90 pF/m", "resistance": "0.1 Ω/m", "inductance": "0.5 µH/m"},
    "tone stack": {
        "driving_resistance": "38 kΩ",
        "slope": "68 kΩ",
        "treble_capacitor": "470 pF",
        "bass_capacitor": "47 nF",
        "middle_capacitor": "22 nF",
        "treble_pot": "250 kΩ",
        "bass_pot": "500 kΩ",
        "middle_pot": "25 kΩ",
        "treble": 7,
    },
    "passive split": {
        "branch": [
            {"kind": "cable", "length": "3 m", "capacitance": "100 pF/m"},
            {"kind": "input", "resistance": "1 MΩ"},
        ]
    },
    "series resistor": {"value": "1 kΩ"},
}


def workbook_bytes(rows: list[tuple[object, ...]]) -> bytes:
    """Return a workbook of one sheet."""
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    raw = io.BytesIO()
    book.save(raw)
    return raw.getvalue()


READER_FILES: dict[str, tuple[str, str | bytes]] = {
    "Touchstone": (
        "sweep.s1p",
        "# Hz Z RI R 1\n" + "".join(f"{f} {6000 + f} {10 * f}\n" for f in range(100, 2000, 100)),
    ),
    "XLSX workbook": (
        "sweep.xlsx",
        workbook_bytes([("frequency (Hz)", "impedance (ohm)"), *((f, 6000 + 2 * f) for f in range(100, 2000, 100))]),
    ),
    "delimited text": (
        "sweep.csv",
        "frequency (Hz),impedance (ohm)\n" + "".join(f"{f},{6000 + 2 * f}\n" for f in range(100, 2000, 100)),
    ),
    "bench log": (
        "sweep.log",
        "saltmarsh bench log 1\nmeasured = impedance\n"
        + "".join(f"f={f};z={6000 + 2 * f};p=12.5\n" for f in range(100, 2000, 100)),
    ),
}


def things_of(module: ModuleType, hook: str) -> Mapping[str, Any]:
    """Return what a plugin's module brings through a hook, by name."""
    function = getattr(module, hook, None)
    if function is None:
        return {}
    found = function()
    if isinstance(found, Mapping):
        return found
    return {getattr(each, "kind", None) or getattr(each, "name", str(each)): each for each in found}
