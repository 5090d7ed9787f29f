"""`Rig`: pickups in a harness with its controls set, and the chain behind the jack. Rig → Circuit → Response."""

from __future__ import annotations

import copyreg
import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import cast

import numpy as np

from labkit.circuit.elements import GROUND, Circuit, Contact, Element, Source
from labkit.circuit.solve.solver import circuit_response, solve
from labkit.circuit.solve.stability import stability
from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.core.grid import FREQUENCY
from labkit.core.response import Response
from labkit.pickup.electrical import Pickup
from labkit.pickup.network import coil_of_terminal, pickup_elements, source_name
from labkit.pickup.predict.propagation import Prediction
from labkit.rig.chain.chain import Stage, read_by
from labkit.rig.harness import Harness
from labkit.rig.parts.parts import Part, Position


def _read_only(mapping: dict[str, object]) -> MappingProxyType[str, object]:
    return MappingProxyType(mapping)


# Rigs hold read-only views of their mappings, which the standard library does not pickle; other processes need them.
copyreg.pickle(MappingProxyType, lambda view: (_read_only, (dict(view),)))


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Rig:
    """Everything between the string's field and the last input.

    Parameters
    ----------
    name : str
    pickups : mapping of str to Pickup
        One for each slot of the harness.
    harness : Harness
        With the values of this instrument's parts.
    settings : mapping of str to float or str
        Knobs 0 … 10, switches by position name; what is left out stands at its default.
    chain : tuple of Stage
        What follows the jack, in order.

    Raises
    ------
    InputError
        If a slot has no pickup, or a setting names no control or no position.
    """

    name: str
    pickups: Mapping[str, Pickup]
    harness: Harness
    settings: Mapping[str, Position] = field(default_factory=dict)
    chain: tuple[Stage, ...] = ()
    _circuit: Circuit | None = field(default=None, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        for slot in self.harness.slots:
            if slot not in self.pickups:
                raise InputError(
                    f"rig '{self.name}': the harness '{self.harness.name}' needs a pickup in slot '{slot}'"
                )
        for slot in self.pickups:
            if slot not in self.harness.slots:
                raise InputError(
                    f"rig '{self.name}': the harness '{self.harness.name}' has no slot '{slot}'."
                    f"{did_you_mean(slot, self.harness.slots)}"
                )
        settings: dict[str, Position] = {control.name: control.default for control in self.harness.controls}
        for name, position in self.settings.items():
            settings[name] = self.harness.control(name).check(position)
        object.__setattr__(self, "settings", MappingProxyType(settings))
        object.__setattr__(self, "pickups", MappingProxyType({slot: self.pickups[slot] for slot in self.harness.slots}))

    def __repr__(self) -> str:
        pickups = ", ".join(f"{slot} {pickup.name!r}" for slot, pickup in self.pickups.items())
        at = [
            f"{name} {where:g}" if isinstance(where, float) else f"{name} {where}"
            for name, where in self.settings.items()
        ]
        chain = [stage.name for stage in self.chain]
        parts = [f"wiring {self.harness.name!r}", pickups, ", ".join(at), " → ".join(chain)]
        return f"<Rig {self.name!r}: {'; '.join(part for part in parts if part)}>"

    def _repr_html_(self) -> str:
        from labkit import notebook_html  # drawings belong to a layer above, which the public face loads when asked

        return notebook_html(self)

    def with_(self, *, name: str | None = None, **changes: object) -> Rig:
        """Return the rig with something changed, in the words of ``--set`` with ``_`` for the point.

        ``rig.with_(cable_length="10 m", volume=7)`` is ``--set cable.length=10m --set volume=7``. A slot takes a
        `Pickup` or the name of one. What may be named is said of `labkit.rig.sheet.set_value`;
        ``name`` names the result.

        Raises
        ------
        InputError
            If nothing answers to a name, or a value does not fit it.

        >>> from labkit import load_rig
        >>> rig = load_rig("Saltmarsh Lane, narrow single coil").with_(cable_length="10 m", volume=7)
        >>> rig.stage("cable").length, rig.settings["volume"]
        (10.0, 7.0)
        """
        from labkit.rig.sheet import set_value  # it reads rigs, so it imports this module

        rig = self if name is None else self.replace(name=name)
        for key, value in changes.items():
            if isinstance(value, Pickup):
                rig = rig.replace(pickups={key: value})
            else:
                text = f"{value:.15g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
                rig = set_value(rig, rig._pointed(key), text)
        return rig

    def _pointed(self, name: str) -> str:
        """Return a name with the points that Python does not allow: ``bridge_main_turns`` is ``bridge.main.turns``."""
        heads = [*(control.name for control in self.harness.controls), *self.harness.parts, *self.pickups]
        heads += [stage.name for stage in self.chain]
        heads += [f"{slot}.{coil}" for slot, pickup in self.pickups.items() for coil in pickup.coils]
        known = {head.replace(".", "_"): head for head in heads}
        if name in known or "." in name:
            return known.get(name, name)
        for head in sorted(known, key=len, reverse=True):
            if name.startswith(f"{head}_"):
                return f"{known[head]}.{name[len(head) + 1 :]}"
        return name

    def replace(
        self,
        *,
        name: str | None = None,
        pickups: Mapping[str, Pickup] | None = None,
        harness: Harness | None = None,
        settings: Mapping[str, Position] | None = None,
        parts: Mapping[str, Part] | None = None,
        chain: tuple[Stage, ...] | None = None,
    ) -> Rig:
        """Return a rig with something changed; pickups, settings and parts are merged over the present ones.

        Settings of controls that a new harness does not have are dropped.
        """
        wiring = self.harness if harness is None else harness
        for part in (parts or {}).values():
            wiring.part(part.name)
            wiring = wiring.with_part(part)
        kept = {control.name for control in wiring.controls}
        old = {key: value for key, value in self.settings.items() if harness is None or key in kept}
        slots = {slot: pickup for slot, pickup in self.pickups.items() if slot in wiring.slots}
        return Rig(
            name=self.name if name is None else name,
            pickups={**slots, **(pickups or {})},
            harness=wiring,
            settings={**old, **(settings or {})},
            chain=self.chain if chain is None else chain,
        )

    def stage(self, name: str) -> Stage:
        """Return a stage of the chain by name; InputError with the nearest name when there is none."""
        for stage in self.chain:
            if stage.name == name:
                return stage
        raise InputError(
            f"rig '{self.name}': the chain has no '{name}'.{did_you_mean(name, [s.name for s in self.chain])}"
        )

    def with_stage(self, stage: Stage) -> Rig:
        """Return the rig with the stage of the same name replaced."""
        self.stage(stage.name)
        return self.replace(chain=tuple(stage if old.name == stage.name else old for old in self.chain))

    @property
    def circuit(self) -> Circuit:
        """The circuit at the present settings; its output is the last input."""
        if self._circuit is None:
            object.__setattr__(self, "_circuit", self._joined())
        return cast(Circuit, self._circuit)

    def _joined(self) -> Circuit:
        elements: list[Element] = []
        for slot, pickup in self.pickups.items():
            elements += self._pickup_elements(slot, pickup)
        for part in self.harness.parts.values():
            control = part.control
            elements += part.elements(None if control is None else self.settings[control.name])
        node = self.harness.output
        for index, stage in enumerate(self.chain, start=1):
            after = node if stage.is_shunt else f"chain{index}"
            own = stage.elements(node, after)
            behind = None if index == len(self.chain) else self.chain[index].elements(after, f"chain{index + 1}")
            elements += own if behind is None else read_by(own, () if stage.is_shunt else behind)
            node = after
        return Circuit(elements=tuple(elements), output=node, name=self.name)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences on faults of the wiring (`labkit.rig.wiring_check`), whatever the positions, and on stability."""
        from labkit.rig.wiring_check import wiring_warnings  # it tries rigs, so it imports this module

        found = stability(self.circuit)
        unstable = () if found.is_stable else (f"{found.words}; its curve and its noise are not to be had then",)
        return (*wiring_warnings(self), *unstable)

    @property
    def sources(self) -> tuple[str, ...]:
        """What ``response(source=…)`` takes: slots, ``slot.coil`` of pickups with two coils, and piezos."""
        found: list[str] = []
        for slot, pickup in self.pickups.items():
            found.append(slot)
            if len(pickup.coils) > 1:
                found += [f"{slot}.{coil}" for coil in pickup.coils]
        given = (source.name.partition(".")[0] for source in self.circuit.sources if source.voltage)
        return (*found, *dict.fromkeys(name for name in given if name not in self.pickups))

    @property
    def outputs(self) -> Mapping[str, Prediction | None]:
        """Output of every pickup at its own leads over the reference coil, dB, by slot; None where it is not known.

        How two rigs compare is said by `labkit.rig.outputs`.
        """
        return MappingProxyType({slot: pickup.output for slot, pickup in self.pickups.items()})

    def source_weights(
        self, source: str | None = None, *, levels_db: Mapping[str, float] | None = None
    ) -> dict[str, float]:
        """Return the EMF of every coil, volts, by the circuit's source names.

        Each pickup is given 1 V in total, shared among its coils by turns with the sign of winding and pole. With
        ``source`` (a slot or ``slot.coil``) every other coil is silent. ``levels_db`` puts a level on a slot's EMF, dB
        (`labkit.rig.outputs.counted_outputs`).
        """
        circuit_sources = {s.name: s.voltage for s in self.circuit.of_kind(Source)}
        for slot, level in (levels_db or {}).items():
            for coil in self.pickups[slot].coils:
                circuit_sources[source_name(slot, coil)] *= 10 ** (level / 20)
        if source is None:
            return circuit_sources
        if source not in self.sources:
            raise InputError(f"rig '{self.name}' has no source '{source}'.{did_you_mean(source, self.sources)}")
        slot, _, coil = source.partition(".")
        if slot in self.pickups:
            chosen = {source_name(slot, name) for name in self.pickups[slot].coils if coil in ("", name)}
        else:
            chosen = {name for name in circuit_sources if name.partition(".")[0] == slot}
        return {name: volts if name in chosen else 0.0 for name, volts in circuit_sources.items()}

    def evaluate(
        self, frequency_hz: np.ndarray, *, source: str | None = None, levels_db: Mapping[str, float] | None = None
    ) -> np.ndarray:
        """Return the complex gain at given frequencies.

        Parameters
        ----------
        frequency_hz : ndarray, shape (F,), Hz
        source : str, optional
            A slot or ``slot.coil`` heard alone.
        levels_db : mapping of str to float, dB, optional
            On the EMFs of slots; equal EMF otherwise.

        Returns
        -------
        ndarray, shape (F,), complex, V/V
        """
        plain = source is None and not levels_db
        weights = None if plain else self.source_weights(source, levels_db=levels_db)
        return solve(self.circuit, frequency_hz, weights).transfer

    def response(self, frequency_hz: np.ndarray | None = None, *, source: str | None = None) -> Response:
        """Return the response from the pickups' EMF to the last input.

        Parameters
        ----------
        frequency_hz : ndarray, shape (F,), Hz, optional
            Default: 512 log-spaced points from 20 Hz to 20 kHz.
        source : str, optional
            A slot or ``slot.coil`` heard alone.

        Returns
        -------
        Response
            With ``evaluate``, so that peaks are found exactly.
        """
        if frequency_hz is not None:
            FREQUENCY.check(frequency_hz)
        weights = None if source is None else self.source_weights(source)
        return circuit_response(self.circuit, frequency_hz, weights, name=self.name)

    def output_impedance(self, frequency_hz: np.ndarray) -> np.ndarray:
        """Return the impedance at the last input, everything connected, shape (F,), complex, Ω."""
        return solve(self.circuit, frequency_hz).output_impedance

    def _pickup_elements(self, slot: str, pickup: Pickup) -> list[Element]:
        terminals = [node.partition(".")[2] for node in self.harness.terminals if node.partition(".")[0] == slot]
        own = [terminal for terminal in terminals if terminal in ("hot", "ground")]
        rewired = [terminal for terminal in terminals if terminal not in ("hot", "ground")]
        if own and rewired:
            raise InputError(
                f"harness '{self.harness.name}': slot '{slot}' is wired both by its own leads ({join_words(own)}) and "
                f"by its coils ({join_words(rewired)}); use one of the two"
            )
        elements = list(pickup_elements(slot, pickup, rewired=bool(rewired)))
        if rewired:
            for number, terminal in enumerate(rewired, start=1):
                coil, _, end = terminal.rpartition(".")
                actual = coil_of_terminal(pickup, slot, coil)
                if actual != coil:
                    pair = (f"{slot}.{terminal}", f"{slot}.{actual}.{end}")
                    elements.append(Contact(name=f"{slot}.alias{number}", nodes=pair, closed=True))
        elif "ground" not in own:
            elements.append(Contact(name=f"{slot}.grounded", nodes=(f"{slot}.ground", GROUND), closed=True))
        return elements


def changed(part: Part, **changes: object) -> Part:
    """Return a part with fields replaced (checked again on creation)."""
    return dataclasses.replace(part, **changes)  # type: ignore[arg-type]
