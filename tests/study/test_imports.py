"""What importing the studies may cost: pages load them before anybody asks for one."""

from __future__ import annotations

import pkgutil
import subprocess
import sys

import labkit.study


def test_slow_libraries_are_imported_only_when_used() -> None:
    modules = [found.name for found in pkgutil.walk_packages(labkit.study.__path__, "labkit.study.")]
    assert len(modules) > 10
    program = f"import sys, {', '.join(modules)}\nprint(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.split()
    assert not {"pandas", "scipy.stats", "scipy.optimize", "lcapy", "matplotlib", "distributed"} & set(loaded)
