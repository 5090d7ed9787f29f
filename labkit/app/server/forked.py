"""Kernels forked from one process that has imported everything: ready in a tenth of the time, in half the memory.

``python limited_memory.py labkit.app.server.forked FD`` is that process. It runs a single thread, imports and prepares
what `labkit.app.server.warm_up` says, and waits at the socket with the number FD. Each message there brings one end of
another socket, through which a kernel is asked for; the kernel answers when it can be talked to, and goes on once the
lab has said that it takes it. It has inherited the limit of memory. When the lab ends, however it does, its end of the
socket closes, the process ends, and the system ends the kernels with it.

Only Linux has all of that (a fork is safe there, ends can be watched and be tied together); elsewhere, and where
forking fails, a kernel is a new Python.
"""

from __future__ import annotations

import asyncio
import ctypes
import gc
import json
import logging
import os
import random
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

from jupyter_client.provisioning.factory import KernelProvisionerFactory
from jupyter_client.provisioning.local_provisioner import LocalProvisioner

from labkit.app.server import limited_memory

CAN_FORK = sys.platform.startswith("linux") and hasattr(os, "pidfd_open") and hasattr(signal, "pidfd_send_signal")
"""Whether kernels can be forked here."""

READY, TAKEN = b"ready", b"taken"
_END_WITH_PARENT, _NAME = 1, 15  # PR_SET_PDEATHSIG and PR_SET_NAME of prctl(2)


class ForkServer:
    """The process that is forked, seen from the lab."""

    def __init__(self) -> None:
        self._socket: socket.socket | None = None
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int | None:
        """Number of the process; None before its start."""
        return None if self._process is None else self._process.pid

    def start(self) -> socket.socket:
        """Start the process, or another one where it has ended, and return the socket to it."""
        if self._process is not None and self._process.poll() is not None:
            self.close()
        if self._socket is None:
            self._socket, theirs = socket.socketpair()
            with theirs:
                number = str(theirs.fileno())
                self._process = subprocess.Popen(
                    [sys.executable, limited_memory.__file__, __name__, number],
                    env={**os.environ, limited_memory.THREADS: "1"},
                    stdin=subprocess.DEVNULL,
                    pass_fds=[theirs.fileno()],
                    start_new_session=True,  # Ctrl+C is for the lab, which then closes this
                )
        return self._socket

    async def kernel(self, arguments: list[str], environment: dict[str, str], folder: str) -> ForkedProcess:
        """Return a new kernel that can be talked to.

        Raises
        ------
        OSError
            If there is no process to fork, or the kernel has ended before it was ready.
        """
        asked = {"arguments": arguments, "environment": environment, "folder": folder}
        server = self.start()
        ours, theirs = socket.socketpair()
        with ours:
            with theirs:
                socket.send_fds(server, [b"1"], [theirs.fileno()])
            ours.setblocking(False)
            loop = asyncio.get_running_loop()
            await loop.sock_sendall(ours, json.dumps(asked).encode() + b"\n")
            readable = asyncio.Event()
            loop.add_reader(ours, readable.set)
            try:
                await readable.wait()
            finally:
                loop.remove_reader(ours)
            said, handles, _, _ = socket.recv_fds(ours, 64, 1)
            if not said.startswith(READY):
                raise ConnectionError("the kernel ended before it was ready")
            ours.sendall(TAKEN)
        return ForkedProcess(int(said.removeprefix(READY)), handles[0])

    def close(self) -> None:
        """End the process, and with it every kernel that it has become."""
        if self._socket is not None and self._process is not None:
            self._socket.close()
            self._process.kill()  # it waits at its socket, or is still importing
            self._process.wait()
            self._socket = self._process = None


class ForkedProcess:
    """A kernel that is no child of the lab's: known by a handle that the system gives no other process."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int, handle: int) -> None:
        self.pid = pid
        self._handle: int | None = handle

    def poll(self) -> int | None:
        """Return None while it runs, then 0: how it ended is told to its parent alone."""
        if self._handle is not None:
            if not select.select([self._handle], [], [], 0)[0]:
                return None
            os.close(self._handle)
            self._handle = None
        return 0

    def wait(self) -> int | None:
        """Return what `poll` does; the library asks once it has ended."""
        return self.poll()

    def send_signal(self, number: int) -> None:
        """Signal it, unless it has ended."""
        if self.poll() is None and self._handle is not None:
            signal.pidfd_send_signal(self._handle, number)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)


class ForkedKernel(LocalProvisioner):
    """Starts a page's kernel by a fork where its manager has a `ForkServer`, and as a new Python where it has none."""

    process: Any
    pid: int | None

    async def launch_kernel(self, cmd: list[str], **options: Any) -> Any:
        """Start the kernel and return how to reach it."""
        server: ForkServer | None = getattr(getattr(self.parent, "parent", None), "fork_server", None)
        if server is None:
            return await super().launch_kernel(cmd, **options)
        arguments = cmd[cmd.index("ipykernel_launcher") + 1 :]
        folder = str(options.get("cwd") or Path.cwd())
        try:
            self.process = forked = await server.kernel(arguments, dict(options["env"]), folder)
        except OSError as error:
            self.log.warning("A kernel could not be forked (%s); it is started anew.", error)
            return await super().launch_kernel(cmd, **options)
        self.pid = self.pgid = forked.pid
        self.cwd = folder
        return self.connection_info

    async def send_signal(self, signum: int) -> None:
        """Signal the kernel and what it has started; nobody once it has ended and its number may be another's."""
        if self.process is not None and self.process.poll() is None:
            await super().send_signal(signum)


