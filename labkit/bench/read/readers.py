"""Which reader reads a sweep file: the protocol that readers keep, and the choice among those that plugins bring."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from labkit.bench.read.sweep import Sweep
from labkit.core.errors import InputError, did_you_mean, join_words
from labkit.plugins import Brought, plugins
from labkit.plugins.manager import BUILTIN

if TYPE_CHECKING:
    from labkit.bench.read.sweep_reader import ReadingChoices

START_BYTES = 4096
"""How much of a file a reader may look at before it says whether the file is its own."""


class SweepReader(Protocol):
    """What a reader of sweep files is.

    Attributes
    ----------
    is_general : bool
        True for a reader that takes whatever nobody else does; a reader of one instrument's files is False.
    """

    is_general: bool

    def recognises(self, path: Path, start: bytes) -> bool:
        """Say whether a file is this reader's, from its name and its first 4096 bytes."""
        ...

    def read(self, path: Path, choices: ReadingChoices) -> Sweep:
        """Read the file, or raise `InputError` with one sentence: what is wrong, and what to do."""
        ...


def sweep_readers() -> Mapping[str, Brought]:
    """Return every reader that plugins bring, by name."""
    return plugins().things("labkit_sweep_readers", check=_not_a_reader)


def choose_reader(path: Path, *, name: str | None = None) -> Brought:
    """Return the reader for a file: the one that is named, else the only one that recognises it.

    Readers of one instrument go before general ones.

    Raises
    ------
    InputError
        If no reader has that name, none recognises the file, or several do; the message says what settles it.
    """
    known = sweep_readers()
    if name is not None:
        if name not in known:
            raise InputError(f"no sweep reader is named '{name}'.{did_you_mean(name, known)}")
        return known[name]
    with path.open("rb") as stream:
        start = stream.read(START_BYTES)
    claims = [brought for brought in known.values() if _claims(brought, path, start)]
    special = [brought for brought in claims if not brought.thing.is_general]
    for found in (special, claims):
        if len(found) == 1:
            return found[0]
        if found:
            names = join_words([f"'{each.name}'" for each in found])
            raise InputError(f"{path.name}: {names} can both read this file; name the one to use with --reader")
    if not known:
        raise InputError(f"{path.name}: nothing installed reads sweeps; see labkit catalogue --plugins")
    raise InputError(
        f"{path.name}: no sweep reader recognises this file ({join_words(sorted(known), 'and')} were asked); "
        "export it as CSV text"
    )


def read_with(brought: Brought, path: Path, choices: ReadingChoices) -> Sweep:
    """Read a file with a reader; one that fails or returns something else is named, with its plugin."""
    if brought.plugin == BUILTIN:
        sweep: Sweep = brought.thing.read(path, choices)
        return sweep
    whose = f"the sweep reader '{brought.name}' of plugin '{brought.plugin}'"
    try:
        found = brought.thing.read(path, choices)
    except InputError:
        raise
    except Exception as error:
        raise InputError(f"{path.name}: {whose} failed: {type(error).__name__}: {error}") from error
    if not isinstance(found, Sweep):
        raise InputError(f"{path.name}: {whose} must return a Sweep; got a {type(found).__name__}")
    return replace(found, understood=(f"read by '{brought.name}' of plugin '{brought.plugin}'", *found.understood))


def _claims(brought: Brought, path: Path, start: bytes) -> bool:
    try:
        return bool(brought.thing.recognises(path, start))
    except Exception as error:  # one that cannot even look must not keep the others from reading
        plugins().report(
            brought.plugin, f"sweep reader '{brought.name}' failed on {path.name}: {type(error).__name__}: {error}"
        )
        return False


def _not_a_reader(thing: object) -> str:
    is_reader = all(callable(getattr(thing, name, None)) for name in ("recognises", "read"))
    if is_reader and isinstance(getattr(thing, "is_general", None), bool):
        return ""
    return "an object with recognises(path, start), read(path, choices) and is_general"
