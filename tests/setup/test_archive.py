"""What the source archive holds, and that every file that states a version states the same."""

from __future__ import annotations

import re
import tarfile
import tomllib
from pathlib import Path

from hatchling.builders.sdist import SdistBuilder

import labkit

ROOT = Path(__file__).resolve().parents[2]
RECIPE = ROOT / ".ci" / "conda" / "meta.yaml"


def test_the_source_archive_can_be_tested_and_read(tmp_path):
    (archive,) = SdistBuilder(str(ROOT)).build(directory=str(tmp_path))
    with tarfile.open(archive) as packed:
        names = {name.partition("/")[2] for name in packed.getnames()}
    wanted = (
        "pyproject.toml",
        "constraints.txt",
        "Makefile",
        ".ci/run",
        "DEVELOPERS.md",
        "SECURITY.md",
        "CITATION.cff",
    )
    assert set(wanted) <= names
    assert {
        "tests/conftest.py",
        "docs/index.md",
        "examples/light_control/pyproject.toml",
        "labkit/__init__.py",
    } <= names
    assert not [name for name in names if "__pycache__" in name or name.startswith((".venv", "build/", "dist/"))]


def test_every_file_states_the_same_version():
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    cited = re.search(r"^version: (\S+)$", (ROOT / "CITATION.cff").read_text(encoding="utf-8"), re.MULTILINE)
    assert cited is not None
    recipe = re.search(r'^  version: "(\S+)"$', RECIPE.read_text(encoding="utf-8"), re.MULTILINE)
    assert recipe
    assert stated == labkit.__version__ == cited[1] == recipe[1]


def test_the_conda_recipe_asks_for_what_the_package_asks_for():
    wanted = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    _, _, run = RECIPE.read_text(encoding="utf-8").partition("  run:\n")
    named = re.findall(r"^    - (\S+)$", run.partition("\ntest:")[0], re.MULTILINE)
    other = {"matplotlib": "matplotlib-base", "soundfile": "pysoundfile"}
    assert named == [other.get(name, name) for name in wanted]