def kernel_provisioner() -> dict[str, Any]:
    """Make `ForkedKernel` known to the library and return the words by which a kernel's description asks for it."""
    name = "labkit-forked"  # the library looks among the entry points of installed packages; this is one without
    entry = EntryPoint(name, f"{__name__}:{ForkedKernel.__name__}", KernelProvisionerFactory.GROUP_NAME)
    KernelProvisionerFactory.instance().provisioners[name] = entry
    return {"provisioner_name": name, "config": {}}


def _prepare() -> Iterator[None]:
    """Import what a page's kernel needs, then make every page once, a page a step; nothing of it starts a thread."""
    sys.modules["debugpy"] = None  # type: ignore[assignment]  # no page is debugged; it takes most of a kernel's start
    import ipykernel.kernelapp
    import ipykernel.zmqshell  # noqa: F401

    from labkit.app.server.warm_up import pages_once

    gc.collect()
    gc.freeze()  # so that collections in the kernels leave the shared memory shared
    yield
    yield from pages_once()


def _pages_anew() -> Iterator[None] | None:
    """Forget what followed from sheets that have changed and return how to make every page again; else None."""
    from labkit.app.kit.sheets_read import forget_changed_sheets
    from labkit.app.server.warm_up import pages_once

    return pages_once() if forget_changed_sheets() else None


def _serve(server: socket.socket, preparing: Iterator[None]) -> None:
    """Fork a kernel for each socket that arrives, until the lab's end is closed; prepare further while none does.

    Where a sheet has changed since, all pages are made once more, and the next kernels need not forget.
    """
    signal.signal(
        signal.SIGCHLD, signal.SIG_IGN
    )  # the system forgets kernels that have ended; the lab has their handles
    parent = os.getpid()
    is_prepared = False
    while True:
        while not is_prepared and not select.select([server], [], [], 0)[0]:
            is_prepared = next(preparing, preparing) is preparing
        threads = len(os.listdir("/proc/self/task"))
        if threads != 1:  # a fork would lose the others, and whatever they hold
            logging.getLogger(__name__).error("no kernels are forked: %d threads run where one may", threads)
            return
        said, received, _, _ = socket.recv_fds(server, 1, 1)
        if not said:
            return
        with socket.socket(fileno=received[0]) as asked:
            if not os.fork():
                server.close()
                _be_a_kernel(asked, parent)
                return
        if is_prepared and (again := _pages_anew()) is not None:
            preparing, is_prepared = again, False


def _be_a_kernel(asked: socket.socket, parent: int) -> None:
    """Become the kernel that is asked for, say so when it can be talked to, and go on until it is shut down."""
    import ipywidgets
    from ipykernel.kernelapp import IPKernelApp

    with asked.makefile("rb") as lines:
        line = lines.readline()
    if not line.endswith(b"\n"):
        return  # who asked has hung up
    wanted = json.loads(line)
    arguments: list[str] = wanted["arguments"]
    os.setsid()
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    # in a list of processes it has the name of its connection file, as far as the system keeps it
    name = Path(arguments[arguments.index("-f") + 1]).stem
    system = ctypes.CDLL(None)
    system.prctl(_NAME, name.encode())
    system.prctl(_END_WITH_PARENT, signal.SIGKILL)
    if os.getppid() != parent:
        return  # which ended before the system was told
    os.environ.clear()
    os.environ.update(wanted["environment"])
    os.environ.setdefault(limited_memory.THREADS, "1")
    os.chdir(wanted["folder"])
    random.seed()
    if "numpy.random" in sys.modules:
        sys.modules["numpy.random"].seed()
    sys.argv = ["ipykernel_launcher", *arguments]
    kernel = IPKernelApp.instance(parent_handle=1)  # the library need not look for the parent: the system does
    kernel.initialize(arguments)
    ipywidgets.register_comm_target()  # which it does by itself only when it is imported in a kernel
    handle = os.pidfd_open(os.getpid())
    with suppress(OSError):  # who asked may have hung up by now
        socket.send_fds(asked, [READY + str(os.getpid()).encode()], [handle])
    os.close(handle)
    is_taken = asked.recv(len(TAKEN)) == TAKEN
    asked.close()
    if is_taken:  # else nobody knows of it, and it would run until the lab ends
        kernel.start()


def main() -> None:
    """Be the process that is forked."""
    preparing = _prepare()
    next(preparing)
    _serve(socket.socket(fileno=int(sys.argv[1])), preparing)


if __name__ == "__main__":
    main()
