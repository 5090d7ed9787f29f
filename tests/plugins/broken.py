"""Plugins that are broken, each in its own way, with what the lab must say about it."""

from __future__ import annotations

_IMPORT = "from labkit.plugins import hookimpl\n"

BROKEN: dict[str, tuple[str, str]] = {
    "raises-on-import": ("raise RuntimeError('no licence key')", "not loaded: RuntimeError: no licence key"),
    "exits-on-import": ("raise SystemExit(3)", "not loaded: SystemExit: 3"),
    "is-no-python": ("def (:", "not loaded: SyntaxError: invalid syntax"),
    "needs-a-stranger": ("import no_such_module_at_all", "not loaded: ModuleNotFoundError: No module named"),
    "misspells-a-hook": (
        _IMPORT + "@hookimpl\ndef labkit_part_kind():\n    return []\n",
        "not loaded: 'labkit_part_kind' is not a hook of labkit. Did you mean 'labkit_part_kinds'?",
    ),
    "forgets-the-mark": (
        "def labkit_part_kinds():\n    return []\n",
        "not loaded: 'labkit_part_kinds' is not marked; write @hookimpl above it",
    ),
    "asks-for-arguments": (
        _IMPORT + "@hookimpl\ndef labkit_part_kinds(rig):\n    return []\n",
        "not loaded: PluginValidationError",
    ),
    "raises-in-a-hook": (
        _IMPORT + "@hookimpl\ndef labkit_takes():\n    return {}['x']\n",
        "labkit_takes failed: KeyError: 'x'",
    ),
    "returns-a-text": (
        _IMPORT + "@hookimpl\ndef labkit_part_kinds():\n    return 'pot'\n",
        "labkit_part_kinds: must return a list; got a str",
    ),
    "brings-no-part": (
        _IMPORT + "@hookimpl\ndef labkit_part_kinds():\n    return [int]\n",
        "labkit_part_kinds: '' must be a subclass of labkit.rig.parts.parts.Part; got the class int",
    ),
    "shadows-the-pot": (
        _IMPORT + "@hookimpl\ndef labkit_part_kinds():\n"
        "    from labkit.rig.parts.parts import Pot\n    return [type('Mine', (Pot,), {})]\n",
        "labkit_part_kinds: 'pot' is a name that labkit itself brings already; that one is used",
    ),
    "is-slow": (
        _IMPORT + "import time\n@hookimpl\ndef labkit_loss_models():\n    time.sleep(3.2)\n    return {}\n",
        "slow: labkit_loss_models took 3.",
    ),
    "prints": (
        _IMPORT + "print('hello')\n@hookimpl\ndef labkit_takes():\n    return {}\n",
        "prints to standard output, where results go: hello",
    ),
    "has-no-folder": (
        _IMPORT + "@hookimpl\ndef labkit_catalogue_folders():\n    return ['/nowhere/at/all']\n",
        "labkit_catalogue_folders: the folder /nowhere/at/all does not exist",
    ),
    "brings-nothing": ("answer = 42\n", "not loaded: it has no function marked @hookimpl, so it brings nothing"),
}
"""Code of the module, and the beginning of its one line."""
