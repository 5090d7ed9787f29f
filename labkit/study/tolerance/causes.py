"""Doubts of a built pickup as inputs of a study: one cause moves resistance, inductance and capacitance together.

A pickup that comes from its build has no spreads of its own values: the wire's diameter, the packing, the turns and the
models have. Each cause is drawn as a standard normal number z and moves every value it bears on by the factor e^(d·z),
with d from the prediction of the build (`labkit.pickup.predict.propagation`), which is exact to first order.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from labkit.core.errors import InputError, did_you_mean
from labkit.pickup.predict.built import BuiltPickup
from labkit.rig.inputs import RigInput, find_input, rig_inputs
from labkit.rig.rig import Rig
from labkit.study.tolerance.spread import COVERAGE, Spread, parse_spread

NOT_KNOWN: Mapping[str, BuiltPickup] = MappingProxyType({})

_VALUES = ("resistance", "inductance", "capacitance")


@dataclass(frozen=True, slots=True, eq=False)
class ColumnMap:
    """From the numbers drawn to the numbers of the rig.

    Attributes
    ----------
    moved : mapping of str to (value, mapping of cause to deviation)
        Rig inputs that causes move, with their best value.
    direct : mapping of str to str
        Rig input of every other spread.
    """

    moved: Mapping[str, tuple[float, Mapping[str, float]]]
    direct: Mapping[str, str]

    def values(self, drawn: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return the rig's numbers for drawn ones, SI, each shape (V,)."""
        found = {target: drawn[name] for name, target in self.direct.items()}
        for target, (value, deviations) in self.moved.items():
            exponent = sum(deviation * drawn[cause] for cause, deviation in deviations.items())
            found[target] = value * np.exp(exponent)
        return found

    def ranges(self, spreads: Mapping[str, Spread]) -> dict[str, tuple[float, float]]:
        """Return the range of every number of the rig that is varied, roughly where causes move it."""
        found = {target: spreads[name].range for name, target in self.direct.items()}
        for target, (value, deviations) in self.moved.items():
            ends = [deviation * max(map(abs, spreads[cause].range)) for cause, deviation in deviations.items()]
            reach = math.sqrt(math.fsum(end**2 for end in ends))
            found[target] = (value * float(np.exp(-reach)), value * float(np.exp(reach)))
        return found


def column_map(
    rig: Rig, spreads: Mapping[str, Spread], *, add: bool, built: Mapping[str, BuiltPickup] = NOT_KNOWN
) -> tuple[ColumnMap, dict[str, Spread]]:
    """Return how drawn numbers become the rig's, and the spreads with the causes of built pickups.

    Parameters
    ----------
    rig : Rig
    spreads : mapping of str to Spread
    add : bool
        Replace the spreads of a built pickup's values by those of its causes.
    built : mapping of str to BuiltPickup
        Of a slot whose pickup is known better than from its build alone.
    """
    moved: dict[str, tuple[float, dict[str, float]]] = {}
    causes: dict[str, Spread] = {}
    known = rig_inputs(rig)
    for slot, pickup in rig.pickups.items():
        made = built.get(slot) or _built(pickup)
        if made is None or not (add or any(name.startswith(f"{slot}: ") for name in spreads)):
            continue
        for coil, values in made.coils.items():
            for key in _VALUES:
                target = f"{slot}.{coil}.{key}"
                parts = {f"{slot}: {c.name}": c.deviation for c in getattr(values, key).contributions if c.deviation}
                wanted = parts if add else {name: part for name, part in parts.items() if name in spreads}
                if wanted and target in known and target not in ({} if add else spreads):
                    moved[target] = (known[target].value, wanted)
                    causes |= {name: standard_normal(name) for name in wanted}
    own = {
        (known[name] if name in known else find_input(rig, name)).name: spread
        for name, spread in spreads.items()
        if name not in causes
    }
    kept = {name: spread for name, spread in own.items() if name not in moved}
    given = {name: spreads.get(name, spread) for name, spread in causes.items()}
    return ColumnMap(moved, {name: name for name in kept}), {**given, **kept}


def cause_names(rig: Rig, built: Mapping[str, BuiltPickup] = NOT_KNOWN) -> tuple[str, ...]:
    """Return the causes of every built pickup of a rig, as input names (``bridge: turns``)."""
    return tuple(name for name in column_map(rig, {}, add=True, built=built)[1])


def standard_normal(name: str) -> Spread:
    """Return the spread of a cause: normal, in standard deviations of its own."""
    return Spread(name=name, shape="normal", low=-COVERAGE, high=COVERAGE)


def cause_spread(rig: Rig, name: str, text: str = "", built: Mapping[str, BuiltPickup] = NOT_KNOWN) -> Spread:
    """Return the spread of a cause: as the build has it, or ``"normal 2 %"``, ``"5 %"`` of the cause's own value.

    Raises
    ------
    InputError
        If there is no such cause, or the text is no spread of it.

    >>> from labkit.rig.sheet import load_pickup, load_rig
    >>> rig = load_rig("Saltmarsh Lane, narrow single coil").replace(
    ...     pickups={"bridge": load_pickup("narrow single coil, built")})
    >>> cause_spread(rig, "bridge: turns").high
    1.959963984540054
    """
    if name not in (known := cause_names(rig, built)):
        raise InputError(f"rig '{rig.name}' has no cause '{name}'.{did_you_mean(name, known)}")
    if not text.strip():
        return standard_normal(name)
    from labkit.pickup.predict.plan import plan_of

    slot, _, cause = name.partition(": ")
    doubt = plan_of(rig.pickups[slot].made_from).inputs.get(cause)  # type: ignore[arg-type]
    if doubt is None:
        raise InputError(f"{name}: what a workshop book leaves open has no value of its own to scale; leave it")
    one = doubt.deviation if doubt.scale == "log" else abs(doubt.deviation / doubt.value) if doubt.value else 0.0
    if not one:
        raise InputError(f"{name}: its build states no doubt to scale; vary another number")
    spread = parse_spread(RigInput(name=name, value=1.0, unit="1", group=slot), text)
    # From the cause's own value to its standard deviations.
    return Spread(name=name, shape=spread.shape, low=(spread.low - 1) / one, high=(spread.high - 1) / one)


def _built(pickup: Any) -> Any:
    build = getattr(pickup, "made_from", None)
    if build is None:
        return None
    from labkit.pickup.predict.built import predict_build

    return predict_build(build)
