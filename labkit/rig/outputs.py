"""How loud the pickups of rigs are against one another: which outputs count in a comparison, and what is said of it.

The gain of a rig is taken at equal EMF, whatever its pickups put out. Where rigs are compared by level, the output of
each pickup (`Rig.outputs`) counts as well, as far as it is known.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from labkit.core.errors import join_words
from labkit.pickup.predict.propagation import Part
from labkit.rig.rig import Rig

HOW_TO_STATE = 'state it on the pickup\'s sheet, such as output = "-2 dB" over the reference coil'


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedOutputs:
    """What the outputs of pickups add to each of several rigs that are compared.

    Attributes
    ----------
    levels_db : tuple of mapping of str to float, dB
        For each rig, the level on every slot's EMF.
    doubts : tuple of mapping of str to mapping of str to float or ndarray, dB
        For each rig and slot, the standard deviation that each cause gives that level, or its draws.
    unknown : tuple of str
        Pickups whose output is not known, where that matters to the comparison.
    is_counted : bool
        False where a pickup that not all rigs share is unknown: then all of them are at equal EMF.
    """

    levels_db: tuple[Mapping[str, float], ...]
    doubts: tuple[Mapping[str, Mapping[str, Part]], ...]
    unknown: tuple[str, ...]
    is_counted: bool

    @property
    def reversed(self) -> CountedOutputs:
        """The same with the rigs in the other order."""
        return replace(self, levels_db=self.levels_db[::-1], doubts=self.doubts[::-1])

    @property
    def words(self) -> str:
        """How the levels are to be read, with the key that would settle it; empty where nothing is taken for granted.

        >>> from labkit.rig.sheet import load_rig, set_value
        >>> rig = load_rig("Saltmarsh Lane, narrow single coil")
        >>> print(counted_outputs(rig, set_value(rig, "bridge", "narrow single coil, built")).words[:62])
        at equal EMF: the output of 'narrow single coil' is not known;
        """
        if not self.unknown:
            return ""
        names = join_words([f"'{name}'" for name in self.unknown])
        if not self.is_counted:
            return f"at equal EMF: the output of {names} is not known; {HOW_TO_STATE}"
        return f"with {names} at the EMF of the reference coil: its output is not known; {HOW_TO_STATE}"


def counted_outputs(*rigs: Rig, stated: Collection[str] = ()) -> CountedOutputs:
    """Return how the outputs of pickups count in a comparison of rigs.

    A pickup of unknown output that stands in the same slot of every rig counts as the reference coil; one that does not
    puts the whole comparison at equal EMF.

    Parameters
    ----------
    rigs : Rig
    stated : collection of str
        Slots whose level is given from outside; nothing is added to them.
    """
    unknown = [(slot, rig.pickups[slot]) for rig in rigs for slot in rig.pickups if _is_unknown(rig, slot, stated)]
    shared = all(slot in rig.pickups and rig.pickups[slot] == pickup for slot, pickup in unknown for rig in rigs)
    known = [slot for rig in rigs for slot in rig.pickups if not _is_unknown(rig, slot, stated)]
    is_counted = shared and (bool(known) or not unknown)
    alone = shared and all(len(rig.pickups) == 1 for rig in rigs)  # one and the same pickup: its output cancels
    levels = [
        {slot: _level(rig, slot) if is_counted and slot not in stated else 0.0 for slot in rig.pickups} for rig in rigs
    ]
    doubts = [
        {slot: _doubts(rig, slot) if is_counted and slot not in stated else {} for slot in rig.pickups} for rig in rigs
    ]
    return CountedOutputs(
        levels_db=tuple(MappingProxyType(entry) for entry in levels),
        doubts=tuple(MappingProxyType(entry) for entry in doubts),
        unknown=() if alone else tuple(dict.fromkeys(pickup.name for _, pickup in unknown)),
        is_counted=is_counted,
    )


def _is_unknown(rig: Rig, slot: str, stated: Collection[str]) -> bool:
    return slot not in stated and rig.pickups[slot].emf is None


def _level(rig: Rig, slot: str) -> float:
    emf = rig.pickups[slot].emf
    return 0.0 if emf is None else emf.value


def _doubts(rig: Rig, slot: str) -> Mapping[str, Part]:
    emf = rig.pickups[slot].emf
    return {} if emf is None else {item.name: item.part for item in emf.contributions}
