"""Make docs/reference/fit-coverage.md: how often 95 % intervals of fits hold the truth, on simulated and real sweeps.

python -m tests.bench.coverage [RUNS]
"""

from __future__ import annotations

import itertools
import math
import sys
from collections import Counter
from pathlib import Path

import numpy as np

from labkit.bench.fit.fit import fit_sweeps
from tests.bench.simulated_sweeps import Bench, held
from tests.bench.test_fit_intervals import LOADS, PICKUPS, read_peak, real

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "fit-coverage.md"
RUNS, SEED = 200, 5000
VALUES = ("resistance", "inductance", "capacitance", "loaded peak", "height of it")
BENCHES = (
    Bench(name="impedance, white scatter", wave_db=0.0),
    Bench(name="impedance"),
    Bench(name="impedance, two eddy sections", core="two sections"),
    Bench(name="impedance, half-order core", core="half order"),
    Bench(name="divider", kind="divider"),
    Bench(name="divider, meter input not stated", kind="divider", meter_stated=False),
    Bench(name="divider, series resistor 5 % wrong, none stated", kind="divider", series_off=0.05, series_stated=0.05),
    Bench(name="exciter with a DC reading", kind="exciter", dc_reading=True),
)


def simulated(runs: int) -> tuple[list[str], np.ndarray]:
    """Rows of the table of simulated benches; errors of the half-order core's inductance, %: 50, 5 and 95 of 100."""
    rows, off = [], []
    for bench in BENCHES:
        count = Counter[str]()
        for seed in range(runs):
            coil, inside, fit = held(bench, SEED + seed)
            count.update({name: int(is_inside) for name, is_inside in inside.items()})
            if bench.core == "half order":
                off.append(100 * (fit.inductance.value / coil.inductance - 1))
        shares = " | ".join(f"{100 * count[name] / runs:.0f}" for name in VALUES)
        rows.append(f"| {bench.name} | {shares} |")
    return rows, np.percentile(off, [50, 5, 95])


def measured() -> str:
    """What left-out loads of measured pickups say."""
    inside, compared, disjoint, tried = Counter[str](), 0, 0, 0
    for pickup in PICKUPS:
        found = []
        for left_out in LOADS:
            fit = fit_sweeps([real(pickup, load) for load in LOADS if load != left_out])
            found.append(fit.inductance)
            asked = real(pickup, left_out)
            prediction = fit.predict_band(asked.fixture, np.geomspace(60.0, 19_900.0, 290))
            peak = read_peak(asked, prediction)
            tried += 1
            if peak is not None and prediction.peak is not None:
                inside["hz"] += prediction.peak.frequency_hz.holds(peak[0])
                inside["db"] += prediction.peak.height_db.holds(peak[1])
        for one, other in itertools.combinations(found, 2):
            compared += 1
            disjoint += one.high < other.low or other.high < one.low
    return (
        f"Of {len(PICKUPS)} measured pickups, each under three loads, every sweep (every second point of it) was\n"
        "predicted from the two others, nothing known of the DC resistance and the load parts good to 5 and 10 %: the\n"
        f"peak of the recorded curve lay inside its 95 % band {inside['hz']} times of {tried}, its height\n"
        f"{inside['db']} times. Fits under different pairs of loads excluded each other's inductance in {disjoint} of\n"
        f"{compared} comparisons."
    )


def main(runs: int) -> None:
    """Write the page."""
    error = 100 * math.sqrt(0.95 * 0.05 / runs)
    rows, off = simulated(runs)
    lines = [
        "# Coverage of a fit's intervals",
        "",
        f"How many of 100 intervals hold the truth; 95 are wanted. {runs} random pickups for each line (one standard",
        f"error {error:.1f}), swept bare and with 200 kΩ ± 2 % parallel to 470 pF ± 5 %, meter 1 MΩ ± 5 %, 120 points,",
        "0.05 dB of scatter and a smooth error of 0.1 dB unless said otherwise. Fixture parts are off at random within",
        "their tolerance. Peak and height are the pickup's own, into exactly 200 kΩ and 470 pF.",
        f"Made by `python -m tests.bench.coverage {runs}`, seeds from {SEED}; the widening of a spread core's bounds",
        "was chosen on others.",
        "",
        "| Bench | R | L | C | Loaded peak | Its height |",
        "|---|---|---|---|---|---|",
        *rows,
        "",
        "The inductance of a half-order core still rises below any band, so no sweep shows its limit: it is the word",
        f"of the rival that writes the loss so. The value lies {off[0]:+.1f} % off in the middle and {off[1]:+.1f} to",
        f"{off[2]:+.1f} % in 90 of 100, low where sections follow the sweep as well. Where the spread loss is a",
        "serious rival the fit says so and gives the inductance at 1 kHz, on which all agree. Peak and height are not",
        "touched by it.",
        "",
        measured(),
    ]
    PAGE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else RUNS)
