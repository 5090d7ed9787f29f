"""Plant each fault of the list and say which the tests notice: ``python -m tests.mutants [WORDS …] --workers N``.

The exit code is 1 where a fault survives, cannot be judged, or stands for a text that has changed.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.mutants.planting import FAULTS, Judged, judge_all, read_faults

ROOT = Path(__file__).resolve().parents[2]


def main() -> int:
    """Run and print; return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("words", nargs="*", help="only faults whose name or module holds one of these")
    parser.add_argument("--workers", type=int, default=2, help="faults judged at a time (default 2)")
    parser.add_argument("--list", type=Path, default=FAULTS, help="another list of faults")
    parser.add_argument("--root", type=Path, default=ROOT, help="another tree to plant them in a copy of")
    asked = parser.parse_args()
    faults = [
        fault
        for fault in read_faults(asked.list)
        if not asked.words or any(word in f"{fault.name} {fault.module}" for word in asked.words)
    ]
    if not faults:
        parser.error("no fault of the list holds one of these words")

    def tell(judged: Judged) -> None:
        print(f"{judged.fate:10}  {judged.fault.area:8}  {judged.fault.name}: {judged.by}", flush=True)

    try:
        found = judge_all(faults, asked.root, workers=max(1, asked.workers), tell=tell)
    except ValueError as error:
        print(error, file=sys.stderr)
        return 1
    alive = sum(judged.fate != "killed" for judged in found)
    print(f"{len(found)} faults planted, {len(found) - alive} killed, {alive} survived or not judged")
    return 1 if alive else 0


sys.exit(main())
