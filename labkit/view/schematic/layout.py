"""From a circuit to its best drawing: try switches whole and apart, and the trunk long and short; keep the best.

The order of the trials is fixed and the first of equals wins, so the same circuit always gives the same picture.
"""

from __future__ import annotations

from collections.abc import Iterator

from labkit.view.schematic.checks import crossings, faults
from labkit.view.schematic.compose import composed
from labkit.view.schematic.drawing import Drawing
from labkit.view.schematic.normalise import hub_candidates, normalise
from labkit.view.schematic.parts import DrawnCircuit
from labkit.view.schematic.reduce import reduced
from labkit.view.schematic.rows import planned
from labkit.view.schematic.settle import settled
from labkit.view.schematic.words import described

FAULT_COST, FLAG_COST, CROSSING_COST, APART_COST = 1e4, 30.0, 12.0, 18.0
AREA_COST = 1 / 6000
"""A drawing may grow by 6000 square units (a good resistor with its label) to save one unit of cost."""


def draw(circuit: DrawnCircuit) -> Drawing:
    """Lay out a circuit.

    Parameters
    ----------
    circuit : DrawnCircuit

    Returns
    -------
    Drawing
        The best of all trials: without faults for every network met so far; crossings and net flags may remain.

    >>> from labkit.view.schematic import DrawnCircuit, DrawnPart, draw, faults
    >>> coil = DrawnPart(kind="coil", name="bridge", nodes=("hot", "ground"))
    >>> load = DrawnPart(kind="input", name="input", nodes=("hot", "ground"))
    >>> circuit = DrawnCircuit(name="bare pickup", parts=(coil, load))
    >>> faults(draw(circuit), circuit)
    []
    """
    description = described(circuit)
    best: tuple[float, Drawing] | None = None
    candidates = hub_candidates(circuit)
    for hubs in _hub_choices(candidates):
        network = normalise(circuit, hubs)
        trees = reduced(network)
        short, long = (planned(network, trees, extends=extends) for extends in (False, True))
        for plan in (short,) if long.rows == short.rows else (short, long):
            drawing = composed(settled(plan, network.outputs), network, circuit, description)
            cost = _cost(drawing) + APART_COST * (len(candidates) - len(hubs))
            if best is None or cost < best[0] - 1e-6:
                cost += FAULT_COST * len(faults(drawing, circuit))
                if best is None or cost < best[0] - 1e-6:
                    best = (cost, drawing)
    assert best is not None  # there is always the trial without hubs
    return best[1]


def _hub_choices(candidates: tuple[str, ...]) -> Iterator[frozenset[str]]:
    """Yield all poles whole, each one alone, all but each one, and none."""
    whole = frozenset(candidates)
    choices = [whole]
    choices += [whole - {name} for name in candidates] + [frozenset({name}) for name in candidates] + [frozenset()]
    yield from dict.fromkeys(choices)


def _cost(drawing: Drawing) -> float:
    """Cost of what can be counted quickly; the checks follow only for a drawing that would win."""
    box = drawing.box
    return (
        FLAG_COST * drawing.flags
        + CROSSING_COST * crossings(drawing)
        + AREA_COST * (box.x1 - box.x0) * (box.y1 - box.y0)
    )
