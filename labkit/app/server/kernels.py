"""The kernels of the pages: from where they come, so that no page begins with starting Python, and when they end.

Some wait: a page takes one, and the next starts a little later, when the page no longer needs the processor. On Linux
they are forked (`labkit.app.server.forked`), and a page that finds none waits for a fork. Either way a kernel has
imported the pages' modules and parsed the lab's own sheets (`labkit.app.server.warm_up`), and has neither loaded a
plugin nor read a sheet of the user's: nothing that may have changed by the time a page opens.
"""

from __future__ import annotations

import asyncio
import os
import time
import uuid
from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from contextvars import ContextVar
from dataclasses import dataclass
from queue import Empty
from typing import Any

from jupyter_client.asynchronous.client import AsyncKernelClient
from jupyter_core.utils import ensure_async
from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager
from jupyter_server.utils import ApiPath
from tornado.ioloop import IOLoop
from traitlets import Bool, Float, Int

from labkit.app.server.forked import ForkServer

WAITING, FORKED_WAITING = 2, 1
"""Where kernels cannot be forked, enough for a page and the next one right after it, each about 90 MB; where they can,
one of some 25 MB, since another is ready after a tenth of a second."""

REFILL_S = 2.5
"""So long after a kernel was taken the next is started: by then the page that took it has appeared."""

WARM_UP = "import labkit.app.server.warm_up"
_ANSWER_S = 30.0
"""One that still warms up answers sooner than another would start; so long takes only one that hangs."""

PLACE_S, LEFT_PLACE_S = 2.0, 20.0
"""So long a page waits for room before it is refused; where one that was left before it had come still ends."""

MOST_KEPT, LARGEST_KEPT = 1000, 8 * 2**20
"""Messages, and bytes of them, that are kept for a browser whose connection was lost."""


@dataclass(eq=False, slots=True)
class Place:
    """Room for one page: taken before its kernel is asked for, given back when the kernel is gone."""

    visitor: str
    kernel_id: str = ""
    is_left: bool = False
    """True once the visitor has gone before the page was there."""


THE_PLACE: ContextVar[Place | None] = ContextVar("the place of the page that is being opened", default=None)


class KeptMessages(deque[tuple[str, list[bytes]]]):
    """What a kernel says while nobody listens: the latest of it, within bounds."""

    def __init__(self) -> None:
        super().__init__()
        self._size = 0

    def append(self, message: tuple[str, list[bytes]]) -> None:
        """Keep a message, and forget the oldest ones where there are too many."""
        super().append(message)
        self._size += _size(message)
        while len(self) > MOST_KEPT or self._size > LARGEST_KEPT:
            self._size -= _size(self.popleft())


def _size(message: tuple[str, list[bytes]]) -> int:
    return sum(map(len, message[1]))


