"""Hooks through which everything comes in, the built-ins included, and the manager that collects it."""

from labkit.plugins.hooks import hookimpl
from labkit.plugins.manager import Brought, PluginNote, Plugins, plugins

__all__ = ["Brought", "PluginNote", "Plugins", "hookimpl", "plugins"]
