"""What may pass between a page in a browser and its kernel: the messages of widgets, in one format, within bounds.

The library's own handler takes any message in two formats and reads one as the other: eight bytes of a message in the
old format, read as a count in the new one, let the server make a list of 10^17 entries. Here a message is measured
before anything is made from it, and what no widget needs goes no further in either direction.

Nothing is lost with a socket that drops (`PageLine`).
"""

from __future__ import annotations

import asyncio
import json
import re
import struct
from collections import Counter, deque
from collections.abc import Sequence
from typing import Any, ClassVar

from jupyter_server.auth.decorator import ws_authenticated
from jupyter_server.services.kernels.connection.channels import ZMQChannelsWebsocketConnection
from jupyter_server.services.kernels.websocket import KernelWebsocketHandler
from tornado.iostream import StreamBufferFullError
from tornado.web import HTTPError
from tornado.websocket import WebSocketClosedError

PROTOCOL = "v1.kernel.websocket.jupyter.org"
"""The one format: a count, so many offsets of eight bytes each, then channel, header, parent header, metadata,
content and buffers, one after the other."""

FROM_BROWSER = frozenset({"comm_open", "comm_msg", "comm_close", "comm_info_request", "kernel_info_request"})
TO_BROWSER = frozenset(
    {
        *("comm_open", "comm_msg", "comm_close", "comm_info_reply", "kernel_info_reply", "status"),
        *("display_data", "update_display_data", "clear_output"),
    }
)
"""Neither holds what runs code, nor what a kernel writes to its terminal: tracebacks with paths of this machine."""

FOR_DEBUGGING = frozenset({"stream", "error"})
COMM_TARGETS = frozenset({"jupyter.widget", "jupyter.widget.control"})
METHODS = frozenset({"update", "custom", "request_state", "request_states"})
"""What a browser asks of a widget. A kernel writes the name of any other to the terminal of whoever runs the lab."""


LARGEST_IN = 2 * 2**20
"""Bytes of one message from a browser; a file comes in pieces of a quarter of a MiB (`labkit.app.kit.files`)."""

LARGEST_OUT = 64 * 2**20
"""Bytes that may wait for one browser, which is more than the longest take; a browser that takes none is cut off."""

MOST_BUFFERS_IN, MOST_BUFFERS_OUT = 16, 4096
"""In one message; the kernel answers the question for all states with the buffers of all widgets at once."""

MOST_SOCKETS = 6
"""For one kernel: a page has one, and for a moment more when a lost connection comes back."""

MOST_COMMS_OPENED = 200
"""Over one socket; the browser opens one, to ask for the states of the widgets."""

RATE = 200.0
"""Messages a second over one socket in the long run: above what a hand on a slider sends, and what a kernel answers."""

DATA_RATE = 4.0 * 2**20
"""Bytes a second over one socket in the long run."""

BURST_S = 5.0
"""So many seconds' worth may come at once, as when a page opens."""

MOST_UNANSWERED = 100
"""Messages that a kernel has yet to deal with before the next is taken off the line."""

LARGEST_KEPT = 16 * 2**20
"""Bytes that are kept for one page until it says that it has them."""

SAID_EVERY = 32
"""After so many messages of a page it is told how many have come; it does likewise."""

LOST_CODE = 4410
"""Closes a socket whose page lacks messages that are no longer kept: the page has to be opened anew."""

PINGS_MISSED = 3
"""After so many without an answer a connection counts as lost. The library looks before it sends the first one: a
patience of one ping would cut every page off as soon as the first is due."""

_ANSWER_S = 10.0
_CHANNELS = frozenset({"shell"})
_LONGEST_NAME = 200
_FEWEST_OFFSETS = 6
_OFFSET = 8
_COUNT = re.compile(r"\d{1,15}", re.ASCII)


class BrokenMessageError(ValueError):
    """A message is not in the one format."""


def split_message(message: object, *, largest: int, most_buffers: int) -> tuple[str, list[bytes]]:
    """Return the channel and the parts of a message.

    Raises
    ------
    BrokenMessageError
        If it has more bytes or buffers, or is not in the one format. Nothing is made before its size is known.
    """
    if not isinstance(message, bytes) or not _OFFSET <= len(message) <= largest:
        raise BrokenMessageError("not a binary message of a permitted size")
    count = int.from_bytes(message[:_OFFSET], "little")
    start = _OFFSET * (1 + count)
    if not _FEWEST_OFFSETS <= count <= _FEWEST_OFFSETS + most_buffers or start > len(message):
        raise BrokenMessageError("not a permitted number of parts")
    offsets = struct.unpack_from(f"<{count}Q", message, _OFFSET)
    if offsets[0] != start or offsets[-1] != len(message) or list(offsets) != sorted(offsets):
        raise BrokenMessageError("parts that do not follow one another")
    try:
        channel = message[offsets[0] : offsets[1]].decode("ascii")
    except UnicodeDecodeError:
        raise BrokenMessageError("no name of a channel") from None
    return channel, [message[offsets[i] : offsets[i + 1]] for i in range(1, count - 1)]


