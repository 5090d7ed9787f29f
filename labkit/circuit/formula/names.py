"""Names of a formula's symbols: one letter for the kind, then the part's name, as a person would write it."""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from dataclasses import dataclass, replace

from labkit.circuit.formula.reduction import ReducedNetwork

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
class FormulaSymbol:
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


def name_symbols(network: ReducedNetwork, used: Collection[str]) -> tuple[FormulaSymbol, ...]:
    """Name the generators of a network that a formula uses, in the order of the circuit's parts."""
    found: list[FormulaSymbol] = []
    words: list[list[str]] = []

    def add(kind: str, code: str, value: float, parts: tuple[str, ...], combination: str = "") -> None:
        if code not in used:
            return
        lumps = sum(len(symbol.parts) > 1 for symbol in found)
        words.append([str(lumps + 1)] if len(parts) > 1 else _words(kind, parts[0]))
        found.append(FormulaSymbol(name="", code=code, kind=kind, value=value, parts=parts, combination=combination))

    for place, branch in enumerate(network.branches):
        parts = tuple(name for name, _ in branch.members)
        add(branch.kind, f"x{place}", branch.value, parts, branch.combination if len(parts) > 1 else "")
    for at, mutual in enumerate(network.mutuals):
        pair = (network.branches[mutual.first].value, network.branches[mutual.second].value)
        add("M", f"m{at}", mutual.coefficient * math.sqrt(pair[0] * pair[1]), (mutual.name,))
    for at, stage in enumerate(network.stages):
        add("A", f"g{at}", stage.gain, (stage.name,))
    for at, (source, weight) in enumerate(network.weights):
        add("E", f"e{at}", weight, (source,))
    taken: set[str] = {"s"}
    return tuple(
        replace(symbol, name=_unique("_".join([symbol.kind, *own]), taken))
        for symbol, own in zip(found, _shortened([symbol.kind for symbol in found], words))
    )


def _words(kind: str, part: str) -> list[str]:
    """``bridge.main.resistance`` as a resistance: ``bridge``, ``main``."""
    words = [word for word in re.split(r"[^0-9A-Za-z]+", part) if word]
    return [word for word in words if word.lower() not in _KIND_WORDS[kind]] or words


def _shortened(kinds: list[str], words: list[list[str]]) -> list[list[str]]:
    """Drop the first word of a pickup's parts where only one pickup, or coil, is in the formula."""
    while True:
        firsts = dict.fromkeys(own[0] for own in words)
        coils = [first for first in firsts if _is_coil([kind for kind, own in zip(kinds, words) if own[0] == first])]
        shorter = [own[1:] or own if coils == [own[0]] else own for own in words]
        names = {(kind, *own) for kind, own in zip(kinds, shorter)}
        if len(names) < len(words) or shorter == words:
            return words
        words = shorter


def _is_coil(kinds: list[str]) -> bool:
    """Three parts or more under one first word, one of them an inductance: a coil, and not the two halves of a pot."""
    return len(kinds) >= 3 and "L" in kinds


def _unique(wanted: str, taken: set[str]) -> str:
    name, count = wanted, 1
    while name in taken:
        count += 1
        name = f"{wanted}_{count}"
    taken.add(name)
    return name
