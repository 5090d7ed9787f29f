"""Names of a formula's symbols: one letter for the kind, then the part's name, as a person would write it."""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from dataclasses import dataclass

from labkit.circuit.reduction import Network

UNIT = {"R": "Ω", "L": "H", "C": "F", "M": "H", "A": "1", "E": "V"}
"""Unit of each kind: resistance, inductance, capacitance, mutual inductance, gain, EMF."""

_KIND_WORDS = {
    "R": {"resistance", "resistor", "r"},
    "L": {"inductance", "inductor", "l"},
    "C": {"capacitance", "capacitor", "c"},
    "M": {"coupling", "mutual", "k"},
    "A": {"gain"},
    "E": {"emf", "source"},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Symbol:
    """A symbol of a formula.

    Attributes
    ----------
    name : str
        Such as ``R_volume_upper``; a lump of parts is ``C_1``, ``R_2`` …
    code : str
        Generator it stands for.
    kind : str
        R, L, C, M, A (gain) or E (EMF).
    value : float
        In SI.
    parts : tuple of str
        Parts it stands for.
    combination : str
        How a lump is made of its parts, empty for a single part.
    """

    name: str
    code: str
    kind: str
    value: float
    parts: tuple[str, ...]
    combination: str = ""

    @property
    def unit(self) -> str:
        """SI unit."""
        return UNIT[self.kind]

    @property
    def latex(self) -> str:
        """The symbol in LaTeX, its index upright."""
        letter, _, index = self.name.partition("_")
        plain = index.replace("_", r"\,")
        return rf"{letter}_{{\mathrm{{{plain}}}}}" if index else letter


def name_symbols(network: Network, used: Collection[str]) -> tuple[Symbol, ...]:
    """Name the generators of a network that a formula uses, in the order of the circuit's parts."""
    taken: set[str] = {"s"}
    symbols: list[Symbol] = []
    lumps = 0
    for place, branch in enumerate(network.branches):
        if f"x{place}" not in used:
            continue
        parts = tuple(name for name, _ in branch.members)
        if len(parts) > 1:
            lumps += 1
            name = _unique(f"{branch.kind}_{lumps}", taken)
        else:
            name = _unique(_spelt(branch.kind, parts[0]), taken)
        symbols.append(
            Symbol(
                name=name,
                code=f"x{place}",
                kind=branch.kind,
                value=branch.value,
                parts=parts,
                combination=branch.combination if len(parts) > 1 else "",
            )
        )
    for at, mutual in enumerate(network.mutuals):
        if f"m{at}" in used:
            pair = (network.branches[mutual.first].value, network.branches[mutual.second].value)
            value = mutual.coefficient * math.sqrt(pair[0] * pair[1])
            name = _unique(_spelt("M", mutual.name), taken)
            symbols.append(Symbol(name=name, code=f"m{at}", kind="M", value=value, parts=(mutual.name,)))
    for at, stage in enumerate(network.stages):
        if f"g{at}" in used:
            name = _unique(_spelt("A", stage.name), taken)
            symbols.append(Symbol(name=name, code=f"g{at}", kind="A", value=stage.gain, parts=(stage.name,)))
    for at, (source, weight) in enumerate(network.weights):
        if f"e{at}" in used:
            name = _unique(_spelt("E", source), taken)
            symbols.append(Symbol(name=name, code=f"e{at}", kind="E", value=weight, parts=(source,)))
    return tuple(symbols)


def _spelt(kind: str, part: str) -> str:
    """``bridge.main.resistance`` becomes ``R_bridge_main``."""
    words = [word for word in re.split(r"[^0-9A-Za-z]+", part) if word]
    telling = [word for word in words if word.lower() not in _KIND_WORDS[kind]] or words
    return "_".join([kind, *telling])


def _unique(wanted: str, taken: set[str]) -> str:
    name, count = wanted, 1
    while name in taken:
        count += 1
        name = f"{wanted}_{count}"
    taken.add(name)
    return name
