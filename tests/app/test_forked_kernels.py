"""Kernels forked from one process: what each has of its own, how its end is seen, and that none outlives the lab."""

from __future__ import annotations

import asyncio
import json
import os
import select
import signal
import socket
import subprocess
import sys

import psutil
import pytest

from labkit.app.server.forked import CAN_FORK, READY, TAKEN, ForkServer
from labkit.plugins.manager import FOLDERS_VARIABLE
from tests.app.test_ready_kernels import PATIENCE_S, _manager, _said_by, _until

pytestmark = pytest.mark.skipif(not CAN_FORK, reason="kernels are forked on Linux only")


MAGNET = 'sheet = "magnet"\nformat = 1\nname = "Saltmarsh Lane grade"\n'


def gone(pid: int) -> bool:
    """Whether a process has ended and nothing is left of it."""
    return not psutil.pid_exists(pid)


def test_kernels_share_a_parent_and_neither_variables_nor_random_numbers(tmp_path):
    async def ask():
        async with _manager(tmp_path, 1) as kernels:
            code = (
                "import os, random, numpy.random as n; print(os.getppid(), os.environ['QUERY_STRING'], os.getcwd(),"
                " random.random(), n.random(), 'debugpy.server' in __import__('sys').modules)"
            )
            said = []
            for query in ("one", "other"):
                taken = await kernels.start_kernel(kernel_name="python3", path="", env={"QUERY_STRING": query})
                said.append((await _said_by(kernels, taken, code)).split())
            one, other = said
            assert {int(one[0]), int(other[0])} == {kernels.fork_server.pid}
            assert (one[1], other[1]) == ("one", "other")
            assert one[2] == other[2] == str(tmp_path)
            assert one[3] != other[3]
            assert one[4] != other[4]
            assert one[5] == other[5] == "False"
            server = psutil.Process(kernels.fork_server.pid)
            pids = [server.pid, *(child.pid for child in server.children())]
            assert len(pids) >= 3
        await _until(lambda: all(map(gone, pids)))

    asyncio.run(ask())


def test_a_forked_kernel_takes_what_a_page_asks_for_its_widgets_by(tmp_path):
    async def ask():
        code = "import comm; print(*sorted(comm.get_comm_manager().targets))"
        for forks in (True, False):
            async with _manager(tmp_path, 0, forks=forks) as kernels:
                taken = await kernels.start_kernel(kernel_name="python3", path="", env={})
                said = await _said_by(kernels, taken, "import labkit.app.server.warm_up; " + code)
                assert said == "jupyter.widget jupyter.widget.control\n"

    asyncio.run(ask())


def test_the_end_of_a_forked_kernel_is_seen_and_leaves_no_zombie(tmp_path):
    async def lose():
        async with _manager(tmp_path, 1) as kernels:
            (waiting,) = kernels.waiting_ids()
            manager = kernels.get_kernel(waiting)
            manager.stop_restarter()
            pid = manager.provisioner.pid
            assert psutil.Process(pid).ppid() == kernels.fork_server.pid
            assert await manager.is_alive()
            os.kill(pid, signal.SIGKILL)
            await _until(lambda: gone(pid))
            assert not await manager.is_alive()
            await manager.provisioner.send_signal(signal.SIGTERM)  # to nobody
            taken = await kernels.start_kernel(kernel_name="python3", path="", env={})
            assert taken != waiting

    asyncio.run(lose())


def test_a_fork_server_that_was_killed_takes_its_kernels_along_and_another_one_starts(tmp_path):
    async def lose():
        async with _manager(tmp_path, 1) as kernels:
            (waiting,) = kernels.waiting_ids()
            kernels.get_kernel(waiting).stop_restarter()
            kernel, server = kernels.get_kernel(waiting).provisioner.pid, kernels.fork_server.pid
            os.kill(server, signal.SIGKILL)
            await _until(lambda: gone(kernel))
            taken = await kernels.start_kernel(kernel_name="python3", path="", env={})
            assert await _said_by(kernels, taken, "import os; print(os.getppid())") == f"{kernels.fork_server.pid}\n"
            assert kernels.fork_server.pid != server

    asyncio.run(lose())


