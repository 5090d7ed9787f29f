"""What a tolerance study costs by its size and by the machines it runs on: ``python -m tests.study.cost_study``.

Sizes are run, one after another, in a process of their own each; numbers of nodes are worked out from the time of a
chunk on a worker and of its result in the process that adds the chunks up, which is what limits a large cluster.
"""

from __future__ import annotations

import json
import pickle
import subprocess
import sys
import time
from pathlib import Path

from labkit.circuit.solve import fast
from labkit.rig.sheet import load_rig
from labkit.study.tolerance.tolerance import _added, _empty, tolerance_study

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "reference" / "cost_study.md"
RIG, POINTS, SEED = "Saltmarsh Lane, narrow single coil", 64, 1
COUNTS = (10_000, 100_000, 1_000_000, 10_000_000)
NODES, THREADS = (1, 5, 10, 20, 40), 8

ONE = """
import json, resource, sys, time
from labkit.study.tolerance.tolerance import run_tolerance
from tests.study.cost_study import study
run_tolerance(study(10_000))
memory = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
before, start = memory(), time.process_time()
run_tolerance(study(int(sys.argv[1])))
print(json.dumps([time.process_time() - start, memory() - before]))
"""


def study(count: int):  # type: ignore[no-untyped-def]
    """Return the study of one size."""
    return tolerance_study(load_rig(RIG), count=count, points=POINTS, seed=SEED)


def run_alone(count: int) -> tuple[float, float]:
    """Return CPU seconds of a study in one process, and its largest memory above that of a small one, MB."""
    done = subprocess.run([sys.executable, "-c", ONE, str(count)], cwd=ROOT, check=True, capture_output=True, text=True)
    seconds, memory = json.loads(done.stdout)
    return seconds, memory


def chunk_cost(repeats: int = 20) -> tuple[float, float, int]:
    """Return CPU seconds of a chunk on a worker, of its result where chunks are added up, and the result's bytes."""
    made = study(10_000_000)
    made(0)
    worker, adding, state = [], [], _empty(made)
    for number in range(repeats):
        start = time.process_time()
        sent = pickle.dumps(made(number))
        worker.append(time.process_time() - start)
        start = time.process_time()
        task = pickle.dumps(made)  # goes out with every chunk
        state = _added(state, pickle.loads(sent))
        adding.append(time.process_time() - start)
    return min(worker), min(adding), len(sent) + len(task)


def shared(threads: int, chunks: int, worker_s: float, adding_s: float) -> float:
    """Return how many times sooner a study is done than by one thread: whole rounds, or the adding up, if longer.

    >>> shared(8, 1600, 0.1, 0.001), shared(320, 1600, 0.1, 0.001)
    (8.0, 100.0)
    """
    rounds = -(-chunks // threads)
    return chunks * worker_s / max(rounds * worker_s, chunks * adding_s)


def page(alone: dict[int, tuple[float, float]], worker_s: float, adding_s: float, size: int) -> str:
    """Return the page."""
    first = alone[COUNTS[0]][0]
    extra = f"The extra `labkit[fast]` was {'' if fast.is_installed() else 'not '}installed"
    extra += f" and runs from {fast.PAYS_FROM // POINTS} variants on." if fast.is_installed() else "."
    lines = [
        "# What a large study costs",
        "",
        f"Written by `python -m tests.study.cost_study`: tolerance studies of the rig “{RIG}” on {POINTS} frequencies, "
        f"seed {SEED}, on one machine. All times are ratios; a machine has its own seconds. {extra}",
        "",
        "## By its size, in one process",
        "",
        "| variants | CPU time | CPU time a variant | memory above a small study |",
        "|---|---|---|---|",
    ]
    for count, (seconds, memory) in alone.items():
        each = seconds / count / (first / COUNTS[0])
        lines.append(f"| {count:,} | {seconds / first:.1f} | {each:.2f} | {memory:.0f} MB |".replace(",", " "))
    lines += [
        "",
        "Memory is what is added up, not what was drawn: a row of sums for every 4096 variants is all that grows.",
        "",
        "## By nodes",
        "",
        f"Worked out, not tried: each node has {THREADS} threads as fast as the machine measured on; a chunk (8192 "
        f"variants) takes a thread {worker_s / adding_s:.0f} times as long as sending it out and adding its result up "
        f"takes the process that started the study, and its way there and back is {size / 1000:.0f} kB. More threads "
        "than that wait. What the scheduler and the network add is not counted; two worker processes on one machine "
        "are what the tests run.",
        "",
        "| nodes | threads | " + " | ".join(f"{count:,} variants".replace(",", " ") for count in COUNTS) + " |",
        "|---" * (2 + len(COUNTS)) + "|",
    ]
    for nodes in NODES:
        gains = [shared(nodes * THREADS, -(-count // 8192), worker_s, adding_s) for count in COUNTS]
        lines.append(f"| {nodes} | {nodes * THREADS} | " + " | ".join(f"{gain:.0f} ×" for gain in gains) + " |")
    lines += [
        "",
        "How many times sooner than one thread. A study of 10 000 variants has two chunks, so that two threads are all "
        "it can use.",
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run the study and write its page."""
    alone = {count: run_alone(count) for count in COUNTS}
    PAGE.write_text(page(alone, *chunk_cost()), encoding="utf-8")


if __name__ == "__main__":
    main()
