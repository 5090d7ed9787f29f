"""Regenerates every generated page and figure of the documentation: python -m docs.tools."""

from __future__ import annotations

from pathlib import Path

from docs.tools import (
    api,
    book_page,
    builds_page,
    cases_page,
    catalogue_page,
    commands,
    figures,
    json_keys,
    keys_page,
    output_page,
    ranges_page,
    wirings,
)
from labkit.plugins.reference import hook_reference

HOOKS = Path(__file__).resolve().parents[1] / "plugins" / "hooks.md"


def main() -> None:
    """Write all of it."""
    pages = (
        api,
        book_page,
        builds_page,
        cases_page,
        catalogue_page,
        commands,
        keys_page,
        output_page,
        ranges_page,
    )
    for page in pages:
        page.PAGE.write_text(page.generate(), encoding="utf-8")
    HOOKS.write_text(hook_reference(), encoding="utf-8")
    json_keys.write()
    wirings.main()
    figures.main()


if __name__ == "__main__":
    main()
