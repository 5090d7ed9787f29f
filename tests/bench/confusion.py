"""Make docs/reference/diagnose-confusion.md: 200 faulty and 200 good pickups from ngspice, and what is said of them.

python -m tests.bench.confusion
"""

from __future__ import annotations

import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.readings import Plan
from labkit.bench.diagnose.verdicts import Verdict
from labkit.pickup.electrical import Coil, EddySection, Pickup
from tests.bench.faulty_pickups import CORNER, FRACTION, KINDS, C, Case, L, R, faulty, good, read_cases

PLAN = Plan(
    pickup=Pickup(
        name="planned",
        coils={
            "main": Coil(
                resistance=R,
                inductance=L,
                capacitance=C,
                eddy=(EddySection(fraction=FRACTION, corner_hz=CORNER),),
                turns=8000.0,
                facing="north",
                wound="clockwise",
            )
        },
    )
)
PAGE = Path(__file__).parents[2] / "docs" / "reference" / "diagnose-confusion.md"
FAULTY, GOOD, SEED = 200, 200, 2026


def is_named(case: Case, verdict: Verdict) -> bool:
    """Whether every fault of a case is among the findings, alone or in a pair."""
    said = " | ".join(f"{finding.cause}: {finding.size}" for finding in verdict.findings)
    return all(name in said for name in case.truth)


def is_first(case: Case, verdict: Verdict) -> bool:
    """Whether the first finding names a fault of the case."""
    first = "".join(f"{finding.cause}: {finding.size}" for finding in verdict.findings[:1])
    return any(name in first for name in case.truth)


def main() -> None:
    """Write the page."""
    random = np.random.default_rng(SEED)
    each, more = divmod(FAULTY, len(KINDS))
    counts = {kind: each + (number < more) for number, kind in enumerate(KINDS)}
    cases = [(kind, faulty(kind, random)) for kind, count in counts.items() for _ in range(count)]
    cases += [("nothing", good(random)) for _ in range(GOOD)]
    with tempfile.TemporaryDirectory() as folder:
        readings = read_cases([case for _, case in cases], Path(folder), random)
    rows: dict[str, Counter[str]] = {}
    for (kind, case), each_reading in zip(cases, readings):
        verdict = diagnose_readings(PLAN, each_reading)
        row = rows.setdefault(kind, Counter())
        row["all"] += 1
        row[verdict.tier] += 1
        if case.truth:
            row["named"] += is_named(case, verdict)
            row["first"] += is_first(case, verdict)
    lines = [
        "# Faults and what is said of them",
        "",
        f"{FAULTY} faulty and {GOOD} good pickups, simulated with ngspice as coupled inductors, read with the scatter",
        "of a shop: ohmmeter 0.3 %, LCR meter 1 % at 1 and 5 kHz, loaded peak 1 % and 0.3 dB, field 12 % (95 of",
        "100). Good parts scatter by 5 % in resistance and inductance. Faults are 12 to 22 % of the turns, one gauge,",
        "1 to 12 % of the turns shorted, 300 to 800 pF, loops of 15 to 40 %, 18 to 30 K, 35 to 60 % of the field lost;",
        "a pot or capacitor of twice the value, a cable two to four times as long.",
        "*Named*: every fault of the pickup is among the findings; *first*: the first finding names one of them. Made",
        "by `python -m tests.bench.confusion`.",
        "",
        "| What is wrong | Pickups | Passes | Read again | Fault | Named | First |",
        "|---|---|---|---|---|---|---|",
    ]
    for kind, row in rows.items():
        named, first = (f"{row['named']}", f"{row['first']}") if kind != "nothing" else ("–", "–")
        lines.append(
            f"| {kind} | {row['all']} | {row['passes']} | {row['read again']} | {row['fault']} | {named} | {first} |"
        )
    false = rows["nothing"]["fault"] / GOOD
    lines += ["", f"False alarms on good pickups: {100 * false:.1f} %."]
    PAGE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
