"""A large study needs little memory, because blocks are consumed one by one."""

from __future__ import annotations

import pytest

from labkit.circuit.solve import fast
from tests.benchmarks.test_bench_solver import megabytes


def test_ten_thousand_variants_of_512_points_need_less_than_150_megabytes() -> None:
    # The curves alone would take 82 MB; the interpreter with numpy takes about 40 MB. 150 MB is the promise to users.
    assert megabytes("c = one_pickup(); highest_levels(c, varied(c, VARIANTS))")[0] < 150


@pytest.mark.skipif(not fast.is_installed(), reason="llvmlite (labkit[fast]) is not installed")
def test_with_the_extra_it_is_the_compilers_library_that_comes_on_top() -> None:
    most, own = megabytes("streamed(100_000, True)")
    # 100 MB is the promise to users; pages of LLVM's library, some 65 MB, are shared by all processes.
    assert own < 100
    assert most < 200
