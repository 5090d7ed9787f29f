"""Who may come in: how the lab's server is reached, by which names, with which token, and by how many at once.

Three doors: this machine only (the usual one), a room (one address of this machine, a token in the link, a limit on
open pages), and a place behind a hub that hands requests on and has checked who asks.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import re
import secrets
import socket
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlsplit

import tornado.web
from jupyter_server.auth.decorator import allow_unauthenticated
from jupyter_server.auth.identity import User
from jupyter_server.auth.login import LoginFormHandler
from jupyter_server.utils import url_path_join
from voila.tornado.handler import TornadoVoilaHandler
from voila.tornado.treehandler import TornadoVoilaTreeHandler
from voila.voila_identity_provider import VoilaIdentityProvider

from labkit.app.server.first_curve import COOKIE, MARK, FirstCurves
from labkit.app.server.kernels import THE_PLACE, Place
from labkit.core.errors import InputError, join_words

HOST = "127.0.0.1"
PAGES_IN_A_ROOM = 12
"""Open pages that a shared lab takes by default: each is a process of its own of 110 to 200 MB."""

PAGES_OF_ONE = 4
"""Of these, how many may be open at one address: a phone or a computer in the room."""

PAGES_ALONE = 40
"""Open pages where one person has the lab to themselves: only to stop a page that opens others without end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
    """How the lab is reached.

    Attributes
    ----------
    ip : str
        Address that is listened on; no other one of this machine answers.
    names : tuple of str
        Host names under which requests may arrive; others are refused, so that no foreign name can be pointed here.
    base_path : str
        Path that every address begins with.
    token : str
        What a visitor must bring; empty where none is needed.
    most_pages : int
        Pages open at once.
    most_pages_each : int
        Of these, pages open at once at one address; 0 where one person has all of them.
    public : str
        Address that visitors see where a hub stands in front; empty otherwise.
    """

    ip: str = HOST
    names: tuple[str, ...] = ("localhost", HOST)
    base_path: str = "/"
    token: str = ""
    most_pages: int = PAGES_ALONE
    most_pages_each: int = 0
    public: str = ""

    @property
    def is_shared(self) -> bool:
        """True where other machines may reach the lab directly."""
        return bool(self.token)

    @property
    def foreign_names(self) -> str:
        """Pattern of the host names that are refused."""
        return f"(?i)(?!(?:{'|'.join(map(re.escape, self.names))})$).*$"

    def link(self, port: int) -> str:
        """Return the address to open, with the token where one is needed."""
        if self.public:
            return self.public
        host = f"[{self.ip}]" if ":" in self.ip else self.ip
        return f"http://{host}:{port}{self.base_path}" + (f"?token={self.token}" if self.token else "")

    def told(self, port: int) -> list[str]:
        """Say in words who can reach the lab."""
        if self.public:
            return [f"Listening on {self.ip}, port {port}, for a hub that serves it as {self.public}"]
        if not self.is_shared:
            return []
        where = "this machine only" if ipaddress.ip_address(self.ip).is_loopback else "every machine that reaches it"
        each = f", {self.most_pages_each} at one address" if self.most_pages_each else ""
        pages = f"pages open at once: {self.most_pages} at most{each}"
        return [
            f"Shared: bound to {self.ip}, port {port}, and open to {where}; {pages}.",
            "Whoever has the link with its token can use the lab; the token is new at every start.",
            "Nothing is encrypted on the way: share in a room you trust, not on a public network.",
        ]


