"""The optional extra `labkit[fast]`: the programs of `labkit.circuit.solve.program` as machine code.

The operations of a program are written out for one topology, with real and imaginary parts apart, and compiled by LLVM
for `LANES` frequencies at a time; what is zero by its kind (the imaginary part of a conductance, the real part of jωC)
is left out, and what does not depend on frequency is worked out once a variant. Compiling takes some hundredths of a
second a topology: it runs where that pays (`pays`), and the numpy route otherwise. Multiplications and additions are
kept apart and nothing is reordered, so the digits are the same on every processor.
"""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Callable, Mapping
from functools import lru_cache
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

import numpy as np

from labkit.circuit.solve.topology import capacitive, constant, dissipative, inductive

if TYPE_CHECKING:
    from labkit.circuit.solve.program import Program

PAYS_FROM = 5_000_000
"""Points (variants × frequencies) from which a study is faster with the extra although it has to be loaded first."""

LANES = 8
"""Frequencies worked on at a time; narrower processors take a row in two or four steps."""

_turn = threading.Lock()


def is_installed() -> bool:
    """Return True where the extra is installed."""
    return find_spec("llvmlite") is not None


def pays(points: int) -> bool:
    """Return True where the extra is installed and so many points are solved sooner with it, loading included.

    It depends on the number alone, not on what ran before: a study gives the same digits in any process.
    """
    return points >= PAYS_FROM and is_installed()


def version_line() -> str:
    """Return the line of ``labkit --version`` on the extra.

    >>> version_line().startswith("fast circuits:")
    True
    """
    if not is_installed():
        return "fast circuits: no (pip install labkit[fast])"
    from importlib.metadata import version

    return f"fast circuits: yes (llvmlite {version('llvmlite')})"


def run_compiled(
    program: Program, coefficients: np.ndarray, rows: np.ndarray, points: int, emfs: Mapping[int, np.ndarray | float]
) -> np.ndarray:
    """Run a program as `labkit.circuit.solve.program.run` does; the extra must be installed.

    Parameters and result are those of that function, with the basis as `laid_out` gives it and its number of
    frequencies beside it. The results agree within some 1e-13.
    """
    (cells, variants), width = coefficients.shape, rows.shape[-1]
    values = np.empty((max(cells + len(emfs), 1), variants))
    values[:cells] = coefficients
    is_flat = tuple(
        isinstance(each, float) or (each.shape[-1] == 1 and not np.iscomplexobj(each)) for each in emfs.values()
    )
    full = None
    if not all(is_flat):
        full = np.zeros((len(is_flat) - sum(is_flat), variants, width), dtype=complex)
    for place, each in enumerate(emfs.values()):
        if is_flat[place]:
            values[cells + place] = each if isinstance(each, float) else each[..., 0]
        elif full is not None:
            full[sum(not other for other in is_flat[:place]), :, :points] = each
    result = np.empty((len(program.currents) + 1, variants, width), dtype=complex)
    call, _ = _kernel(program, is_flat)
    call(variants, width, _at(values), _at(rows), _at(full), _at(result))
    return result if points == width else result[..., :points]


def laid_out(basis: np.ndarray) -> np.ndarray:
    """Return the rows of a basis, (rows, F), with real and imaginary parts apart: (rows, 2, at least `LANES`)."""
    points = basis.shape[-1]
    rows = np.zeros((len(basis), 2, max(points, LANES)))
    rows[:, 0, :points], rows[:, 1, :points] = basis.real, basis.imag
    return rows


def _at(array: np.ndarray | None) -> int | None:
    """Address of an array, in a third of the time that its own attribute takes."""
    return None if array is None else ctypes.addressof(ctypes.c_char.from_buffer(array.data))


@lru_cache(maxsize=512)
def _kernel(program: Program, is_flat: tuple[bool, ...]) -> tuple[Callable[..., None], Any]:
    """Return the function, and the engine that holds its code for as long as it is kept."""
    from llvmlite import binding

    text = _Writer(program, is_flat).text()
    with _turn:
        binding.initialize_native_target()
        binding.initialize_native_asmprinter()
        # The engine takes the machine over. A higher level of optimisation compiles longer and runs no faster.
        machine = binding.Target.from_default_triple().create_target_machine(
            cpu=binding.get_host_cpu_name(), features=binding.get_host_cpu_features().flatten(), opt=1, jit=True
        )
        engine = binding.create_mcjit_compiler(binding.parse_assembly(text), machine)
        engine.finalize_object()
    call = ctypes.CFUNCTYPE(None, *2 * [ctypes.c_int64], *4 * [ctypes.c_void_p])(engine.get_function_address("run"))
    return call, engine


