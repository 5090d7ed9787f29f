"""Plugins laid out as installed packages, in folders that are put on the path of this process or of another."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from labkit.plugins import plugins


def lay_out(folder: Path, name: str, code: str | None = None, *, version: str = "1.0", distribution: str = "") -> Path:
    """Write what an installer would: a module with ``code`` (unless it is there), and the entry point that names it."""
    module = name.replace("-", "_")
    if code is not None:
        (folder / f"{module}.py").write_text(code, encoding="utf-8")
    distribution = distribution or name
    information = folder / f"{distribution.replace('-', '_')}-{version}.dist-info"
    information.mkdir(parents=True)
    (information / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {distribution}\nVersion: {version}\n", encoding="utf-8"
    )
    (information / "entry_points.txt").write_text(f"[labkit]\n{name} = {module}\n", encoding="utf-8")
    return folder


@contextmanager
def installed(*folders: Path) -> Iterator[None]:
    """Let this process find the plugins of folders, and forget them afterwards."""
    before = set(sys.modules)
    sys.path[:0] = [str(folder) for folder in folders]
    forget()
    try:
        yield
    finally:
        for folder in folders:
            sys.path.remove(str(folder))
        for name in set(sys.modules) - before:
            origin = getattr(sys.modules[name], "__file__", None) or ""
            if any(Path(origin).is_relative_to(folder) for folder in folders):
                del sys.modules[name]
        forget()


def forget() -> None:
    """Load plugins and catalogue afresh when they are next asked for."""
    importlib.invalidate_caches()
    plugins.cache_clear()
    importlib.import_module("labkit.catalogue.catalogue")._catalogue.cache_clear()
