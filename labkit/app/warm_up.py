"""What a kernel does while it waits for a page: it imports the pages' modules and parses the lab's own sheets.

Importing this module does it. Nothing here may depend on the user's sheets or plugins, which a page finds as they
are when it opens.
"""

from __future__ import annotations

from labkit.app import (  # noqa: F401  imported for their time
    cable_page,
    listening_test_page,
    measure_page,
    panel_page,
    pots_page,
    rig_page,
    study_page,
    trust_page,
    winding_page,
)
from labkit.builtin import labkit_catalogue_folders
from labkit.core.sheet import read_sheet

for _folder in labkit_catalogue_folders():
    for _path in sorted(_folder.rglob("*.toml")):
        read_sheet(_path)  # `labkit.core.sheet` remembers what a text says
