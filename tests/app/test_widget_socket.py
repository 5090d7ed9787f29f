"""Which messages pass between a browser and a kernel; a message is measured before anything is made from it."""

from __future__ import annotations

import asyncio
import json
import struct
import tracemalloc

import pytest
from jupyter_server.services.kernels.connection.base import (
    deserialize_msg_from_ws_v1,
    serialize_binary_message,
    serialize_msg_to_ws_v1,
)
from tornado.httputil import HTTPConnection, HTTPHeaders, HTTPServerRequest, RequestStartLine
from tornado.web import Application
from voila.app import Voila

from labkit.app.server.server import server_config
from labkit.app.server.widget_socket import (
    LARGEST_IN,
    LARGEST_KEPT,
    LARGEST_OUT,
    METHODS,
    MOST_BUFFERS_IN,
    MOST_BUFFERS_OUT,
    PROTOCOL,
    SAID_EVERY,
    BrokenMessageError,
    PageLine,
    WidgetConnection,
    WidgetSocket,
    kind_for_kernel,
    split_message,
)

HEADER = {"msg_id": "1", "msg_type": "comm_msg", "session": "s", "username": "", "version": "5.2", "date": ""}
OPEN = {"comm_id": "c", "target_name": "jupyter.widget.control", "data": {}}


def message(kind="comm_msg", content=None, *, channel="shell", buffers=(), header=None) -> bytes:
    """A message as a browser would send it, written by the library."""
    header = {**HEADER, "msg_type": kind, **(header or {})}
    content = {"comm_id": "c", "data": {"method": "update", "state": {}}} if content is None else content
    parts = [json.dumps(part).encode() for part in (header, {}, {}, content)]
    return serialize_msg_to_ws_v1([*parts, *buffers], channel)


def old_message(kind: str, content: dict, buffers=(b"",)) -> bytes:
    """The same in the old format with buffers."""
    whole = {"header": {**HEADER, "msg_type": kind}, "parent_header": {}, "metadata": {}, "content": content}
    return serialize_binary_message({**whole, "channel": "shell", "buffers": list(buffers)})


@pytest.mark.parametrize("buffers", [(), (b"",), (b"one", b"", b"three")])
def test_a_message_of_the_format_is_taken_apart_as_the_library_does(buffers):
    whole = message(buffers=buffers)
    assert split_message(whole, largest=LARGEST_IN, most_buffers=3) == deserialize_msg_from_ws_v1(whole)


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        ("comm_open", OPEN),
        ("comm_open", {**OPEN, "target_name": "jupyter.widget"}),
        *(("comm_msg", {"comm_id": "c", "data": {"method": method}}) for method in METHODS),
        ("comm_close", {"comm_id": "c", "data": {}}),
        ("comm_info_request", {"target_name": "jupyter.widget"}),
        ("kernel_info_request", {}),
    ],
)
def test_what_widgets_send_goes_to_the_kernel(kind, content):
    assert kind_for_kernel(message(kind, content)) == kind


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        *((kind, {}) for kind in ("execute_request", "complete_request", "inspect_request", "history_request")),
        *((kind, {}) for kind in ("is_complete_request", "input_reply", "debug_request", "interrupt_request")),
        *((kind, {}) for kind in ("shutdown_request", "create_subshell_request", "usage_request", "status", "stream")),
        ("comm_open", {**OPEN, "target_name": "jupyter.widget.version"}),
        ("comm_open", {**OPEN, "target_name": ["jupyter.widget"]}),
        ("comm_open", {"comm_id": "c", "data": {}}),
        ("comm_msg", {"comm_id": ["c"], "data": {}}),
        ("comm_msg", {"comm_id": "c" * 1000, "data": {}}),
        ("comm_msg", {"comm_id": "c", "data": [1]}),
        ("comm_msg", {}),
        ("comm_msg", {"comm_id": "c", "data": {}}),
        *(("comm_msg", {"comm_id": "c", "data": {"method": other}}) for other in ("\x1b[2J", None, ["update"], {})),
    ],
)
def test_what_no_widget_sends_goes_no_further(kind, content):
    assert kind_for_kernel(message(kind, content)) is None


@pytest.mark.parametrize("channel", ["control", "stdin", "iopub", "", "shell "])
def test_other_channels_are_closed(channel):
    assert kind_for_kernel(message("kernel_info_request", {}, channel=channel)) is None


def offsets(*numbers: int, rest: bytes = b"") -> bytes:
    return struct.pack(f"<{len(numbers)}Q", *numbers) + rest


def with_content(content: bytes) -> bytes:
    return serialize_msg_to_ws_v1([json.dumps(HEADER).encode(), b"{}", b"{}", content], "shell")


