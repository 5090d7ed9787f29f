"""The explanations keep one form, name code that exists, and print numbers that the code gives."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

from tests.docs.explained_numbers import CLAIMS

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "explanation"
OF_NO_MODEL = {"index", "robustness", "mended-answers"}
PAGES = sorted(page for page in FOLDER.glob("*.md") if page.stem not in OF_NO_MODEL)
PARTS = ("The question", "What is taken for granted", "How far to trust it", "Not modelled", "Sources", "In the code")


def plain(page: Path) -> str:
    """The page in one line, so that a line's end does not hide a number."""
    return " ".join(page.read_text(encoding="utf-8").split())


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_an_explanation_has_every_part(page):
    heads = re.findall(r"^## (.+)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert [head for head in heads if head in PARTS] == list(PARTS), "parts are missing or out of order"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_code_that_an_explanation_names_is_there(page):
    for name in re.findall(r"`(labkit\.[a-z_.]+[a-z_])`", page.read_text(encoding="utf-8")):
        importlib.import_module(name)


def test_every_page_is_on_the_index():
    index = (FOLDER / "index.md").read_text(encoding="utf-8")
    assert {page.name for page in PAGES} <= set(re.findall(r"\]\(([a-z-]+\.md)\)", index))


@pytest.mark.parametrize("name", sorted(CLAIMS))
def test_numbers_on_an_explanation_are_those_of_the_code(name):
    text = plain(FOLDER / f"{name}.md")
    for claim in CLAIMS[name]():
        assert " ".join(claim.split()) in text, f"{name}.md does not say: {claim}"
