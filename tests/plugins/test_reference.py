"""The pages about plugins say what the code says."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from labkit.plugins.manager import HOOKS
from labkit.plugins.reference import hook_reference
from labkit.sound.take.sheet import load_take
from labkit.testing import CONTRACTS
from tests.plugins.packages import installed, lay_out
from tests.plugins.samples import EXAMPLE


@pytest.fixture
def pages(project_root: Path) -> Path:
    """Folder of the pages about plugins."""
    return project_root / "docs" / "plugins"


def test_the_reference_of_hooks_is_fresh(pages):
    written = (pages / "hooks.md").read_text(encoding="utf-8")
    assert written == hook_reference(), "run: python -m labkit.plugins.reference > docs/plugins/hooks.md"


def test_the_reference_names_every_hook_with_what_it_returns(pages):
    text = (pages / "hooks.md").read_text(encoding="utf-8")
    assert re.findall(r"^## `(\w+)`", text, re.MULTILINE) == list(HOOKS)
    assert len(re.findall(r"^def labkit_\w+\(\) -> \S", text, re.MULTILINE)) == len(HOOKS)


def test_the_page_on_testing_names_every_contract(pages):
    text = (pages / "testing.md").read_text(encoding="utf-8")
    assert set(re.findall(r"`(check_\w+)`", text)) == {contract.__name__ for contract in CONTRACTS.values()}


def test_the_readme_of_the_example_names_every_hook():
    text = (EXAMPLE / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"`(labkit_\w+)`", text)) == set(HOOKS)


def blocks(text: str, language: str) -> list[str]:
    """Code of a page in one language."""
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def test_the_first_plugin_works_as_it_is_printed(pages, tmp_path):
    text = (pages / "first_plugin.md").read_text(encoding="utf-8")
    hooks, knock = blocks(text, "python")
    project = tomllib.loads(blocks(text, "toml")[1])
    ((name, module),) = project["project"]["entry-points"]["labkit"].items()
    (tmp_path / module).mkdir()
    (tmp_path / module / "__init__.py").write_text(hooks, encoding="utf-8")
    (tmp_path / module / "knock.py").write_text(knock, encoding="utf-8")
    with installed(lay_out(tmp_path, name)):
        assert load_take("knock").plucks[0].string == 6


def test_the_first_folder_works_as_it_is_printed(pages, tmp_path):
    text = (pages / "first_plugin.md").read_text(encoding="utf-8")
    (tmp_path / "cable.toml").write_text(blocks(text, "toml")[0], encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", "from labkit.cli.main import main; main()", "catalogue", "cable", "--check"],
        env={"LABKIT_CATALOGUE": str(tmp_path), "HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "bench lead" in done.stdout


@pytest.mark.parametrize("page", ["first_plugin.md", "testing.md", "stability.md", "hooks.md"])
def test_links_between_the_pages_lead_somewhere(pages, page):
    text = (pages / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert (pages / target).is_file(), target
