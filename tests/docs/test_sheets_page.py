"""Every sheet shown on the page of sheets is read by the reader of its kind."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from labkit.catalogue import catalogue
from labkit.core.sheet import parse_sheet

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "reference" / "sheets.md").read_text(encoding="utf-8")
LINKED = [*sorted(ROOT.glob("docs/**/*.md")), ROOT / "README.md", ROOT / "DEVELOPERS.md"]
SHEETS = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)


@pytest.mark.parametrize("text", SHEETS, ids=[re.search(r'name = "(.*?)"', text)[1] for text in SHEETS])
def test_a_sheet_of_the_page_is_read(text):
    table = parse_sheet(text, "the page of sheets")
    assert catalogue().readers[table.data["sheet"]](table) is not None


def test_the_page_names_every_kind_of_sheet():
    for kind in catalogue().readers:
        assert f"`{kind}`" in PAGE or f'sheet = "{kind}"' in PAGE, kind


@pytest.mark.parametrize("page", LINKED, ids=lambda page: page.name)
def test_links_of_a_page_lead_somewhere(page):
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)#\s]+)", text):
        if not target.startswith(("http:", "https:", "mailto:")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"