_Parts = tuple[str | None, str | None]
"""Names of the real and imaginary part of a number; None is zero."""

ONE = "one"


class _Writer:
    """Writes a program as LLVM's assembly; a name that starts with ``%v`` is the same at all frequencies."""

    def __init__(self, program: Program, is_flat: tuple[bool, ...]) -> None:
        self.program = program
        self.is_flat = is_flat
        self.lines: dict[str, list[str]] = {"v": [], "f": []}
        self.count = 0

    def text(self) -> str:
        slots = self._operations()
        self._results(slots)
        n = LANES
        return f"""
define void @run(i64 %V, i64 %F, ptr noalias %values, ptr noalias %rows, ptr noalias %full, ptr noalias %result) {{
entry:
  %last = sub i64 %F, {n}
  br label %variant
variant:
  %v = phi i64 [ 0, %entry ], [ %v.next, %after ]
  %line = mul i64 %v, %F
{chr(10).join(self.lines["v"])}
  br label %point
point:
  %start = phi i64 [ 0, %variant ], [ %start.next, %point ]
  %is.inside = icmp slt i64 %start, %last
  %f = select i1 %is.inside, i64 %start, i64 %last
{chr(10).join(self.lines["f"])}
  %start.next = add i64 %start, {n}
  %is.more = icmp slt i64 %start.next, %F
  br i1 %is.more, label %point, label %after
after:
  %v.next = add i64 %v, 1
  %is.done = icmp sge i64 %v.next, %V
  br i1 %is.done, label %end, label %variant
end:
  ret void
}}
"""

    def _say(self, place: str, text: str) -> str:
        self.count += 1
        name = f"%{place}{self.count}"
        self.lines[place].append(f"  {name} = {text}")
        return name

    def _place(self, *names: str | None) -> str:
        return "f" if any(name is not None and name.startswith("%f") for name in names) else "v"

    def _op(self, what: str, a: str, b: str) -> str:
        return self._say(self._place(a, b), f"{what} <{LANES} x double> {a}, {b}")

    def _add(self, a: str | None, b: str | None) -> str | None:
        return b if a is None else a if b is None else self._op("fadd", a, b)

    def _negative(self, a: str | None) -> str | None:
        return None if a is None else self._say(self._place(a), f"fneg <{LANES} x double> {a}")

    def _subtract(self, a: str | None, b: str | None) -> str | None:
        return a if b is None else self._negative(b) if a is None else self._op("fsub", a, b)

    def _times(self, a: str | None, b: str | None) -> str | None:
        if a is None or b is None:
            return None
        return b if a == ONE else a if b == ONE else self._op("fmul", a, b)

    def _product(self, a: _Parts, b: _Parts) -> _Parts:
        return (
            self._subtract(self._times(a[0], b[0]), self._times(a[1], b[1])),
            self._add(self._times(a[0], b[1]), self._times(a[1], b[0])),
        )

    def _sum(self, a: _Parts, b: _Parts, sign: int = 1) -> _Parts:
        join = self._add if sign > 0 else self._subtract
        return join(a[0], b[0]), join(a[1], b[1])

    def _reciprocal(self, a: _Parts) -> _Parts:
        from labkit.circuit.solve.program import OPEN_SIEMENS

        real = self._add(a[0], self._splat(OPEN_SIEMENS))
        size = real if a[1] is None else self._add(self._times(real, real), self._times(a[1], a[1]))
        assert size is not None
        inverse = self._op("fdiv", self._splat(1.0), size)
        if a[1] is None:
            return inverse, None
        return self._times(real, inverse), self._negative(self._times(a[1], inverse))

    def _splat(self, value: float) -> str:
        return "<" + ", ".join([f"double {np.float64(value).view(np.int64):#018x}"] * LANES) + ">"

    def _value(self, place: int) -> str:
        """Load row ``place`` of the (values, V) table at this variant, for all lanes."""
        base = self._say("v", f"mul i64 %V, {place}")
        at = self._say("v", f"add i64 {base}, %v")
        pointer = self._say("v", f"getelementptr double, ptr %values, i64 {at}")
        one = self._say("v", f"load double, ptr {pointer}")
        first = self._say("v", f"insertelement <{LANES} x double> poison, double {one}, i32 0")
        return self._say(
            "v", f"shufflevector <{LANES} x double> {first}, <{LANES} x double> poison, {_mask([0] * LANES)}"
        )

    def _row(self, place: int) -> str:
        base = self._say("v", f"mul i64 %F, {place}")
        at = self._say("f", f"add i64 {base}, %f")
        pointer = self._say("f", f"getelementptr double, ptr %rows, i64 {at}")
        return self._say("f", f"load <{LANES} x double>, ptr {pointer}, align 8")

    def _complex_at(self, table: str, place: int) -> str:
        """Return a pointer to (place, v, f) of a (places, V, F) complex table."""
        above = self._say("v", f"mul i64 %V, {place}")
        base = self._say("v", f"add i64 {above}, %v")
        line = self._say("v", f"mul i64 {base}, %F")
        at = self._say("f", f"add i64 {line}, %f")
        twice = self._say("f", f"shl i64 {at}, 1")
        return self._say("f", f"getelementptr double, ptr %{table}, i64 {twice}")

    def _operations(self) -> dict[int, _Parts]:
        slots: dict[int, _Parts] = dict.fromkeys(range(self.program.branches), (None, None))
        rows: dict[int, _Parts] = {}
        for place, (branch, row) in enumerate(self.program.cells):
            if row not in rows:
                kind = self.program.rows[row]
                rows[row] = (
                    ONE if kind is constant else None if kind in (capacitive, inductive) else self._row(2 * row),
                    None if kind in (constant, dissipative) else self._row(2 * row + 1),
                )
            slots[branch] = self._sum(slots[branch], self._product((self._value(place), None), rows[row]))
        emfs: dict[int, _Parts] = {}
        for letter, out, *rest in self.program.operations:
            a = slots[int(rest[0])]
            match letter:
                case "s":
                    total = a
                    for slot in rest[1:]:
                        total = self._sum(total, slots[int(slot)])
                    slots[int(out)] = self._reciprocal(total)
                case "m":
                    slots[int(out)] = self._product(a, slots[int(rest[1])])
                case "w":
                    slots[int(out)] = self._sum((None, None), self._product(a, slots[int(rest[1])]), -1)
                case "f" | "n":
                    product = self._product(a, slots[int(rest[1])])
                    slots[int(out)] = self._sum(slots[int(out)], product, 1 if letter == "f" else -1)
                case "e" | "E":
                    index = int(rest[1])
                    source = index if index >= 0 else ~index
                    if source not in emfs:
                        emfs[source] = self._emf(source)
                    before = slots[int(out)] if letter == "E" else (None, None)
                    slots[int(out)] = self._sum(before, self._product(a, emfs[source]), 1 if index >= 0 else -1)
                case "+" | "-":
                    slots[int(out)] = self._sum(slots[int(out)], a, 1 if letter == "+" else -1)
                case "~":
                    slots[int(out)] = self._sum((None, None), a, -1)
        return slots

    def _emf(self, source: int) -> _Parts:
        if self.is_flat[source]:
            return self._value(len(self.program.cells) + source), None
        pointer = self._complex_at("full", sum(not flat for flat in self.is_flat[:source]))
        both = self._say("f", f"load <{2 * LANES} x double>, ptr {pointer}, align 8")
        wide = f"<{2 * LANES} x double>"
        real, imaginary = (
            self._say("f", f"shufflevector {wide} {both}, {wide} poison, {_mask(range(first, 2 * LANES, 2))}")
            for first in (0, 1)
        )
        return real, imaginary

    def _results(self, slots: Mapping[int, _Parts]) -> None:
        through = (None, None) if self.program.through is None else slots[self.program.through]
        impedance = self._reciprocal(through)
        for place, current in enumerate(self.program.currents):
            arriving = (None, None) if current is None else slots[current]
            self._store(place, self._sum((None, None), self._product(arriving, impedance), -1))
        self._store(len(self.program.currents), impedance)

    def _store(self, place: int, value: _Parts) -> None:
        real, imaginary = (part or self._splat(0.0) for part in value)
        lanes = f"<{LANES} x double>"
        order = [each for lane in range(LANES) for each in (lane, LANES + lane)]
        both = self._say("f", f"shufflevector {lanes} {real}, {lanes} {imaginary}, {_mask(order)}")
        pointer = self._complex_at("result", place)
        self.lines["f"].append(f"  store <{2 * LANES} x double> {both}, ptr {pointer}, align 8")


def _mask(order: Any) -> str:
    chosen = list(order)
    return f"<{len(chosen)} x i32> <" + ", ".join(f"i32 {each}" for each in chosen) + ">"
