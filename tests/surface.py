"""What people and programs rely on, as lists: public names, commands, hooks, pages, sheet keys, JSON keys.

    python -m tests.surface

adds what is new to ``surface.toml``. Nothing leaves that file but by hand, with a line in the changelog.
"""

from __future__ import annotations

import contextlib
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import click
import tomli_w

from docs.tools.json_keys import MEANINGS
from labkit import __all__ as public_names
from labkit.catalogue import catalogue
from labkit.cli.main import labkit as command_line
from labkit.core.errors import LabkitError
from labkit.core.sheet import Table, parse_sheet
from labkit.plugins.manager import HOOKS

ROOT = Path(__file__).parents[1]
KEPT = Path(__file__).with_name("surface.toml")
SHEETS_PAGE = ROOT / "docs" / "reference" / "sheets.md"


def surface() -> dict[str, list[str]]:
    """Return every list, sorted."""
    meanings = tomllib.loads(MEANINGS.read_text(encoding="utf-8"))
    return {
        "public names": sorted(public_names),
        "commands": sorted(_commands(command_line, "labkit")),
        "hooks": sorted(HOOKS),
        "pages": sorted(path.stem for path in (ROOT / "dashboards").glob("*.ipynb")),
        "sheet keys": sorted(_sheet_keys()),
        "json keys": sorted(f"{run}: {key}" for run, keys in meanings.items() for key in keys),
    }


def _commands(command: click.Command, name: str) -> Iterator[str]:
    """Yield every command with each of its arguments and options."""
    for parameter in command.params:
        for written in (*parameter.opts, *parameter.secondary_opts):
            yield f"{name} {written}"
    if isinstance(command, click.Group):
        context = click.Context(command)
        for each in command.list_commands(context):
            found = command.get_command(context, each)
            assert found is not None
            yield from _commands(found, f"{name} {each}")


def _sheet_keys() -> set[str]:
    """Return the keys that readers ask for while every sheet of the catalogue and of the documentation is read."""
    tables: list[Table] = []
    parents_of_names: set[str] = set()
    make, each = Table.__init__, Table.each

    def remembered(self: Table, *arguments: object, **options: object) -> None:
        make(self, *arguments, **options)  # type: ignore[arg-type]
        tables.append(self)

    def named(self: Table, key: str, *default: object) -> Iterator[tuple[str, Table]]:
        parents_of_names.add(f"{self.path}.{key}".lstrip("."))
        return each(self, key, *default)

    with mock.patch.object(Table, "__init__", remembered), mock.patch.object(Table, "each", named):
        found = catalogue()
        for kind in found.kinds():
            for name in found.names(kind):
                with contextlib.suppress(LabkitError):  # whether it can be used is for other tests
                    found.readers[kind](found.item(kind, name).table())
        for text in re.findall(r"```toml\n(.*?)```", SHEETS_PAGE.read_text(encoding="utf-8"), flags=re.DOTALL):
            table = parse_sheet(text, "the page of sheets")
            found.readers[table.data["sheet"]](table)
    keys = set()
    kinds: dict[str, str] = {}
    for table in tables:
        if "sheet" in table.data:
            kinds[table.where] = str(table.data["sheet"])
        path = re.sub(r"\[\d+\]", "[]", table.path)
        for parent in parents_of_names:
            path = re.sub(rf"^{re.escape(parent)}\.[^.]+", f"{parent}.NAME", path)
        if path.startswith("entry") or table.asked.keys() == {"entry"}:
            continue  # asked once a process, when the catalogue is collected
        kind = kinds.get(table.where, "")
        keys |= {f"{kind}: {'.'.join(part for part in (path, key) if part)}" for key in table.asked if key != "entry"}
    return keys


def main() -> None:
    """Write the lists with whatever is new in them."""
    kept = tomllib.loads(KEPT.read_text(encoding="utf-8")) if KEPT.is_file() else {}
    lists = {name: sorted({*kept.get(name, ()), *found}) for name, found in surface().items()}
    KEPT.write_text(tomli_w.dumps(lists), encoding="utf-8")


if __name__ == "__main__":
    main()
