"""What every command does before it begins."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest
from click.testing import CliRunner

from labkit import __version__
from labkit.cli import ONE_THREAD
from labkit.cli.main import labkit


def test_the_version_says_whether_the_extra_is_there(monkeypatch):
    monkeypatch.setattr("labkit.circuit.solve.fast.is_installed", lambda: False)
    done = CliRunner().invoke(labkit, ["--version"])
    assert done.output.splitlines() == [
        f"labkit, version {__version__}",
        "fast circuits: no (pip install labkit[fast])",
    ]


SEEN = """
import json, os, sys
from labkit.cli import run
sys.argv = ["labkit", "--version"]
try:
    run()
except SystemExit:
    pass
import numpy
matrix = numpy.ones((400, 400))
matrix @ matrix
print(json.dumps([os.environ["OPENBLAS_NUM_THREADS"], len(os.listdir("/proc/self/task"))]))
"""


@pytest.mark.skipif(not os.path.isdir("/proc/self/task"), reason="threads are counted where Linux lists them")
@pytest.mark.parametrize("wanted", [None, "2"])
def test_matrices_use_one_core_unless_the_user_says_otherwise(wanted):
    environment = {name: value for name, value in os.environ.items() if name not in ONE_THREAD}
    if wanted is not None:
        environment["OPENBLAS_NUM_THREADS"] = wanted
    done = subprocess.run([sys.executable, "-c", SEEN], env=environment, capture_output=True, text=True, check=True)
    name, threads = json.loads(done.stdout.splitlines()[-1])
    assert name == (wanted or "1")
    assert threads <= int(name)
