"""Draw every wiring, read it back and write how often its wires cross: ``python -m tests.view.soldering_table``.

The table is a page of the reference. "Before" are the figures of a first version that laid parts in the order of the
sheet, where they were written down.
"""

from __future__ import annotations

from labkit.catalogue import catalogue
from labkit.rig.devices.plan import harness_as_soldered
from labkit.rig.harness import Harness
from labkit.rig.rewiring import demo_rig
from labkit.view.soldering.checks import faults, read_back
from labkit.view.soldering.drawing import SolderDrawing, draw_soldering
from tests.rig.test_devices import worst_difference
from tests.rig.unseen_wirings import NAMES, unseen
from tests.view.test_soldering import PAGE, meant, nets

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
written down. In none lies a wire over a part, a word or another wire, or within 12 px of a lug that is not its own.

Read back: the joints are found again from the circles and paths of the picture alone. "Same" says that they make the
nodes of the plan, that the circuit they make has the response of the sheet in every position, with the knobs at 10, 6
and 0 (to 1e-12 of its gain, the rounding of the solver), and that the picture with any one of its wires taken away is
found to differ. Made by `python -m tests.view.soldering_table`; the search for places has a fixed seed.

| wiring | wires and legs | crossings | before | read back | wires whose loss is noticed |
| --- | ---: | ---: | ---: | --- | ---: |
"""


def read_back_of(drawing: SolderDrawing, harness: Harness) -> tuple[str, int]:
    """Return "same" or what differs between picture and sheet, and how many missing wires are noticed."""
    joints = read_back(drawing.to_svg())
    plan = drawing.plan
    if nets(plan, joints) != meant(plan):
        return "other nodes", 0
    rig = demo_rig(harness)
    difference = worst_difference(rig, rig.replace(harness=harness_as_soldered(plan, joints)))
    noticed = sum(nets(plan, [*joints[:at], *joints[at + 1 :]]) != meant(plan) for at in range(len(joints)))
    return "same" if difference < 1e-12 else f"differs by {difference:.1e}", noticed


def main() -> None:
    """Draw all, refuse what has a fault, and write the page."""
    rows, wrong = [], []
    for name in (*catalogue().names("harness"), *NAMES):
        harness = unseen(name) if name in NAMES else catalogue().load("harness", name)
        drawing = draw_soldering(harness)
        verdict, noticed = read_back_of(drawing, harness)
        found = faults(drawing)
        if found or verdict != "same":
            wrong.append(f"{name}: {verdict}; {found}")
        before = BEFORE.get(name, "")
        wires = len(drawing.plan.wires)
        rows.append(f"| {harness.name} | {wires} | {drawing.crossings} | {before} | {verdict} | {noticed} of {wires} |")
        print(rows[-1], flush=True)
    if wrong:
        raise SystemExit("\n".join(wrong))
    PAGE.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
