"""Ten wirings that are no part of the catalogue: what was made for its wirings has to do for these too."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from labkit.core.sheet import read_sheet
from labkit.rig.harness import Harness, read_harness

FOLDER = Path(__file__).parent
NAMES = tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


@lru_cache
def unseen(name: str) -> Harness:
    """Return one of them by the stem of its file."""
    return read_harness(read_sheet(FOLDER / f"{name}.toml", kinds=("harness",)))
