"""``labkit catalogue``: what is there, from where, and what had to be left out."""

from __future__ import annotations

from pathlib import Path

import click

from labkit.catalogue import catalogue as read_catalogue
from labkit.cli.main import CHECK_FAILED, DONE
from labkit.cli.options import as_json_text, emit, json_option, output_options
from labkit.core.errors import InputError, did_you_mean
from labkit.plugins import plugins


@click.command()
@click.argument("kind", required=False)
@json_option
@output_options
@click.option("--plugins", "show_plugins", is_flag=True, help="Show what came from where, versions and load errors.")
@click.option("--check", is_flag=True, help="Read every sheet and fail if one cannot be used.")
def catalogue(
    kind: str | None, as_json: bool, output: Path | None, force: bool, show_plugins: bool, check: bool
) -> int:
    """List the catalogue: all kinds, or the items of one KIND (pickup, harness, rig, cable …)."""
    found = read_catalogue()
    if kind is not None and kind not in found.kinds():
        raise InputError(f"the catalogue has no kind '{kind}'.{did_you_mean(kind, found.kinds())}")
    problems = found.check() if check else found.problems
    if show_plugins:
        emit(_plugins_text(as_json), output, force)
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
        lines = [f"{name:<12} {len(found.names(name)):>4}" for name in found.kinds()]
        emit("\n".join(["kind         items", *lines]), output, force)
    else:
        lines = []
        for name in found.names(kind):
            summary = found.item(kind, name).summary
            lines.append(f"{name}\n    {summary}" if summary else name)
        emit("\n".join(lines), output, force)
    for problem in problems:
        click.echo(f"labkit: left out: {problem}", err=True)
    return CHECK_FAILED if check and problems else DONE


def _plugins_text(as_json: bool) -> str:
    known = plugins()
    folders = [(name, str(folder)) for name, folder in known.folders()]
    counts: dict[str, int] = {}
    for item in read_catalogue().items.values():
        counts[item.plugin] = counts.get(item.plugin, 0) + 1
    if as_json:
        return as_json_text(
            {
                "plugins": [
                    {
                        "name": n.name,
                        "origin": n.origin,
                        "version": n.version,
                        "items": counts.get(n.name, 0),
                        "problem": n.problem,
                    }
                    for n in known.notes
                ],
                "folders": [{"plugin": name, "folder": folder} for name, folder in folders],
            }
        )
    lines = ["plugin         from            version    items  state"]
    for note in known.notes:
        state = note.problem or "loaded"
        lines.append(f"{note.name:<14} {note.origin:<15} {note.version:<10} {counts.get(note.name, 0):>5}  {state}")
    lines += ["", "folders of sheets, first found wins"]
    lines += [f"  {name}: {folder}" for name, folder in folders]
    return "\n".join(lines)
