"""The README as a package index shows it, which has none of the files beside it: words stay where links pointed.

The build backend calls this (``[tool.hatch.metadata.hooks.custom]``), so nothing but the standard library and the
backend is imported.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from hatchling.metadata.plugin.interface import MetadataHookInterface


def without_neighbours(text: str) -> str:
    """Drop pictures and take links to files of the checkout for their words; links to addresses stay.

    >>> without_neighbours("See [the first hour](docs/first.md) ![a page](a.png)or [this](https://example.org).")
    'See the first hour or [this](https://example.org).'
    """
    text = re.sub(r"!\[[^\]]*\]\((?!https:)[^)]*\)\n*", "", text)
    return re.sub(r"\[([^\]]*)\]\((?!https:|#)[^)]*\)", r"\1", text)


class IndexReadme(MetadataHookInterface):
    """Puts that text into the package."""

    def update(self, metadata: dict[str, Any]) -> None:
        """Set the readme."""
        text = (Path(self.root) / "README.md").read_text(encoding="utf-8")
        metadata["readme"] = {"content-type": "text/markdown", "text": without_neighbours(text)}
