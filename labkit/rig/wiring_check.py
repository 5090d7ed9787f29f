"""What is dead or absurd in a wiring, one sentence a fault: the part, the position, and what probably happened.

Faults that show in the sheet alone (both ends of a part on one node) come first. Then the wiring is tried: the signal
of every coil at every position of the switches, and every knob at both its ends. A position that is meant to be silent
says so in the sheet (``selects = []``).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from functools import lru_cache

import numpy as np

from labkit.circuit.elements import GROUND, Contact
from labkit.circuit.formula.reduction import reduce_circuit
from labkit.core.errors import CircuitError, join_words
from labkit.core.joined import Joined
from labkit.core.response import SILENT_DB, gain_db
from labkit.rig.chain.chain import Input
from labkit.rig.harness import Harness
from labkit.rig.hum import source_signals, switch_settings
from labkit.rig.netlist import NetlistPart
from labkit.rig.parts.parts import FULL, UNCONNECTED, Knob, Position, Pot, Switch
from labkit.rig.rig import Rig

_FREQUENCY_HZ = np.array([100.0, 400.0, 1000.0, 3000.0, 8000.0])
_UNHEARD_DB = -60.0
_MOST_COMBINATIONS = 128
_LOAD = Input(name="load of the wiring check", resistance=1e6, capacitance=0.0)

Settings = Mapping[str, Position]


def wiring_warnings(rig: Rig) -> tuple[str, ...]:
    """Return a sentence for every fault of a rig's wiring; empty where none is seen.

    Faults of a kind that would follow from one already named are left out: mend it and look again. The present
    positions of the controls do not matter, so turning a volume down brings no warning. Of a whole netlist, which has
    no controls, dead parts and sources are named.

    >>> from labkit.rig.sheet import load_rig
    >>> wiring_warnings(load_rig("Saltmarsh Lane, two pickups"))
    ()
    """
    return _warnings(_Wiring(rig))


class _Wiring:
    """A rig that equals another with the same harness and the same coils, whatever the values of the pickups."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        harness = rig.harness
        parts = tuple(repr(part) for part in harness.parts.values())
        coils = tuple(
            (slot, name, coil.sense) for slot, pickup in rig.pickups.items() for name, coil in pickup.coils.items()
        )
        self.key = (harness.output, parts, coils, repr(harness.claims))

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Wiring) and self.key == other.key


@lru_cache(maxsize=256)
def _warnings(wiring: _Wiring) -> tuple[str, ...]:
    rig = wiring.rig
    seen = list(dict.fromkeys(_part_faults(rig.harness)))
    trial = _Trial(rig)
    if not any(explains for _, explains in seen):
        seen += [(sentence, True) for sentence in trial.silences()]
    rest = (
        trial.unheard,
        lambda: _bare_rheostats(rig.harness),
        trial.opposed_coils,
        trial.knob_faults,
        trial.idle_parts,
    )
    for look in rest:
        if not seen:
            seen = [(sentence, True) for sentence in look()]
    return tuple(dict.fromkeys(sentence for sentence, _ in seen))


def _part_faults(harness: Harness) -> Iterator[tuple[str, bool]]:
    """Faults of single parts, and whether each may be why nothing is heard."""
    ground = _joined_always(harness)
    for part in harness.parts.values():
        if isinstance(part, Pot):
            yield from _pot_faults(part, ground)
        elif not isinstance(part, Switch) and len(part.nodes) == 2 and part.nodes[0] == part.nodes[1]:
            yield f"the {part.kind} '{part.name}' has both ends on '{part.nodes[0]}', so it does nothing", False
    for selector in harness.selectors:
        own = [part for part in harness.parts.values() if isinstance(part, Switch) and part.control == selector]
        joins = {
            position: frozenset((part.name, frozenset(pair)) for part in own for pair in part.positions[position])
            for position in selector.positions
        }
        for one, two in itertools.combinations(selector.positions, 2):
            if joins[one] == joins[two]:
                yield (
                    (
                        f"the switch '{selector.name}' joins the same nodes at '{one}' and at '{two}': "
                        "was one of them copied and not changed?"
                    ),
                    False,
                )


def _joined_always(harness: Harness) -> set[str]:
    """Nodes that are ground whatever the switches do."""
    used = {node for part in harness.parts.values() for node in part.joints}
    return {GROUND} | {f"{slot}.ground" for slot in harness.slots if f"{slot}.ground" not in used}


