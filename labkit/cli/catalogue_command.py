"""``labkit catalogue``: what is there, from where, and what had to be left out."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

import click

from labkit.app.server.contents import WORDS, everything, plugin_problems, sheet_problems
from labkit.catalogue import Catalogue
from labkit.catalogue import catalogue as read_catalogue
from labkit.catalogue.catalogue import CatalogueItem
from labkit.cli.main import CHECK_FAILED, DONE
from labkit.cli.options import Output, result_options
from labkit.core.errors import InputError, did_you_mean
from labkit.plugins import Brought, plugins
from labkit.plugins.manager import user_folder
from labkit.rig.hum import POSITION_HEAD, position_table
from labkit.rig.rewiring import demo_rig


@click.command()
@click.argument("kind", required=False)
@click.argument("name", required=False)
@result_options()
@click.option("--plugins", "show_plugins", is_flag=True, help="Show what came from where, versions and load errors.")
@click.option("--check", is_flag=True, help="Read every sheet and fail if one cannot be used.")
def catalogue(kind: str | None, name: str | None, out: Output, show_plugins: bool, check: bool) -> int:
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
        data = _plugins_data()
        out.write(text=lambda: _plugins_text(data), data=lambda: data)
    elif kind is not None and name is not None:
        item = _item_data(found, kind, name)
        out.write(text=lambda: _item_text(item), data=lambda: item)
    else:
        items = [_summary(item) for item in found.items.values() if kind in (None, item.kind)]
        out.write(text=lambda: _list_text(found, kind), data=lambda: items)
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


def _list_text(found: Catalogue, kind: str | None) -> str:
    if kind is None:
        return "\n".join(["kind         items", *(f"{each:<12} {len(found.names(each)):>4}" for each in found.kinds())])
    summaries = {name: found.item(kind, name).summary for name in found.names(kind)}
    return "\n".join(f"{name}\n    {summary}" if summary else name for name, summary in summaries.items())


def _summary(item: CatalogueItem) -> dict[str, Any]:
    return {name: getattr(item, name) for name in ("kind", "name", "summary", "plugin")} | {"file": item.path.name}


def _item_data(found: Catalogue, kind: str, name: str) -> dict[str, Any]:
    data = _summary(found.item(kind, name))
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


def _plugins_data() -> dict[str, Any]:
    brought, known = everything(), plugins()
    counts = Counter(item.plugin for item in read_catalogue().items.values())
    return {
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
        "folders": [{"plugin": name, "folder": str(folder), "items": counts[name]} for name, folder in known.folders()],
    }


def _plugins_text(data: Mapping[str, Any]) -> str:
    lines = ["plugin               from                 version    sheets  seconds  state"]
    for note in data["plugins"]:
        state = "loaded" if note["is_loaded"] else "left out"
        if note["problems"]:
            state = f"{state}, with {len(note['problems'])} problem{'s' * (len(note['problems']) > 1)}"
        numbers = f"{note['items']:>6}  {note['seconds']:>7.2f}"
        lines.append(f"{note['name']:<20} {note['origin']:<20} {note['version']:<10} {numbers}  {state}")
    for note in data["plugins"]:
        if note["brings"]:
            lines += ["", f"{note['name']} brings"]
        for hook, names in note["brings"].items():
            text = f"{WORDS[hook]}: {', '.join(names)}"
            lines += textwrap.wrap(text, 100, initial_indent="  ", subsequent_indent="      ", break_on_hyphens=False)
    lines += ["", "folders of sheets, first found wins"]
    lines += [f"  {each['plugin']}: {each['folder']}" for each in data["folders"]]
    if not user_folder().is_dir():
        lines.append(f"  user folder, once it is there: {user_folder()}")
    return "\n".join(lines)


def _brings(plugin: str, brought: Mapping[str, Mapping[str, Brought]]) -> dict[str, list[str]]:
    found = {hook: [each.name for each in things.values() if each.plugin == plugin] for hook, things in brought.items()}
    return {hook: names for hook, names in found.items() if names}
