"""The public face of the package: what it lists is there, documented, typed, and as the page of names says."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
import typing
from pathlib import Path

import pytest

import labkit
from docs.tools import api

ROOT = Path(__file__).parents[1]


def test_the_page_of_names_is_fresh_and_holds_every_name():
    page = api.PAGE.read_text(encoding="utf-8")
    assert page == api.generate(), "run python -m docs.tools.api"
    assert all(f"### `{name}`" in page for name in labkit.__all__)


def test_the_list_is_sorted_without_repeats_and_agrees_with_what_can_be_loaded():
    assert sorted(set(labkit.__all__)) == labkit.__all__
    assert set(labkit.__all__) == set(labkit._HOME_OF)
    assert set(labkit.__all__) < set(dir(labkit))


@pytest.mark.parametrize("name", labkit.__all__)
def test_every_public_name_is_documented_and_typed(name):
    thing = getattr(labkit, name)
    assert api.first_sentence(thing).endswith((".", ":", "?")), f"{name}: the docstring must begin with a sentence"
    functions = [thing] if inspect.isfunction(thing) else [value for _, value in api._public_members(thing)]
    for function in filter(inspect.isfunction, functions):
        hints = set(function.__annotations__)
        wanted = {key for key in inspect.signature(function).parameters if key != "self"} | {"return"}
        assert wanted <= hints, f"{name}: {sorted(wanted - hints)} of {function.__name__} have no type"


@pytest.mark.parametrize("name", [name for name in labkit.__all__ if inspect.isfunction(getattr(labkit, name))])
def test_what_a_public_function_raises_or_returns_is_in_its_types(name):
    assert "return" in typing.get_type_hints(getattr(labkit, name), _names_of(name))


def _names_of(name):
    import numpy

    module = sys.modules[getattr(labkit, name).__module__]
    return {**vars(module), **vars(typing), "np": numpy}


def test_an_unknown_name_is_refused_as_python_does():
    with pytest.raises(AttributeError, match="no attribute 'lod_rig'"):
        labkit.lod_rig  # noqa: B018


def test_importing_the_package_loads_no_layer_and_no_library():
    code = "import sys, labkit; print(*[m for m in sys.modules if m.startswith(('labkit.', 'numpy', 'matplotlib'))])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == ""


def test_type_checkers_and_the_interpreter_see_the_same_names():
    """The imports for type checkers and the table for loading are two lists of one thing."""
    source = ast.parse(Path(labkit.__file__).read_text(encoding="utf-8"))
    seen = {
        alias.name: (node.module or "").removeprefix("labkit.")
        for node in ast.walk(source)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("labkit")
        for alias in node.names
    }
    assert seen == labkit._HOME_OF