class ReadyKernels(AsyncMappingKernelManager):
    """Starts kernels ahead of the pages that take them, and closes those whose browser has gone.

    A kernel gets the whole idle time from the moment it is taken. The library reckons from its last activity, which
    for one that waited may be hours ago, while the browser connects a second later.
    """

    waiting = Int(0, help="How many kernels wait ready; none by default.").tag(config=True)
    refill_s = Float(REFILL_S, help="Seconds from taking a kernel to starting the next.").tag(config=True)
    forks = Bool(False, help="Whether kernels are forked; otherwise each is a new Python.").tag(config=True)

    def __init__(self, **traits: Any) -> None:
        super().__init__(**traits)
        self._ready: dict[str, asyncio.Task[str]] = {}
        self._out_since: dict[str, float] = {}
        self._places: list[Place] = []
        self.fork_server = ForkServer() if self.forks else None
        if self.fork_server is not None:
            IOLoop.current().add_callback(self.fork_server.start)
        if self.waiting:
            IOLoop.current().add_callback(self._refill)

    async def start_kernel(  # type: ignore[override]
        self, *, kernel_id: str | None = None, env: Mapping[str, str] | None = None, **options: Any
    ) -> str:
        """Return the id of a kernel that waited, or of one that starts now where none waits."""
        place = THE_PLACE.get() or Place("")
        place.kernel_id = await self._take_or_start(kernel_id, dict(env or {}), **options)
        return place.kernel_id

    async def _take_or_start(self, kernel_id: str | None, env: dict[str, str], **options: Any) -> str:
        while kernel_id is None and self._ready:
            waited = next(iter(self._ready))
            started = self._ready.pop(waited)
            IOLoop.current().call_later(self.refill_s, self._refill)
            with suppress(Exception):  # whatever became of one that waited, the page gets another
                await started
                if await self._hears(waited, env):
                    return waited
                await self.shutdown_kernel(waited, now=True)
        return await super().start_kernel(kernel_id=kernel_id, env=env, **options)

    async def wait_for_place(self, visitor: str, *, most: int, most_each: int) -> Place | None:
        """Return what `take_place` does, with patience: a page that is being left may say so a little later."""
        asked = time.monotonic()
        while (place := self.take_place(visitor, most=most, most_each=most_each)) is None:
            is_soon_free = any(each.is_left for each in self._places)
            if time.monotonic() - asked > (LEFT_PLACE_S if is_soon_free else PLACE_S):
                break
            await asyncio.sleep(0.05)
        return place

    def take_place(self, visitor: str, *, most: int, most_each: int) -> Place | None:
        """Return room for a page of a visitor; None where as many are open as may be, altogether or of one visitor."""
        self._places = [place for place in self._places if not place.kernel_id or place.kernel_id in self]
        if len(self._places) >= most or self.pages_open(visitor) >= most_each:
            return None
        self._places.append(Place(visitor))
        return self._places[-1]

    def leave_place(self, place: Place) -> None:
        """Give back the room of a page that has come to no kernel."""
        if not place.kernel_id and place in self._places:
            self._places.remove(place)

    async def abandon(self, place: Place) -> None:
        """Close the kernel of a page that was left before it had come."""
        if place.kernel_id in self:
            await self.shutdown_kernel(place.kernel_id, now=True)

    def pages_open(self, visitor: str) -> int:
        """Return how many pages a visitor has open."""
        return sum(place.visitor == visitor for place in self._places)

    def start_buffering(self, kernel_id: str, session_key: str, channels: Mapping[str, Any]) -> None:
        """Keep what a kernel says until its browser is back, within bounds; the library has none."""
        super().start_buffering(kernel_id, session_key, channels)
        if kernel_id in self._kernel_buffers:
            self._kernel_buffers[kernel_id]["buffer"] = KeptMessages()

    def waiting_ids(self) -> frozenset[str]:
        """Return the ids of the kernels that wait."""
        return frozenset(self._ready)

    async def cull_kernel_if_idle(self, kernel_id: str) -> None:
        """Close a kernel that has been idle for long enough; never one that waits."""
        if kernel_id in self._ready:
            return
        now = time.monotonic()
        if now - self._out_since.setdefault(kernel_id, now) >= self.cull_idle_timeout:
            await super().cull_kernel_if_idle(kernel_id)

    async def shutdown_kernel(self, kernel_id: str, *arguments: Any, **options: Any) -> None:  # type: ignore[override]
        """Close a kernel; its page's room is free at once, which the next page may be asking for already."""
        self._places = [place for place in self._places if place.kernel_id != kernel_id]
        self._ready.pop(kernel_id, None)
        self._out_since.pop(kernel_id, None)
        await super().shutdown_kernel(kernel_id, *arguments, **options)

    async def shutdown_all(self, *arguments: Any, **options: Any) -> None:  # type: ignore[override]
        """Close every kernel, and start no more."""
        self.waiting = 0
        # a server that is told to end asks from another loop, when its own stands still already
        loop = asyncio.get_running_loop()
        await asyncio.gather(*(one for one in self._ready.values() if one.get_loop() is loop), return_exceptions=True)
        for kernel_id in self.waiting_ids() & set(self.list_kernel_ids()):
            provisioner = self.get_kernel(kernel_id).provisioner
            if provisioner is not None:
                await provisioner.kill()  # nobody's work is lost; interrupted while it warms up, it would complain
        self._ready.clear()
        await super().shutdown_all(*arguments, **options)
        if self.fork_server is not None:
            self.fork_server.close()
        # What belonged to a kernel that died by itself is still open. Left to the garbage collector it makes the
        # process wait for ever: the manager's end waits for the sockets, and the sockets' for the manager's.
        self.context.destroy(linger=0)

    def _refill(self) -> None:
        while len(self._ready) < self.waiting:
            kernel_id = str(uuid.uuid4())
            start = super().start_kernel(
                kernel_id=kernel_id,
                path=ApiPath(""),
                env=dict(os.environ),
                extra_arguments=[f"--IPKernelApp.exec_lines={WARM_UP}"],
            )
            self._ready[kernel_id] = asyncio.ensure_future(start)

    async def _hears(self, kernel_id: str, env: Mapping[str, str]) -> bool:
        """Give a kernel that waited the variables of its page; False where it does not take them."""
        news = {str.__str__(name): value for name, value in env.items() if os.environ.get(name) != value}
        code = f"__import__('os').environ.update({news!r})"
        kernel = self.get_kernel(kernel_id)
        if not await ensure_async(kernel.is_alive()):
            return False
        client = kernel.client()
        client.start_channels(iopub=False, stdin=False, hb=False, control=False)
        try:
            reply = await client.execute(code, silent=True, reply=True, timeout=_ANSWER_S)
        except TimeoutError:
            return False
        finally:
            client.stop_channels()
        return bool(reply["content"]["status"] == "ok")


class PromptClient(AsyncKernelClient):
    """Ready as soon as the kernel answers; the library's client then waits for 0.2 s of silence besides."""

    async def wait_for_ready(self, timeout: float | None = None) -> None:
        """Return once a question has been answered and its echo heard, so that no output will be missed.

        Raises
        ------
        RuntimeError
            If the kernel has died, or does not answer within ``timeout`` seconds.
        """
        until = time.monotonic() + (float("inf") if timeout is None else timeout)
        while time.monotonic() < until and await self.is_alive():
            asked = self.kernel_info()
            with suppress(Empty, TimeoutError):
                reply = await self._async_recv_reply(asked, timeout=1.0)
                while (await self.get_iopub_msg(timeout=0.2))["parent_header"].get("msg_id") != asked:
                    pass
                self._handle_kernel_info_reply(reply)
                return
        raise RuntimeError("the kernel of this page does not answer")
