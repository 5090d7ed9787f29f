"""An environment that holds the built wheel and what it declares to need, and nothing of the checkout or its tests.

Installing everything from a registry would take a minute and need a network. Instead the declared dependencies, found
by following the requirements of the wheel, are linked file by file from the environment the tests run in. A package
that the wheel uses but does not declare is therefore missing, as it would be for a user.
"""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import venv
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement


@dataclass(frozen=True)
class Installation:
    """The environment, and an empty folder outside the checkout to run it in."""

    environment: Path
    folder: Path

    def variables(self) -> dict[str, str]:
        """Variables of a fresh login: no path into the checkout, an empty home."""
        return {
            "PATH": f"{self.environment / 'bin'}{os.pathsep}{os.defpath}",
            "HOME": str(self.folder),
            "LANG": "C.UTF-8",
        }

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        """Run a command of the environment in the empty folder."""
        return subprocess.run(
            [str(self.environment / "bin" / command[0]), *command[1:]],
            cwd=self.folder,
            env=self.variables(),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )


def build_wheel(root: Path, folder: Path) -> Path:
    """Build the wheel with the backend of the test environment, so that no network is needed."""
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(root)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = folder.glob("*.whl")
    return wheel


def install(wheel: Path, folder: Path) -> Installation:
    """Install a wheel and link its dependencies into a new environment."""
    environment, outside = folder / "environment", folder / "elsewhere"
    outside.mkdir()
    venv.create(environment, symlinks=True, with_pip=False)
    python = environment / "bin" / "python"
    done = subprocess.run(
        [sys.executable, "-m", "pip", "--python", str(python), "install", "--quiet", "--no-deps", str(wheel)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (installed,) = environment.glob("lib/python*/site-packages")
    (information,) = installed.glob("labkit-*.dist-info")
    requirements = metadata.Distribution.at(information).requires or []
    for name in closure(requirements):
        link_into(metadata.distribution(name), environment, installed)
    return Installation(environment, outside)


def closure(requirements: list[str]) -> list[str]:
    """Return the names of all distributions that the requirements bring along on this machine."""
    found: dict[str, set[str]] = {}
    waiting = [(Requirement(text), "") for text in requirements]
    while waiting:
        requirement, extra = waiting.pop()
        if requirement.marker is not None and not requirement.marker.evaluate({"extra": extra}):
            continue
        name = requirement.name.lower().replace("_", "-").replace(".", "-")
        extras = {"", *requirement.extras}
        new = extras - found.setdefault(name, set())
        found[name] |= new
        try:
            inner = metadata.distribution(name).requires or []
        except metadata.PackageNotFoundError:
            continue
        waiting += [(Requirement(text), each) for each in new for text in inner]
    return [name for name in found if _is_installed(name)]


def _is_installed(name: str) -> bool:
    try:
        metadata.distribution(name)
    except metadata.PackageNotFoundError:
        return False
    return True


def link_into(distribution: metadata.Distribution, environment: Path, site: Path) -> None:
    """Link the files of a distribution of this environment into another."""
    prefix = Path(sysconfig.get_path("data")).resolve()
    source_site = Path(str(distribution.locate_file(""))).resolve()
    linked: set[Path] = set()
    for file in distribution.files or []:
        source = Path(os.path.normpath(source_site / file))
        if source_site in source.parents:
            top = source_site / source.relative_to(source_site).parts[0]
            target = site / top.name
            # Folders that several distributions share (namespace packages) are filled file by file.
            if top.is_dir() and _is_namespace(top):
                top, target = source, site / source.relative_to(source_site)
        elif prefix in source.parents:
            top, target = source, environment / source.relative_to(prefix)
        else:
            continue
        if target not in linked and top.exists() and not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            target.symlink_to(top)
        linked.add(target)


def _is_namespace(folder: Path) -> bool:
    return not folder.name.endswith((".dist-info", ".libs")) and not (folder / "__init__.py").exists()