def room_door(
    address: str | None = None, *, most_pages: int = PAGES_IN_A_ROOM, most_pages_each: int = PAGES_OF_ONE
) -> Door:
    """Return the door for a room: one address of this machine and a fresh token.

    Parameters
    ----------
    address : str, optional
        One of this machine's own addresses; by default the one it uses towards its network.
    most_pages, most_pages_each : int
        Pages open at once: altogether, and at one address.

    Raises
    ------
    InputError
        If the machine has no such address, or several could be meant.
    """
    own = machine_addresses()
    if address is None:
        address = _outward_address()
        if address is None or address not in own:
            choices = [ip for ip in own if not ipaddress.ip_address(ip).is_loopback]
            if len(choices) != 1:
                listed = join_words(choices or list(own))
                raise InputError(f"say which address of this machine to share on, with --address: {listed}")
            address = choices[0]
    elif address not in own:
        raise InputError(f"this machine has no address '{address[:60]}'; it has {join_words(list(own))}")
    name = socket.gethostname().lower()
    host = f"[{address}]" if ":" in address else address
    names = [host, name, f"{name.partition('.')[0]}.local"]
    if ipaddress.ip_address(address).is_loopback:
        names.append("localhost")
    return Door(
        ip=address,
        names=tuple(dict.fromkeys(filter(None, names))),
        token=secrets.token_hex(16),
        most_pages=most_pages,
        most_pages_each=min(most_pages, most_pages_each),
    )


def hub_door(public: str) -> Door:
    """Return the door behind a hub that serves the lab under a public address.

    Raises
    ------
    InputError
        If the address is none, or holds more than scheme, name and path.
    """
    wanted = "an address such as https://hub.example/user/one/labkit/"
    try:
        parts = urlsplit(public)
        name, _ = parts.hostname, parts.port
    except ValueError:
        raise InputError(f"'{public[:80]}' is not {wanted}") from None
    if parts.scheme not in ("http", "https") or not name or parts.query or parts.fragment or "@" in parts.netloc:
        raise InputError(f"'{public[:80]}' is not {wanted}")
    path = quote(parts.path.rstrip("/") + "/", safe="/%~@")
    return Door(
        names=tuple(dict.fromkeys((name, "localhost", HOST))),
        base_path=path,
        public=f"{parts.scheme}://{parts.netloc}{path}",
    )


def machine_addresses() -> dict[str, str]:
    """Return the addresses of this machine with the names of their interfaces."""
    import psutil  # only a shared lab asks

    found = {}
    for interface, addresses in psutil.net_if_addrs().items():
        for entry in addresses:
            if entry.family in (socket.AF_INET, socket.AF_INET6) and "%" not in entry.address:
                found[entry.address] = interface
    return found


def _outward_address() -> str | None:
    """The address this machine uses towards its network; nothing is sent to find it out."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737, for documents; a datagram socket sends nothing here
        except OSError:
            return None
        return str(probe.getsockname()[0])


class TokenLeaves:
    """Takes the token out of the address once it has let somebody in, so that copied links do not carry it."""

    def leave_token(self) -> bool:
        """Redirect to the same address without the token; True where that was done."""
        request = self.request  # type: ignore[attr-defined]
        if "token" not in request.query_arguments:
            return False
        kept = [field for field in request.query.split("&") if field and not field.startswith("token=")]
        self.redirect(request.path + ("?" + "&".join(kept) if kept else ""))  # type: ignore[attr-defined]
        return True


class PageHandler(TokenLeaves, TornadoVoilaHandler):
    """A page: gives it the token without which the server refuses its request to end the kernel on leaving."""

    _place: Place | None = None

    @tornado.web.authenticated
    async def get(self, path: str | None = None) -> None:
        """Send the page, unless as many are open as the lab takes."""
        if self.leave_token():
            return
        door, kernels = self.settings["labkit_door"], self.kernel_manager
        visitor = self.request.remote_ip if door.most_pages_each else ""
        most_each = door.most_pages_each or door.most_pages
        place = await kernels.wait_for_place(visitor, most=door.most_pages, most_each=most_each)
        if place is None:
            self.set_status(503)
            self.finish(self.render_template("full.html", door=door, own=kernels.pages_open(visitor)))
            return
        self._place = place
        THE_PLACE.set(place)
        _ = self.xsrf_token  # asking for it sets the cookie
        self._first = asyncio.ensure_future(self._first_curve(path or ""))
        try:
            await super().get(path)
        finally:
            self._first.cancel()
            kernels.leave_place(place)
            if place.is_left:
                await kernels.abandon(place)

    def on_connection_close(self) -> None:
        """Remember that the visitor has gone before the page was there."""
        if self._place is not None:
            self._place.is_left = True
        super().on_connection_close()

    async def get_generator(self, path: str | None = None) -> AsyncIterator[str]:
        """Yield the pieces of the page; where the library sends a script as a sign of life, an empty line."""
        async for piece in super().get_generator(path=path):
            if MARK in piece:
                yield piece.replace(MARK, await self._first)
            else:
                yield "\n" if piece.startswith("<script>window.voila_heartbeat()") else piece

    async def _first_curve(self, page: str) -> str:
        """The page's first curve as HTML; empty where it cannot be drawn: then the kernel draws it later."""
        curves: FirstCurves | None = self.settings["labkit_first_curves"]
        if curves is None:
            return ""
        is_phone = "Mobile" in self.request.headers.get("User-Agent", "")
        return await curves.html(page, self.request.query, cookie=self.get_cookie(COOKIE), is_phone=is_phone)


