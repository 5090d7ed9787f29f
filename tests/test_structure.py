"""How the packages of labkit depend on each other."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts): ast.parse(path.read_text(encoding="utf-8"))
    for path in sorted((ROOT / "labkit").rglob("*.py"))
}


def _package(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def _dependencies() -> dict[str, set[str]]:
    """Packages directly in labkit that each one imports, anywhere in its modules, or names as text to import."""
    graph = grimp.build_graph("labkit", cache_dir=None)
    pairs = {(module, other) for module in graph.modules for other in graph.find_modules_directly_imported_by(module)}
    for module, tree in MODULES.items():
        texts = {
            node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)
        }
        pairs |= {(module, text) for text in texts if re.fullmatch(r"labkit(\.\w+)+", text)}
    packages = {_package(module) for module in graph.modules} - {""}
    found: dict[str, set[str]] = {package: set() for package in packages}
    for module, other in pairs:
        if (mine := _package(module)) != (theirs := _package(other)) and {mine, theirs} <= packages:
            found[mine].add(theirs)
    return found


def test_no_import_circle_joins_two_packages() -> None:
    dependencies = _dependencies()
    assert {"core", "plugins", "builtin", "testing", "cli"} <= set(dependencies)
    while free := [package for package, needed in dependencies.items() if not needed & set(dependencies)]:
        for package in free:
            del dependencies[package]
    assert not dependencies, "packages of an import circle, or that need one:\n" + "\n".join(
        f"{package} imports {', '.join(sorted(needed))}" for package, needed in dependencies.items()
    )


@pytest.mark.parametrize("package", ["builtin", "testing"])
def test_what_comes_through_an_entry_point_is_imported_by_nothing_in_labkit(package: str) -> None:
    assert not [other for other, needed in _dependencies().items() if package in needed]


def test_every_public_class_has_a_name_of_its_own() -> None:
    """A name that stands for two things has to be read with its module, everywhere."""
    places: dict[str, list[str]] = {}
    for module, tree in MODULES.items():
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, []).append(module)
    twice = {name: modules for name, modules in places.items() if len(modules) > 1}
    assert not twice, "\n".join(f"{name}: {', '.join(modules)}" for name, modules in twice.items())