def kind_for_kernel(message: object) -> str | None:
    """Return the kind of a message from a browser; None where it is none that a widget sends.

    Raises
    ------
    BrokenMessageError
        If it is not in the one format, or its parts are no JSON objects.
    """
    channel, parts = split_message(message, largest=LARGEST_IN, most_buffers=MOST_BUFFERS_IN)
    header, _, _, content = (_read_object(part) for part in parts[:4])
    if not all(_is_name(header.get(key)) for key in ("msg_id", "msg_type", "session")):
        raise BrokenMessageError("a header without its names")
    kind = str(header["msg_type"])
    if channel not in _CHANNELS or kind not in FROM_BROWSER:
        return None
    if kind == "comm_open" and str(content.get("target_name")) not in COMM_TARGETS:
        return None
    if kind.startswith("comm_") and kind != "comm_info_request":
        data = content.get("data", {})
        if not _is_name(content.get("comm_id")) or not isinstance(data, dict):
            return None
        if kind == "comm_msg" and str(data.get("method")) not in METHODS:
            return None
    return kind


def _is_name(value: object) -> bool:
    return isinstance(value, str) and 0 < len(value) <= _LONGEST_NAME


def _read_object(part: bytes) -> dict[str, Any]:
    try:
        value = json.loads(part, parse_constant=_refuse)
    except (ValueError, RecursionError):
        raise BrokenMessageError("no JSON") from None
    if not isinstance(value, dict):
        raise BrokenMessageError("no JSON object")
    return value


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is no JSON")


class PageLine:
    """What has passed between a page and its kernel, over one socket after another.

    Messages on their way are lost with a socket that drops. So both ends count the whole messages that they send and
    get, and keep what they have sent until the other end has said that it came. The page opens its next socket with
    the count of what it has got, the lab answers with its own, a text of digits, and both send again what is missing.

    Attributes
    ----------
    socket : WidgetSocket or None
        The newest one; what an older one still hears goes over this one.
    taken : int
        Messages of the page that have come.
    sent : int
        Messages that were sent to it.
    """

    def __init__(self) -> None:
        self.socket: WidgetSocket | None = None
        self.taken = self.sent = 0
        self._kept: deque[bytes] = deque()
        self._size = 0

    def keep(self, message: bytes) -> None:
        """Count a message to the page and keep it, and forget the oldest ones where there are too many."""
        self.sent += 1
        self._kept.append(message)
        self._size += len(message)
        while self._size > LARGEST_KEPT:
            self._size -= len(self._kept.popleft())

    def forget(self, count: int) -> None:
        """Forget the first so many messages, which have come."""
        while self._kept and self.sent - len(self._kept) < count:
            self._size -= len(self._kept.popleft())

    def missing_after(self, count: int) -> list[bytes] | None:
        """Return the messages after the first so many; None where some of them are no longer kept."""
        self.forget(count)
        return list(self._kept) if self.sent - len(self._kept) == count else None


class WidgetConnection(ZMQChannelsWebsocketConnection):
    """The library's connection to a kernel, in the one format for as long as it lives.

    The library asks the socket for its format with every message, and takes the old one where a socket has just closed.
    """

    @property
    def subprotocol(self) -> str:
        """The one format."""
        return PROTOCOL