def _pot_faults(pot: Pot, ground: set[str]) -> Iterator[tuple[str, bool]]:
    clockwise, wiper, counter = (GROUND if node in ground else node for node in pot.nodes)
    live = {clockwise, wiper, counter} - {UNCONNECTED}
    if clockwise == counter and clockwise != UNCONNECTED:
        yield (
            (
                f"the pot '{pot.name}' has both ends of its track on '{clockwise}', so that turning it reaches no end: "
                "should one outer lug go to ground, or stay open?"
            ),
            True,
        )
    elif len(live) == 1:
        yield f"the pot '{pot.name}' does nothing: all its joined lugs are on '{wiper}'", False


def _bare_rheostats(harness: Harness) -> Iterator[str]:
    """Pots straight between a node and ground, where a tone control lacks its capacitor."""
    ground = _joined_always(harness)
    for pot in harness.parts.values():
        if not isinstance(pot, Pot):
            continue
        live = {GROUND if node in ground else node for node in pot.joints}
        if len(live) == 2 and GROUND in live:
            (other,) = live - {GROUND}
            at = min((0.0, FULL), key=lambda position: min(_leg_in_use(pot, position)))
            yield (
                f"the pot '{pot.name}' stands between '{other}' and ground with no capacitor, so that at {at:g} it "
                f"silences '{other}': is the capacitor left out?"
            )


def _leg_in_use(pot: Pot, position: float) -> list[float]:
    clockwise, wiper, counter = pot.nodes
    legs = zip((clockwise, counter), pot.legs(position))
    return [ohms for node, ohms in legs if node not in (UNCONNECTED, wiper)]


