"""Plugins: the built-ins come through the hooks, and a broken plugin is reported, never fatal."""

from __future__ import annotations

import types

import pytest

from labkit.catalogue import load_catalogue
from labkit.core.errors import PluginError
from labkit.plugins import hookimpl
from labkit.plugins.manager import check_names, load_plugins


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
