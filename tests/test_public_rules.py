"""Rules that hold for every tracked file, so that what is published can be read and used anywhere."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

# Written in pieces, so that this file does not break its own rules.
MACHINE_PATH = re.compile(r"(?<![\w.~-])/(?:" + "|".join(["home", "root", "Users", "work", "tmp", "opt"]) + r")/\w")
REGISTRY_HOST = re.compile(
    "|".join([r"pypi\.", r"pythonhosted\.", r"npmjs\.", r"registry\.", r"conda\.", r"anaconda\.", r"unpkg\."]) + r"\w",
    re.IGNORECASE,
)
TOP_LEVEL = [
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "LICENSE",
    "pyproject.toml",
    "constraints.txt",
    "Makefile",
    ".ci/run",
    "labkit",
    "dashboards",
    "tests",
    "reference_cases",
    "docs/nomenclature.md",
    "docs/decisions",
]


def tracked_files() -> list[Path]:
    try:
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
        files = [ROOT / name for name in listed.split("\0") if name]
    except (OSError, subprocess.CalledProcessError):
        # An unpacked archive has no history; then everything but what is built or hidden counts.
        files = [path for path in ROOT.rglob("*") if not _is_built(path.relative_to(ROOT))]
    return [path for path in files if path.is_file()]


def _is_built(path: Path) -> bool:
    return any(part in {"build", "dist", "__pycache__"} or part.startswith(".") for part in path.parts[:-1])


FILES = tracked_files()


def lines_of_text() -> list[tuple[str, int, str]]:
    lines = []
    for path in FILES:
        content = path.read_bytes()
        if b"\0" not in content[:4096]:
            name = path.relative_to(ROOT).as_posix()
            lines += [(name, number, line) for number, line in enumerate(content.decode("utf-8").splitlines(), 1)]
    return lines


LINES = lines_of_text()


def test_there_is_something_to_check() -> None:
    assert len(FILES) > 50
    assert len(LINES) > 5000


def test_every_text_file_is_utf_8_and_names_no_path_of_one_machine() -> None:
    found = [f"{name}:{number}: {line.strip()[:80]}" for name, number, line in LINES if MACHINE_PATH.search(line)]
    assert not found, "paths of one machine:\n" + "\n".join(found)


def test_no_file_names_a_package_registry() -> None:
    found = [f"{name}:{number}: {line.strip()[:80]}" for name, number, line in LINES if REGISTRY_HOST.search(line)]
    found = [line for line in found if not line.startswith("tests/test_public_rules.py:")]
    assert not found, "hosts of package registries:\n" + "\n".join(found)


@pytest.mark.parametrize("name", TOP_LEVEL)
def test_the_repository_has_its_layout(name: str) -> None:
    assert any(path == ROOT / name or ROOT / name in path.parents for path in FILES), f"{name} is not tracked"


def test_no_module_is_a_drawer_for_leftovers() -> None:
    assert not [path.name for path in FILES if path.name in {"utils.py", "helpers.py", "misc.py", "common.py"}]


def test_the_changelog_has_an_unreleased_section() -> None:
    assert re.search(r"^## .*unreleased", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.I | re.M)


def test_measured_sweeps_of_others_are_not_published() -> None:
    measured = ROOT.parent / "shared" / "measured"
    theirs = {path.name for path in measured.glob("*.csv")} if measured.is_dir() else set()
    assert not [path.name for path in FILES if path.name in theirs]


def test_every_dependency_is_pinned() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *(name for extra in project["optional-dependencies"].values() for name in extra),
    ]
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    assert all(re.fullmatch(r"[\w.-]+==[\w.+!]+", pin) for pin in pins), "one name==version a line"
    pinned = {_normal(pin.split("==")[0]) for pin in pins}
    missing = [name for name in wanted if _normal(re.split(r"[\s<>=!~;\[]", name)[0]) not in pinned]
    assert not missing, f"add to constraints.txt: {missing}"


def test_every_dependency_says_what_it_is_for() -> None:
    lines = (ROOT / "pyproject.toml").read_text(encoding="utf-8").splitlines()
    listed = lines[lines.index("dependencies = [") : lines.index("[project.scripts]")]
    names = [line for line in listed if line.startswith('    "')]
    assert len(names) > 40
    assert not [line for line in names if not re.fullmatch(r'    "[\w-]+",  # \w.+', line)]


def _normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def test_every_folder_of_tests_is_a_package() -> None:
    """Else two test files of one name in two folders could not both be collected."""
    folders = {path.parent for path in FILES if path.name.startswith("test_") and path.suffix == ".py"}
    assert not [folder.relative_to(ROOT).as_posix() for folder in folders if not (folder / "__init__.py").exists()]


def test_the_continuous_integration_script_can_be_run() -> None:
    script = ROOT / ".ci" / "run"
    assert script.stat().st_mode & 0o111
    assert "LABKIT_REQUIRE_TOOLS=1" in script.read_text(encoding="utf-8")