class _Trial:
    """Signals of a wiring behind a plain load, at the positions of its controls."""

    def __init__(self, rig: Rig) -> None:
        self.harness = rig.harness
        settings = {control.name: control.default for control in rig.harness.controls}
        self.rig = rig.replace(chain=(_LOAD,), settings=settings)
        self.defaults: Settings = settings
        self._source = "a pickup" if rig.pickups else "a source"
        self.places = self._places()
        self.levels = [self._levels(place) for place in self.places]

    def _places(self) -> list[Settings]:
        """Every combination of switch positions; where these are too many, each position by itself."""
        selectors = self.harness.selectors
        if math.prod(len(selector.positions) for selector in selectors) <= _MOST_COMBINATIONS:
            return list(switch_settings(selectors))
        return [{selector.name: position} for selector in selectors for position in selector.positions]

    def _transfers(self, settings: Settings) -> dict[str, np.ndarray]:
        """Signal of each coil, by ``slot.coil``, and of what else drives, by its name, complex, shape (F,)."""
        return source_signals(self.rig.replace(settings={**self.defaults, **settings}), _FREQUENCY_HZ)

    def _levels(self, settings: Settings) -> dict[str, float]:
        """Highest level of each source over the frequencies, dB."""
        return {name: float(np.max(gain_db(row))) for name, row in self._transfers(settings).items()}

    def _is_silent(self, levels: Mapping[str, float]) -> bool:
        return all(level < SILENT_DB for level in levels.values())

    def _silence_is_claimed(self, place: Settings) -> bool:
        settings = {**self.defaults, **place}
        return any(claim.selects == () and claim.holds_at(settings) for claim in self.harness.claims)

    def silences(self) -> Iterator[str]:
        """Positions of the switches at which nothing arrives, and why."""
        silent = [place for place, levels in zip(self.places, self.levels) if self._is_silent(levels)]
        silent = [place for place in silent if not self._silence_is_claimed(place)]
        if not silent:
            return
        by_knob = {
            knob.name: where for knob in self.harness.knobs if (where := self._opened_by(knob, silent)) is not None
        }
        if by_knob:
            for name, opened in by_knob.items():
                yield (
                    f"no signal reaches the jack with '{name}' at {self.defaults[name]:g}{self._at(silent)}, and some "
                    f"does with it at {opened:g}: are its outer lugs swapped?"
                )
            return
        knobs = ", wherever the knobs stand" if self.harness.knobs else ""
        yield f"no signal reaches the jack{self._at(silent)}{knobs}: {self._why_silent(silent[0])}"

    def _opened_by(self, knob: Knob, silent: list[Settings]) -> float | None:
        """Another position of a knob at which one of the silent places sounds."""
        for place in silent[:4]:
            for where in (0.0, 5.0, FULL):
                if where != knob.default and not self._is_silent(self._levels({**place, knob.name: where})):
                    return where
        return None

    def _at(self, silent: list[Settings]) -> str:
        """Where it is silent: no word for everywhere, one position that is silent by itself, or the first place."""
        if len(silent) == len(self.places):
            return ""
        for name, position in silent[0].items():
            with_it = [place for place in self.places if place.get(name) == position]
            if all(place in silent for place in with_it):
                return f" with '{name}' at '{position}'"
        return " with " + join_words([f"'{name}' at '{position}'" for name, position in silent[0].items()])

    def _why_silent(self, place: Settings) -> str:
        joined = _joined_at(self.harness, {**self.defaults, **place})
        output = self.harness.output
        switches = join_words([f"'{part.name}'" for part in self.harness.parts.values() if isinstance(part, Switch)])
        if joined.same(output, GROUND):
            return f"'{output}' is joined to ground" + (f" by {switches}" if switches else "")
        for pot in self.harness.parts.values():
            if isinstance(pot, Pot) and joined.same(pot.nodes[1], GROUND) and UNCONNECTED not in pot.nodes:
                ends = [node for node in (pot.nodes[0], pot.nodes[2]) if not joined.same(node, GROUND)]
                if len(ends) == 2:
                    return (
                        f"the pot '{pot.name}' has its wiper on ground and its ends on '{ends[0]}' and '{ends[1]}'; "
                        "the wiper is due at the output, an outer lug on ground"
                    )
        used = [node for part in self.harness.parts.values() for node in part.joints if node != GROUND]
        shorted = [f"{slot}.hot" for slot in self.harness.slots if joined.same(f"{slot}.ground", GROUND)]
        for node in (*shorted, *(node for node in used if "." not in node)):
            if joined.same(node, GROUND):
                return f"'{node}' is joined to ground by {switches}"
        for slot in self.harness.slots:
            if joined.same(f"{slot}.hot", f"{slot}.ground"):
                return f"both leads of '{slot}' are joined by {switches}"
        on_tip = [part.name for part in self.harness.parts.values() if output in part.joints]
        cut = [part for part in self.harness.parts.values() if isinstance(part, Pot) and UNCONNECTED in part.nodes]
        cut = [pot for pot in cut if pot.name in on_tip]
        if cut:
            return f"the pot '{cut[0].name}' has an open lug: is it the one that a pickup belongs to?"
        if switches and len(self.places) > 1 and not all(self._is_silent(levels) for levels in self.levels):
            return (
                f"nothing joins {self._source} to '{output}' there; if that is meant, state selects = [] for the "
                "position in the sheet's claims"
            )
        parts = join_words([f"'{name}'" for name in on_tip])
        return f"no path leads from {self._source} to '{output}', where only {parts or 'nothing'} is joined"

    def unheard(self) -> Iterator[str]:
        """Pickups, and what else drives the rig, of which nothing arrives in any position."""
        best: dict[str, float] = {}
        tried = [*self.levels, *(self._levels({knob.name: at}) for knob in self.harness.knobs for at in (0.0, FULL))]
        for levels in tried:
            for name, level in levels.items():
                best[name] = max(best.get(name, -np.inf), level)
        for slot in self.harness.slots:
            own = {name: level for name, level in best.items() if name.partition(".")[0] == slot}
            if own and max(own.values()) < _UNHEARD_DB:
                joined = _joined_at(self.harness, self.defaults)
                why = ""
                if joined.same(f"{slot}.hot", f"{slot}.ground"):
                    why = ": both its leads are on one node"
                elif not any(node.startswith(f"{slot}.") for node in self.harness.terminals):
                    why = ": no part is joined to it"
                why = why or ": is one of its leads joined to the wrong node?"
                yield f"the pickup '{slot}' is heard in no position{why}"
        for name, level in best.items():
            if name.partition(".")[0] not in self.harness.slots and level < _UNHEARD_DB:
                yield f"the source '{name}' is heard in no position: is one of its ends joined to the wrong node?"

    def opposed_coils(self) -> Iterator[str]:
        """Positions at which the two coils of one pickup work against each other."""
        for place in self.places:
            settings = {**self.defaults, **place}
            if any(claim.phase == "out" and claim.holds_at(settings) for claim in self.harness.claims):
                continue
            transfers = self._transfers(place)
            for slot, pickup in self.rig.pickups.items():
                rows = [transfers[f"{slot}.{name}"][:2] for name in pickup.coils if f"{slot}.{name}" in transfers]
                sizes = [float(np.max(np.abs(row))) for row in rows]
                if len(rows) < 2 or max(sizes) < 10 ** (_UNHEARD_DB / 20) or min(sizes) < 0.1 * max(sizes):
                    continue
                if np.all(np.abs(np.angle(rows[0] / rows[1], deg=True)) > 120):
                    yield (
                        f"the two coils of '{slot}' work against each other{self._at([place])}: "
                        "are start and finish of one exchanged?"
                    )
                    return

    def knob_faults(self) -> Iterator[str]:
        """Knobs that change nothing, work backwards, or a volume that does not close."""
        for knob in self.harness.knobs:
            turns = [turn for place in self.places if (turn := self._turn(place, knob)) is not None]
            if not turns:
                continue
            moved = max(moved for _, _, moved in turns)
            closes = min(float(np.max(low[:2] - high[:2])) for low, high, _ in turns)
            tilts = [(low[-1] - low[0]) - (high[-1] - high[0]) for low, high, _ in turns]
            if moved < 0.02:
                yield f"turning '{knob.name}' changes nothing in any position: is one of its lugs on the wrong node?"
            elif "volume" in knob.name and closes > -30:
                if closes > 0.5:
                    yield f"'{knob.name}' is louder at 0 than at 10: are its outer lugs swapped?"
                else:
                    yield (
                        f"'{knob.name}' does not close: at 0 the signal is only {max(0.0, -closes):.0f} dB lower; "
                        "is its counter-clockwise lug joined to ground?"
                    )
            elif "tone" in knob.name and min(tilts) > 3 and max(low[0] for low, _, _ in turns) > -40:
                yield f"'{knob.name}' is brighter at 0 than at 10: are its outer lugs swapped?"

    def _turn(self, place: Settings, knob: Knob) -> tuple[np.ndarray, np.ndarray, float] | None:
        """Levels of all coils together with a knob at 0 and at 10, shape (F,) dB, and the most a single coil moves, dB.

        A blend between two equal pickups moves each of them and leaves their sum. None where both ends are silent.
        """
        ends = []
        for where in (0.0, FULL):
            rows = np.array(list(self._transfers({**place, knob.name: where}).values()))
            levels = gain_db(np.vstack([np.sqrt(np.sum(np.abs(rows) ** 2, axis=0)), np.abs(rows)]))
            ends.append(np.maximum(levels, SILENT_DB))
        low, high = ends
        if max(np.max(low[0]), np.max(high[0])) <= SILENT_DB:
            return None
        return low[0], high[0], float(np.max(np.abs(high - low)))

    def idle_parts(self) -> Iterator[str]:
        """Parts that influence nothing in any position; none is named where the circuit can have no formula."""
        halfway = {knob.name: FULL / 2 for knob in self.harness.knobs}
        idle = {part.name: part for part in self.harness.parts.values() if not isinstance(part, Switch)}
        for place in self.places:
            if not idle:
                return
            rig = self.rig.replace(settings={**self.defaults, **halfway, **place})
            try:
                dead = set(reduce_circuit(rig.circuit).without_influence)
            except CircuitError:
                return
            for name, part in list(idle.items()):
                where = None if part.control is None else rig.settings[part.control.name]
                elements = part.elements(where)
                if elements and not all(element.name in dead for element in elements if hasattr(element, "nodes")):
                    del idle[name]
        if idle:
            names = join_words([f"the {part.kind} '{part.name}'" for part in idle.values()])
            yield (
                f"{names} influence{'s' * (len(idle) == 1)} nothing in any position: does one of "
                f"{'its' if len(idle) == 1 else 'their'} ends lead nowhere?"
            )


def _joined_at(harness: Harness, settings: Settings) -> Joined[str]:
    """Which nodes the closed contacts of the switches, and of a netlist, make one."""
    switches = [part for part in harness.parts.values() if isinstance(part, Switch)]
    closed = [pair for switch in switches for pair in switch.positions[str(settings[switch.control.name])]]
    fixed = [part.element for part in harness.parts.values() if isinstance(part, NetlistPart)]
    shorts = [element.nodes for element in fixed if isinstance(element, Contact) and element.closed]
    return Joined([(GROUND, *_joined_always(harness)), *closed, *shorts])
