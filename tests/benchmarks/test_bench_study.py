"""Studies of many variants beside other routes: per point, with their reductions; memory is held to its bound."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from labkit.circuit.elements import Circuit
from labkit.circuit.formula.formula import formula
from labkit.rig.sheet import load_rig
from labkit.study.search.search import run_search
from labkit.study.tolerance.sensitivity import global_sensitivities
from labkit.study.tolerance.tolerance import run_tolerance, tolerance_study
from tests.benchmarks.conftest import Timed, cpu_seconds
from tests.benchmarks.test_bench_solver import many_in_simulator
from tests.circuit.mna import assemble
from tests.study.test_search import large

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

MOST_MB = 150
"""Bound on memory above that of the process before the study."""

SIZES = {"10 000 × 512": (10_000, 512), "1 000 000 × 64": (1_000_000, 64)}
FEW = 20


def study(count: int, points: int):  # type: ignore[no-untyped-def]
    return tolerance_study(load_rig("Saltmarsh Lane, narrow single coil"), count=count, points=points)


def circuits(few: int, points: int) -> tuple[list[Circuit], np.ndarray]:
    """Some variants of the study as circuits of their own."""
    made = study(few, points)
    drawn = made.draws(0)
    rigs = [made.variation.variant({name: float(column[at]) for name, column in drawn.items()}) for at in range(few)]
    return [rig.circuit for rig in rigs], made.frequency_hz


def megabytes_above_start(count: int, points: int) -> float:
    """Largest memory of a study above what its process held before it, MB, in a process of its own."""
    code = (
        "import resource, scipy.stats, scipy.special\n"
        "from tests.benchmarks.test_bench_study import run_tolerance, study\n"
        "run_tolerance(study(10, 16))\n"
        "pages = int(open('/proc/self/statm').read().split()[1]) * resource.getpagesize()\n"
        f"run_tolerance(study({count}, {points}))\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - pages)"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    return int(done.stdout) / 1e6


@pytest.mark.parametrize("size", SIZES)
def test_a_study_with_all_its_reductions(size: str, timed: Timed) -> None:
    count, points = SIZES[size]
    memory = megabytes_above_start(count, points) if Path("/proc/self/statm").exists() else None
    note = "bands, histograms, peaks" + ("" if memory is None else f"; {memory:.0f} MB above start")
    made = study(count, points)
    call = lambda: run_tolerance(made)  # noqa: E731
    timed(f"tolerance study, {size}", "compiled star-mesh, streamed", count * points, call, note=note, rounds=1)
    assert memory is None or memory < MOST_MB


@pytest.mark.parametrize("size", SIZES)
class TestOtherRoutes:
    """The same variants one by one or by a general solver, without the reductions; few, and given per point."""

    def test_batched_lapack(self, size: str, timed: Timed) -> None:
        made, grid = circuits(FEW, SIZES[size][1])
        systems = [assemble(circuit, grid) for circuit in made]
        matrix = np.concatenate([one for one, _, _ in systems])
        right = np.broadcast_to(systems[0][1], (len(matrix), *systems[0][1].shape))
        call = lambda: np.linalg.solve(matrix, right)  # noqa: E731
        note = f"{FEW} variants, matrices ready beforehand"
        timed(f"tolerance study, {size}", "batched LAPACK, solve only", FEW * grid.size, call, note=note, rounds=5)

    @pytest.mark.ngspice
    def test_ngspice(self, size: str, timed: Timed, tmp_path: Path) -> None:
        made, grid = circuits(FEW, SIZES[size][1])
        call, points = many_in_simulator(made, grid, tmp_path)
        note = f"{FEW} variants in one process"
        timed(f"tolerance study, {size}", "ngspice", points, call, note=note, rounds=3)

    def test_lcapy(self, size: str, timed: Timed) -> None:
        made, grid = circuits(4, SIZES[size][1])
        # Beyond ten lumped parts lcapy does not come back within minutes; this rig stays below.
        call = lambda: [formula(circuit, method="lcapy").at(grid) for circuit in made]  # noqa: E731
        note = "4 variants, one topology: the formula is derived once and filled in"
        timed(f"tolerance study, {size}", "lcapy formula", 4 * grid.size, call, note=note, rounds=1)


def test_search(timed: Timed) -> None:
    goal = large()
    timed("search, 10 000 combinations", "enumerated on the batched solver", 1, lambda: run_search(goal), rounds=2)


def test_indices(timed: Timed) -> None:
    made = study(1000, 128)
    call = lambda: global_sensitivities(made, made.measures[0])  # noqa: E731
    timed("Sobol' indices of 8 numbers", "base 1024", 1, call, rounds=2)
