"""``labkit catalogue``: what is there, from where, and what had to be left out."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from labkit.app.server.contents import WORDS, everything, plugin_problems, sheet_problems
from labkit.catalogue import Catalogue
from labkit.catalogue import catalogue as read_catalogue
from labkit.cli.main import CHECK_FAILED, DONE
from labkit.cli.options import emit, json_option, output_options
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import as_json_text
from labkit.plugins import Brought, plugins
from labkit.plugins.manager import user_folder
from labkit.rig.hum import POSITION_HEAD, position_table
from labkit.rig.rewiring import demo_rig


@click.command()
@click.argument("kind", required=False)
@click.argument("name", required=False)
@json_option
@output_options
@click.option("--plugins", "show_plugins", is_flag=True, help="Show what came from where, versions and load errors.")
@click.option("--check", is_flag=True, help="Read every sheet and fail if one cannot be used.")
def catalogue(
    kind: str | None, name: str | None, as_json: bool, output: Path | None, force: bool, show_plugins: bool, check: bool
) -> int:
    """List the catalogue: all kinds, the items of one KIND (pickup, harness, rig, cable …), or one item by NAME.

    A harness is shown with what each position of its switches does: what is heard, in which phase, hum and level.
    """
    found = read_catalogue()
    if kind is not None and kind not in found.kinds():
        raise InputError(f"the catalogue has no kind '{kind}'.{did_you_mean(kind, found.kinds())}")
    problems: tuple[str, ...] = found.problems
    if check:
        problems = (*found.check(), *plugin_problems())
    elif show_plugins:
        problems = (*plugin_problems(), *sheet_problems())
    if show_plugins:
        emit(_plugins_text(as_json), output, force)
    elif kind is not None and name is not None:
        data = _item_data(found, kind, name)
        emit(as_json_text(data) if as_json else _item_text(data), output, force)
    elif as_json:
        items = [
            {
                "kind": item.kind,
                "name": item.name,
                "summary": item.summary,
                "plugin": item.plugin,
                "file": item.path.name,
            }
            for item in found.items.values()
            if kind in (None, item.kind)
        ]
        emit(as_json_text(items), output, force)
    elif kind is None:
        lines = [f"{each:<12} {len(found.names(each)):>4}" for each in found.kinds()]
        emit("\n".join(["kind         items", *lines]), output, force)
    else:
        lines = []
        for each in found.names(kind):
            summary = found.item(kind, each).summary
            lines.append(f"{each}\n    {summary}" if summary else each)
        emit("\n".join(lines), output, force)
    for sentence in _wiring_warnings(found) if check else ():
        click.echo(f"labkit: warning: {sentence}", err=True)
    for problem in problems:
        click.echo(f"labkit: {problem}", err=True)
    return CHECK_FAILED if check and problems else DONE


def _wiring_warnings(found: Catalogue) -> Iterator[str]:
    """Faults of the wirings that can be read, which are no reason to leave them out."""
    for name in found.usable_names("harness"):
        try:
            rig = demo_rig(found.load("harness", name))
        except InputError:  # no pickup of the catalogue has the coils that it joins, so it cannot be tried
            continue
        yield from (f"{name}: {sentence}" for sentence in rig.warnings)


def _item_data(found: Catalogue, kind: str, name: str) -> dict[str, Any]:
    item = found.item(kind, name)
    data: dict[str, Any] = {
        "kind": item.kind,
        "name": item.name,
        "summary": item.summary,
        "plugin": item.plugin,
        "file": item.path.name,
    }
    if kind != "harness":
        return data
    rig = demo_rig(found.load("harness", name))
    keys = ("position", "heard", "phase", "hum", "level")
    return data | {
        "purpose": rig.harness.purpose,
        "pickups": {slot: pickup.name for slot, pickup in rig.pickups.items()},
        "positions": [dict(zip(keys, row)) for row in position_table(rig)],
        "warnings": list(rig.warnings),
    }


def _item_text(data: Mapping[str, Any]) -> str:
    lines = [data["name"], *_wrapped(data["summary"]), *_wrapped(data.get("purpose", ""))]
    if "positions" in data:
        shown = "; ".join(f"{slot.replace('_', ' ')}: {pickup}" for slot, pickup in data["pickups"].items())
        lines += ["", *_wrapped(f"with {shown}"), ""]
        rows = [POSITION_HEAD, *(tuple(row.values()) for row in data["positions"])]
        widths = [max(len(row[column]) for row in rows) for column in range(len(POSITION_HEAD))]
        lines += ["  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip() for row in rows]
        lines += ["", "  Levels with every pickup given the same EMF and the knobs at their usual places."]
        lines += [f"  Warning: {sentence}" for sentence in data["warnings"]]
    return "\n".join(lines)


def _wrapped(text: str) -> list[str]:
    """Lines of a text; a number and its per cent sign stay together."""
    held = text.replace(" %", "\u00a0%")
    lines = textwrap.wrap(held, 100, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]


def _plugins_text(as_json: bool) -> str:
    brought = everything()
    known = plugins()
    folders = [(name, str(folder)) for name, folder in known.folders()]
    counts = Counter(item.plugin for item in read_catalogue().items.values())
    if as_json:
        return as_json_text(
            {
                "plugins": [
                    {
                        "name": note.name,
                        "origin": note.origin,
                        "version": note.version,
                        "is_loaded": note.is_loaded,
                        "seconds": round(note.seconds, 3),
                        "items": counts[note.name],
                        "brings": _brings(note.name, brought),
                        "problems": note.problems,
                    }
                    for note in known.notes
                ],
                "folders": [{"plugin": name, "folder": folder, "items": counts[name]} for name, folder in folders],
            }
        )
    lines = ["plugin               from                 version    sheets  seconds  state"]
    for note in known.notes:
        state = "loaded" if note.is_loaded else "left out"
        if note.problems:
            state = f"{state}, with {len(note.problems)} problem{'s' * (len(note.problems) > 1)}"
        numbers = f"{counts[note.name]:>6}  {note.seconds:>7.2f}"
        lines.append(f"{note.name:<20} {note.origin:<20} {note.version:<10} {numbers}  {state}")
    for note in known.notes:
        parts = _brings(note.name, brought)
        if parts:
            lines += ["", f"{note.name} brings"]
            for hook, names in parts.items():
                text = f"{WORDS[hook]}: {', '.join(names)}"
                lines += textwrap.wrap(
                    text, 100, initial_indent="  ", subsequent_indent="      ", break_on_hyphens=False
                )
    lines += ["", "folders of sheets, first found wins"]
    lines += [f"  {name}: {folder}" for name, folder in folders]
    if not user_folder().is_dir():
        lines.append(f"  user folder, once it is there: {user_folder()}")
    return "\n".join(lines)


def _brings(plugin: str, brought: Mapping[str, Mapping[str, Brought]]) -> dict[str, list[str]]:
    found = {hook: [each.name for each in things.values() if each.plugin == plugin] for hook, things in brought.items()}
    return {hook: names for hook, names in found.items() if names}
