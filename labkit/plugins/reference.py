"""The reference of hooks as a page of text, made from `labkit.plugins.hooks` so that it cannot drift from it.

python -m labkit.plugins.reference > docs/plugins/hooks.md
"""

from __future__ import annotations

import inspect

from labkit.plugins import hooks
from labkit.plugins.manager import FOLDERS_VARIABLE, HOOKS, SLOW_S, WITHOUT_VARIABLE

_HEAD = f"""# Reference of hooks

<!-- Made by: python -m labkit.plugins.reference > docs/plugins/hooks.md -->

A plugin is a module with functions of the names below, each marked `@hookimpl` (`from labkit.plugins import hookimpl`),
and made known by an entry point in the group `labkit`. Every hook is called without arguments, at most once in a
process, when what it brings is first asked for. There are no other hooks: a marked function of another name is an
error.

**Order and precedence.** Folders of `{FOLDERS_VARIABLE}` in their order, then the user folder, then the built-ins,
then packages by the name of their plugin. Where two bring the same name, the first is used and the other is reported.
A sheet that cannot be used gives way to the next of its name.

**What goes wrong is reported, never fatal.** A plugin that raises, returns something else than is said here, brings a
name that is taken, prints to standard output, or takes more than {SLOW_S:g} s to load or to answer, is named in one
line by `labkit catalogue --plugins` and on the start page of the lab. `{WITHOUT_VARIABLE}=name,name` leaves plugins
out; a plugin that never returns can only be left out that way.
"""


def hook_reference() -> str:
    """Return the page."""
    parts = [_HEAD]
    for name in HOOKS:
        function = getattr(hooks, name)
        # annotations are texts here (from __future__ import annotations), so the page shows what the file says
        returned = inspect.signature(function).return_annotation
        text = inspect.getdoc(function) or ""
        parts.append(f"## `{name}`\n\n```python\n@hookimpl\ndef {name}() -> {returned}: ...\n```\n\n{text}\n")
    return "\n".join(parts)


if __name__ == "__main__":
    print(hook_reference(), end="")