def test_after_a_sheet_has_changed_the_next_kernels_know_what_follows_from_it(tmp_path, monkeypatch):
    monkeypatch.setenv(FOLDERS_VARIABLE, str(tmp_path / "sheets"))
    (tmp_path / "sheets").mkdir()
    code = (
        "import labkit.app.kit.sheets_read as s; from labkit.app.kit.pickup.made import read_text;"
        " print(s._remembered == s._found() and read_text.cache_info().currsize > 0)"
    )

    async def ask():
        async with _manager(tmp_path, 0) as kernels:

            async def said():
                taken = await kernels.start_kernel(kernel_name="python3", path="", env=dict(os.environ))
                found = await _said_by(kernels, taken, code)
                await kernels.shutdown_kernel(taken, now=True)
                return found

            async def is_warm():
                async with asyncio.timeout(PATIENCE_S):
                    while await said() != "True\n":
                        await asyncio.sleep(0.2)

            await is_warm()
            (tmp_path / "sheets" / "magnet.toml").write_text(MAGNET, "utf-8")
            assert await said() == "False\n"  # it was forked before anybody looked, and would forget
            await is_warm()

    asyncio.run(ask())


def test_where_forking_fails_a_kernel_is_a_new_python(tmp_path, monkeypatch):
    async def refuse(*_):
        raise ConnectionError("no")

    async def ask():
        async with _manager(tmp_path, 0) as kernels:
            monkeypatch.setattr(ForkServer, "kernel", refuse)
            taken = await kernels.start_kernel(kernel_name="python3", path="", env={})
            assert await _said_by(kernels, taken, "import os; print(os.getppid())") == f"{os.getpid()}\n"

    asyncio.run(ask())


LAB = """
import asyncio, os, sys
from labkit.app.server.kernels import ReadyKernels
from labkit.app.server.server import OwnKernels
async def main():
    folder = sys.argv[1]
    own = OwnKernels()
    kernels = ReadyKernels(forks=True, waiting=2, connection_dir=folder, root_dir=folder, kernel_spec_manager=own)
    while len(kernels.list_kernel_ids()) < 2:
        await asyncio.sleep(0.05)
    pids = [kernels.get_kernel(each).provisioner.pid for each in kernels.list_kernel_ids()]
    print(kernels.fork_server.pid, *pids, flush=True)
    await asyncio.Event().wait()
asyncio.run(main())
"""


def test_nothing_is_left_of_a_lab_that_was_killed(tmp_path):
    with subprocess.Popen([sys.executable, "-c", LAB, str(tmp_path)], stdout=subprocess.PIPE, text=True) as lab:
        pids = [int(number) for number in lab.stdout.readline().split()]
        assert len(pids) == 3
        assert not any(map(gone, pids))
        lab.kill()
    asyncio.run(_until(lambda: all(map(gone, pids))))


@pytest.mark.parametrize("when", ["before it has asked", "before the answer", "after the answer"])
def test_a_kernel_whose_asker_has_hung_up_ends_without_a_word(tmp_path, capfd, when):
    asked = {"arguments": ["-f", str(tmp_path / "kernel-x.json")], "environment": dict(os.environ), "folder": "/"}
    server = ForkServer()
    try:
        at = server.start()
        ours, theirs = socket.socketpair()
        socket.send_fds(at, [b"1"], [theirs.fileno()])
        theirs.close()
        if when != "before it has asked":
            ours.sendall(json.dumps(asked).encode() + b"\n")
        handle = None
        if when == "after the answer":
            said, (handle,), _, _ = socket.recv_fds(ours, 64, 1)
            assert said.startswith(READY)
        ours.close()
        if handle is not None:
            select.select([handle], [], [])  # until it has ended
            os.close(handle)
        # the next one is asked for after it and comes: the process that is forked has seen the other one through
        ours, theirs = socket.socketpair()
        with ours:
            socket.send_fds(at, [b"1"], [theirs.fileno()])
            theirs.close()
            ours.sendall(json.dumps(asked).encode() + b"\n")
            said, (handle,), _, _ = socket.recv_fds(ours, 64, 1)
            ours.sendall(TAKEN)
            number = int(said.removeprefix(READY))
            asyncio.run(_until(lambda: [child.pid for child in psutil.Process(server.pid).children()] == [number]))
    finally:
        server.close()
    select.select([handle], [], [])
    os.close(handle)
    assert "Traceback" not in capfd.readouterr().err


def test_a_process_of_several_threads_is_not_forked():
    code = (
        "import threading; from labkit.app.server import forked; forked._prepare = lambda: iter([None])\n"
        "threading.Thread(target=threading.Event().wait, daemon=True).start(); forked.main()"
    )
    ours, theirs = socket.socketpair()
    with ours, theirs:
        done = subprocess.run(
            [sys.executable, "-c", code, str(theirs.fileno())],
            pass_fds=[theirs.fileno()], capture_output=True, text=True, timeout=PATIENCE_S,
        )  # fmt: skip
    assert done.stderr == "no kernels are forked: 2 threads run where one may\n"
