"""The wheel in an empty environment on every Python that can be had here: ``python -m tests.setup.pythons``.

Everything that labkit declares is installed from the package registry, as a user would have it; that takes minutes a
Python, so the tests do it with what the solver needs alone.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.setup.installation import build_wheel

ROOT = Path(__file__).parents[2]
MINORS = (11, 12, 13, 14)
"""Of Python 3: those that are said to work."""

SOLVER = ("click", "numpy", "platformdirs", "pluggy", "tomli-w")


def interpreters() -> dict[int, Path]:
    """The first working Python of each minor version, on the path or kept by a version manager."""
    found: dict[int, Path] = {}
    for minor in MINORS:
        for path in _places(minor):
            command = [str(path), "-c", "import sys, venv, ensurepip; print(sys.version_info[1])"]
            done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
            if done.returncode == 0 and done.stdout.strip() == str(minor):
                found[minor] = path
                break
    return found


def _places(minor: int) -> Iterator[Path]:
    if on_path := shutil.which(f"python3.{minor}"):
        yield Path(on_path)
    kept = Path(os.environ.get("PYENV_ROOT", Path("~/.pyenv").expanduser())) / "versions"
    yield from sorted(kept.glob(f"3.{minor}.*/bin/python3"), reverse=True)


def install_on(python: Path, wheel: Path, folder: Path, packages: Sequence[str] | None = None) -> Path:
    """Install a wheel into an empty environment, with all that it needs or with these packages alone.

    Returns
    -------
    Path
        Of the environment's programs.

    Raises
    ------
    subprocess.SubprocessError
        If the registry is out of reach, or something cannot be installed.
    """
    environment = folder / "environment"
    subprocess.run([str(python), "-m", "venv", str(environment)], check=True, capture_output=True, timeout=120)
    pip = [str(environment / "bin" / "python"), "-m", "pip", "install", "--quiet", "-c", str(ROOT / "constraints.txt")]
    # make names its constraints by a path that means nothing in another folder
    variables = {name: value for name, value in os.environ.items() if not name.endswith("_CONSTRAINT")}
    for what in [[str(wheel)]] if packages is None else [["--no-deps", str(wheel)], packages]:
        subprocess.run([*pip, *what], check=True, capture_output=True, cwd=folder, env=variables, timeout=1800)
    return environment / "bin"


def main() -> int:
    """Install and try the wheel on each; the exit code says whether all of them work."""
    failed = 0
    found = interpreters()
    with tempfile.TemporaryDirectory() as temporary:
        wheel = build_wheel(ROOT, Path(temporary))
        for minor in MINORS:
            if minor not in found:
                print(f"Python 3.{minor}: none here")
                continue
            folder = Path(temporary, str(minor))
            folder.mkdir()
            programs = install_on(found[minor], wheel, folder)
            for command in (
                ("python", "-m", "pip", "check"),
                ("labkit", "cases", "--summary"),
                ("labkit", "--version"),
            ):
                done = subprocess.run([str(programs / command[0]), *command[1:]], cwd=folder, check=False)
                failed |= done.returncode
            shutil.rmtree(folder)
    return failed


if __name__ == "__main__":
    sys.exit(main())
