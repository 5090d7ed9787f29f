"""The compiled solver beside batched LAPACK and ngspice, on the one-pickup demo rig and a two-pickup circuit."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from labkit.circuit.elements import GROUND, Capacitor, Circuit, Element, Inductor, Resistor, Source
from labkit.circuit.solve import fast
from labkit.circuit.solve.solver import solve, solve_blocks
from labkit.core.grid import frequency_grid
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig
from tests.benchmarks.conftest import Timed, cpu_seconds
from tests.circuit.mna import assemble, solve_dense
from tests.circuit.ngspice import read_raw, run_commands, translate

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

needs_extra = pytest.mark.skipif(not fast.is_installed(), reason="llvmlite (labkit[fast]) is not installed")
needs_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="gcc is not installed")
GRID_HZ = frequency_grid()
VARIANTS = 10_000


def coil(name: str, hot: str, *, inductance: float, resistance: float, capacitance: float) -> tuple[Element, ...]:
    """A coil with one eddy section, EMF from ground to ``hot``."""
    return (
        Source(name=f"{name}.emf", nodes=(f"{name}.a", GROUND)),
        Inductor(name=f"{name}.l", nodes=(f"{name}.a", f"{name}.b"), inductance=0.9 * inductance),
        Inductor(name=f"{name}.l_eddy", nodes=(f"{name}.b", f"{name}.c"), inductance=0.1 * inductance),
        Resistor(name=f"{name}.r_eddy", nodes=(f"{name}.b", f"{name}.c"), resistance=1e4),
        Resistor(name=f"{name}.r", nodes=(f"{name}.c", hot), resistance=resistance),
        Capacitor(name=f"{name}.c", nodes=(hot, GROUND), capacitance=capacitance),
    )


def one_pickup() -> Circuit:
    """The demo rig with one pickup, knobs half-way so that no branch vanishes."""
    return half_way().circuit


def half_way() -> Rig:
    return load_rig("Saltmarsh Lane, narrow single coil").replace(settings={"volume": 5, "tone": 5})


def two_pickups() -> Circuit:
    """Two coils, each with its volume and tone half-way, treble bleeds, cable, grid stopper and input."""
    elements: list[Element] = []
    for name in ("neck", "bridge"):
        hot = f"{name}.hot"
        elements += [
            *coil(name, hot, inductance=4.4, resistance=8e3, capacitance=130e-12),
            Resistor(name=f"{name}.upper", nodes=(hot, "tip"), resistance=250e3),
            Resistor(name=f"{name}.lower", nodes=("tip", GROUND), resistance=250e3),
            Resistor(name=f"{name}.bleed.r", nodes=(hot, f"{name}.bleed"), resistance=130e3),
            Capacitor(name=f"{name}.bleed.c", nodes=(f"{name}.bleed", "tip"), capacitance=1.2e-9),
            Resistor(name=f"{name}.tone", nodes=(hot, f"{name}.tone"), resistance=250e3),
            Capacitor(name=f"{name}.tone.capacitor", nodes=(f"{name}.tone", GROUND), capacitance=22e-9),
        ]
    elements += [
        Capacitor(name="cable", nodes=("tip", GROUND), capacitance=500e-12),
        Resistor(name="leak", nodes=("tip", GROUND), resistance=1e6),
        Resistor(name="stopper", nodes=("tip", "grid"), resistance=34e3),
        Capacitor(name="grid", nodes=("grid", GROUND), capacitance=107e-12),
    ]
    return Circuit(elements=tuple(elements), output="grid")


ONE_PICKUP_IN_C = r"""
#include <complex.h>
#include <math.h>
/* Highest gain of each variant: coil with one eddy section, volume and tone pot, cable and input. Values of a variant:
   coil R, eddy R, volume above and below the wiper, tone, input R, coil C, tone C, cable C, input C. */
