"""A shared lab whose visitors mean harm: what they send reaches no more than their own page, and the lab goes on.

The numbers for 100 000 messages are printed by ``python -m tests.faults.visitors``.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import os
import random
import re
from collections.abc import Awaitable, Callable, Iterator

import pytest
from jupyter_server.services.kernels.connection.base import deserialize_msg_from_ws_v1, serialize_binary_message
from tornado.httpclient import HTTPClientError
from tornado.websocket import WebSocketClientConnection

from labkit.app.server.widget_socket import MOST_SOCKETS
from tests.browser.conftest import Server, start_server, stop_server
from tests.faults.visitors import (
    CONTROL,
    PAGES,
    PATIENCE_S,
    Visitor,
    hang_up,
    hostile_messages,
    models_of,
    packed,
    read,
    states,
)

MOST, EACH = 4, 3

SERVE = f"""
import resource
resource.setrlimit(resource.RLIMIT_AS, (4 * 2**30,) * 2)  # a lab that can be made to hang takes no more than this
from labkit.cli.main import main
main(["open", "--share", "--address", "127.0.0.1", "--port", "0", "--no-browser",
      "--most-pages", "{MOST}", "--most-pages-each", "{EACH}"])
"""

LEAKS = (b"Traceback", b"site-packages", b"ipykernel")


@pytest.fixture(scope="module")
def shared() -> Iterator[Server]:
    """A lab shared with a room, on this machine only and with little memory."""
    server = start_server(code=SERVE)
    yield server
    stop_server(server)
    said = "".join(server.lines)
    # What the libraries say of a socket that closed under them is theirs; nothing of the lab's own may have failed.
    place = os.path.join("labkit", "app", "")
    own = [each for each in said.split("Traceback (most recent call last)")[1:] if place in each[:4000]]
    assert not own, own[0][:4000]


def meet(server: Server, work: Callable[[Visitor], Awaitable[None]]) -> None:
    """Let a visitor do something; the lab must still answer, and its pages be closed again."""

    async def met() -> None:
        visitor = Visitor(server)
        async with asyncio.timeout(4 * PATIENCE_S):
            await work(visitor)
        assert (await visitor.get()).code == 302  # to the start page
        await visitor.leave()

    asyncio.run(met())


async def goes_on(second: Visitor) -> bool:
    """Whether somebody else gets a page and the states of its widgets."""
    kernel_id = await second.open_page("cable.ipynb")
    found = await models_of(await second.socket(kernel_id), [])
    await second.leave()
    return bool(found)


def old(kind: str, content: dict) -> bytes:
    """A binary message of the old format."""
    header = {"msg_id": kind, "msg_type": kind, "session": "s", "username": "", "version": "5.2", "date": ""}
    metadata = {"version": "1.0.0"}
    whole = {"header": header, "parent_header": {}, "metadata": metadata, "content": content, "channel": "shell"}
    return serialize_binary_message({**whole, "buffers": [b"x"]})


ATTACK = (
    old("comm_open", {"comm_id": "c", "target_name": CONTROL, "data": {}}),
    old("comm_msg", {"comm_id": "c", "data": {"method": "request_states"}}),
)


def test_two_messages_of_the_old_format_do_not_hang_the_lab(shared: Server) -> None:
    async def work(visitor: Visitor) -> None:
        kernel_id = await visitor.open_page("rig.ipynb")
        for protocol in (None, "v0.kernel.websocket.example"):
            with pytest.raises(HTTPClientError, match="400"):
                await two_messages(await visitor.socket(kernel_id, protocol=protocol))
        assert await goes_on(Visitor(shared))

    async def two_messages(socket: WebSocketClientConnection) -> None:
        for message in ATTACK:  # where the socket is given, the lab hangs from here on
            await socket.write_message(message, binary=True)
        async with asyncio.timeout(60):
            while await read(socket) is not None:
                pass

    meet(shared, work)


def test_a_message_that_is_not_in_the_format_closes_its_own_socket(shared: Server) -> None:
    async def work(visitor: Visitor) -> None:
        kernel_id = await visitor.open_page("rig.ipynb")
        other = await visitor.socket(kernel_id)
        for message in (*ATTACK, "{}", (10**17).to_bytes(8, "little") * 20):
            socket = await visitor.socket(kernel_id)
            await socket.write_message(message, binary=isinstance(message, bytes))
            while await read(socket) is not None:
                pass
            assert (socket.close_code, socket.close_reason[:30]) == (1002, "The lab cannot read this: not "), message
        assert await models_of(other, [])

    meet(shared, work)


def test_pages_that_close_while_their_widgets_are_on_the_way_do_not_hang_the_lab(shared: Server) -> None:
    async def work(visitor: Visitor) -> None:
        kernel_id = await visitor.open_page("rig.ipynb")
        for _ in range(15):
            socket = await visitor.socket(kernel_id)
            for message in states("c"):
                await socket.write_message(message, binary=True)
            await hang_up(socket)
        assert await goes_on(Visitor(shared))

    meet(shared, work)


def test_a_page_has_only_so_many_sockets(shared: Server) -> None:
    async def work(visitor: Visitor) -> None:
        kernel_id = await visitor.open_page("rig.ipynb")
        open_ones = [await visitor.socket(kernel_id) for _ in range(MOST_SOCKETS)]
        with pytest.raises(HTTPClientError, match="429"):
            await visitor.socket(kernel_id)
        for socket in open_ones:
            await hang_up(socket)
        assert await models_of(await visitor.socket(kernel_id), [])

    meet(shared, work)


OPENINGS = {
    "no version": ({"target_name": "jupyter.widget", "data": {}}, {}),
    "no class": ({"target_name": "jupyter.widget", "data": {"state": {"_model_name": "None"}}}, {"version": "2.1.0"}),
    "no state": ({"target_name": "jupyter.widget", "data": {"state": 5}}, {"version": "2.1.0"}),
    "control of another version": ({"target_name": CONTROL, "data": {}}, {"version": "99"}),
}


def test_a_failure_in_a_kernel_reaches_no_client_as_a_traceback(shared: Server) -> None:
    async def work(visitor: Visitor) -> None:
        kernel_id = await visitor.open_page("cable.ipynb")
        for name, (content, metadata) in OPENINGS.items():
            socket = await visitor.socket(kernel_id)
            opening = packed("comm_open", {"comm_id": name, **content}, metadata=metadata)
            await socket.write_message(opening, binary=True)
            heard: list[bytes] = []
            await models_of(socket, heard)
            kinds = [json.loads(deserialize_msg_from_ws_v1(message)[1][0])["msg_type"] for message in heard]
            assert "comm_close" in kinds, f"the kernel has refused: {name}"
            assert not {"stream", "error"} & set(kinds), name
            assert not [message for message in heard if any(leak in message for leak in LEAKS)], name
            await hang_up(socket)

    meet(shared, work)


@pytest.mark.parametrize("page", PAGES)
def test_hostile_messages_do_no_harm_to_a_page_and_none_to_a_second_visitor(shared: Server, page: str) -> None:
    async def work(visitor: Visitor) -> None:
        socket = await visitor.socket(await visitor.open_page(page))
        heard: list[bytes] = []
        before = await models_of(socket, heard)
        for message in itertools.islice(hostile_messages(before, random.Random(page)), 120):
            await socket.write_message(message, binary=True)
        assert await goes_on(Visitor(shared)), "while the page has still to deal with them"
        after = await models_of(socket, heard)
        assert before.keys() <= after.keys()
        said = b"".join(message for message in heard if b'"update_states"' not in message)
        assert not [leak for leak in LEAKS if leak in said]

    meet(shared, work)


def test_more_pages_than_one_visitor_may_have_are_refused_in_a_sentence(shared: Server) -> None:
    async def work(visitor: Visitor) -> None:
        answers = await asyncio.gather(*(visitor.get("voila/render/cable.ipynb") for _ in range(EACH + 2)))
        for answer in answers:
            if answer.code == 200:
                visitor.kernel_of(answer)
        assert sorted(answer.code for answer in answers) == [200] * EACH + [503] * 2
        refused = next(answer.body.decode() for answer in answers if answer.code == 503)
        told = re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", refused))
        assert f"{EACH} pages of this lab are open at your address; the others are kept for the other visitors" in told

    meet(shared, work)


STRANGE = [
    "voila/templates/../../x",
    "voila/templates/x",
    "voila/templates/labkit/x",
    "voila/templates/none/static/x",
    "voila/templates/lab/static/../../../x",
    "voila/templates/lab/static/%00",
    "voila/static/../../x",
    "voila/static/..%2f..%2fx",
    "voila/files/../../x.png",
    "voila/files/..%5c..%5cx.png",
    "voila/render/%00",
    "voila/render/../../x.ipynb",
    "voila/render/x.ipynb",
    "voila/tree/../..",
    "voila/api/contents/%00",
    "voila/labextensions/../../x",
    "labkit/web/%00",
    "labkit/web/../pieces.toml",
    "labkit/scripts/none.js",
    "api/kernels/00000000-0000-0000-0000-000000000000",
    "none",
]


def test_strange_addresses_are_answered_by_there_is_no_page(shared: Server) -> None:
    async def work(visitor: Visitor) -> None:
        codes = {path: (await visitor.get(path)).code for path in STRANGE}
        assert codes == dict.fromkeys(STRANGE, 404)

    meet(shared, work)


def test_a_host_name_is_the_same_in_capitals(shared: Server) -> None:
    async def work(visitor: Visitor) -> None:
        port = shared.address.rstrip("/").rpartition(":")[2]
        for name, code in (("localhost", 302), ("LOCALHOST", 302), ("LocalHost", 302), ("EVIL.example", 403)):
            assert (await visitor.get(Host=f"{name}:{port}")).code == code, name

    meet(shared, work)


@pytest.fixture(scope="module")
def alone() -> Iterator[Server]:
    """The lab of one person, which asks twice a second whether a page is still there."""
    server = start_server(
        code="import labkit.app.server.server as s; s.PING_MS = 500; s.serve(port=0, open_browser=False)"
    )
    yield server
    stop_server(server)


def test_the_lab_of_one_person_answers_under_its_name_in_capitals_too(alone: Server) -> None:
    async def ask() -> None:
        port = alone.address.rstrip("/").rpartition(":")[2]
        for name, code in (("localhost", 302), ("LOCALHOST", 302), ("127.0.0.1", 302), ("EVIL.example", 403)):
            visitor = Visitor(alone)
            assert (await visitor.get(Host=f"{name}:{port}")).code == code, name
            await visitor.leave()

    asyncio.run(ask())


def test_a_connection_that_answers_is_not_taken_for_a_lost_one(alone: Server) -> None:
    async def ask() -> None:
        visitor = Visitor(alone)
        socket = await visitor.socket(await visitor.open_page("cable.ipynb"))
        for _ in range(6):  # as many pings of half a second, and answers
            await asyncio.sleep(0.6)
            assert await models_of(socket, [])
        await visitor.leave()

    asyncio.run(ask())
