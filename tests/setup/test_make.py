"""The two commands of a fresh machine do what the README promises, and nothing twice."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

STAND_IN = """#!/bin/sh
# Stands in for python3 and for what pip would put beside it: writes down how it was called.
echo "$(basename "$0") $*" >> "{log}"
case "$*" in
    *"-m venv"*)
        for last; do :; done
        mkdir -p "$last/bin"
        for name in python labkit ruff lint-imports mypy; do cp "$0" "$last/bin/$name"; done ;;
esac
"""


@pytest.fixture
def fresh(project_root: Path, tmp_path: Path) -> Path:
    """A folder with the files that the targets read, and a stand-in for python3."""
    if shutil.which("make") is None:
        pytest.skip("install make to run this")
    for name in ("Makefile", "pyproject.toml", "constraints.txt"):
        shutil.copy(project_root / name, tmp_path)
    stand_in = tmp_path / "python3"
    stand_in.write_text(STAND_IN.format(log=tmp_path / "calls"), encoding="utf-8")
    stand_in.chmod(0o755)
    return tmp_path


def calls_of(folder: Path, target: str) -> list[str]:
    """Run a target and return the commands it called, in order."""
    log = folder / "calls"
    log.unlink(missing_ok=True)
    done = subprocess.run(
        ["make", target, f"PYTHON={folder / 'python3'}"], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return log.read_text(encoding="utf-8").splitlines() if log.exists() else []


def installs(calls: list[str]) -> list[str]:
    return [call for call in calls if "pip install" in call]


def test_make_lab_creates_installs_and_opens(fresh: Path) -> None:
    calls = calls_of(fresh, "lab")
    assert any("-m venv .venv" in call for call in calls)
    assert len(installs(calls)) == 1
    assert "--constraint constraints.txt" in installs(calls)[0]
    assert "test" not in installs(calls)[0]
    assert calls[-1] == "labkit open"


def test_a_second_make_lab_only_opens(fresh: Path) -> None:
    calls_of(fresh, "lab")
    assert calls_of(fresh, "lab") == ["labkit open"]


def test_make_test_alone_creates_what_it_needs_and_runs_every_check(fresh: Path) -> None:
    calls = calls_of(fresh, "test")
    assert any("-m venv .venv" in call for call in calls)
    assert ".[test]" in installs(calls)[0]
    checks = [call for call in calls if call.split()[0] in {"ruff", "lint-imports", "mypy"} or "-m pytest" in call]
    assert [check.split()[0] for check in checks] == ["ruff", "ruff", "lint-imports", "mypy", "python"]
    assert installs(calls_of(fresh, "test")) == []


def test_make_mutants_plants_the_list_of_faults(fresh: Path) -> None:
    calls = calls_of(fresh, "mutants")
    assert ".[test]" in installs(calls)[0]
    assert calls[-1].split() == ["python", "-m", "tests.mutants", "--workers", "2"]


def test_make_lab_after_make_test_installs_nothing(fresh: Path) -> None:
    calls_of(fresh, "test")
    assert calls_of(fresh, "lab") == ["labkit open"]


def test_a_changed_pin_installs_again(fresh: Path) -> None:
    calls_of(fresh, "lab")
    later = (fresh / ".venv" / ".lab-installed").stat().st_mtime + 2
    os.utime(fresh / "constraints.txt", (later, later))
    assert len(installs(calls_of(fresh, "lab"))) == 1


def test_an_old_python_is_refused_with_a_sentence(fresh: Path) -> None:
    old = fresh / "old"
    old.write_text("#!/bin/sh\nexit 1\n", encoding="utf-8")
    old.chmod(0o755)
    done = subprocess.run(["make", "lab", f"PYTHON={old}"], cwd=fresh, capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "needs Python 3.11 or newer" in done.stderr


def test_make_clean_removes_the_environment(fresh: Path) -> None:
    calls_of(fresh, "lab")
    calls_of(fresh, "clean")
    assert not (fresh / ".venv").exists()
    assert (fresh / "pyproject.toml").exists()
