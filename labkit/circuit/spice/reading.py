"""SPICE in: `read_spice` turns the linear small-signal part of a standard netlist into a `Circuit`.

Read are R, L, C, K, V, I, the controlled sources E, G, F and H with a number for their gain, subcircuits with
parameters, and ``.param`` with expressions; ``.print``, ``.plot``, ``.save`` or ``.probe`` name the output node, and
`read_sweep` gives the frequencies of ``.ac``. Lines that cannot change the answer are passed over by name; everything
else is refused by line, with what to write instead.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from labkit.circuit.elements import Circuit, Source
from labkit.circuit.spice.elements import MOST_ELEMENTS, Elements
from labkit.circuit.spice.lines import (
    LARGEST_SHUNT_OHM,
    OUTPUT_LINES,
    PASSED_LINES,
    REFUSED_KINDS,
    REFUSED_LINES,
    SHUNTS,
    Statement,
    statements_of,
    words_of,
)
from labkit.circuit.spice.scope import Scope, split_parameters
from labkit.core.errors import CircuitError, did_you_mean

LONGEST_NETLIST = 400_000
"""Characters; a netlist of a guitar circuit is a few kilobytes."""

MOST_FREQUENCIES = 100_000
"""Of a sweep; 2 000 a decade over 20 Hz to 20 kHz are 6 000."""

_DEEPEST = 20


def read_spice(
    text: str,
    *,
    output: str | None = None,
    name: str | None = None,
    first_line: Literal["title", "element"] | None = None,
    capital_m: Literal["milli", "mega"] | None = None,
) -> Circuit:
    """Read a netlist.

    Parameters
    ----------
    text : str
        The netlist itself (not a path). Its first line is its title, as SPICE has it.
    output : str, optional
        Output node. Left out: the voltage asked for by ``.print``, ``.plot``, ``.save`` or ``.probe``, else a node
        named ``out`` or ``output``.
    name : str, optional
        Name of the circuit; the title line when left out.
    first_line : "title" or "element", optional
        What the first line is where it could be both. SPICE takes it as the title and drops the element.
    capital_m : "milli" or "mega", optional
        What ``1M`` means: SPICE says milli, whoever writes it mostly means mega.

    Returns
    -------
    Circuit
        Node ``0`` (or ``gnd``) is ground. A voltage source with a DC value or none at all is a short for small signals
        and becomes a closed contact.

    Raises
    ------
    CircuitError
        One sentence that names the line, what was expected and what was found; also where a line can be meant in two
        ways, with the choice that settles it.

    >>> circuit = read_spice('''divider
    ... V1 in 0 AC 1
    ... R1 in out 1MEG
    ... C1 out 0 22N
    ... .end''')
    >>> circuit["R1"].resistance, circuit["C1"].capacitance, circuit.output
    (1000000.0, 2.2e-08, 'out')
    """
    title, reader = _reader_of(text, first_line=first_line, capital_m=capital_m)
    return reader.circuit(output=output, name=name or title or "netlist")


def read_sweep(
    text: str,
    *,
    first_line: Literal["title", "element"] | None = None,
    capital_m: Literal["milli", "mega"] | None = None,
) -> np.ndarray | None:
    """Return the frequencies that the ``.ac`` line of a netlist asks for, shape (F,), Hz; None where there is none.

    Parameters
    ----------
    text, first_line, capital_m
        As for `read_spice`.

    Raises
    ------
    CircuitError
        If the line asks for no rising frequencies, for more than `MOST_FREQUENCIES`, or there are two.

    >>> read_sweep('''sweep
    ... V1 out 0 AC 1
    ... R1 out 0 1k
    ... .ac oct 1 1k 5k
    ... .end''').tolist()
    [1000.0, 2000.0, 4000.0]
    """
    _, reader = _reader_of(text, first_line=first_line, capital_m=capital_m)
    if not reader.sweeps:
        return None
    if len(reader.sweeps) > 1:
        raise reader.sweeps[1].error("a second '.ac' asks for other frequencies; keep the one that you want")
    return reader.frequencies(reader.sweeps[0])


def _reader_of(
    text: str, *, first_line: Literal["title", "element"] | None, capital_m: Literal["milli", "mega"] | None
) -> tuple[str, _Reader]:
    """Return the title of a netlist, and a reader that has read it."""
    if not isinstance(text, str):
        raise CircuitError(f"a netlist must be text; got {type(text).__name__}")
    if len(text) > LONGEST_NETLIST:
        raise CircuitError(f"a netlist must be shorter than {LONGEST_NETLIST} characters; got {len(text)}")
    if "\0" in text:
        raise CircuitError("a netlist must be text; this holds binary data")
    if first_line is None:
        begins = re.split(r"[\r\n]", text, maxsplit=1)[0].strip()
        if could_be_element(begins):
            raise CircuitError(
                f"line 1 ('{begins[:60]}') reads as part of the circuit, but the first line of a netlist is its title: "
                'put a title line above it, or say first_line="element"; if it is the title, begin it with * or say '
                'first_line="title"'
            )
    if first_line == "element":
        text = f"*\n{text}"
    title, statements = statements_of(text, begins_at=1 if first_line == "element" else 2)
    reader = _Reader(Elements(Scope(capital_m=capital_m)))
    reader.read_all(statements)
    return title, reader


def could_be_element(line: str) -> bool:
    """Say whether a title would be an element or a directive anywhere else in a netlist.

    >>> [could_be_element(line) for line in ("V1 in 0 AC 1", ".param load=1meg", "Rig with a cable", "* R1 a b 1k")]
    [True, True, False, False]
    """
    words = tuple(words_of(line[:400]))
    if not words or line.lstrip()[0] == "*":
        return False
    if line.lstrip()[0] in ".+":
        return True
    statement = Statement(1, words)
    is_numbered = re.fullmatch(r"[a-z]\d+", words[0], re.IGNORECASE) is not None
    if words[0][0].lower() in (*REFUSED_KINDS, "k", "e"):
        return is_numbered and len(words) >= 4
    try:
        _Reader(Elements(Scope(capital_m="milli"))).read(statement)
    except CircuitError:
        return is_numbered and len(words) >= 4
    return is_numbered or len(words) >= 4


@dataclass(slots=True)
class _Subcircuit:
    """A subcircuit as written: its first line, ports, parameters and body."""

    statement: Statement
    ports: tuple[str, ...]
    parameters: dict[str, tuple[Statement, str]]
    body: list[Statement] = field(default_factory=list)


@dataclass(slots=True)
class _Reader:
    """What a netlist says besides its elements, in the order of its lines."""

    found: Elements
    subcircuits: dict[str, _Subcircuit] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    couplings: list[tuple[Statement, Scope]] = field(default_factory=list)
    by_current: list[tuple[Statement, Scope]] = field(default_factory=list)
    sweeps: list[Statement] = field(default_factory=list)

    def read(self, statement: Statement) -> None:
        kind = statement.words[0][0].lower()
        if kind == ".":
            self.read_dot_line(statement)
            return
        waiting = len(self.couplings) + len(self.by_current)
        if len(self.found.elements) + waiting >= MOST_ELEMENTS:
            raise statement.error(f"a netlist has at most {MOST_ELEMENTS} elements here; this one has more")
        match kind:
            case "x":
                self.read_use(statement)
            case "k":
                self.couplings.append((statement, self.found.scope))
            case "f" | "h":
                self.by_current.append((statement, self.found.scope))
            case _:
                self.found.read(statement)

    def read_all(self, statements: list[Statement]) -> None:
        """Set the subcircuits aside, then the parameters, which may stand below their use, and read the rest."""
        rest: list[Statement] = []
        open_ones: list[_Subcircuit] = []
        for statement in statements:
            keyword = statement.words[0].lower()
            if keyword == ".subckt":
                open_ones.append(self.read_subcircuit(statement))
            elif keyword == ".ends":
                if not open_ones:
                    raise statement.error("'.ends' closes no subcircuit; a '.subckt NAME nodes' must stand above it")
                open_ones.pop()
            else:
                (open_ones[-1].body if open_ones else rest).append(statement)
        if open_ones:
            raise open_ones[-1].statement.error("this subcircuit is not closed; add '.ends' below its last line")
        self.read_body(rest)

    def read_body(self, statements: list[Statement]) -> None:
        is_parameter = [statement.words[0].lower() in (".param", ".params") for statement in statements]
        for wanted in (True, False):
            for statement, found in zip(statements, is_parameter):
                if found is wanted:
                    self.read(statement)
        for name in list(self.found.scope.texts):
            self.found.scope.parameter(name)

    def read_subcircuit(self, statement: Statement) -> _Subcircuit:
        words, given = split_parameters(statement)
        if len(words) < 3:
            raise statement.error("a subcircuit is written '.subckt name node node …'")
        name = words[1].lower()
        if name in self.subcircuits:
            raise statement.error(f"two subcircuits are named '{words[1]}'; every one needs its own name")
        made = _Subcircuit(statement=statement, ports=tuple(map(str.lower, words[2:])), parameters=given)
        self.subcircuits[name] = made
        return made

    def read_use(self, statement: Statement) -> None:
        words, given = split_parameters(statement)
        if len(words) < 2:
            raise statement.error(f"a subcircuit is used as '{words[0]} node node … name'")
        nodes, name = words[1:-1], words[-1]
        found = self.subcircuits.get(name.lower())
        if found is None:
            hint = did_you_mean(name.lower(), self.subcircuits) or " No .subckt of that name stands here."
            raise statement.error(f"no subcircuit is named '{name}'.{hint}")
        if len(nodes) != len(found.ports):
            raise statement.error(
                f"the subcircuit '{name}' has {len(found.ports)} nodes ({' '.join(found.ports)}); got {len(nodes)}"
            )
        if self.found.scope.depth >= _DEEPEST:
            raise statement.error(f"subcircuits are nested more than {_DEEPEST} deep; does one contain itself?")
        for key in given:
            if key not in found.parameters:
                raise statement.error(
                    f"the subcircuit '{name}' has no parameter '{key}'.{did_you_mean(key, found.parameters)}"
                )
        outer = self.found.scope
        self.found.scope = outer.inside(
            path=f"{self.found.new_name(statement)}_",
            ports=dict(zip(found.ports, (self.found.node(statement, word) for word in nodes))),
            texts={key: text for key, text in found.parameters.items() if key not in given},
            values={key: outer.number(statement, text, key) for key, (_, text) in given.items()},
        )
        try:
            self.read_body(found.body)
        finally:
            self.found.scope = outer

    def read_dot_line(self, statement: Statement) -> None:
        keyword = statement.words[0].lower()
        if keyword in REFUSED_LINES:
            raise statement.error(f"'{keyword}' is not read; {REFUSED_LINES[keyword]}")
        if keyword in (".param", ".params"):
            self.found.scope.add(statement)
        elif keyword in OUTPUT_LINES:
            for word in statement.words[1:]:
                match = re.fullmatch(r"v(?:db|m|p|r|i)?\(\s*([^(),\s]+)\s*\)", word, re.IGNORECASE)
                if match:
                    self.asked.append(match[1])
        elif keyword not in PASSED_LINES:
            known = (*PASSED_LINES, *OUTPUT_LINES, ".param")
            raise statement.error(
                f"'{keyword}' is not known, and may change the answer; take it out if it does not."
                f"{did_you_mean(keyword, known)}"
            )
        elif keyword == ".ac":
            self.sweeps.append(statement)
        elif keyword.startswith(".opt"):
            for word in statement.words[1:]:
                key, _, value = word.partition("=")
                if key.lower() in SHUNTS and not (
                    key.lower() == "rshunt" and self.found.scope.number(statement, value, key) >= LARGEST_SHUNT_OHM
                ):
                    raise statement.error(
                        f"'{word}' puts a part from every node to ground, which is not read; write them as elements"
                    )

    def frequencies(self, statement: Statement) -> np.ndarray:
        """Return what ``.ac dec 20 20 20k`` asks for: points a decade (or an octave, or in all), and both ends."""
        words = statement.words
        kind = words[1].lower() if len(words) > 1 else ""
        if kind not in ("dec", "oct", "lin") or len(words) != 5:
            raise statement.error("a sweep is written '.ac dec 20 20 20k': dec, oct or lin, points, both ends in Hz")
        points, low, high = (self.found.scope.number(statement, word, ".ac") for word in words[2:])
        if not 0 < low <= high or points < 1:
            raise statement.error("a sweep needs one point or more and ends above 0 Hz, the lower one first")
        if kind == "lin":
            count = points
        else:
            base = 10.0 if kind == "dec" else 2.0
            count = math.floor(points * math.log(high / low, base) + 1e-6) + 1
        if count > MOST_FREQUENCIES:
            raise statement.error(f"a sweep has at most {MOST_FREQUENCIES} frequencies here; this one has {count:.0f}")
        if kind == "lin":
            return np.linspace(low, high, int(count)) if low < high else np.array([low])
        found: np.ndarray = low * base ** (np.arange(count) / points)
        return found

    def circuit(self, *, output: str | None, name: str) -> Circuit:
        if self.found.undriven and not any(isinstance(element, Source) for element in self.found.elements):
            raise self.found.undriven[0].error(
                "nothing drives this circuit: a source without an AC value is a short for a frequency response. Write "
                "'AC 1' behind the nodes of the source that stands for the pickup"
            )
        if not self.found.elements:
            raise CircuitError(
                "the netlist holds no element; its first line is its title and is never read as an element"
            )
        for statement, scope in (*self.by_current, *self.couplings):
            self.found.scope = scope
            self.found.read(statement)
        nodes = self.found.nodes
        wanted = [output] if output is not None else [*self.asked, "out", "output"]
        for node in wanted:
            if node.lower() in nodes:
                return Circuit(elements=tuple(self.found.elements), output=nodes[node.lower()], name=name)
        if output is not None or self.asked:
            raise CircuitError(
                f"the output '{wanted[0]}' is no node of the netlist.{did_you_mean(wanted[0], nodes.values())}"
            )
        raise CircuitError(
            "the netlist does not say which node is its output: add '.print ac v(node)' or name a node 'out'"
        )