class StartHandler(TokenLeaves, TornadoVoilaTreeHandler):
    """The address of the lab itself: leads to the start page, or lists the pages of a folder that has none."""

    @tornado.web.authenticated
    async def get(self, path: str = "") -> None:
        """Go to the start page."""
        if self.leave_token():
            return
        start = self.settings["labkit_start"]
        if start and not path:
            self.redirect(
                url_path_join(self.base_url, start) + (f"?{self.request.query}" if self.request.query else "")
            )
            return
        await super().get(path)


class DoorHandler(LoginFormHandler):
    """Asks for the token in the lab's own look."""

    def get_template(self, name: str) -> Any:
        """Return a template of the lab: its own form in place of the library's."""
        return self.settings["voila_jinja2_env"].get_template("door.html" if name == "login.html" else name)

    def prepare(self, **options: Any) -> Any:
        """Let the browser say where the form was sent from: without, it sends "null", which is refused as foreign."""
        self.set_header("Referrer-Policy", "same-origin")
        return super().prepare(**options)

    @allow_unauthenticated
    def post(self) -> None:
        """Let in whoever brings the token."""
        user = self.current_user = self.identity_provider.process_login_form(self)
        if user is None:
            self.set_status(401)
            self._render(message="That is not the token of this lab. It is in the link, after “token=”.")
            return
        self.identity_provider.set_login_cookie(self, user)
        self._redirect_safe(self.get_argument("next", default=self.base_url))


class DoorKeeper(VoilaIdentityProvider):
    """Lets in who brings the token, by link or by form; everybody where there is none."""

    def process_login_form(self, handler: Any) -> User | None:
        """Return a visitor without a name for the right token, None for a wrong one."""
        given = handler.get_body_argument("password", default="").strip()
        if not self.token or not hmac.compare_digest(given.encode(), self.token.encode()):
            return None
        return self.generate_anonymous_user(handler)

    def get_handlers(self) -> list[tuple[str, object]]:
        """Return the route of the form."""
        return [(url_path_join(self.parent.base_url, "/login"), DoorHandler)] if self.token else []


class NoSuchPage(tornado.web.RequestHandler):
    """Answers addresses that climb out of their folder, which some of the library's handlers stumble over."""

    def prepare(self) -> None:
        """Refuse."""
        self.set_status(404)
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish("There is no page here.\n")


class ForeignName(tornado.web.RequestHandler):
    """Answers requests under names that do not belong to the lab."""

    def prepare(self) -> None:
        """Refuse."""
        self.set_status(403)
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish("The lab does not answer under this name. Use the address that it printed when it started.\n")
