"""Writers and readers as processes of their own, for killing them and for running several at once.

python -m tests.book.workers 200     # kills 200 writers, then lets two writers and four readers run together
"""

from __future__ import annotations

import random
import select
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from labkit.book.evidence import book_evidence
from labkit.book.records import Session, WoundCoil
from labkit.book.store import open_book
from tests.book.books import read, small_book, wound

READINGS = (("resistance", 5900.0, "Ω"), ("inductance", 2.2, "H"), ("loss_resistance", 6100.0, "Ω"))


def write(path: Path, name: str, count: int) -> None:
    """Enter coils of three readings each, and say the serial number of each once it is in the book."""
    with open_book(path) as book:
        print("ready", flush=True)
        for number in range(count):
            coil = wound(book, f"{name}-{number}")
            with book.writing():
                book.add(coil)
                for quantity, value, unit in READINGS:
                    book.add(read(book, coil, quantity, value, unit))
            print(coil.serial, flush=True)


def watch(path: Path) -> None:
    """Read the book again and again until standard input ends; fail where a coil is not whole."""
    times = 0
    print("ready", flush=True)
    while not select.select([sys.stdin], [], [], 0)[0]:
        with open_book(path) as book:
            for _ in range(5):
                coils = book_evidence(book).coils
                halves = [coil.serial for coil in coils if len(coil.readings) != len(READINGS)]
                if halves:
                    raise SystemExit(f"half a coil was seen: {halves}")
                times += 1
                time.sleep(0.01)
    print(f"read {times} times")


def start(*arguments: object) -> subprocess.Popen[str]:
    """Return a process that does one of the above, once it is ready."""
    command = [sys.executable, "-m", "tests.book.workers", *map(str, arguments)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def kill_writers(path: Path, times: int, seed: int = 1) -> int:
    """Kill a writer ``times`` times, each after another number of coils and a chance moment; return coils entered.

    Fails where a coil that was reported is lost, one is not whole, or the file is not sound.
    """
    chance = random.Random(seed)
    reported: set[str] = set()
    for turn in range(times):
        with start("write", path, f"w{turn}", 10_000) as process, open_book(path) as book:
            assert process.stdout is not None
            for _ in range(chance.randrange(1, 6)):
                reported.add(process.stdout.readline().strip())
            book.query("select count(*) from reading")
            sum(index * index for index in range(chance.randrange(60_000)))  # to a chance moment of a write
            process.kill()
            reported.update(line.strip() for line in process.stdout)
    with open_book(path) as book:
        assert book.check() == ()
        coils = {coil.uid: coil.serial for coil in book.records(WoundCoil)}
        assert reported <= set(coils.values()), reported - set(coils.values())
        counts = dict(book.query("select coil, count(*) from reading group by coil"))
        assert set(counts) == set(coils)
        assert set(counts.values()) <= {len(READINGS)}
        return len(coils)


def run_together(path: Path, writers: int, readers: int, count: int) -> list[str]:
    """Let writers and readers run at once; return what the readers said. Fails where anything is lost or half."""
    watching = [start("watch", path) for _ in range(readers)]
    writing = [start("write", path, f"together{number}", count) for number in range(writers)]
    for process in writing:
        with process:
            assert process.stdout is not None
            output = process.stdout.read()  # what `start` has read ahead is in there; communicate would lose it
        assert process.returncode == 0
        assert len(output.split()) == count
    said = [process.communicate("stop")[0].strip() for process in watching]
    assert all(process.returncode == 0 for process in watching), said
    with open_book(path) as book:
        assert book.check() == ()
        serials = [serial for (serial,) in book.query("select serial from coil where serial like 'together%'")]
        assert len(serials) == len(set(serials)) == writers * count
        assert book.query(
            "select count(*) from reading r join coil c on c.uid = r.coil where serial like 'together%'"
        ) == [(len(READINGS) * writers * count,)]
    return said


if __name__ == "__main__":
    task = sys.argv[1]
    if task == "write":
        write(Path(sys.argv[2]), sys.argv[3], int(sys.argv[4]))
    elif task == "watch":
        watch(Path(sys.argv[2]))
    else:
        with tempfile.TemporaryDirectory() as folder:
            with small_book(Path(folder)) as made:
                assert made.records(Session)
            where = Path(folder) / "workshop.book"
            print(f"{task} writers killed: {kill_writers(where, int(task))} whole coils, nothing lost, file sound")
            print("two writers and four readers:", run_together(where, 2, 4, 150))
