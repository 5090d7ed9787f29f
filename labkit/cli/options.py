"""Options that several commands share, so that the same word does the same everywhere."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import click

from labkit.cli.completion_command import names_of
from labkit.core.errors import InputError
from labkit.core.files import BOOK_VARIABLE, as_json_text, checked_target, write_atomically
from labkit.core.frames import csv_metadata
from labkit.core.units import name_and_value
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value

Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """Where the result of a command goes, and in which form: what the options of `result_options` ask for."""

    path: Path | None
    force: bool
    as_json: bool = False
    as_csv: bool = False
    as_csvw: bool = False

    @property
    def is_asked_for(self) -> bool:
        """Whether a file or a form is named, so that the result is written even beside a plot."""
        return self.as_json or self.as_csv or self.path is not None

    def write(
        self,
        text: Callable[[], str],
        data: Callable[[], Any] | None = None,
        csv: Callable[[], str] | None = None,
        units: Mapping[str, str] | None = None,
    ) -> None:
        """Print the result in the form that is asked for, or write it to the file of ``--output``.

        ``units`` are those of a table's columns whose headings do not end in one.
        """
        if self.as_json and data is not None:
            self.emit(as_json_text(data()))
        else:
            self.emit(csv() if self.as_csv and csv is not None else text(), units)

    @property
    def metadata_path(self) -> Path | None:
        """Where the columns of a table are described, or None; beside the table, as the W3C's CSVW finds it."""
        return self.path.with_name(f"{self.path.name}-metadata.json") if self.as_csvw and self.path else None

    def emit(self, text: str, units: Mapping[str, str] | None = None) -> None:
        """Print a text, or write it to the file of ``--output``."""
        if self.path is None:
            click.echo(text)
            return
        described = self.metadata_path
        if described is not None:
            checked_target(described, overwrite=self.force)
        emit(text, self.path, self.force)
        if described is not None:
            emit(as_json_text(csv_metadata(click.unstyle(text), self.path.name, units)), described, self.force)


_WRITTEN = ("output", "plot", "record", "table", "histograms", "tornado", "field_map", "one_port")
"""Options that name a file to write; ``--sheet`` of a fit is told from the argument by being a path."""


_CSVW = "With --csv and --output FILE: also write FILE-metadata.json, which names columns, kinds and units (W3C CSVW)."


def result_options(*, json: bool = True, csv: str = "") -> Callable[[Command], Command]:
    """``--json``, ``--csv`` (where ``csv`` says what it prints) with ``--csvw``, ``--output``, ``--force``: ``out``.

    No file that a command reads, or writes already, is written by it. Every file that was written is named on standard
    error, so that standard output stays what was asked for.
    """

    def options(function: Command) -> Command:
        @wraps(function)
        def careful(**given: Any) -> Any:
            written = [Path(given[name]) for name in given if _is_written(given, name)]
            _refuse_to_write_twice(given, written)
            forms = {form: given.pop(form) for form in ("as_json", "as_csv") if form in given}
            if len(forms) == 2 and all(forms.values()):
                raise InputError("--json and --csv exclude each other; give one of them")
            out = Output(
                path=given.pop("output"), force=given.pop("force"), as_csvw=given.pop("as_csvw", False), **forms
            )
            if out.as_csvw and not (out.as_csv and out.path is not None):
                raise InputError("--csvw describes the columns of a file; give --csv and --output FILE.csv with it")
            result = function(**given, out=out)
            say_written(*written, *([out.metadata_path] if out.metadata_path else []))
            return result

        careful = click.option("--force", is_flag=True, help="Overwrite an existing file.")(careful)
        careful = click.option("--output", type=click.Path(path_type=Path), help="Write to this file instead.")(careful)
        if csv:
            careful = click.option("--csvw", "as_csvw", is_flag=True, help=_CSVW)(careful)
            careful = click.option("--csv", "as_csv", is_flag=True, help=csv)(careful)
        return json_option(careful) if json else careful  # type: ignore[return-value]

    return options


