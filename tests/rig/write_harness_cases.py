"""Write reference_cases/harnesses.toml anew: every built-in wiring as ngspice sees it.

Run it after a built-in harness was added or changed on purpose:

    python -m tests.rig.write_harness_cases

Each wiring gets two invented pickups, a cable and an input; ngspice solves the circuit from a deck that the tests'
own translator writes, so the numbers do not pass through labkit's solver or exporter.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from labkit.catalogue import catalogue
from labkit.core.sheet import Table
from labkit.rig.harness import Harness
from labkit.rig.sheet import read_rig, set_value
from tests.circuit.ngspice import simulate

TARGET = Path(__file__).resolve().parents[2] / "reference_cases" / "harnesses.toml"
AT = {"100 Hz": 100.0, "1 kHz": 1e3, "3 kHz": 3e3, "8 kHz": 8e3}
LOWEST_DB = -80.0
"""Numbers below this are left out: there the last printed digit of a level means nothing."""

ONE_COIL = {
    "name": "one coil",
    "coil": {"main": {"resistance": "6 kΩ", "inductance": "2.4 H", "capacitance": "110 pF"}},
}
OTHER_COIL = {
    "name": "another coil",
    "coil": {"main": {"resistance": "7 kΩ", "inductance": "2.9 H", "capacitance": "130 pF"}},
}
TWO_COILS = {
    "name": "two coils",
    "coupling": 0.1,
    "coil": {
        "first": {
            "resistance": "4 kΩ",
            "inductance": "2.0 H",
            "capacitance": "120 pF",
            "facing": "south",
            "wound": "counter-clockwise",
        },
        "second": {
            "resistance": "4.2 kΩ",
            "inductance": "2.1 H",
            "capacitance": "125 pF",
            "facing": "north",
            "wound": "clockwise",
        },
    },
}


def rig_of(harness: Harness) -> dict[str, Any]:
    """Return an inline rig sheet around a wiring."""
    rewired = {node.split(".")[0] for node in harness.terminals if node.count(".") == 2}
    pickups = {}
    for number, slot in enumerate(harness.slots):
        pickups[slot] = TWO_COILS if slot in rewired else (ONE_COIL, OTHER_COIL)[number % 2]
    return {
        "name": harness.name,
        "harness": harness.name,
        "pickups": pickups,
        "chain": [
            {"kind": "cable", "length": "5 m", "capacitance": "100 pF/m"},
            {"kind": "input", "resistance": "1 MΩ", "capacitance": "100 pF"},
        ],
    }


def variants_of(harness: Harness) -> dict[str, list[str]]:
    """Return the settings to check: as delivered, each other position of the first switch, and all knobs at 5."""
    found: dict[str, list[str]] = {"as delivered": []}
    for selector in harness.selectors[:1]:
        for position in selector.positions:
            if position != selector.default:
                found[f"{selector.name} {position}"] = [f"{selector.name}={position}"]
    if harness.knobs:
        found["knobs at 5"] = [f"{knob.name}=5" for knob in harness.knobs]
    return found


def main() -> None:
    """Write the file."""
    known = catalogue()
    entries, rigs, labels = [], [], []
    for name in known.names("harness"):
        if known.item("harness", name).plugin != "builtin":
            continue
        harness = known.load("harness", name)
        inputs = {"rig": rig_of(harness), "at": list(AT), "variants": variants_of(harness)}
        entries.append((harness, inputs))
        for label, changes in inputs["variants"].items():
            rig = read_rig(Table(inputs["rig"], "case"))
            for change in changes:
                rig = set_value(rig, *change.split("=", 1))
            rigs.append(rig.circuit)
            labels.append((harness.name, label))
    with tempfile.TemporaryDirectory() as folder:
        sweeps = simulate(rigs, np.array(list(AT.values())), Path(folder))
    levels = {key: 20 * np.log10(np.abs(sweep.transfer)) for key, sweep in zip(labels, sweeps)}
    written = []
    for harness, inputs in entries:
        expected = []
        for label in inputs["variants"]:
            for text, level in zip(AT, levels[harness.name, label]):
                if level > LOWEST_DB:
                    expected.append(
                        {
                            "quantity": f"{label}: gain {text}",
                            "value": round(float(level), 4),
                            "unit": "dB",
                            "tolerance": 0.001,
                            "tolerance_kind": "absolute",
                        }
                    )
        written.append(
            {"name": f"wiring: {harness.name}", "claim": harness.summary, "inputs": inputs, "expected": expected}
        )
    shared = {
        "sheet": "case",
        "format": 1,
        "model": "wiring",
        "role": "validation",
        "how": "calculated",
        "check": "rig",
        "source": "ngspice 39, from decks written by the tests' own translator (tests/rig/write_harness_cases.py)",
        "tolerance_reason": "two solvers in double precision; printed to 0.0001 dB",
        "entry": written,
    }
    TARGET.write_text(tomli_w.dumps(shared))


if __name__ == "__main__":
    main()