class WidgetSocket(KernelWebsocketHandler):
    """The socket of one page."""

    open_sockets: ClassVar[Counter[str]] = Counter()
    lines: ClassVar[dict[str, dict[str, PageLine]]] = {}
    line: PageLine | None = None

    def initialize(self) -> None:
        """Begin with nothing sent."""
        self.comms_opened = 0
        self.unanswered = 0
        self._paid_until = 0.0
        self._answered = asyncio.Event()

    @property
    def max_message_size(self) -> int:
        """Bytes of one message, refused by its stated length."""
        return LARGEST_IN

    @property
    def ping_timeout(self) -> int:
        """Milliseconds of patience; before the socket is open it is tornado that asks, which allows one interval."""
        return int(self.ping_interval) * (1 if self.ws_connection is None else PINGS_MISSED)

    def write_error(self, status_code: int, **_: Any) -> None:
        """Refuse a socket in a few words; the library would look for a page to show, which a socket has no use for."""
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish(f"No socket: {self._reason}.\n")

    @ws_authenticated
    async def get(self, kernel_id: str) -> None:
        """Open a socket, for who speaks the one format and has not too many open."""
        offered = self.request.headers.get("Sec-WebSocket-Protocol", "")
        if PROTOCOL not in [name.strip() for name in offered.split(",")]:
            raise HTTPError(400, reason=f"the lab speaks {PROTOCOL} only")
        if not re.fullmatch(r"[\w-]{1,100}", self.get_query_argument("session_id", "")):
            raise HTTPError(400, reason="a session_id is missing")
        if self.open_sockets[kernel_id] >= MOST_SOCKETS:
            raise HTTPError(429, reason="this page has enough of them")
        self.open_sockets[kernel_id] += 1
        try:
            await super().get(kernel_id)  # as long as the socket is open
        finally:
            self.open_sockets[kernel_id] -= 1
            if not self.open_sockets[kernel_id]:
                del self.open_sockets[kernel_id]

    def select_subprotocol(self, subprotocols: Sequence[str]) -> str:
        """Choose the one format."""
        return PROTOCOL

    async def open(self, kernel_id: str) -> None:
        """Bound what may wait for the browser, and connect."""
        stream = getattr(self.ws_connection, "stream", None)
        if stream is not None:
            stream.max_write_buffer_size = LARGEST_OUT
        received = self.get_query_argument("received", "")
        if _COUNT.fullmatch(received) and not self._take_up(self._find_line(kernel_id), int(received)):
            self.close(LOST_CODE, "The lab no longer has what this page lacks.")
        await super().open(kernel_id)

    def _find_line(self, kernel_id: str) -> PageLine:
        """The line of this socket's page."""
        for gone in self.lines.keys() - set(self.kernel_manager.list_kernel_ids()):
            del self.lines[gone]
        lines = self.lines.setdefault(kernel_id, {})
        line = lines.setdefault(self.get_query_argument("session_id"), PageLine())
        while len(lines) > MOST_SOCKETS:
            del lines[next(iter(lines))]
        return line

    def _take_up(self, line: PageLine, received: int) -> bool:
        """Go on where the page's last socket dropped; False where that cannot be done."""
        missing = line.missing_after(received)
        if missing is None:
            return False
        self.line, line.socket = line, self
        self._pass_on(str(line.taken))
        for message in missing:
            self._pass_on(message)
        return True

    async def on_message(self, ws_message: str | bytes) -> None:
        """Hand a message to the kernel, unless it is none of a widget's; the next one is read when this has gone."""
        await self._keep_pace(len(ws_message))
        line = self.line
        if self.connection is None or (line is not None and line.socket is not self):
            return  # the page sends it again over its next socket
        if line is not None and isinstance(ws_message, str) and _COUNT.fullmatch(ws_message):
            line.forget(int(ws_message))
            return
        try:
            kind = kind_for_kernel(ws_message)
        except BrokenMessageError as error:
            self.close(1002, f"The lab cannot read this: {error}.")
            return
        if line is not None:
            line.taken += 1
            if line.taken % SAID_EVERY == 0:
                self._pass_on(str(line.taken))
        if kind == "comm_open":
            self.comms_opened += 1
            kind = kind if self.comms_opened <= MOST_COMMS_OPENED else None
        if kind is None:
            return
        self.unanswered += 1
        super().on_message(ws_message)

    async def _keep_pace(self, size: int) -> None:
        """Wait while the browser sends faster than its due, or than its kernel answers."""
        now = asyncio.get_running_loop().time()
        self._paid_until = max(self._paid_until, now - BURST_S) + max(1 / RATE, size / DATA_RATE)
        if self._paid_until > now:
            await asyncio.sleep(self._paid_until - now)
        while self.unanswered >= MOST_UNANSWERED and self.connection is not None:
            self._answered.clear()
            try:
                await asyncio.wait_for(self._answered.wait(), _ANSWER_S)
            except TimeoutError:
                self.unanswered = 0  # a kernel that was started anew will not answer what the old one was asked

    def write_message(self, message: Any, binary: bool = False) -> Any:
        """Send a message to the browser, unless it is not for a browser; what nobody takes now is kept for the page."""
        line = self.line
        if line is None and (self.ws_connection is None or self.ws_connection.is_closing()):
            return None
        try:
            _, parts = split_message(message, largest=LARGEST_OUT, most_buffers=MOST_BUFFERS_OUT)
            header = json.loads(parts[0])
        except ValueError as error:
            self.log.warning("A message to the browser was dropped: %s", error)
            return None
        socket = self if line is None or line.socket is None else line.socket
        if header["msg_type"] == "status" and b"idle" in parts[3]:
            socket.unanswered = max(0, socket.unanswered - 1)
            socket._answered.set()
        if header["msg_type"] not in TO_BROWSER | (FOR_DEBUGGING if self.settings.get("labkit_debug") else frozenset()):
            return None
        if line is not None:
            line.keep(message)
        return socket._pass_on(message)

    def _pass_on(self, message: str | bytes) -> Any:
        """Write a message to the socket, unless nobody is there."""
        if self.ws_connection is None or self.ws_connection.is_closing():
            return None
        try:
            return super().write_message(message, isinstance(message, bytes))
        except StreamBufferFullError:
            self.ws_connection._abort()
        except WebSocketClosedError:
            pass
        return None
