"""The browser's side of the notebook machinery in one script, instead of some eighty that ask for one another.

The library and its browser extensions come as numbered pieces. A piece enters itself into a list, where its loader
looks before it asks the server; so the pieces that every page needs may be there beforehand. Their one script has the
digest of its content in its name: the browser reads it in while the page's kernel still works, and then keeps it.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import tornado.web

KEPT_FOR_GOOD = "public, max-age=31536000, immutable"

FLAW = b'throw Error("widget model not found")'
"""The widget manager asks every 0.1 s for a widget that is not there yet, and gives up after 2 s without a last look.
On a slow machine the widget may have come while the browser was busy, and the page would say for ever that it is not
found."""

MENDED = b"if(void 0!==(t=this._models[e]))return t;" + FLAW

BEFORE_THE_STATES = (
    (
        b'handle_comm_open(e,t){let o=(t.metadata||{}).version||"";',
        b"handle_comm_open(e,t){if(!1===this._restoredStatus&&!this._hasStates)return e.jsServicesComm.dispose(),"
        b'Promise.resolve();let o=(t.metadata||{}).version||"";',
    ),
    (
        b'(e=o.content.data,"update_states"!==e.method)?',
        b'(this._hasStates=!0,e=o.content.data,"update_states"!==e.method)?',
    ),
    (
        b"catch(e){return this._loadFromKernelModels()}",
        b"catch(e){return this._hasStates=!0,this._loadFromKernelModels()}",
    ),
)
"""A line that opens while the kernel makes the page hears of the later widgets one by one, and then of all of them,
earlier ones included, in one answer. A widget whose parts are among the earlier ones waited 2 s for them, held up that
answer behind itself on the line, and was lost. What is heard before the answer is in it, and is passed over."""

_START = b'activatePlugins("startUp",e),'
EARLY = (
    (b'window.addEventListener("load",(async function(){const e=[n(', b"(now=>now())((async function(){const e=[n("),
    (_START + b"this.attachShell(", _START + b"await window.labWhole,this.attachShell("),
)
"""The library begins when the page is whole with all its pictures and fonts: then it opens its line to the kernel. Here
it begins at once, while the kernel is at work, and waits for the whole page (`labWhole` in page.js) only with showing
the widgets in it."""


class PageScripts:
    """Pieces of several packages as one script.

    Parameters
    ----------
    pieces : mapping
        Numbers of the pieces by package.
    folders : mapping
        Where the pieces of a package may lie; the first folder that has one counts.

    Attributes
    ----------
    content : bytes
        UTF-8, with two flaws of the library mended, and the library begun early; empty where no piece was found. A
        piece that is missing, or there in two versions, is left to its loader.
    name : str
        Of the script, with the digest of its content; empty likewise.
    """

    def __init__(self, pieces: Mapping[str, Iterable[int]], folders: Mapping[str, Sequence[Path]]) -> None:
        paths = [
            path
            for package, numbers in pieces.items()
            for number in numbers
            if (path := _only_piece(number, folders.get(package, ()))) is not None
        ]
        # each in a function of its own: "use strict" at the head of one must not bind the others
        content = b"".join(b"(function(){" + path.read_bytes() + b"\n})();\n" for path in paths)
        content = content.replace(FLAW, MENDED)
        for mends in (EARLY, BEFORE_THE_STATES):
            if all(known in content for known, _ in mends):
                for known, mended in mends:
                    content = content.replace(known, mended)
        self.content = content
        self.name = f"pieces.{hashlib.sha256(self.content).hexdigest()[:16]}.js" if paths else ""


def read_pieces(path: Path) -> dict[str, list[int]]:
    """Return the numbers of the pieces by package from their list."""
    return tomllib.loads(path.read_text(encoding="utf-8"))


def _only_piece(number: int, folders: Sequence[Path]) -> Path | None:
    """The file of a piece; None where none or more than one has its number."""
    for folder in folders:
        matching = list(folder.glob(f"{number}.*.js"))
        if matching:
            return matching[0] if len(matching) == 1 else None
    return None


def files_digest(folder: Path) -> str:
    """Return a digest of the files of a folder, their names and content."""
    found = hashlib.sha256()
    for path in sorted(folder.iterdir()):
        found.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return found.hexdigest()[:16]


class LastingFiles(tornado.web.StaticFileHandler):
    """Sends files; the browser keeps one that is asked for by a digest for good, a font for a week."""

    def set_extra_headers(self, path: str) -> None:
        """Say how long the file may be kept."""
        if self.get_argument("v", ""):
            self.set_header("Cache-Control", KEPT_FOR_GOOD)
        elif path.endswith(".woff2"):
            self.set_header("Cache-Control", "public, max-age=604800")


class PageScriptsHandler(tornado.web.RequestHandler):
    """Sends the script; the browser may keep it for good, since another content has another name."""

    def initialize(self, scripts: PageScripts) -> None:
        """Take the script."""
        self.scripts = scripts

    def get(self, name: str) -> None:
        """Send the script under its present name."""
        if not name or name != self.scripts.name:
            raise tornado.web.HTTPError(404)
        self.set_header("Content-Type", "text/javascript; charset=utf-8")
        self.set_header("Cache-Control", KEPT_FOR_GOOD)
        self.set_header("X-Content-Type-Options", "nosniff")
        self.finish(self.scripts.content)