void highest(const double *part, const double *hz, long variants, long points, double l, double le, double *out)
{
    for (long v = 0; v < variants; v++, part += 10) {
        double most = 0.0;
        const double upper = part[2], leak = 1 / part[3] + 1 / part[5], load = part[8] + part[9];
        for (long f = 0; f < points; f++) {
            const double w = 6.283185307179586 * hz[f], x = w * le, r = part[1], d = r * r + x * x;
            const double complex coil = part[0] + r * x * x / d + I * (w * l + r * r * x / d);
            const double complex below = leak + I * w * load;
            const double complex after = upper * below + 1; /* voltage at hot for 1 V at the tip */
            const double q = w * part[7], t = part[4] * q, n = 1 + t * t;
            const double complex tone = t * q / n + I * q / n;
            const double complex e = after + coil * (below + after * (I * w * part[6] + tone));
            const double g = 1 / (creal(e) * creal(e) + cimag(e) * cimag(e));
            if (g > most) most = g;
        }
        out[v] = sqrt(most);
    }
}
"""
IN_C = (
    "bridge.main.resistance",
    "bridge.main.eddy1.resistance",
    "volume.upper",
    "volume.lower",
    "tone.lower",
    "input.resistance",
    "bridge.main.capacitance",
    "tone_capacitor",
    "cable",
    "input.capacitance",
)


def highest_in_c(folder: Path, *flags: str) -> Callable[[dict[str, np.ndarray]], np.ndarray]:
    """Compile the closed form of the one-pickup rig, written by hand for it alone."""
    (folder / "one.c").write_text(ONE_PICKUP_IN_C, encoding="ascii")
    library = folder / "one.so"
    subprocess.run(["gcc", *flags, "-shared", "-fPIC", "-o", str(library), str(folder / "one.c"), "-lm"], check=True)
    function = ctypes.CDLL(str(library)).highest
    doubles = np.ctypeslib.ndpointer(np.float64, flags="C")
    function.argtypes = [doubles, doubles, *2 * [ctypes.c_long], *2 * [ctypes.c_double], doubles]
    coils = {part.name: part.inductance for part in one_pickup().of_kind(Inductor)}
    inductance, eddy = coils["bridge.main.inductance"], coils["bridge.main.eddy1.inductance"]

    def call(values: dict[str, np.ndarray]) -> np.ndarray:
        parts = np.column_stack([values[name] for name in IN_C])
        found = np.empty(len(parts))
        function(parts, GRID_HZ, len(parts), GRID_HZ.size, inductance, eddy, found)
        return found

    return call


CIRCUITS = {"one-pickup rig": one_pickup, "two pickups": two_pickups}


@pytest.mark.parametrize("name", CIRCUITS)
class TestOneResponse:
    """512 points, values unchanged: what a redrawn curve costs."""

    def test_compiled(self, name: str, timed: Timed) -> None:
        circuit = CIRCUITS[name]()
        timed(f"one response, {name}", "compiled star-mesh", GRID_HZ.size, lambda: solve(circuit, GRID_HZ), rounds=200)

    @needs_extra
    def test_extra(self, name: str, timed: Timed) -> None:
        circuit = CIRCUITS[name]()
        call = lambda: solve(circuit, GRID_HZ, is_compiled=True)  # noqa: E731
        call()
        timed(
            f"one response, {name}", "the extra, labkit[fast]", GRID_HZ.size, call, note="already compiled", rounds=200
        )

    @needs_extra
    def test_extra_with_new_values(self, name: str, timed: Timed) -> None:
        circuit = CIRCUITS[name]()
        values = {part: float(row[0]) for part, row in varied(circuit, 1).items()}
        call = lambda: solve(circuit, GRID_HZ, values, is_compiled=True)  # noqa: E731
        call()
        route, note = "the extra, new values", "every resistor and capacitor replaced"
        timed(f"one response, {name}", route, GRID_HZ.size, call, note=note, rounds=200)

    @needs_gcc
    def test_by_hand_in_c(self, name: str, timed: Timed, tmp_path: Path) -> None:
        if name != "one-pickup rig":
            pytest.skip("written for the one-pickup rig alone")
        values, in_c = varied(one_pickup(), 1), highest_in_c(tmp_path, "-O2")
        call = lambda: in_c(values)  # noqa: E731
        timed(f"one response, {name}", "by hand in C, -O2", GRID_HZ.size, call, note="called from Python", rounds=200)

    def test_batched_lapack(self, name: str, timed: Timed) -> None:
        circuit = CIRCUITS[name]()
        matrix, excitation, output = assemble(circuit, GRID_HZ)
        right = np.broadcast_to(excitation, (GRID_HZ.size, *excitation.shape))
        call = lambda: np.linalg.solve(matrix, right)[:, output]  # noqa: E731
        note = "matrices ready beforehand"
        timed(f"one response, {name}", "batched LAPACK, solve only", GRID_HZ.size, call, note=note, rounds=50)

    def test_whole_dense_route(self, name: str, timed: Timed) -> None:
        circuit = CIRCUITS[name]()
        call = lambda: solve_dense(circuit, GRID_HZ)  # noqa: E731
        timed(f"one response, {name}", "batched LAPACK, from the circuit", GRID_HZ.size, call, rounds=50)

    @pytest.mark.ngspice
    def test_ngspice(self, name: str, timed: Timed, tmp_path: Path) -> None:
        call, points = simulator_run(CIRCUITS[name](), tmp_path, sweeps=1)
        timed(f"one response, {name}", "ngspice, one sweep", points, call, note="process start and file included")

    @pytest.mark.ngspice
    def test_ngspice_many(self, name: str, timed: Timed, tmp_path: Path) -> None:
        call, points = simulator_run(CIRCUITS[name](), tmp_path, sweeps=50)
        timed(f"one response, {name}", "ngspice, 50 sweeps in one process", points, call, rounds=5)


def test_one_response_from_the_rig(timed: Timed) -> None:
    rig = half_way()
    note = "circuit built anew, as when a knob turns"
    call = lambda: rig.evaluate(GRID_HZ)  # noqa: E731
    timed("one response, one-pickup rig", "compiled star-mesh, from the rig", GRID_HZ.size, call, note=note, rounds=200)


def simulator_run(circuit: Circuit, folder: Path, *, sweeps: int) -> tuple[Callable[[], None], int]:
    """Return a call that sweeps a circuit in ngspice, and the points it solves."""
    lines, _, output = translate(circuit)
    (folder / "one.cir").write_text("\n".join(["* circuit", *lines, ".end", ""]), encoding="ascii")
    commands = ["set noaskquit", "source one.cir"]
    commands += ["ac dec 171 20 20000", f"write one.raw v({output})", "destroy all"] * sweeps

    def call() -> None:
        run_commands(commands, folder)

    call()
    return call, sweeps * len(read_raw(folder / "one.raw")[0])


def many_in_simulator(circuits: list[Circuit], grid: np.ndarray, folder: Path) -> tuple[Callable[[], None], int]:
    """Return a call that sweeps circuits one after another in one process of ngspice, and the points it solves."""
    commands = ["set noaskquit"]
    steps = max(round(grid.size / np.log10(grid[-1] / grid[0])), 1)
    for number, circuit in enumerate(circuits):
        lines, _, output = translate(circuit)
        (folder / f"c{number}.cir").write_text("\n".join(["* circuit", *lines, ".end", ""]), encoding="ascii")
        commands += [f"source c{number}.cir", f"ac dec {steps} {float(grid[0])!r} {float(grid[-1])!r}"]
        commands += [f"write c{number}.raw v({output})", "destroy all", "remcirc"]
    call = lambda: run_commands(commands, folder)  # noqa: E731
    call()
    return call, sum(len(read_raw(folder / f"c{number}.raw")[0]) for number in range(len(circuits)))


@pytest.mark.parametrize("name", CIRCUITS)
class TestManyVariants:
    """10 000 variants of 512 points, reduced to the highest level of each: what a spread of part values costs."""

    def test_compiled(self, name: str, timed: Timed) -> None:
        circuit = CIRCUITS[name]()
        values = varied(circuit, VARIANTS)
        call = lambda: highest_levels(circuit, values)  # noqa: E731
        note = memory_note(f"c = CIRCUITS[{name!r}](); highest_levels(c, varied(c, VARIANTS))")
        points = VARIANTS * GRID_HZ.size
        timed(f"{VARIANTS} variants, {name}", "compiled star-mesh, in blocks", points, call, note=note, rounds=3)

    @needs_extra
    def test_extra(self, name: str, timed: Timed) -> None:
        circuit = CIRCUITS[name]()
        values = varied(circuit, VARIANTS)
        call = lambda: highest_levels(circuit, values, is_compiled=True)  # noqa: E731
        np.testing.assert_allclose(call(), highest_levels(circuit, values, is_compiled=False), rtol=1e-12)
        points = VARIANTS * GRID_HZ.size
        timed(f"{VARIANTS} variants, {name}", "the extra, labkit[fast]", points, call, note="already loaded", rounds=3)

    @needs_gcc
    @pytest.mark.parametrize("flags", [("-O2",), ("-O3", "-march=native", "-ffast-math")], ids=" ".join)
    def test_by_hand_in_c(self, name: str, flags: tuple[str, ...], timed: Timed, tmp_path: Path) -> None:
        if name != "one-pickup rig":
            pytest.skip("written for the one-pickup rig alone")
        circuit = CIRCUITS[name]()
        values, in_c = varied(circuit, VARIANTS), highest_in_c(tmp_path, *flags)
        np.testing.assert_allclose(in_c(values), highest_levels(circuit, values), rtol=1e-9)
        points = VARIANTS * GRID_HZ.size
        call, route = lambda: in_c(values), f"by hand in C, {' '.join(flags)}"
        timed(f"{VARIANTS} variants, {name}", route, points, call, note="closed form of this circuit alone", rounds=3)

    def test_batched_lapack(self, name: str, timed: Timed) -> None:
        circuit = CIRCUITS[name]()
        matrices = [assemble(each, GRID_HZ) for each in few_of(circuit)]
        matrix = np.concatenate([one for one, _, _ in matrices])
        right = np.broadcast_to(matrices[0][1], (len(matrix), *matrices[0][1].shape))
        call = lambda: np.linalg.solve(matrix, right)  # noqa: E731
        note, points = f"{FEW} variants, matrices ready beforehand", FEW * GRID_HZ.size
        timed(f"{VARIANTS} variants, {name}", "batched LAPACK, solve only", points, call, note=note, rounds=5)

    @pytest.mark.ngspice
    def test_ngspice(self, name: str, timed: Timed, tmp_path: Path) -> None:
        call, points = many_in_simulator(few_of(CIRCUITS[name]()), GRID_HZ, tmp_path)
        note = f"{FEW} variants in one process, files read and written"
        timed(f"{VARIANTS} variants, {name}", "ngspice", points, call, note=note, rounds=3)


STREAMED, STREAMED_POINTS = 1_000_000, 64


@pytest.mark.parametrize(
    "is_compiled",
    [
        False,
        pytest.param(True, marks=needs_extra),
    ],
    ids=["numpy", "extra"],
)
def test_a_million_variants_streamed(is_compiled: bool, timed: Timed) -> None:
    """Parts drawn, solved and reduced to the highest level of each variant, some thousand variants at a time."""
    code = f"streamed(STREAMED, {is_compiled})"
    group, route = f"{STREAMED} variants × {STREAMED_POINTS}, one-pickup rig", "the extra" if is_compiled else "numpy"
    note = memory_note(code)
    call = lambda: streamed(STREAMED, is_compiled)  # noqa: E731
    timed(group, route, STREAMED * STREAMED_POINTS, call, note=note, rounds=1)


def streamed(variants: int, is_compiled: bool) -> float:
    """Return the highest gain of all variants of the one-pickup rig."""
    circuit, grid, most = one_pickup(), np.geomspace(50.0, 20_000.0, STREAMED_POINTS), 0.0
    parts = {name: float(row[0]) for name, row in varied(circuit, 1).items()}
    random = np.random.default_rng(21)
    for start in range(0, variants, 4096):
        values = {name: part * random.uniform(0.8, 1.2, min(4096, variants - start)) for name, part in parts.items()}
        for _, curves in solve_blocks(circuit, grid, values, is_compiled=is_compiled):
            most = max(most, float(np.abs(curves).max()))
    return most


FEW = 20


def few_of(circuit: Circuit) -> list[Circuit]:
    """Some variants of a circuit as circuits of their own."""
    rows = varied(circuit, FEW)
    return [circuit.with_values({key: float(row[place]) for key, row in rows.items()}) for place in range(FEW)]


def varied(circuit: Circuit, variants: int) -> dict[str, np.ndarray]:
    """Every resistor and capacitor spread by ±20 %."""
    random = np.random.default_rng(20)
    return {
        part.name: random.uniform(0.8, 1.2, variants)
        * (part.resistance if isinstance(part, Resistor) else part.capacitance)
        for part in (*circuit.of_kind(Resistor), *circuit.of_kind(Capacitor))
    }


def highest_levels(circuit: Circuit, values: dict[str, np.ndarray], *, is_compiled: bool | None = False) -> np.ndarray:
    """Highest gain of each variant, so that no curve is kept."""
    found = solve_blocks(circuit, GRID_HZ, values, is_compiled=is_compiled)
    return np.concatenate([np.abs(curves).max(axis=-1) for _, curves in found])


def memory_note(call: str) -> str:
    """Say what such a run takes in a process of its own."""
    most, own = megabytes(call)
    return f"{most:.0f} MB at most, interpreter and numpy included; {own:.0f} MB its own"


def megabytes(call: str) -> tuple[float, float]:
    """Resident memory of a process that does nothing but one such run, MB: its peak, and what is its own at the end.

    From Linux's own count: ``ru_maxrss`` would start from the parent's size. What is not its own are pages of programs
    and libraries, which lie in memory once for all processes and which the system takes back when it needs room.
    """
    code = (
        f"from tests.benchmarks.test_bench_solver import *\n{call}\n"
        "status = Path('/proc/self/status').read_text()\n"
        "print(*(status.partition(name)[2].split()[0] for name in ('VmHWM:', 'RssAnon:')))"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    most, own = (int(kilobytes) / 1024 for kilobytes in done.stdout.split())
    return most, own
