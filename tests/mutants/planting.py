"""Planted faults: the kept list, what must hold of each entry, and whether the tests it names notice it.

A fault is one changed text in one module. It is planted in a copy of the tree, never in the checkout, and the tests
that its entry names must fail. One that they let live is a gap in the tests.
"""

from __future__ import annotations

import ast
import compileall
import os
import py_compile
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import tomllib
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path
from queue import SimpleQueue
from typing import Literal

FAULTS = Path(__file__).with_name("faults.toml")
"""The kept list."""

_NOT_COPIED = shutil.ignore_patterns(
    ".git",
    ".venv",
    "build",
    "dist",
    "screenshots",
    "__pycache__",
    "*.egg-info",
    ".*_cache",
    ".hypothesis",
    ".benchmarks",
)
_FAILED = 1
"""Exit code of pytest when tests ran and some failed; any other but 0 means that they could not run."""

Fate = Literal["killed", "survived", "not judged"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault to plant.

    Attributes
    ----------
    name : str
        What is then wrong, in the words of the field.
    module : str
        By dotted name, such as ``labkit.pickup.materials.wire``.
    before, after : str
        The text that stands once in the module, and what takes its place.
    tests : tuple of str
        Tests that must notice it, as pytest takes them.
    """

    name: str
    module: str
    before: str
    after: str
    tests: tuple[str, ...]

    @property
    def area(self) -> str:
        """The part of the package that the module belongs to."""
        return self.module.split(".")[1]

    def path(self, root: Path) -> Path:
        """File of the module below a root."""
        return root.joinpath(*self.module.split(".")).with_suffix(".py")

    def planted(self, root: Path) -> str:
        """Return the module's text with the fault in it; ValueError with a sentence where the entry is out of date."""
        path = self.path(root)
        if not path.is_file():
            raise ValueError(
                f"'{self.name}': there is no module {self.module}; name the one that holds the formula now"
            )
        text = path.read_text(encoding="utf-8")
        times = text.count(self.before)
        if times != 1:
            raise ValueError(
                f"'{self.name}': the text before must stand once in {self.module}; it stands there {times} times"
            )
        changed = text.replace(self.before, self.after)
        try:
            same = ast.dump(ast.parse(changed)) == ast.dump(ast.parse(text))
        except SyntaxError as error:
            raise ValueError(f"'{self.name}': {self.module} with the fault in it does not compile: {error}") from None
        if same:
            raise ValueError(f"'{self.name}': the text after means the same as the text before")
        return changed


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What became of a fault, and the test that noticed it, or why nothing can be said."""

    fault: Fault
    fate: Fate
    by: str = ""


def read_faults(path: Path = FAULTS) -> tuple[Fault, ...]:
    """Read a list of faults: ``[[fault]]`` tables with the keys of `Fault`."""
    entries = tomllib.loads(path.read_text(encoding="utf-8"))["fault"]
    return tuple(Fault(**{**entry, "tests": tuple(entry["tests"])}) for entry in entries)


def out_of_date(faults: Iterable[Fault], root: Path) -> list[str]:
    """Return a sentence for each entry that can no longer be planted below a root."""
    told = []
    for fault in faults:
        try:
            fault.planted(root)
        except ValueError as error:
            told.append(str(error))
    return told


def judge_all(
    faults: Sequence[Fault], root: Path, *, workers: int, tell: Callable[[Judged], None] = lambda judged: None
) -> list[Judged]:
    """Plant one fault after another, in a copy of the tree for each worker, and run its tests.

    Raises
    ------
    ValueError
        If an entry is out of date.
    """
    told = out_of_date(faults, root)
    if told:
        raise ValueError("\n".join(told))
    with tempfile.TemporaryDirectory(prefix="labkit-mutants-") as folder:
        packages = {fault.module.partition(".")[0] for fault in faults}
        copies = [_copied(root, Path(folder) / f"tree{number}", packages) for number in range(workers)]
        free: SimpleQueue[Path] = SimpleQueue()
        for copy in copies:
            free.put(copy)
        stopped = threading.Event()

        def judge(fault: Fault) -> Judged | None:
            if stopped.is_set():
                return None
            copy = free.get()
            try:
                return _judged(fault, copy)
            finally:
                free.put(copy)

        found = []
        with ThreadPoolExecutor(workers) as threads:
            try:
                for done in as_completed([threads.submit(judge, fault) for fault in faults]):
                    judged = done.result()
                    if judged is not None:
                        found.append(judged)
                        tell(judged)
            finally:
                stopped.set()
        return _confirmed(found, copies[0], tell)


def _confirmed(found: list[Judged], copy: Path, tell: Callable[[Judged], None]) -> list[Judged]:
    """Take a kill back where the test that noticed it fails without the fault as well."""
    noticed = [*dict.fromkeys(_without_case(judged.by) for judged in found if judged.fate == "killed")]
    if not noticed:
        return found
    code, printed = _run_tests(copy, noticed)
    failing = {_without_case(test) for test in _failed(printed)} if code in (0, _FAILED) else set(noticed)
    confirmed = []
    for judged in found:
        if judged.fate == "killed" and _without_case(judged.by) in failing:
            judged = replace(judged, fate="not judged", by=f"{judged.by} fails without the fault as well")
            tell(judged)
        confirmed.append(judged)
    return confirmed


def _without_case(test: str) -> str:
    """Name of a test without its parameters, which may hold signs that pytest does not take back."""
    return test.partition("[")[0]


def _copied(root: Path, copy: Path, packages: Iterable[str]) -> Path:
    shutil.copytree(root, copy, ignore=_NOT_COPIED)
    for package in packages:
        # By their content and not by their time: a fault of equal length, planted within the same second, must be seen.
        compileall.compile_dir(copy / package, quiet=2, invalidation_mode=py_compile.PycInvalidationMode.CHECKED_HASH)
    return copy


def _judged(fault: Fault, copy: Path) -> Judged:
    path = fault.path(copy)
    plain = path.read_bytes()
    path.write_text(fault.planted(copy), encoding="utf-8")
    try:
        code, printed = _run_tests(copy, fault.tests, "-x")
    finally:
        path.write_bytes(plain)
    if code == 0:
        return Judged(fault=fault, fate="survived", by="none of " + ", ".join(fault.tests))
    noticed = _failed(printed)
    if code == _FAILED and noticed:
        return Judged(fault=fault, fate="killed", by=noticed[0])
    return Judged(fault=fault, fate="not judged", by=f"pytest ended with {code}:\n{printed[-4000:]}")


def _failed(printed: str) -> list[str]:
    """Names of the tests that failed, from pytest's summary at the end."""
    return re.findall(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", printed, re.MULTILINE)


def _run_tests(copy: Path, tests: Sequence[str], *options: str) -> tuple[int, str]:
    """Run tests in a copy; return the exit code and what was printed."""
    environment = {
        **os.environ,
        "PYTHONPATH": str(copy),
        "PYTHONDONTWRITEBYTECODE": "1",
        # a test that is skipped for a missing tool would let its fault live without a word
        "LABKIT_REQUIRE_TOOLS": "1",
    }
    command = [sys.executable, "-m", "pytest", "-q", "--tb=line", "-p", "no:cacheprovider", *options, *tests]
    done = subprocess.run(
        command, cwd=copy, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout + done.stderr
