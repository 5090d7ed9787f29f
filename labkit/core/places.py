"""Where the files live that ship beside the code: inside the package once installed, beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

from labkit.core.errors import LabkitError

_PACKAGE = Path(__file__).resolve().parents[1]


def shipped_folder(name: str) -> Path:
    """Return the folder ``dashboards`` or ``reference_cases``.

    Raises
    ------
    LabkitError
        If neither the installed package nor the checkout has it.
    """
    for folder in (_PACKAGE / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise LabkitError(f"the folder '{name}' is missing from this installation of labkit; install it again")
