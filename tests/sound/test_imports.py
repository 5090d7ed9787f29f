"""What importing the listening side may cost: pages load it before anybody presses play."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import labkit.sound


def test_slow_libraries_are_imported_only_when_used() -> None:
    modules = sorted(f"labkit.sound.{path.stem}" for path in Path(labkit.sound.__file__).parent.glob("[a-z]*.py"))
    assert len(modules) > 10
    program = f"import sys, {', '.join(modules)}\nprint(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.split()
    assert not {"scipy.signal", "scipy.stats", "pyloudnorm", "soundfile", "lmfit", "lcapy"} & set(loaded)
