"""Kernels that wait ready: what they have done by then, that a page gets a sound one, and when they are closed."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from contextlib import asynccontextmanager

import pytest
from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager

from labkit.app.server import kernels as ready_kernels
from labkit.app.server import server
from labkit.app.server.forked import CAN_FORK
from labkit.app.server.kernels import (
    FORKED_WAITING,
    LARGEST_KEPT,
    MOST_KEPT,
    THE_PLACE,
    WAITING,
    KeptMessages,
    PromptClient,
    ReadyKernels,
)
from labkit.app.server.limited_memory import MOST_MIB
from labkit.app.server.server import OwnKernels, dashboard_folder, server_config

HEAVY = ("scipy", "matplotlib", "sympy", "lcapy", "skrf", "soundfile", "pandas")
PATIENCE_S = 240
"""For what must come; a busy machine takes its time."""


def _loaded(code: str) -> set[str]:
    code += "; import sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_the_rig_page_opens_without_any_heavy_library():
    loaded = _loaded("import labkit.app.pages.rig.page as page; page.panel()")
    assert "labkit.app.pages.rig.page" in loaded
    assert loaded & set(HEAVY) == set()


def test_what_waits_has_imported_every_page_and_none_of_the_heavy_libraries():
    loaded = _loaded("import labkit.app.server.warm_up")
    cells = [
        "".join(json.loads(path.read_text("utf-8"))["cells"][0]["source"])
        for path in dashboard_folder().glob("*.ipynb")
    ]
    modules = {cell.split()[1] for cell in cells}
    assert len(modules) >= 9
    assert modules <= loaded
    assert loaded & set(HEAVY) == set()


def test_what_waits_knows_neither_plugins_nor_sheets_of_the_user(tmp_path):
    (tmp_path / "broken.toml").write_text("no sheet", "utf-8")
    code = (
        f"import os; os.environ['LABKIT_CATALOGUE'] = {str(tmp_path)!r}\n"
        "import labkit.app.server.warm_up, sys\n"
        "module = sys.modules['labkit.catalogue.catalogue']; from labkit.plugins.manager import plugins\n"
        "from labkit.core.sheet import _said\n"
        "print(module._catalogue.cache_info().currsize, plugins.cache_info().currsize, _said.cache_info().currsize)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    catalogues, loaded_plugins, sheets = map(int, done.stdout.split())
    assert (catalogues, loaded_plugins) == (0, 0)
    assert sheets > 90
    assert done.stderr == ""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="kernels are forked on Linux only")
def test_every_page_is_made_once_before_kernels_are_forked_without_a_thread_a_widget_or_a_heavy_library():
    code = (
        "import os, sys; os.environ['OPENBLAS_NUM_THREADS'] = '1'\n"
        "from labkit.app.server import warm_up; from ipywidgets import Widget; from labkit.catalogue import catalogue\n"
        "failed = []\n"
        "for page in warm_up._PAGES:\n"
        "    def made(*, panel=page.panel):\n"
        "        try: return panel()\n"
        "        except BaseException as error: failed.append(repr(error)); raise\n"
        "    page.panel = made\n"
        "steps = sum(1 for _ in warm_up.pages_once())\n"
        "module = sys.modules['labkit.catalogue.catalogue']\n"
        "print(steps, len(os.listdir('/proc/self/task')), len(list(Widget.widgets or ())), failed,\n"
        "      module._catalogue.cache_info().currsize, *sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    steps, threads, widgets, failed, catalogues, *loaded = done.stdout.split()
    assert (threads, widgets, failed, catalogues) == ("1", "0", "[]", "1")
    assert int(steps) >= 10
    assert set(loaded) & set(HEAVY) <= {"scipy"}  # of it what the cable page needs
    assert "scipy.stats" not in loaded


@pytest.mark.parametrize("can_fork", [True, False])
def test_kernels_are_prepared_for_the_labs_own_pages_and_not_for_notebooks_of_somebody_else(
    tmp_path, monkeypatch, can_fork
):
    monkeypatch.setattr(server, "CAN_FORK", can_fork)
    own = server_config(port=1).ReadyKernels
    assert (own.forks, own.waiting) == ((True, FORKED_WAITING) if can_fork else (False, WAITING))
    assert WAITING >= 1
    assert not server_config(port=1, folder=tmp_path).ReadyKernels


def test_a_kernel_handed_out_after_hours_gets_the_whole_idle_time(monkeypatch):
    culled, now = [], [0.0]

    async def cull(self, kernel_id):
        culled.append((kernel_id, now[0]))

    monkeypatch.setattr(AsyncMappingKernelManager, "cull_kernel_if_idle", cull)
    monkeypatch.setattr(ready_kernels.time, "monotonic", lambda: now[0])
    kernels = ReadyKernels(cull_idle_timeout=120)
    for seconds in (1000.0, 1015.0, 1119.0, 1120.0):
        now[0] = seconds
        asyncio.run(kernels.cull_kernel_if_idle("one"))
    assert culled == [("one", 1120.0)]


@asynccontextmanager
async def _manager(folder, waiting, *, forks=CAN_FORK):
    """A manager with kernels that have warmed up; closes them all."""
    kernels = ReadyKernels(
        waiting=waiting,
        refill_s=0.0,
        forks=forks,
        connection_dir=str(folder),
        root_dir=str(folder),
        kernel_spec_manager=OwnKernels(),
    )
    try:
        await _until(lambda: len(kernels.waiting_ids() & set(kernels.list_kernel_ids())) == waiting)
        yield kernels
    finally:
        await kernels.shutdown_all(now=True)
        assert kernels.list_kernel_ids() == []
        assert kernels.context.closed  # else the process may wait for ever when the manager is collected


async def _until(claim):
    async with asyncio.timeout(PATIENCE_S):
        while not claim():
            await asyncio.sleep(0.05)


async def _said_by(kernels, kernel_id, code):
    """What a piece of code prints in a kernel, by way of the client that pages use."""
    client = PromptClient(
        parent=kernels.get_kernel(kernel_id), **kernels.get_kernel(kernel_id).get_connection_info(session=True)
    )
    client.start_channels()
    said = []
    try:
        await client.wait_for_ready(timeout=PATIENCE_S)
        await client.execute_interactive(
            code, timeout=PATIENCE_S, output_hook=lambda message: said.append(message["content"].get("text", ""))
        )
    finally:
        client.stop_channels()
    return "".join(said)


@pytest.mark.parametrize("forks", sorted({CAN_FORK, False}))
def test_a_page_takes_the_kernel_that_waits_with_the_variables_of_its_own_and_the_next_one_starts(tmp_path, forks):
    async def take():
        async with _manager(tmp_path, 1, forks=forks) as kernels:
            (waiting,) = kernels.waiting_ids()
            THE_PLACE.set(kernels.take_place("one", most=1, most_each=1))
            query = 'panel=it\'s "odd" é €\n{}'
            taken = await kernels.start_kernel(kernel_name="python3", path="", env={"QUERY_STRING": query})
            assert taken == waiting
            assert kernels.take_place("another", most=1, most_each=1) is None
            code = (
                "import os, sys; print('labkit.app.pages.rig.page' in sys.modules, ascii(os.environ['QUERY_STRING']))"
            )
            assert await _said_by(kernels, taken, code) == f"True {query!a}\n"
            await _until(lambda: len(kernels.waiting_ids()) == 1)
            assert taken not in kernels.waiting_ids()
            await kernels.shutdown_kernel(taken, now=True)
            assert kernels.take_place("another", most=1, most_each=1) is not None

    asyncio.run(take())


def test_pages_that_are_asked_for_at_once_do_not_get_past_the_limits():
    kernels = ReadyKernels()
    mine = [kernels.take_place("one", most=3, most_each=2) for _ in range(3)]
    assert [place is not None for place in mine] == [True, True, False]
    assert kernels.take_place("another", most=3, most_each=2) is not None
    assert kernels.take_place("third", most=3, most_each=2) is None
    assert (kernels.pages_open("one"), kernels.pages_open("another"), kernels.pages_open("third")) == (2, 1, 0)
    kernels.leave_place(mine[0])  # a page that has come to no kernel
    assert kernels.take_place("third", most=3, most_each=2) is not None


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux limits what a process may write to")
def test_a_page_that_wants_too_much_memory_is_refused_it_and_goes_on(tmp_path):
    greedy = f"""
