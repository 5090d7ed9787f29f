"""Keep of a folder of inputs the few that reach what all reach: ``python -m tests.fuzz.minimise TARGET FOLDER``.

Shortest first, an input is kept where it takes a step between two lines of the project that none before it took. The
result goes to ``seeds/TARGET/corpus.txt``.
"""

from __future__ import annotations

import base64
import contextlib
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import labkit
from tests.fuzz.kept import CORPUS, SEEDS
from tests.fuzz.targets import TARGETS

LONGEST = 2048
"""Bytes; what needs longer inputs is in the long runs only."""

PACKAGE = str(Path(labkit.__file__).parent)

Step = tuple[str, int, int]


def steps_of(target: Callable[[bytes], object], data: bytes) -> set[Step]:
    """Return the steps from line to line that an input takes inside the project."""
    found: set[Step] = set()

    def enter(frame: FrameType, event: str, argument: Any) -> Any:
        path = frame.f_code.co_filename
        if not path.startswith(PACKAGE):
            return None
        before = frame.f_lineno

        def step(frame: FrameType, event: str, argument: Any) -> Any:
            nonlocal before
            found.add((path, before, frame.f_lineno))
            before = frame.f_lineno
            return step

        return step

    sys.settrace(enter)
    try:
        with contextlib.suppress(Exception):
            target(data)
    finally:
        sys.settrace(None)
    return found


def main() -> None:
    """Write the kept inputs of a target."""
    name, folder = sys.argv[1], Path(sys.argv[2])
    target = TARGETS[name]
    given = sorted((path.read_bytes() for path in folder.iterdir()), key=lambda data: (len(data), data))
    known: set[Step] = set()
    kept = []
    for data in given:
        if len(data) > LONGEST:
            continue
        steps = steps_of(target, data)
        if not steps <= known:
            known |= steps
            kept.append(data)
    text = "".join(base64.b64encode(data).decode() + "\n" for data in kept)
    (SEEDS / name / CORPUS).write_text(text, encoding="ascii")
    print(f"{name}: {len(kept)} of {len(given)} inputs, {len(text)} bytes, {len(known)} steps")


if __name__ == "__main__":
    main()
