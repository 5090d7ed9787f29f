"""The lines of a netlist: joined, cut into words, and what each kind of line is to its reader.

Which elements and directives are passed over or refused, and what to write instead, stands here as data; what the
read ones become: `labkit.circuit.spice.reading`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from labkit.core.errors import CircuitError

POWERS = {"t": 12, "g": 9, "meg": 6, "k": 3, "m": -3, "u": -6, "n": -9, "p": -12, "f": -15}
"""SPICE multipliers as powers of ten, case-insensitive: m and M are milli, meg is mega, f is femto."""

NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)([a-zµμω%]*)", re.IGNORECASE)

REFUSED_KINDS = {
    "a": "a code model",
    "b": "a behavioural source",
    "d": "a diode",
    "j": "a field-effect transistor",
    "m": "a field-effect transistor",
    "o": "a transmission line",
    "q": "a transistor",
    "s": "a controlled switch",
    "t": "a transmission line",
    "u": "a distributed line",
    "w": "a controlled switch",
    "z": "a field-effect transistor",
}
USE_INSTEAD = {
    "a": "write what it does as R, L, C and controlled sources E, G, F, H",
    "b": "write its small-signal gain as a controlled source E or G, or its value as R, L or C",
    **dict.fromkeys("dszw", "write its small-signal resistance at the working point as R, an open one not at all"),
    **dict.fromkeys("jmq", "write its small-signal circuit: G with its transconductance, R and C between its nodes"),
    **dict.fromkeys("otu", "write the line as sections of L, R, C and their leak"),
}
"""What to write for an element that is not read."""
_FLAT = "write the netlist out flat, in one text"
_ONE_SET = "a netlist is read for one set of values; write the value that you want, and take this line out"
REFUSED_LINES = {
    **dict.fromkeys((".include", ".inc", ".lib", ".func", ".global"), _FLAT),
    **dict.fromkeys((".if", ".elseif", ".else", ".endif"), "keep the lines of the branch that you want, without it"),
    **dict.fromkeys((".step", ".alter", ".data", ".mc", ".wcase", ".dcvolt"), _ONE_SET),
}
PASSED_LINES = {
    *(".ac", ".dc", ".op", ".tran", ".noise", ".tf", ".pz", ".sens", ".disto", ".sp", ".net", ".temp", ".model"),
    *(
        ".options",
        ".option",
        ".opt",
        ".nodeset",
        ".ic",
        ".title",
        ".width",
        ".meas",
        ".measure",
        ".backanno",
        ".csparam",
    ),
}
"""They ask for an analysis or say how to compute it; a linear circuit's small-signal answer is the same without."""

OUTPUT_LINES = {".print", ".plot", ".save", ".probe", ".four"}
_CHANGES = {"alter", "altermod", "alterparam", "source", "edit", "circbyline", "foreach", "while", "repeat", "dowhile"}
"""Commands of a control block after which the circuit is not the one that is written."""

SHUNTS = {"rshunt", "gshunt", "cshunt"}
LARGEST_SHUNT_OHM = 1e12
"""``.options rshunt`` from here on only gives nodes a DC path: 1 TΩ beside 10 MΩ is 1e-5."""

_INSTEAD = {
    **dict.fromkeys(("rser", "rs"), "a resistor in series, as an element of its own: 'R{name}_series node node value'"),
    **dict.fromkeys(("rpar", "rp"), "a resistor across it, as an element of its own: 'R{name}_across node node value'"),
    **dict.fromkeys(
        ("cpar", "cp"), "a capacitor across it, as an element of its own: 'C{name}_across node node value'"
    ),
    "lser": "an inductor in series, as an element of its own: 'L{name}_series node node value'",
    **dict.fromkeys(("tc", "tc1", "tc2", "temp", "dtemp"), "the value at your temperature, and leave this away"),
    "m": "the value of all of them together, and leave this away",
}
"""What to write for a parameter that is not read."""

WAVES = re.compile(r"(sin|pulse|exp|pwl|sffm|am|trnoise|trrandom|noise|distof1|distof2)(\(.*)?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Statement:
    """A joined line: where it began, and its words."""

    number: int
    words: tuple[str, ...]

    def error(self, sentence: str) -> CircuitError:
        return CircuitError(f"line {self.number} ('{' '.join(self.words)[:60]}'): {sentence}")


def statements_of(text: str, *, begins_at: int = 2) -> tuple[str, list[Statement]]:
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    title = lines[0].strip().lstrip("*").strip() if lines else ""
    joined: list[tuple[int, list[str]]] = []
    in_control = False
    for number, raw in enumerate(lines[1:], start=begins_at):
        line = re.split(r";|(?:(?<=\s)|^)(?:\$\s|//)", raw, maxsplit=1)[0].strip()
        if not line or line.startswith("*"):
            continue
        keyword = line.split()[0].lower()
        if keyword == ".control":
            in_control = True
        elif keyword == ".endc":
            in_control = False
        elif in_control:
            if keyword in _CHANGES:
                raise CircuitError(
                    f"line {number} ('{line[:60]}'): '{keyword}' may change a value later on; {_ONE_SET}"
                )
        elif keyword == ".end":
            break
        elif line.startswith("+"):
            if not joined:
                raise CircuitError(
                    f"line {number}: a continuation line ('+') needs a line before it; the first line is the title"
                )
            joined[-1][1].append(line[1:])
        else:
            joined.append((number, [line]))
    statements = [Statement(number, tuple(words_of(" ".join(parts)))) for number, parts in joined]
    return title, [statement for statement in statements if statement.words]


def words_of(line: str) -> list[str]:
    """Split at blanks and commas outside brackets, and take the blanks around '=' away."""
    single = " ".join(line.split())  # runs of blanks would make the two patterns slow
    spaced = re.sub(r" ?= ?", "=", single)
    spaced = spaced.replace(" (", "(") if spaced[:1] in ".vV" else spaced
    words, depth, word, quoted = [], 0, "", False
    for character in spaced:
        depth += (character in "({") - (character in ")}")
        if character == "'":
            quoted = not quoted
            depth += 1 if quoted else -1
        if depth <= 0 and (character.isspace() or character == ","):
            if word:
                words.append(word)
            word = ""
        else:
            word += character
    return [*words, word] if word else words


def not_read(name: str, word: str) -> str:
    key = word.partition("=")[0].lower()
    instead = _INSTEAD.get(key, "the final value as one number, and leave this away" if "=" not in word else "")
    write = f"write {instead.format(name=name)}" if instead else "take it out if the answer does not need it"
    return f"'{word[:40]}' after the nodes is not read; {write}"


def is_number(word: str) -> bool:
    return NUMBER.match(word) is not None or word[:1] in ("{", "'")


def scaled(digits: str, exponent: int) -> float:
    mantissa, _, power = digits.lower().partition("e")
    return float(f"{mantissa}e{int(power or 0) + exponent}")