import numpy
try:
    numpy.ones({MOST_MIB} * 2**17)
except MemoryError:
    print("refused")
"""

    async def ask():
        for forks in {CAN_FORK, False}:
            async with _manager(tmp_path, 0, forks=forks) as kernels:
                taken = await kernels.start_kernel(kernel_name="python3", path="", env={})
                assert await _said_by(kernels, taken, greedy) == "refused\n"
                assert await _said_by(kernels, taken, "numpy.ones(2**24); print('and on')") == "and on\n"

    asyncio.run(ask())


def test_what_a_kernel_says_to_nobody_is_kept_within_bounds():
    kept = KeptMessages()
    for number in range(MOST_KEPT + 5):
        kept.append(("iopub", [b"%d" % number]))
    assert len(kept) == MOST_KEPT
    assert kept[-1] == ("iopub", [b"%d" % (MOST_KEPT + 4)])
    for _ in range(3):
        kept.append(("iopub", [bytes(LARGEST_KEPT // 2)]))
    assert len(kept) == 2


def test_a_lost_connection_keeps_messages_within_bounds(tmp_path):
    async def lose():
        async with _manager(tmp_path, 0) as kernels:
            taken = await kernels.start_kernel(kernel_name="python3", path="", env={})
            kernels.start_buffering(taken, "session", {"iopub": kernels.connect_iopub(taken)})
            assert isinstance(kernels.get_buffer(taken, "session")["buffer"], KeptMessages)

    asyncio.run(lose())


def test_a_page_gets_another_kernel_when_the_one_that_waits_has_gone(tmp_path):
    async def take():
        async with _manager(tmp_path, 1) as kernels:
            (waiting,) = kernels.waiting_ids()
            manager = kernels.get_kernel(waiting)
            manager.stop_restarter()
            await manager.provisioner.kill()
            await manager.provisioner.wait()
            kernels.remove_kernel(waiting)  # as the library does with one that died again and again
            taken = await kernels.start_kernel(kernel_name="python3", path="", env={"QUERY_STRING": "here"})
            assert taken != waiting
            assert await _said_by(kernels, taken, "import os; print(os.environ['QUERY_STRING'])") == "here\n"

    asyncio.run(take())


def test_a_kernel_that_does_not_take_the_pages_variables_is_closed_and_not_given_to_a_page(tmp_path):
    async def take():
        async with _manager(tmp_path, 1) as kernels:
            (waiting,) = kernels.waiting_ids()
            await _said_by(kernels, waiting, "import os; os.environ = None")
            taken = await kernels.start_kernel(kernel_name="python3", path="", env={"QUERY_STRING": "here"})
            assert taken != waiting
            assert waiting not in kernels.list_kernel_ids()

    asyncio.run(take())


def test_a_kernel_that_waits_is_not_closed_for_being_idle(tmp_path, monkeypatch):
    culled = []

    async def cull(self, kernel_id):
        culled.append(kernel_id)

    monkeypatch.setattr(AsyncMappingKernelManager, "cull_kernel_if_idle", cull)

    async def wait():
        async with _manager(tmp_path, 1) as kernels:
            (waiting,) = kernels.waiting_ids()
            kernels.cull_idle_timeout = 0
            await kernels.cull_kernel_if_idle(waiting)
            assert culled == []
            await kernels.start_kernel(kernel_name="python3", path="", env={})
            await kernels.cull_kernel_if_idle(waiting)
            assert culled == [waiting]

    asyncio.run(wait())


def test_the_client_of_a_kernel_that_has_died_says_so(tmp_path):
    async def ask():
        async with _manager(tmp_path, 1) as kernels:
            (waiting,) = kernels.waiting_ids()
            manager = kernels.get_kernel(waiting)
            client = PromptClient(parent=manager, **manager.get_connection_info(session=True))
            client.start_channels()
            manager.stop_restarter()
            await manager.provisioner.kill()
            await manager.provisioner.wait()
            with pytest.raises(RuntimeError, match="does not answer"):
                await client.wait_for_ready(timeout=PATIENCE_S)
            client.stop_channels()

    asyncio.run(ask())


def test_no_output_of_a_first_cell_is_missed(tmp_path):
    async def ask():
        async with _manager(tmp_path, 1) as kernels:
            (waiting,) = kernels.waiting_ids()
            for number in range(30):
                assert await _said_by(kernels, waiting, f"print({number})") == f"{number}\n"

    asyncio.run(ask())


def test_a_server_whose_own_loop_stands_still_closes_its_kernels_from_another(tmp_path):
    kernels = None

    async def begin():
        nonlocal kernels
        kernels = ReadyKernels(
            waiting=1, connection_dir=str(tmp_path), root_dir=str(tmp_path), kernel_spec_manager=OwnKernels()
        )
        await _until(lambda: kernels.waiting_ids() and kernels.waiting_ids() <= set(kernels.list_kernel_ids()))

    asyncio.run(begin())
    asyncio.run(kernels.shutdown_all(now=True))
    assert kernels.list_kernel_ids() == []
    assert kernels.context.closed


def test_a_page_waits_shortly_for_the_room_of_one_that_is_being_left(monkeypatch):
    monkeypatch.setattr(ready_kernels, "PLACE_S", 0.0)
    kernels = ReadyKernels()
    first = kernels.take_place("one", most=1, most_each=1)

    async def ask():
        assert await kernels.wait_for_place("another", most=1, most_each=1) is None
        first.is_left = True
        waiting = asyncio.ensure_future(kernels.wait_for_place("another", most=1, most_each=1))
        await asyncio.sleep(0)
        kernels.leave_place(first)
        assert await waiting is not None

    asyncio.run(ask())


def test_the_room_of_a_page_is_free_as_soon_as_its_kernel_is_asked_to_end(tmp_path, monkeypatch):
    seen = []

    async def end(self, kernel_id, *_, **__):
        seen.append(self.take_place("another", most=1, most_each=1))

    async def ask():
        async with _manager(tmp_path, 0) as kernels:
            THE_PLACE.set(kernels.take_place("one", most=1, most_each=1))
            taken = await kernels.start_kernel(kernel_name="python3", path="", env={})
            with monkeypatch.context() as patch:
                patch.setattr(AsyncMappingKernelManager, "shutdown_kernel", end)
                await kernels.shutdown_kernel(taken)
            assert seen != [None]
            assert len(seen) == 1

    asyncio.run(ask())
