"""Plugins: the built-ins come through the hooks, and a broken plugin is reported, never fatal."""

from __future__ import annotations

import types
from importlib import metadata

import pytest

from labkit.catalogue import load_catalogue
from labkit.core.errors import PluginError
from labkit.plugins import hookimpl
from labkit.plugins.manager import check_names, load_plugins
from tests.plugins.packages import installed, lay_out


def test_without_the_built_in_plugin_the_catalogue_is_empty_and_works():
    found = load_catalogue(load_plugins(without=("builtin",)))
    assert found.kinds() == ()
    assert found.check() == ()


def test_a_plugin_that_raises_is_reported_and_the_others_go_on():
    found = load_plugins()

    def labkit_catalogue_folders():
        raise RuntimeError("no disk")

    module = types.ModuleType("broken")
    module.labkit_catalogue_folders = hookimpl(labkit_catalogue_folders)
    found.manager.register(module, name="broken")
    names = [name for name, _ in found.folders()]
    assert names == ["builtin", "builtin"]
    assert found.problems == ("plugin 'broken': labkit_catalogue_folders failed: RuntimeError: no disk",)


def test_an_unknown_hook_is_an_error_that_names_the_nearest():
    module = types.ModuleType("misspelt")

    def labkit_catalog_folders():
        return []

    module.labkit_catalog_folders = hookimpl(labkit_catalog_folders)
    with pytest.raises(PluginError, match="Did you mean 'labkit_catalogue_folders'"):
        check_names(module)


def test_a_copy_that_is_not_installed_says_so_and_what_to_do(monkeypatch):
    points = [point for point in metadata.entry_points(group="labkit") if point.name != "builtin"]
    monkeypatch.setattr(metadata, "entry_points", lambda **_: points)
    with pytest.raises(PluginError, match=r"labkit is not installed here.*run `python -m pip install \.`"):
        load_plugins()
    assert "builtin" not in {note.name for note in load_plugins(without=("builtin",)).notes}


def test_the_built_ins_are_loaded_first_and_a_package_of_their_name_is_left_out(tmp_path):
    lay_out(tmp_path, "builtin", "from labkit.plugins import hookimpl\n", distribution="another")
    with installed(tmp_path):
        found = load_plugins()
    assert (found.notes[0].name, found.notes[0].origin, found.notes[0].is_loaded) == ("builtin", "labkit", True)
    assert found.problems == ("plugin 'builtin': another 1.0 brings a plugin of that name too; it is not loaded",)
