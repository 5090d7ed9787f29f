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
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Chunks:
    """Chunks of a study: how many, CPU seconds of one on a worker and of its result where they are added up, bytes."""

    count: int
    worker_s: float
    adding_s: float
    size: int

    def gain(self, threads: int) -> float:
        """Return how many times sooner the study is done than by one thread: whole rounds, or the adding up, if longer.

        >>> few = Chunks(1600, 0.1, 0.001, 0)
        >>> few.gain(8), few.gain(320)
        (8.0, 100.0)
        """
        rounds = -(-self.count // threads)
        return self.count * self.worker_s / max(rounds * self.worker_s, self.count * self.adding_s)


def chunks_of(count: int, repeats: int = 5) -> Chunks:
    """Measure the chunks of a study."""
    made = study(count)
    made(0)
    worker, adding, state = [], [], _empty(made)
    for number in range(min(repeats, made.chunks)):
        start = time.process_time()
        sent = pickle.dumps(made(number))
        worker.append(time.process_time() - start)
        start = time.process_time()
        task = pickle.dumps(made)  # goes out with every chunk
        state = _added(state, pickle.loads(sent))
        adding.append(time.process_time() - start)
    return Chunks(made.chunks, min(worker), min(adding), len(sent) + len(task))


def page(alone: dict[int, tuple[float, float]], chunks: dict[int, Chunks]) -> str:
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
        lines.append(f"| {_spaced(count)} | {seconds / first:.1f} | {each:.2f} | {memory:.0f} MB |")
    lines += [
        "",
        "Memory is what is added up, not what was drawn: a row of sums for every 4096 variants is all that grows. Most "
        "of what a larger study takes beyond a small one is the compiler of the extra, where that is installed.",
        "",
        "## By nodes",
        "",
        f"How many times sooner than by one thread. Worked out, not tried: each node has {THREADS} threads as fast as "
        "the machine measured on, a chunk is worked on by one, and the process that started the study sends chunks out "
        "and adds their results up, one after another. What the scheduler and the network add is not counted; two "
        "worker processes on one machine are what the tests run.",
        "",
        "| | " + " | ".join(f"{_spaced(count)} variants" for count in chunks) + " |",
        "|---" * (1 + len(chunks)) + "|",
        "| chunks | " + " | ".join(str(each.count) for each in chunks.values()) + " |",
        "| sent and returned, a chunk | " + " | ".join(f"{each.size / 1000:.0f} kB" for each in chunks.values()) + " |",
        "| work of a chunk over adding it up | "
        + " | ".join(f"{each.worker_s / each.adding_s:.0f}" for each in chunks.values())
        + " |",
    ]
    for nodes in NODES:
        gains = " | ".join(f"{each.gain(nodes * THREADS):.0f} ×" for each in chunks.values())
        lines.append(f"| {nodes} node{'s' * (nodes > 1)}, {nodes * THREADS} threads | {gains} |")
    lines += [
        "",
        "More threads than there are chunks, or than the third row says, wait. More frequencies or parts make chunks "
        "longer, not more numerous.",
    ]
    return "\n".join(lines) + "\n"


def _spaced(count: int) -> str:
    return f"{count:,}".replace(",", " ")


def main() -> None:
    """Run the study and write its page."""
    alone = {count: run_alone(count) for count in COUNTS}
    PAGE.write_text(page(alone, {count: chunks_of(count) for count in COUNTS}), encoding="utf-8")


if __name__ == "__main__":
    main()
