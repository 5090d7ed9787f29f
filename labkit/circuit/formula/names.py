"""Names of a formula's symbols: one letter for the kind, then the part's name, as a person would write it."""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from dataclasses import dataclass

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
    drafts: list[_Draft] = []
    lumps = 0
    for place, branch in enumerate(network.branches):
        if f"x{place}" not in used:
            continue
        parts = tuple(name for name, _ in branch.members)
        lumps += len(parts) > 1
        words = [str(lumps)] if len(parts) > 1 else _words(branch.kind, parts[0])
        combination = branch.combination if len(parts) > 1 else ""
        drafts.append(_Draft(branch.kind, words, f"x{place}", branch.value, parts, combination))
    for at, mutual in enumerate(network.mutuals):
        pair = (network.branches[mutual.first].value, network.branches[mutual.second].value)
        value = mutual.coefficient * math.sqrt(pair[0] * pair[1])
        drafts.append(_Draft("M", _words("M", mutual.name), f"m{at}", value, (mutual.name,)))
    for at, stage in enumerate(network.stages):
        drafts.append(_Draft("A", _words("A", stage.name), f"g{at}", stage.gain, (stage.name,)))
    for at, (source, weight) in enumerate(network.weights):
        drafts.append(_Draft("E", _words("E", source), f"e{at}", weight, (source,)))
    drafts = [draft for draft in drafts if draft.code in used]
    _shorten(drafts)
    taken: set[str] = {"s"}
    return tuple(
        FormulaSymbol(
            name=_unique("_".join([draft.kind, *draft.words]), taken),
            code=draft.code,
            kind=draft.kind,
            value=draft.value,
            parts=draft.parts,
            combination=draft.combination,
        )
        for draft in drafts
    )


@dataclass(slots=True)
class _Draft:
    """A symbol whose name is still being shortened."""

    kind: str
    words: list[str]
    code: str
    value: float
    parts: tuple[str, ...]
    combination: str = ""


def _words(kind: str, part: str) -> list[str]:
    """``bridge.main.resistance`` as a resistance: ``bridge``, ``main``."""
    words = [word for word in re.split(r"[^0-9A-Za-z]+", part) if word]
    return [word for word in words if word.lower() not in _KIND_WORDS[kind]] or words


def _shorten(drafts: list[_Draft]) -> None:
    """Drop the first word of a pickup's parts where only one pickup, or coil, is in the formula."""
    while True:
        coils = [word for word in dict.fromkeys(draft.words[0] for draft in drafts) if _is_coil(word, drafts)]
        if len(coils) != 1:
            return
        shorter = [draft.words[1:] or draft.words if draft.words[0] == coils[0] else draft.words for draft in drafts]
        names = [(draft.kind, *words) for draft, words in zip(drafts, shorter)]
        if len(set(names)) < len(names) or shorter == [draft.words for draft in drafts]:
            return
        for draft, words in zip(drafts, shorter):
            draft.words = words


def _is_coil(word: str, drafts: list[_Draft]) -> bool:
    """Three parts or more under one first word, one of them an inductance: a coil, and not the two halves of a pot."""
    sharing = [draft for draft in drafts if draft.words[0] == word]
    return len(sharing) >= 3 and any(draft.kind == "L" for draft in sharing)


def _unique(wanted: str, taken: set[str]) -> str:
    name, count = wanted, 1
    while name in taken:
        count += 1
        name = f"{wanted}_{count}"
    taken.add(name)
    return name
