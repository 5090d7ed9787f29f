"""What importing the listening side may cost: pages load it before anybody presses play."""

from __future__ import annotations

import pkgutil
import subprocess
import sys

import labkit.sound


def test_slow_libraries_are_imported_only_when_used() -> None:
    modules = [found.name for found in pkgutil.walk_packages(labkit.sound.__path__, "labkit.sound.")]
    assert len(modules) > 10
    program = f"import sys, {', '.join(modules)}\nprint(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.split()
    assert not {"scipy.signal", "scipy.stats", "soundfile", "lcapy"} & set(loaded)
