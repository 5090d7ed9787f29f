"""What the element lines of a netlist become: R, L and C, sources, controlled sources, couplings."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, field, replace

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Capacitor,
    Contact,
    ControlledCurrent,
    ControlledVoltage,
    Coupling,
    Element,
    Inductor,
    Resistor,
    Source,
)
from labkit.circuit.spice.lines import REFUSED_KINDS, USE_INSTEAD, WAVES, Statement, is_number, not_read
from labkit.circuit.spice.scope import Scope
from labkit.core.errors import CircuitError, did_you_mean

MOST_ELEMENTS = 5_000
"""Elements, and pairs of coupled coils; a rig with a long cable in sections has some hundreds."""

_SENSE_OHM = 1e3
_TWO_TERMINALS: dict[str, tuple[type[Resistor | Capacitor | Inductor], str, str]] = {
    "r": (Resistor, "resistance", "1k"),
    "c": (Capacitor, "capacitance", "22n"),
    "l": (Inductor, "inductance", "2.4"),
}


@dataclass(slots=True)
class Elements:
    """The elements read so far, their names and nodes, as seen from the scope that is read at present."""

    scope: Scope
    elements: list[Element] = field(default_factory=list)
    names: dict[str, str] = field(default_factory=dict)
    nodes: dict[str, str] = field(default_factory=dict)
    undriven: list[Statement] = field(default_factory=list)
    """Sources with a constant value and no AC value."""

    def read(self, statement: Statement) -> None:
        """Read the line of one element; what the element refuses is told with the line."""
        try:
            self.elements += self._read(statement)
        except CircuitError as problem:
            if str(problem).startswith("line "):
                raise
            raise statement.error(str(problem)) from None

    def _read(self, statement: Statement) -> list[Element]:
        first = statement.words[0]
        match first[0].lower():
            case "r" | "c" | "l":
                return self.two_terminals(statement)
            case "v":
                return self.read_voltage(statement)
            case "i":
                return self.read_current(statement)
            case "e" | "g":
                return self.read_controlled(statement)
            case "f" | "h":
                return self.read_by_current(statement)
            case "k":
                return self.read_coupling(statement)
            case kind if kind in REFUSED_KINDS:
                raise statement.error(f"'{first}' is {REFUSED_KINDS[kind]}, which is not read; {USE_INSTEAD[kind]}")
        raise statement.error(f"'{first}' is no element; names begin with R, L, C, K, V, I, E, G, F, H or X")

    def two_terminals(self, statement: Statement) -> list[Element]:
        letter = statement.words[0][0].lower()
        part, noun, example = _TWO_TERMINALS[letter]
        words = statement.words
        if len(words) < 4:
            raise statement.error(
                f"a {noun} is written '{words[0]} node node {example}'; got {len(words) - 1} words after the name"
            )
        value = words[3]
        key, equals, after = value.partition("=")
        if equals:
            if key.lower() not in (letter, noun):
                raise statement.error(f"a number is due where '{value}' stands, such as {example}")
            value = after
        for extra in words[4:]:
            if extra.partition("=")[0].lower() != "ic":
                raise statement.error(not_read(words[0], extra))
        if letter == "c" and re.fullmatch(r"[+-]?[\d.]+(e[+-]?\d+)?f", value, re.IGNORECASE):
            raise statement.error(
                f"'{value}' is in femtofarads in SPICE, where a letter is a multiplier; write {value[:-1]} for farads, "
                f"{value[:-1]}e-15 for femtofarads"
            )
        name = self.new_name(statement)
        nodes = (self.node(statement, words[1]), self.node(statement, words[2]))
        return [part(name=name, nodes=nodes, **{noun: self.scope.number(statement, value, name)})]  # type: ignore[arg-type]

    def read_voltage(self, statement: Statement) -> list[Element]:
        name, nodes, voltage = self.source(statement)
        if voltage is None:
            return [Contact(name=name, nodes=nodes, closed=True)]
        return [Source(name=name, nodes=nodes, voltage=voltage)]

    def read_current(self, statement: Statement) -> list[Element]:
        """A current source is a controlled current with an EMF of its own before it; without an AC value an open."""
        name, nodes, current = self.source(statement)
        if current is None:
            return []
        drive = f"{name}_drive"
        return [
            Source(name=name, nodes=(drive, GROUND), voltage=current),
            ControlledCurrent(name=f"{name}_current", nodes=(*nodes, drive, GROUND), transconductance=1.0),
        ]

    def source(self, statement: Statement) -> tuple[str, tuple[str, str], float | None]:
        """Read an independent source: its name, its nodes, and its AC value with its sign, where it has one."""
        words = statement.words
        if len(words) < 3:
            raise statement.error(
                f"a source is written '{words[0]} node node AC 1'; got {len(words) - 1} words after the name"
            )
        name = self.new_name(statement)
        nodes = (self.node(statement, words[1]), self.node(statement, words[2]))
        magnitude: float | None = None
        phase, constant, wave = 0.0, 0.0, ""
        rest = list(words[3:])
        while rest:
            word = rest.pop(0)
            if word.lower() == "ac":
                numbers = [
                    self.scope.number(statement, rest.pop(0), name) for _ in range(2) if rest and is_number(rest[0])
                ]
                magnitude, phase = (*numbers, *(1.0, 0.0)[len(numbers) :])
            elif word.lower() == "dc" and rest and is_number(rest[0]):
                constant = self.scope.number(statement, rest.pop(0), name)
            elif is_number(word) and word == words[3]:
                constant = self.scope.number(statement, word, name)
            elif match := WAVES.match(word):
                wave = match[1].upper()
                while rest and not match[2] and is_number(rest[0]):
                    rest.pop(0)
            else:
                raise statement.error(not_read(words[0], word))
        if magnitude is None and wave:
            raise statement.error(
                f"{wave} is a course over time; without an AC value this source is a short for a frequency response. "
                "Write 'AC 1' behind its nodes if it drives the circuit, or 'DC 0' in place of the course if not"
            )
        if magnitude is None:
            if constant:
                self.undriven.append(statement)
            return name, nodes, None
        if phase % 180:
            raise statement.error(f"the phase of a source must be 0 or 180 degrees; got {phase:g}")
        return name, nodes, -magnitude if phase % 360 else magnitude

    def read_controlled(self, statement: Statement) -> list[Element]:
        words = statement.words
        letter = words[0][0].lower()
        what = "a voltage" if letter == "e" else "a current"
        if len(words) != 6 or words[3].lower().startswith(("poly", "value", "vol", "cur", "table", "laplace")):
            raise statement.error(
                f"{what} set by a voltage is written '{words[0]} out 0 in 0 gain', with a number for its gain; "
                f"got {len(words) - 1} words after the name"
            )
        positive, negative, plus, minus = (self.node(statement, word) for word in words[1:5])
        name = self.new_name(statement)
        gain = self.scope.number(statement, words[5], name)
        if letter == "g":
            nodes = (positive, negative, plus, minus)
            return [ControlledCurrent(name=name, nodes=nodes, transconductance=gain)]
        if negative == GROUND and minus == GROUND:
            return [Buffer(name=name, nodes=(plus, positive), gain=gain)]
        return [ControlledVoltage(name=name, nodes=(positive, negative, plus, minus), gain=gain)]

    def read_by_current(self, statement: Statement) -> list[Element]:
        """Read F or H: a source's current is the voltage over 1 kΩ in series, which a source behind it takes back."""
        words = statement.words
        letter = words[0][0].lower()
        what = "a current" if letter == "f" else "a voltage"
        if len(words) != 5:
            raise statement.error(
                f"{what} set by a current is written '{words[0]} out 0 Vsense gain'; "
                f"got {len(words) - 1} words after the name"
            )
        known = self.names.get(f"{self.scope.path}{words[3]}".lower(), "")
        sensed = next((part for part in self.elements if part.name == known), None)
        if not isinstance(sensed, Source | Contact):
            sources = [part.name for part in self.elements if isinstance(part, Source | Contact)]
            raise statement.error(
                f"'{words[0]}' reads the current of a voltage source, and none is named '{words[3]}'."
                f"{did_you_mean(words[3], sources)}"
            )
        begin, middle, behind = sensed.nodes[0], f"{known}_sense", f"{known}_behind"
        made: list[Element] = []
        if not any(part.name == middle for part in self.elements):
            place = self.elements.index(sensed)
            self.elements[place] = replace(sensed, nodes=(behind, sensed.nodes[1]))
            made += [
                Resistor(name=middle, nodes=(begin, middle), resistance=_SENSE_OHM, is_noisy=False),
                ControlledVoltage(name=behind, nodes=(middle, behind, begin, middle), gain=-1.0),
            ]
        else:
            begin = next(part.nodes[0] for part in self.elements if part.name == middle)
        nodes = (self.node(statement, words[1]), self.node(statement, words[2]), begin, middle)
        name = self.new_name(statement)
        gain = self.scope.number(statement, words[4], name) / _SENSE_OHM
        if letter == "f":
            return [*made, ControlledCurrent(name=name, nodes=nodes, transconductance=gain)]
        return [*made, ControlledVoltage(name=name, nodes=nodes, gain=gain)]

    def new_name(self, statement: Statement) -> str:
        name = f"{self.scope.path}{statement.words[0]}"
        if name.lower() in self.names:
            raise statement.error(
                f"two elements are named '{name}'; every element needs its own name (capitals do not count)"
            )
        self.names[name.lower()] = name
        return name

    def node(self, statement: Statement, word: str) -> str:
        folded = word.lower()
        if folded in ("0", "gnd"):
            return GROUND
        if folded == GROUND:
            raise statement.error(f"the ground of a netlist is node 0; a node named '{word}' is ambiguous, rename it")
        if "=" in word or "(" in word:
            raise statement.error(f"a node is due where '{word}' stands")
        if folded in self.scope.ports:
            return self.scope.ports[folded]
        return self.nodes.setdefault(f"{self.scope.path}{folded}".lower(), f"{self.scope.path}{word}")

    def read_coupling(self, statement: Statement) -> list[Element]:
        words = statement.words
        if len(words) < 4:
            raise statement.error(
                f"a coupling is written '{words[0]} L1 L2 0.9'; got {len(words) - 1} words after the name"
            )
        name = self.new_name(statement)
        if len(words) ** 2 > 2 * MOST_ELEMENTS:
            raise statement.error(f"a netlist has at most {MOST_ELEMENTS} couplings here; this line alone has more")
        inductors = [self.inductor(statement, word) for word in words[1:-1]]
        coefficient = self.scope.number(statement, words[-1], name)
        pairs = list(itertools.combinations(inductors, 2))
        return [
            Coupling(name=name if len(pairs) == 1 else f"{name}_{count}", inductors=pair, coefficient=coefficient)
            for count, pair in enumerate(pairs, start=1)
        ]

    def inductor(self, statement: Statement, word: str) -> str:
        name = self.names.get(f"{self.scope.path}{word}".lower(), "")
        if word[:1] not in ("l", "L") or not name:
            known = [element.name for element in self.elements if isinstance(element, Inductor)]
            raise statement.error(f"no inductor is named '{word}'.{did_you_mean(word, known)}")
        return name
