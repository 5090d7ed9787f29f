"""The generated half of the reference says what commands, catalogue and cases are today."""

from __future__ import annotations

import inspect
import re

import pytest

from docs.tools import (
    book_page,
    cases_page,
    catalogue_page,
    commands,
    figures,
    json_keys,
    keys_page,
    output_page,
    ranges_page,
)
from docs.tools.tables import Notes, cell_text, table
from labkit.cases.runner import load_cases
from labkit.cli.main import COMMANDS, labkit
from tests.docs.alike import alike

CASES = "run python -m docs.tools.cases_page"


@pytest.mark.parametrize(
    "page",
    [book_page, commands, catalogue_page, keys_page, ranges_page],
    ids=["book", "commands", "catalogue", "keys", "ranges"],
)
def test_a_reference_page_is_fresh(page):
    assert page.PAGE.read_text(encoding="utf-8") == page.generate(), f"run python -m {page.__name__}"


def test_the_page_of_json_keys_and_their_schemas_are_fresh():
    for path, text in ((json_keys.PAGE, json_keys.generate()), (json_keys.SCHEMAS, json_keys.schemas())):
        assert path.read_text(encoding="utf-8") == text, "run python -m docs.tools.json_keys"


def test_the_page_of_reference_cases_is_fresh():
    written, generated = cases_page.PAGE.read_text(encoding="utf-8"), cases_page.generate()
    for old, new in zip(written.splitlines(), generated.splitlines(), strict=False):
        # a result may round the other way on another machine; shares of a tolerance come in steps of 5 %
        assert old == new or alike(old, new, tolerance=5.0), f"{CASES}: {new[:120]}"
    assert len(written.splitlines()) == len(generated.splitlines()), CASES


def test_the_tables_of_output_are_fresh():
    written, generated = output_page.PAGE.read_text(encoding="utf-8"), output_page.generate()
    for old, new in zip(written.splitlines(), generated.splitlines(), strict=True):
        # rounding of the last digit may go the other way on another machine
        assert old == new or alike(old, new, tolerance=1.01), f"run python -m docs.tools.output_page: {new[:120]}"


def test_the_figures_of_the_explanations_are_fresh():
    generated = figures.generate()
    for path, text in generated.items():
        assert path.is_file(), f"{path.name} is missing: run python -m docs.tools.figures"
        # a fifth of a pixel: rounding of coordinates, and of numbers in words
        assert alike(path.read_text(encoding="utf-8"), text, tolerance=0.2), (
            f"{path.name}: python -m docs.tools.figures"
        )
    assert set(figures.FOLDER.glob("*.svg")) == set(generated), (
        "figures that are gone: run python -m docs.tools.figures"
    )


def test_every_model_with_cases_has_an_explanation():
    for model in {case.model for case in load_cases()}:
        page = cases_page.PAGES.get(model)
        assert page, f"give the model '{model}' a page in docs/tools/cases_page.py"
        assert (cases_page.PAGE.parents[1] / "explanation" / f"{page}.md").is_file(), page


def test_commands_that_can_fail_a_check_are_those_the_page_names():
    """Exit code 1 is returned in plain sight: by its name, or as ``else 1``."""
    found = {name: labkit.get_command(None, name) for name in COMMANDS}
    for name, command in list(found.items()):
        found |= {f"{name} {part}": one for part, one in getattr(command, "commands", {}).items()}
    can_fail = {
        name
        for name, command in found.items()
        if re.search(r"\bCHECK_FAILED\b|\belse 1$", inspect.getsource(command.callback), flags=re.MULTILINE)
    }
    assert can_fail == set(commands.FAILS)


def test_every_command_with_json_is_run_for_the_page_of_keys():
    run = {
        arguments[:2] if arguments[0] == "blind" else arguments[:1]
        for runs in json_keys.RUNS.values()
        for arguments in runs
    }
    for name in COMMANDS:
        command = labkit.get_command(None, name)
        found = (
            {(name, sub): command.commands[sub] for sub in command.commands} if name == "blind" else {(name,): command}
        )
        for path, each in found.items():
            if any("--json" in parameter.opts for parameter in each.params):
                assert path in run, path


def test_tables_keep_every_text_in_its_cell():
    shown = table(("a|b", "c"), [("one\ntwo", "$x$ <b>")], right=(1,))
    assert shown.splitlines() == ["| a\\|b | c |", "|---|---:|", "| one two | \\$x\\$ &lt;b> |"]
    assert cell_text("plain") == "plain"


def test_equal_notes_share_a_number():
    notes = Notes()
    assert [notes.mark("one"), notes.mark("two"), notes.mark("one")] == ["[1]", "[2]", "[1]"]
    assert notes.text() == "1. one\n2. two"