def json_option(function: Command) -> Command:
    """``--json``: machine-readable output, SI with the unit in the key."""
    return click.option("as_json", "--json", is_flag=True, help="Print JSON, in SI with the unit in the key.")(function)


def say_written(*targets: Path) -> None:
    """Name on standard error what was written."""
    for target in targets:
        if target.exists():
            click.echo(f"labkit: wrote {target}", err=True)


def _is_written(given: Mapping[str, Any], name: str) -> bool:
    return bool(given[name]) and (name in _WRITTEN or (name == "sheet" and isinstance(given[name], Path)))


def _refuse_to_write_twice(given: Mapping[str, Any], written: list[Path]) -> None:
    read = [
        Path(one)
        for name, value in given.items()
        if not _is_written(given, name)
        for one in (value if isinstance(value, tuple) else (value,))
        if isinstance(one, str | Path) and str(one)
    ]
    for index, target in enumerate(written):
        if any(_is_same_file(target, other) for other in read):
            raise InputError(f"{target}: this command reads that file; name another one to write to")
        if any(os.path.realpath(target) == os.path.realpath(other) for other in written[:index]):
            raise InputError(f"{target}: is named twice; each file to write needs a name of its own")


def _is_same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except (OSError, ValueError):  # not there yet, or no name of a file at all
        return False


def set_option(function: Command) -> Command:
    """``--set part=value``, any number of times."""
    return click.option(
        "changes",
        "--set",
        multiple=True,
        metavar="NAME=VALUE",
        help="Change a knob, switch, part, cable … of the rig, such as volume=5, tone_capacitor=47n, cable.length=10m.",
    )(function)


def changed(rig: Rig, changes: tuple[str, ...]) -> Rig:
    """Return a rig with every ``NAME=VALUE`` of ``--set`` applied."""
    for change in changes:
        rig = set_value(rig, *name_and_value(change, "--set takes NAME=VALUE, such as volume=5"))
    return rig


def rig_with(sheet: str, changes: tuple[str, ...]) -> Rig:
    """Load a rig, apply every ``NAME=VALUE``, and say what is unusual about it."""
    rig = changed(load_rig(sheet), changes)
    for sentence in rig.warnings:
        click.echo(f"labkit: warning: {rig.name}: {sentence}", err=True)
    return rig


def book_option(function: Command) -> Command:
    """``--book FILE``, or the variable that names one; opened for the command as ``book`` and closed after it."""

    @wraps(function)
    def with_book(*, book_file: Path | None, **given: Any) -> Any:
        from labkit.book.store import open_book

        if book_file is None:
            raise InputError(f"name the workshop book with --book FILE, or in the variable {BOOK_VARIABLE}")
        with open_book(book_file) as book:
            return function(book=book, **given)

    help_text = f"The workshop book; {BOOK_VARIABLE} names one for all commands."
    option = click.option(
        "book_file", "--book", type=click.Path(path_type=Path), metavar="FILE", envvar=BOOK_VARIABLE, help=help_text
    )
    return option(with_book)  # type: ignore[return-value]


def rig_argument(function: Command) -> Command:
    """``SHEET``, path of a rig sheet or the name of a rig in the catalogue, and ``--set``, as ``rig``."""

    @wraps(function)
    def with_rig(*, sheet: str, changes: tuple[str, ...], **given: Any) -> Any:
        return function(rig=rig_with(sheet, changes), **given)

    return click.argument("sheet", **names_of("rig"))(set_option(with_rig))  # type: ignore[return-value]


def emit(text: str, path: Path, force: bool) -> None:
    """Write a text to a file, with a line end."""
    text = click.unstyle(text)  # colours are for a terminal
    write_atomically(path, text if text.endswith("\n") else f"{text}\n", overwrite=force)
