"""The error tree of labkit and the sentence that every bad input gets.

    LabkitError
    ├── InputError (ValueError)      something a user gave us cannot be used
    │   ├── QuantityError            a text that should be a quantity is not one
    │   ├── SheetError               a sheet: names the file and the key
    │   └── CircuitError             a circuit: names the part and the node
    └── PluginError                  a plugin failed; names the plugin

A message states what must hold, then what was received, then the next step. It is one line of letters that show:
what it repeats of a stranger's file can neither break a line nor steer a terminal.
Results whose inputs lie outside the validity of a model are not errors: they carry
sentences in a ``warnings`` tuple of their own.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable


class LabkitError(Exception):
    """Root of every error that labkit raises on purpose."""

    def __init__(self, *arguments: object) -> None:
        super().__init__(*(one_line(each) if isinstance(each, str) else each for each in arguments))


class InputError(LabkitError, ValueError):
    """Something the user gave cannot be used; the message says what, where and what to do."""


class QuantityError(InputError):
    """A text that should be a quantity of a known unit is not one."""


class SheetError(InputError):
    """A sheet cannot be read; the message names the file and the key."""


class CircuitError(InputError):
    """A circuit cannot be built or solved; the message names the part and the node."""


class PluginError(LabkitError):
    """A plugin could not be loaded or broke its contract; the message names it."""


_LONGEST = 1200
"""Characters of a message; what a file repeats a thousand times is told by its beginning and its end."""


def capitalized(text: str) -> str:
    """Return a text whose first letter is a capital, and whose others are as they were.

    >>> capitalized("level at 400 Hz")
    'Level at 400 Hz'
    """
    return text[:1].upper() + text[1:]


def one_line(text: str) -> str:
    r"""Return a text on one line, its control characters written out, its middle left out where it is very long.

    >>> one_line("no part\nis named 'a\x1b[2J'")
    "no part is named 'a\\x1b[2J'"
    """
    if len(text) > _LONGEST:
        text = f"{text[: _LONGEST - 301]}…{text[-300:]}"
    if text.isprintable():
        return text
    joined = " ".join(text.replace("\t", " ").splitlines())
    return "".join(
        letter.encode("unicode_escape").decode() if unicodedata.category(letter)[0] == "C" else letter
        for letter in joined
    )


def did_you_mean(name: str, choices: Iterable[str], *, listing: bool = True) -> str:
    """Return ``" Did you mean 'x'?"`` for the nearest choice, or the list of choices when none is near.

    With ``listing`` off nothing is returned when none is near (the sentence names the choices already).

    >>> did_you_mean("lgo", ["linear", "audio", "log"])
    " Did you mean 'log'?"
    >>> did_you_mean("zzz", ["linear", "audio"])
    ' Known: audio, linear.'
    """
    known = sorted(set(choices))
    folded = {choice.casefold(): choice for choice in known}
    near = difflib.get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.55)
    if near:
        return f" Did you mean '{folded[near[0]]}'?"
    if not known or not listing:
        return ""
    shown = ", ".join(known[:12])
    return f" Known: {shown}{', …' if len(known) > 12 else ''}."


def join_words(words: Iterable[str], last: str = "and") -> str:
    """Join words as a person would: ``a, b and c``.

    >>> join_words(["a", "b", "c"], "or")
    'a, b or c'
    """
    listed = list(words)
    if len(listed) < 2:
        return "".join(listed)
    return f"{', '.join(listed[:-1])} {last} {listed[-1]}"