GOOD = message()
BROKEN = {
    "empty": b"",
    "short": b"\x06",
    "text": GOOD.decode("latin-1"),
    "none": None,
    "count of 10^17": offsets(10**17, rest=bytes(100)),
    "count of 2^64 - 1": offsets(2**64 - 1, rest=bytes(100)),
    "count beyond the end": offsets(MOST_BUFFERS_IN, rest=bytes(8)),
    "no parts": offsets(0, rest=bytes(100)),
    "too few parts": offsets(4, 40, 45, 50, 55, rest=bytes(15)),
    "offsets backwards": offsets(6, 56, 61, 60, 63, 65, 67, rest=bytes(11)),
    "offsets into themselves": offsets(6, 0, 8, 16, 24, 32, 67, rest=bytes(11)),
    "offset past the end": offsets(6, 56, 57, 58, 59, 60, 10**15, rest=bytes(11)),
    "cut short": GOOD[:-1],
    "one byte more": GOOD + b" ",
    "channel in no alphabet": message(channel="ü"),
    "too many buffers": message(buffers=[b""] * (MOST_BUFFERS_IN + 1)),
    "too long": message(buffers=[bytes(LARGEST_IN)]),
    "old format": old_message("comm_open", OPEN),
    "header without names": message(header={"msg_id": 5}),
    "header with a long name": message(header={"session": "s" * 1000}),
    "header that is a list": GOOD.replace(json.dumps(HEADER).encode(), b"[1]".ljust(len(json.dumps(HEADER)))),
    "no JSON": GOOD[:-1] + b"x",
    "not a number": message(content={"comm_id": "c", "data": {"state": {"value": float("nan")}}}),
    "infinite": message(content={"comm_id": "c", "data": {"state": {"value": float("-inf")}}}),
    "a number of 100 000 digits": with_content(b'{"a":' + b"9" * 100_000 + b"}"),
    "nested 100 000 deep": with_content(b"[" * 100_000 + b"]" * 100_000),
    "half a letter": with_content(b'{"a":"\xff"}'),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_message_is_refused_before_anything_is_made_from_it(name):
    tracemalloc.start()
    try:
        with pytest.raises(BrokenMessageError):
            kind_for_kernel(BROKEN[name])
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # what is read is copied once into its parts; JSON that is nested takes a multiple of its text until it is refused
    assert peak < 20 * 2**20


class Stream:
    """A line to a browser that takes nothing: counts what it was given."""

    max_write_buffer_size = None


class Line:
    """The library's end of a socket."""

    def __init__(self, *, closing: bool = False) -> None:
        self.closing, self.sent, self.stream = closing, [], Stream()
        self.selected_subprotocol = PROTOCOL

    def is_closing(self) -> bool:
        return self.closing

    def write_message(self, message, binary=False):
        self.sent.append((message, binary))


def socket(line: Line | None, **settings) -> WidgetSocket:
    """A socket without its server."""
    connection = HTTPConnection()
    connection.set_close_callback = lambda callback: None
    line_read = RequestStartLine("GET", "/", "HTTP/1.1")
    request = HTTPServerRequest(start_line=line_read, headers=HTTPHeaders(Host="localhost"), connection=connection)
    made = WidgetSocket(Application(**settings), request)
    made.ws_connection = line
    return made


def test_a_connection_keeps_its_format_when_its_socket_is_closed():
    closed = socket(None)
    with pytest.raises(AssertionError):
        _ = closed.selected_subprotocol  # what the library takes as "the old format"
    assert WidgetConnection(parent=None, websocket_handler=closed).subprotocol == PROTOCOL


@pytest.mark.parametrize("line", [None, Line(closing=True)], ids=["closed", "closing"])
@pytest.mark.parametrize("sent", [old_message("comm_msg", {}), message(), '{"header": {}}'], ids=["old", "new", "text"])
def test_what_arrives_for_a_socket_that_is_closed_is_dropped(line, sent):
    assert socket(line).write_message(sent, binary=True) is None
    assert line is None or line.sent == []


def test_an_old_message_with_buffers_is_not_read_as_a_count():
    line = Line()
    socket(line).write_message(old_message("comm_msg", {}, [bytes(1000)]), binary=True)
    assert line.sent == []


def test_messages_of_widgets_reach_the_browser_with_all_their_buffers():
    line = Line()
    states = message("comm_msg", buffers=[b"x"] * MOST_BUFFERS_OUT)
    for sent in (states, message("status", {"execution_state": "idle"}), message("kernel_info_reply", {})):
        socket(line).write_message(sent, binary=True)
        assert line.sent.pop() == (sent, True)


@pytest.mark.parametrize("kind", ["stream", "error", "execute_input", "execute_reply", "execute_result", "debug_event"])
def test_what_a_kernel_says_on_its_terminal_and_code_stay_here(kind):
    line = Line()
    socket(line).write_message(message(kind, {"text": "Traceback … folder/x.py"}, channel="iopub"), binary=True)
    assert line.sent == []


def test_tracebacks_are_shown_where_pages_are_written():
    line = Line()
    for kind in ("stream", "error"):
        socket(line, labkit_debug=True).write_message(message(kind, {"text": "Traceback"}), binary=True)
    assert len(line.sent) == 2


def test_no_more_may_wait_for_a_browser_than_the_bound(monkeypatch):
    from tornado.iostream import StreamBufferFullError

    line, cut = Line(), []
    line._abort = lambda: cut.append(True)

    def full(message, binary=False):
        raise StreamBufferFullError

    monkeypatch.setattr(line, "write_message", full)
    assert socket(line).write_message(message(), binary=True) is None
    assert cut == [True]
    assert LARGEST_OUT < 2**27


def test_the_server_uses_this_socket_and_this_connection():
    config = server_config(port=1)
    assert config.Voila.kernel_websocket_connection_class is WidgetConnection
    assert issubclass(WidgetConnection, Voila.kernel_websocket_connection_class.klass)


def test_a_line_sends_again_what_has_not_come_and_says_where_it_no_longer_can():
    line = PageLine()
    for number in range(6):
        line.keep(b"%d" % number)
    assert line.missing_after(4) == [b"4", b"5"]
    assert line.missing_after(6) == []
    assert line.missing_after(5) is None  # it said that six have come
    assert line.missing_after(7) is None  # more than there were
    for _ in range(3):
        line.keep(bytes(LARGEST_KEPT // 2))
    assert line.missing_after(6) is None
    assert line.missing_after(7) == [bytes(LARGEST_KEPT // 2)] * 2


class Kernel:
    """The kernel's end of a socket."""

    def __init__(self) -> None:
        self.heard = []

    def handle_incoming_message(self, given) -> None:
        self.heard.append(given)


def taken_up(line: PageLine, received: int) -> tuple[WidgetSocket, Line]:
    """A socket that goes on with a line, and what it sends to the browser."""
    browser = Line()
    made = socket(browser)
    made.connection = Kernel()
    assert made._take_up(line, received)
    return made, browser


def test_the_next_socket_of_a_page_goes_on_where_the_last_one_dropped():
    line = PageLine()
    first, browser = taken_up(line, 0)
    said = [message(buffers=[b"%d" % number]) for number in range(5)]
    for each in said[:3]:
        first.write_message(each, binary=True)
    browser.closing = True
    first.write_message(said[3], binary=True)  # nobody takes it; it is kept
    second, other = taken_up(line, 2)
    first.write_message(said[4], binary=True)  # heard by the one that has not noticed
    assert browser.sent == [("0", False), *((each, True) for each in said[:3])]
    assert other.sent == [("0", False), *((each, True) for each in said[2:])]
    assert not socket(Line())._take_up(line, 1), "the page has said that it got two"
    assert second.line is line


def test_what_a_page_sends_is_counted_once_and_by_its_newest_socket_alone():
    async def send():
        line = PageLine()
        first, browser = taken_up(line, 0)
        for number in range(SAID_EVERY + 3):
            await first.on_message(message(buffers=[b"%d" % number]))
        assert browser.sent == [("0", False), (str(SAID_EVERY), False)]
        assert line.taken == len(first.connection.heard) == SAID_EVERY + 3
        second, other = taken_up(line, 0)
        assert other.sent == [(str(SAID_EVERY + 3), False)]
        await first.on_message(message())  # late: the page sends it again over the other one
        assert line.taken == SAID_EVERY + 3
        await second.on_message(message("kernel_info_request", {}))
        assert (line.taken, len(second.connection.heard)) == (SAID_EVERY + 4, 1)

    asyncio.run(send())


def test_a_page_says_what_has_come_and_nothing_else_in_text():
    async def say():
        line, closed = PageLine(), []
        made, _ = taken_up(line, 0)
        made.close = lambda *given: closed.append(given[0])
        made.write_message(message(), binary=True)
        await made.on_message("1")
        assert (line.missing_after(1), line.taken, made.connection.heard) == ([], 0, [])
        for hostile in ("\u0661", "9" * 4000, "-1", "1e5", ""):
            await made.on_message(hostile)
        assert closed == [1002] * 5

    asyncio.run(say())
