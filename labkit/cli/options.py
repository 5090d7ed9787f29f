"""Options that several commands share, so that the same word does the same everywhere."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from labkit.core.errors import InputError
from labkit.core.files import write_atomically
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value

Command = TypeVar("Command", bound=Callable[..., Any])


def sheet_argument(function: Command) -> Command:
    """``SHEET``: path of a rig sheet, or the name of a rig in the catalogue."""
    return click.argument("sheet")(function)


def json_option(function: Command) -> Command:
    """``--json``: machine-readable output, SI with the unit in the key."""
    return click.option("as_json", "--json", is_flag=True, help="Print JSON, in SI with the unit in the key.")(function)


def output_options(function: Command) -> Command:
    """``--output FILE`` and ``--force``."""
    function = click.option("--force", is_flag=True, help="Overwrite an existing file.")(function)
    return click.option("--output", type=click.Path(path_type=Path), help="Write to this file instead.")(function)


def set_option(function: Command) -> Command:
    """``--set part=value``, any number of times."""
    return click.option(
        "changes",
        "--set",
        multiple=True,
        metavar="NAME=VALUE",
        help="Change a knob, switch, part, cable … of the rig, such as volume=5, tone_capacitor=47n, cable.length=10m.",
    )(function)


def rig_with(sheet: str, changes: tuple[str, ...]) -> Rig:
    """Load a rig and apply every ``NAME=VALUE``."""
    rig = load_rig(sheet)
    for change in changes:
        name, equals, value = change.partition("=")
        if not equals or not name.strip() or not value.strip():
            raise InputError(f"--set takes NAME=VALUE, such as volume=5; got '{change}'")
        rig = set_value(rig, name.strip(), value.strip())
    return rig


def emit(text: str, output: Path | None, force: bool) -> None:
    """Print a text, or write it to the file of ``--output``."""
    if output is None:
        click.echo(text)
    else:
        write_atomically(output, text if text.endswith("\n") else f"{text}\n", overwrite=force)
