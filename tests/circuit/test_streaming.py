"""A large study needs little memory, because blocks are consumed one by one."""

from __future__ import annotations

from tests.benchmarks.test_bench_solver import streaming_megabytes


def test_ten_thousand_variants_of_512_points_need_less_than_150_megabytes() -> None:
    # The curves alone would take 82 MB; the interpreter with numpy takes about 40 MB. 150 MB is the promise to users.
    assert streaming_megabytes("one-pickup rig") < 150
