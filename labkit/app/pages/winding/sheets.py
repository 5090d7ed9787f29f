"""A pickup in the making as a sheet: saved with its flange, opened from outside with everything checked."""

from __future__ import annotations

from labkit.app.kit.pickup.made import (
    Keys,
    MadePickup,
    built_from,
    built_names,
    catalogue_keys,
    flatten,
    made_from,
    nest,
)
from labkit.app.pages.winding.controls import coil_names, state_flanges
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet, sheet_text
from labkit.pickup.predict.built import read_build
from labkit.pickup.predict.sheet import is_build_sheet

_LONGEST_NAME = 120


def saved_sheet(made: MadePickup, name: str) -> str:
    """Return the text of a pickup sheet, flange stated.

    Parameters
    ----------
    made : MadePickup
    name : str
        What the sheet calls the pickup.

    Raises
    ------
    InputError
        If the turns do not fit their bobbin: nobody could wind it.
    """
    keys: Keys = state_flanges(made.sheet) | {"name": name[:_LONGEST_NAME]}
    text = sheet_text("pickup", nest(keys))
    try:
        read_build(parse_sheet(text, "the sheet", kinds=["pickup"]))
    except InputError as error:
        raise InputError(f"Not saved: {str(error).removeprefix('the sheet: ')}") from None
    return text


def winding_paper(made: MadePickup, name: str, date: str) -> str:
    """Return the winder's paper of a pickup as a page to print: turns, traverse, target resistance, field, cautions.

    Raises
    ------
    InputError
        If the turns do not fit their bobbin.
    """
    from labkit.report.paper_page import PaperHead
    from labkit.report.sheet_paper import pickup_paper_html  # brings the bench's models along

    return pickup_paper_html(
        parse_sheet(saved_sheet(made, name), "the sheet", kinds=["pickup"]), "build", head=PaperHead(date=date)
    )


def open_sheet_text(text: str, where: str) -> MadePickup:
    """Return the pickup of a sheet from outside.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        The file's name, for messages.

    Raises
    ------
    InputError
        If it is no sheet of a pickup's build, with the key and the remedy.
    """
    table = parse_sheet(text, where, kinds=["pickup"])
    if not is_build_sheet(table):
        raise InputError(
            f"{where}: this sheet gives the pickup by what it measures; choose it as a pickup on the Rig page. "
            "Here a coil needs `turns`, `wire` and the bobbin"
        )
    try:
        keys = flatten(table.data)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    given = [coil for coil in coil_names(keys) if f"coil.{coil}.turns" not in keys or f"coil.{coil}.resistance" in keys]
    if given:
        raise InputError(f"{where}: the {given[0]} coil is given by what it measures; only whole builds can be changed")
    made = made_from(_nearest(keys), keys)
    try:
        built_from(made)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    return made


def _nearest(keys: Keys) -> str:
    """The pickup of the catalogue that differs least, so that the address stays short."""

    def apart(name: str) -> int:
        other = catalogue_keys(name)
        return sum(1 for key in {*keys, *other} if keys.get(key) != other.get(key))

    return min(built_names(), key=apart, default="")
