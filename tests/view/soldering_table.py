"""Draw every wiring and write how often its wires cross: ``python -m tests.view.soldering_table``.

The table is a page of the reference. "Before" are the figures of a first version that laid parts in the order of the
sheet, where they were written down.
"""

from __future__ import annotations

from pathlib import Path

from labkit.catalogue import catalogue
from labkit.view.soldering.checks import faults, read_back
from labkit.view.soldering.drawing import draw_soldering
from tests.rig.unseen_wirings import NAMES, unseen

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "soldering-crossings.md"
BEFORE = {
    "one volume, one tone": 2,
    "two pickups, two volumes, two tones, independent": 7,
    "three pickups, five-way, one volume, two tones": 9,
    "two pickups, phase switch": 7,
    "two-coil, series, split or parallel": 7,
    "two preset circuits on a slide switch": 4,
    "two two-coil pickups, five-way with splits": 20,
    "three pickups, a switch for each": 27,
    "added capacitance before a buffer": 15,
    "one volume, rotary tone": 38,
}
HEAD = """# Crossings of wires in the soldering drawings

Every wiring of the catalogue and ten that are not in it, drawn by `labkit wiring NAME --drawing`: wires and legs,
places where two cross, and the same of a first version that laid the parts in the order of the sheet, where it was
written down. In none lies a wire over a part, a word or another wire, or within 12 px of a lug that is not its own; the
picture alone gives back the wires. Made by `python -m tests.view.soldering_table`; the search for places has a fixed
seed.

| wiring | wires and legs | crossings | before |
| --- | ---: | ---: | ---: |
"""


def main() -> None:
    """Draw all, refuse what has a fault, and write the page."""
    rows = []
    for name in (*catalogue().names("harness"), *NAMES):
        harness = unseen(name) if name in NAMES else catalogue().load("harness", name)
        drawing = draw_soldering(harness)
        found = faults(drawing)
        if found or len(read_back(drawing.to_svg())) != len(drawing.plan.wires):
            raise SystemExit(f"{name}: {found}")
        before = BEFORE.get(name, "")
        rows.append(f"| {harness.name} | {len(drawing.plan.wires)} | {drawing.crossings} | {before} |")
    PAGE.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
