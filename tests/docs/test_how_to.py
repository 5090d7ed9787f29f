"""The tutorial and the answers name what is on the pages; every answer says what to look for and what is left out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from labkit.app.kit.rig.controls import rig_controls
from labkit.rig.sheet import load_rig

ROOT = Path(__file__).resolve().parents[2]
ANSWERS = [page for page in sorted((ROOT / "docs" / "how-to").glob("*.md")) if page.name != "index.md"]
TUTORIAL = ROOT / "docs" / "tutorial" / "first_hour.md"
SHOWN_IN = (
    "labkit/app/**/*.py",
    "labkit/view/**/*.py",
    "labkit/report/*.py",
    "labkit/data/voila/**/*.j*",
    "dashboards/*.ipynb",
)
NAMED = re.compile(r"(?<!\*)\*([A-Z0-9][^*]*)\*(?!\*)")
QUESTION = re.compile(r"^## (.*)$", flags=re.MULTILINE)


def prose(page: Path) -> str:
    return re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)


def questions(page: Path) -> dict[str, str]:
    _, *parts = QUESTION.split(page.read_text(encoding="utf-8"))
    return dict(zip(parts[::2], parts[1::2], strict=True))


@pytest.fixture(scope="module")
def on_the_pages() -> str:
    """What the sources of pages and papers say, and the labels that are put together from the parts of a rig."""
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    labels = [control.label for control in rig_controls(rig, rig_names=(rig.name,))]
    texts = [path.read_text(encoding="utf-8") for pattern in SHOWN_IN for path in sorted(ROOT.glob(pattern))]
    return " ".join("\n".join([*labels, *texts]).split())


@pytest.mark.parametrize("page", [TUTORIAL, *ANSWERS], ids=lambda page: page.stem)
def test_what_a_page_of_the_lab_is_said_to_show_is_there(page, on_the_pages):
    """A phrase in italics with a capital is something that the reader finds on a page of the lab or on a paper."""
    named = {" ".join(phrase.split()) for phrase in NAMED.findall(prose(page))}
    assert named, "nothing is looked for: is the pattern right?"
    assert {phrase for phrase in named if phrase not in on_the_pages} == set()


@pytest.mark.parametrize("page", ANSWERS, ids=lambda page: page.stem)
def test_every_answer_has_a_command_what_to_look_for_and_what_is_not_modelled(page):
    for question, answer in questions(page).items():
        assert "```sh\n" in answer or "```python\n" in answer, question
        for due in ("**Look for**", "**Not modelled"):
            assert due in " ".join(answer.split()), f"{question}: {due}"


@pytest.mark.parametrize("page", ANSWERS, ids=lambda page: page.stem)
def test_every_page_of_answers_leads_to_the_cautions_first(page):
    assert "(../cautions.md)" in prose(page).partition("## ")[0]


def test_the_list_of_questions_leads_to_every_page():
    index = (ROOT / "docs" / "how-to" / "index.md").read_text(encoding="utf-8")
    for page in ANSWERS:
        assert f"({page.name})" in index
