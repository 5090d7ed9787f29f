"""Visitors of a lab without a browser: one that means harm, and a second one whose answers are timed.

``python -m tests.faults.visitors`` starts a lab that is shared with a room on this machine only, lets one visitor send
100 000 hostile messages to as many pages as it gets, and prints how long a second visitor waited meanwhile.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import json
import random
import re
import statistics
import time
import uuid
from collections import Counter
from collections.abc import Iterator
from typing import Any
from weakref import WeakSet

import psutil
from jupyter_server.services.kernels.connection.base import deserialize_msg_from_ws_v1, serialize_msg_to_ws_v1
from tornado.httpclient import AsyncHTTPClient, HTTPRequest, HTTPResponse
from tornado.websocket import WebSocketClientConnection, WebSocketClosedError, websocket_connect

from labkit.app.server.server import dashboard_folder
from labkit.app.server.widget_socket import PROTOCOL
from tests.browser.conftest import Server, start_server, stop_server

PATIENCE_S = 120.0
"""How long an answer may take; a busy machine takes its time, and none comes from a lab that hangs."""

PAGES = tuple(sorted(path.name for path in dashboard_folder().glob("*.ipynb") if path.stem != "panel"))

CONTROL = "jupyter.widget.control"
Models = dict[str, dict[str, Any]]


class Infinite(float):
    """A number that is written as one and read as infinite: ``1e999`` is JSON."""

    def __repr__(self) -> str:
        return "1e999"


HOSTILE_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 0.5, 10**30, -(10**300), 1e308, -1e-308, Infinite(1)),
    *(
        "",
        " ",
        "nan",
        "inf",
        "-inf",
        "1e999",
        "-5 kΩ",
        "10^9^9",
        "9" * 4000,
        "\ud800",
        "\0",
        "\u202e",
        "IPY_MODEL_none",
    ),
    *("<script>window.harm = 1</script>", "../../../../etc/passwd", "{{ 7 * 7 }}", "%s%n{0.__class__}", "(" * 5000),
    *("Ω" * 100_000, "1" * 100_000, "a=1&" * 5000, "\n" * 50_000),
    *([], {}, [[]], [None] * 10_000, list(range(10_000)), ["x" * 1000] * 100, {"": {}}, {"value": {"value": []}}),
    json.loads("[" * 300 + "]" * 300),
    json.loads('{"a":' * 300 + "1" + "}" * 300),
    {str(number): number for number in range(5000)},
)
"""Wrong types, huge numbers, what is no number, very long texts, deep and wide structures."""


def packed(
    kind: str,
    content: Any,
    *,
    channel: str = "shell",
    buffers: tuple[bytes, ...] = (),
    metadata: dict[str, str] | None = None,
) -> bytes:
    """A message in the one format."""
    header = {"msg_id": uuid.uuid4().hex, "msg_type": kind, "session": "s", "username": "", "version": "5.2"}
    header["date"] = "2026-01-02T03:04:05Z"
    version = "1.0.0" if isinstance(content, dict) and content.get("target_name") == CONTROL else "2.1.0"
    metadata = {"version": version} if metadata is None else metadata
    parts = [_json(part) for part in (header, {}, metadata, content)]
    return serialize_msg_to_ws_v1([*parts, *buffers], channel)


def _json(value: Any) -> bytes:
    return json.dumps(value).replace("Infinity", "1e999").encode()


def states(comm: str) -> tuple[bytes, bytes]:
    """The two messages by which a page asks for its widgets."""
    return (
        packed("comm_open", {"comm_id": comm, "target_name": CONTROL, "data": {}}),
        packed("comm_msg", {"comm_id": comm, "data": {"method": "request_states"}}),
    )


class Visitor:
    """Somebody with the token who opens pages."""

    def __init__(self, server: Server) -> None:
        found = re.search(r"token=([0-9a-f]{32})", "".join(server.lines))
        self.address = server.address
        self.opened: list[str] = []
        self.sockets: list[WebSocketClientConnection] = []
        self.headers = {"Authorization": f"token {found[1]}"} if found else {}
        self.client = AsyncHTTPClient(force_instance=True, max_clients=100, defaults={"request_timeout": PATIENCE_S})

    async def get(self, path: str = "", **headers: str) -> HTTPResponse:
        """Ask for an address; every status is an answer."""
        request = HTTPRequest(self.address + path, headers={**self.headers, **headers}, follow_redirects=False)
        return await self.client.fetch(request, raise_error=False)

    async def open_page(self, page: str = "rig.ipynb") -> str:
        """Open a page and return the id of its kernel."""
        answer = await self.get(f"voila/render/{page}")
        assert answer.code == 200, answer
        return self.kernel_of(answer)

    def kernel_of(self, answer: HTTPResponse) -> str:
        """Return the id of the kernel of a page that has come."""
        self.xsrf = re.search(r"_xsrf=([^;]+)", str(answer.headers))[1]
        self.opened.append(re.search(r'"kernelId": "([0-9a-f-]{36})"', answer.body.decode())[1])
        return self.opened[-1]

    async def socket(self, kernel_id: str, *, protocol: str | None = PROTOCOL) -> WebSocketClientConnection:
        """Open a socket to a kernel."""
        address = f"ws{self.address[4:]}api/kernels/{kernel_id}/channels?session_id={uuid.uuid4()}"
        made = await websocket_connect(
            HTTPRequest(address, headers=self.headers, request_timeout=PATIENCE_S),
            subprotocols=[protocol] if protocol else None,
            max_message_size=2**28,
        )
        self.sockets.append(made)
        return made

    async def leave(self) -> None:
        """Leave every page as a browser does, so that its kernel ends."""
        for socket in self.sockets:
            await hang_up(socket)
        for kernel_id in self.opened:
            address = f"{self.address}voila/api/shutdown/{kernel_id}"
            given = {"Cookie": f"_xsrf={self.xsrf}", "X-XSRFToken": self.xsrf}
            request = HTTPRequest(address, method="POST", body="", headers={**self.headers, **given})
            assert (await self.client.fetch(request, raise_error=False)).code == 204
        self.client.close()


_ENDED: WeakSet[WebSocketClientConnection] = WeakSet()


async def read(socket: WebSocketClientConnection) -> Any:
    """Return the next message; None, however often it is asked for, from a socket that is closed."""
    if socket in _ENDED:
        return None
    message = await socket.read_message()
    if message is None:
        _ENDED.add(socket)
    return message


async def hang_up(socket: WebSocketClientConnection) -> None:
    """Close a socket and wait until the other side has closed it too."""
    if socket.protocol is not None:
        socket.close()
    while await read(socket) is not None:
        pass


async def models_of(socket: WebSocketClientConnection, heard: list[bytes]) -> Models:
    """Ask a page for its widgets, keep what is heard on the way, and return their states."""
    comm = uuid.uuid4().hex
    for message in states(comm):
        await socket.write_message(message, binary=True)
    async with asyncio.timeout(PATIENCE_S):
        while True:
            answer = await read(socket)
            assert answer is not None, f"the socket was closed: {socket.close_code} {socket.close_reason}"
            heard.append(answer)
            _, parts = deserialize_msg_from_ws_v1(answer)
            content = json.loads(parts[3])
            if content.get("comm_id") == comm and content.get("data", {}).get("method") == "update_states":
                return {name: model["state"] for name, model in content["data"]["states"].items()}


def hostile_messages(models: Models, chance: random.Random) -> Iterator[bytes]:
    """Messages without end: those that no widget sends, those for no widget, and wrong values for every widget."""
    own = [(model, key) for model, state in models.items() for key in state if not key.startswith("_")]
    chance.shuffle(own)
    targets = itertools.cycle(own or [("none", "value")])
    for number in itertools.count():
        (model, key), value = next(targets), chance.choice(HOSTILE_VALUES)
        update = {"comm_id": model, "data": {"method": "update", "state": {key: value}, "buffer_paths": []}}
        custom = {"comm_id": model, "data": {"method": "custom", "content": chance.choice((value, {key: value}))}}
        yield (
            packed("comm_msg", update),
            packed("comm_msg", custom),
            packed("execute_request", {"code": "import os; os._exit(1)", "silent": False}),
            packed("comm_msg", update | {"comm_id": "none"}),
            packed("comm_msg", {"comm_id": model, "data": {"method": value, "state": value, "content": value}}),
            packed("comm_msg", {"comm_id": model, "data": {**update["data"], "buffer_paths": [[key, 7], [value]]}}),
            packed("comm_open", {"comm_id": f"{number}", "target_name": "jupyter.widget", "data": {"state": value}}),
            packed("comm_open", {"comm_id": f"{number}", "target_name": "os.system", "data": {}}),
            packed("comm_msg", {"comm_id": value, "data": value}),
            packed("shutdown_request", {"restart": False}, channel="control"),
            packed("comm_info_request", {"target_name": value}),
            packed("comm_msg", update, buffers=(b"x" * 1000,) * 4),
        )[number % 12]


def light_messages(model: str, chance: random.Random) -> Iterator[bytes]:
    """Messages without end that cost a kernel little, so that as many as possible get through in a given time."""
    for number in itertools.count():
        value = chance.choice(HOSTILE_VALUES[:20])
        yield (
            packed("comm_msg", {"comm_id": f"none {number}", "data": {"method": "update", "state": {"value": value}}}),
            packed("comm_msg", {"comm_id": model, "data": {"method": "update", "state": {"none": value}}}),
            packed("comm_msg", {"comm_id": model, "data": {"method": "custom", "content": value}}),
            packed("comm_close", {"comm_id": f"none {number}", "data": {}}),
            packed("execute_request", {"code": "import os; os._exit(1)"}),
            packed("kernel_info_request", {}),
        )[number % 6]


async def attack(visitor: Visitor, kernel_id: str, budget: Iterator[int], seed: int, counts: Counter[str]) -> None:
    """Send hostile messages to a page as fast as they are taken, over a new socket whenever one is closed."""
    chance = random.Random(seed)
    socket = await visitor.socket(kernel_id)
    models = await models_of(socket, [])
    heavy, light = hostile_messages(models, chance), light_messages(next(iter(models)), chance)

    async def listen(line: WebSocketClientConnection) -> None:
        while (answer := await read(line)) is not None:
            counts["answers"] += 1
            counts["bytes of answers"] += len(answer)

    listening = asyncio.create_task(listen(socket))
    for number in budget:
        breaks = number % 500 == 499
        message = (10**17).to_bytes(8, "little") * 9 if breaks else next(heavy if number % 100 == 0 else light)
        try:
            await socket.write_message(message, binary=True)
            counts["sent"] += 1
        except WebSocketClosedError:
            breaks = True
        if breaks:
            await listening
            counts["sockets that the lab closed"] += 1
            socket = await visitor.socket(kernel_id)
            listening = asyncio.create_task(listen(socket))
    socket.close()  # the one who listens hears of it
    await listening
    answered = bool(await models_of(await visitor.socket(kernel_id), []))
    counts["pages that answer in the end"] += answered


async def record(server: Server, messages: int) -> None:
    """Let one visitor attack and time another one."""
    harm, second = Visitor(server), Visitor(server)
    own = await second.open_page("rig.ipynb")
    kernels = []
    for page in PAGES:
        answer = await harm.get(f"voila/render/{page}")
        if answer.code == 200:
            kernels.append(harm.kernel_of(answer))
    print(f"the hostile visitor asks for {len(PAGES)} pages and gets {len(kernels)}")
    counts: Counter[str] = Counter()
    began, budget = time.monotonic(), iter(range(messages))
    attacks = [asyncio.create_task(attack(harm, kernel, budget, i, counts)) for i, kernel in enumerate(kernels)]
    waits: dict[str, list[float]] = {"first page": [], "widgets of an open page": []}
    process, most = psutil.Process(server.process.pid), 0
    told = began
    for number in itertools.count():
        if all(task.done() for task in attacks):
            break
        if number % 100 == 0:  # one socket asks for the states only so often
            line = await second.socket(own)
        for what, ask in (("first page", second.get()), ("widgets of an open page", models_of(line, []))):
            asked = time.monotonic()
            await ask
            waits[what].append(time.monotonic() - asked)
        most = max(most, process.memory_info().rss)
        if time.monotonic() - told > 20:
            told = time.monotonic()
            print(f"  {told - began:.0f} s: {counts['sent']} messages", flush=True)
        await asyncio.sleep(0.2)
    for task in attacks:
        await task
    print(f"{counts['sent']} hostile messages in {time.monotonic() - began:.0f} s: {dict(counts)}")
    print(f"memory of the server: {most / 2**20:.0f} MiB at most")
    for what, seconds in waits.items():
        ranked = sorted(seconds)
        print(
            f"the second visitor, {what}: asked {len(ranked)} times, median {statistics.median(ranked):.3f} s, "
            f"99 % {ranked[int(0.99 * (len(ranked) - 1))]:.3f} s, longest {ranked[-1]:.3f} s"
        )
    await harm.leave()
    await second.leave()


def main() -> None:
    """Run the attack and print the numbers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=100_000)
    asked = parser.parse_args()
    server = start_server(
        *("--share", "--address", "127.0.0.1", "--port", "0", "--no-browser"),
        *("--most-pages", "6", "--most-pages-each", "5"),
    )
    try:
        asyncio.run(record(server, asked.messages))
    finally:
        stop_server(server)
        print("".join(server.lines)[-2000:])


if __name__ == "__main__":
    main()
