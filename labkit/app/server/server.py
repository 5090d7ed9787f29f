"""The lab's own server: Voila in this process, every setting stated here, nothing left to files of the machine.

Only this machine can reach it unless it is shared (`labkit.app.server.door`); it asks no other host for anything, and a
content policy makes the browser refuse to. A kernel without a browser is closed after two minutes.
"""

from __future__ import annotations

import json
import os
import socket
import sys
import threading
import time
import webbrowser
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_server.utils import url_path_join
from jupyterlab_server.config import get_federated_extensions
from traitlets import Instance, default
from traitlets.config import Config
from voila.app import Voila
from voila.paths import collect_static_paths
from voila.static_file_handler import TemplateStaticFileHandler
from voila.tornado.handler import TornadoVoilaHandler
from voila.tornado.kernel_websocket_handler import VoilaKernelWebsocketHandler
from voila.tornado.treehandler import TornadoVoilaTreeHandler
from voila.utils import get_voila_labextensions_path

from labkit.app.kit.panels import panels
from labkit.app.pages.start.questions import asked_tasks, demo_rigs
from labkit.app.server import limited_memory
from labkit.app.server.contents import plugin_problems, sheet_problems
from labkit.app.server.door import HOST, Door, DoorKeeper, ForeignName, NoSuchPage, PageHandler, StartHandler
from labkit.app.server.exporter import use_compiled_templates
from labkit.app.server.first_curve import FirstCurves
from labkit.app.server.forked import CAN_FORK, kernel_provisioner
from labkit.app.server.kernels import FORKED_WAITING, WAITING, PromptClient, ReadyKernels
from labkit.app.server.scripts import LastingFiles, PageScripts, PageScriptsHandler, files_digest, read_pieces
from labkit.app.server.widget_socket import WidgetConnection, WidgetSocket
from labkit.core.errors import LabkitError
from labkit.core.files import BOOK_CLOSED_VARIABLE, shipped_folder

DEFAULT_PORT = 8866
LOCAL_DOOR = Door()
KERNEL_IDLE_S = 120
PING_MS = 30_000
START_PAGE = "start.ipynb"
"""What the lab opens on."""
CELL_TIMEOUT_S = 60
WANTED_EXTENSIONS = (
    "anywidget",
    "@jupyter-widgets/jupyterlab-manager",
    "@voila-dashboards/widgets-manager8",
    "jupyter-matplotlib",
)
"""Browser extensions that a page may load; whatever else a notebook installation has brought is left out."""

CONTENT_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self' blob:",  # widgets of our own arrive as modules in blobs
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self' data:",
        "media-src 'self' data: blob:",
        "connect-src 'self'",
        "worker-src 'self' blob:",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'self'",
    )
)
"""What a page of the lab may load: only what this server sends."""


class ServerError(LabkitError):
    """The lab's server could not be started."""


class OwnKernels(KernelSpecManager):
    """Only the Python that runs this server, whatever other kernels a person has installed under the same name."""

    @default("kernel_dirs")
    def _no_folders(self) -> list[str]:
        return []

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        """Return how that Python is started: with a limit of its memory, and by a fork where that is possible."""
        found = super().get_kernel_spec(kernel_name)
        found.argv = [sys.executable, limited_memory.__file__, "ipykernel_launcher", "-f", "{connection_file}"]
        found.argv.append("--HistoryManager.enabled=False")  # of what nobody types
        found.metadata = {**found.metadata, "kernel_provisioner": kernel_provisioner()}
        return found


class Lab(Voila):
    """Voila that serves the lab's fonts and scripts, refuses foreign host names, and reads no configuration file."""

    name = "labkit"
    door = Instance(Door, args=(), help="How the lab is reached.").tag(config=True)

    @default("config_file_paths")
    def _no_config_files(self) -> list[str]:
        return []

    def init_settings(self) -> dict[str, Any]:
        """Return Voila's settings, closed to names other than the lab's own (no rebinding of foreign names)."""
        settings = super().init_settings()
        # the library's own check takes LOCALHOST for another name than localhost; `ForeignName` guards every door
        settings["allow_remote_access"] = True
        settings["labkit_door"] = self.door
        has_start = (Path(self.root_dir) / START_PAGE).is_file()
        settings["labkit_start"] = f"voila/render/{START_PAGE}" if has_start else ""
        curves = FirstCurves(self.log) if Path(self.root_dir) == dashboard_folder() else None
        if curves is not None:
            curves.warm_up()
        settings["labkit_first_curves"] = curves
        settings["labkit_debug"] = self.voila_configuration.show_tracebacks
        return settings

    def init_handlers(self) -> list[Any]:
        """Return Voila's routes with the lab's own files before them."""
        folders = {"web": data_folder() / "voila" / "web", "fonts": data_folder() / "fonts"}
        own: list[Any] = [
            (
                url_path_join(self.server_url, rf"/labkit/{name}/(.*)"),
                LastingFiles,
                {"path": str(folder)},
            )
            for name, folder in folders.items()
        ]
        scripts = {"scripts": page_scripts()}
        own.append((url_path_join(self.server_url, r"/labkit/scripts/(.*)"), PageScriptsHandler, scripts))
        own_handlers = {
            TornadoVoilaHandler: PageHandler,
            TornadoVoilaTreeHandler: StartHandler,
            VoilaKernelWebsocketHandler: WidgetSocket,
        }
        pages = [(route[0], own_handlers.get(route[1], route[1]), *route[2:]) for route in super().init_handlers()]
        # of addresses below templates the library's handler takes any form, and fails on all but this one
        files = url_path_join(self.server_url, r"/voila/templates/([^/]+/static/.+)")
        pages = [(files, *route[1:]) if route[1] is TemplateStaticFileHandler else route for route in pages]
        own.insert(0, (r".*(?:/\.\.|%00|%5[cC]|\\).*", NoSuchPage))
        self.app.add_handlers(self.door.foreign_names, [(r".*", ForeignName)])
        return own + pages


def data_folder() -> Path:
    """Return the folder of packaged data."""
    return Path(str(resources.files("labkit"))) / "data"


def dashboard_folder() -> Path:
    """Return the folder of the page notebooks, in a checkout or an installation."""
    return shipped_folder("dashboards")


def list_pages(folder: Path) -> list[dict[str, Any]]:
    """Return the pages of a folder in their order: file name, title and place, read from the notebooks' metadata."""
    pages = []
    for path in sorted(folder.glob("*.ipynb")):
        metadata = json.loads(path.read_text(encoding="utf-8")).get("metadata", {})
        own = metadata.get("labkit", {})
        title, order = own.get("title", path.stem), own.get("order", 99)
        pages.append({"file": path.name, "title": title, "order": order, "travels": True})
    return sorted(pages, key=lambda page: (page["order"], page["file"]))


def panel_pages() -> list[dict[str, Any]]:
    """Return the pages that plugins bring, the lab's own among them, in the order of the menu.

    A page with a query of its own does not take the rig of the present page along (``travels``).
    """
    found = [brought.thing for brought in panels().values()]
    return [
        {"file": each.address, "title": each.title, "task": each.task, "travels": bool(each.page)} for each in found
    ]


@cache
def page_scripts() -> PageScripts:
    """Return what every page needs of the library and of the wanted browser extensions, as they are installed."""
    extensions = get_federated_extensions(get_voila_labextensions_path())
    folders = {
        name: [Path(extensions[name]["ext_path"]) / "static"] for name in WANTED_EXTENSIONS if name in extensions
    }
    folders["voila"] = [Path(path) for path in collect_static_paths(["voila"], "base")]
    return PageScripts(read_pieces(data_folder() / "voila" / "pieces.toml"), folders)


def unwanted_extensions() -> list[str]:
    """Return the installed browser extensions that no page needs; some ask for what these pages do not serve."""
    installed = get_federated_extensions(get_voila_labextensions_path())
    return sorted(set(installed) - set(WANTED_EXTENSIONS)) or ["none"]


def server_config(
    *,
    port: int,
    debug: bool = False,
    folder: Path | None = None,
    door: Door = LOCAL_DOOR,
    kernel_idle_s: int = KERNEL_IDLE_S,
) -> Config:
    """Return every setting of the server.

    Parameters
    ----------
    port : int
        Taken or refused; never another one in its stead.
    debug : bool
        Shows tracebacks in pages and the server's log.
    folder : Path, optional
        Folder of notebooks; the lab's own pages by default.
    door : Door
        How the lab is reached; from this machine only by default.
    kernel_idle_s : int
        After so long without a browser a page's kernel is closed.
    """
    shown = {
        "labkitPages": list_pages(folder) if folder else panel_pages(),
        "labkitTasks": asked_tasks(),
        "labkitRigs": demo_rigs(),
        "labkitProblems": [*plugin_problems(), *sheet_problems()],
        "labkitScripts": page_scripts().name,
        "labkitFiles": files_digest(data_folder() / "voila" / "web"),
    }

    def add_pages(page_config: dict[str, Any], **_: Any) -> dict[str, Any]:
        page_config.update(**shown, fullMathjaxUrl=None, mathjaxConfig=None)
        return page_config

    config = Config()
    config.Lab.door = door
    config.Voila.ip = door.ip
    config.Voila.base_url = door.base_path
    config.Voila.token = door.token
    config.Voila.identity_provider_class = DoorKeeper
    config.Voila.kernel_websocket_connection_class = WidgetConnection
    config.Voila.port = port
    config.Voila.port_retries = 0
    config.Voila.open_browser = False
    config.Voila.root_dir = str(folder or dashboard_folder())
    config.Voila.log_level = "INFO" if debug else "ERROR"
    config.Voila.tornado_settings = {
        "headers": {
            "Content-Security-Policy": CONTENT_POLICY,
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Permissions-Policy": "microphone=(self), camera=(), geolocation=()",
        },
        "ws_ping_interval": PING_MS,
        "ws_ping_timeout": PING_MS,
    }
    if door.public:
        parts = urlsplit(door.public)
        config.Voila.tornado_settings["allow_origin"] = f"{parts.scheme}://{parts.netloc}"
    voila = config.VoilaConfiguration
    voila.template = "labkit"
    voila.theme = "light"
    voila.allow_template_override = "NO"
    voila.allow_theme_override = "NO"
    voila.classic_tree = True
    voila.strip_sources = True
    voila.show_tracebacks = debug
    voila.attempt_fix_notebook = True
    voila.extension_denylist = unwanted_extensions()
    voila.kernel_spec_manager_class = OwnKernels
    voila.page_config_hook = add_pages
    voila.multi_kernel_manager_class = ReadyKernels
    if folder is None:  # for notebooks of somebody else there is nothing to prepare
        config.ReadyKernels.forks = CAN_FORK
        config.ReadyKernels.waiting = FORKED_WAITING if CAN_FORK else WAITING
    config.AsyncKernelManager.client_class = f"{PromptClient.__module__}.{PromptClient.__name__}"
    config.KernelRestarter.restart_limit = 0  # one in its place would know nothing of the page; the page opens anew
    config.MappingKernelManager.transport_encryption = "auto"  # without, each kernel warns on the terminal
    voila.file_allowlist = [r".*\.(png|jpg|gif|svg)"]
    config.VoilaExecutor.timeout = CELL_TIMEOUT_S
    config.MappingKernelManager.cull_idle_timeout = kernel_idle_s
    config.MappingKernelManager.cull_interval = max(1, min(15, kernel_idle_s // 3))
    config.MappingKernelManager.cull_connected = False
    config.MappingKernelManager.cull_busy = False
    return config


def serve(
    *,
    port: int = DEFAULT_PORT,
    open_browser: bool = True,
    debug: bool = False,
    folder: Path | None = None,
    door: Door = LOCAL_DOOR,
    kernel_idle_s: int = KERNEL_IDLE_S,
) -> None:
    """Serve the lab until interrupted.

    Parameters
    ----------
    port : int
        0 takes any free one.
    open_browser : bool
        Opens the landing page where a browser can be found; its address is printed either way.
    debug : bool
        Tracebacks in pages, server log on standard error.
    folder : Path, optional
        Other notebooks than the lab's own.
    door : Door
        How the lab is reached; from this machine only by default.
    kernel_idle_s : int
        After so long without a browser a page's kernel is closed.

    Raises
    ------
    ServerError
        If the port is taken.
    """
    port = _claim_port(port, door.ip)
    share = str(data_folder())
    paths = [share, *filter(None, os.environ.get("JUPYTER_PATH", "").split(os.pathsep))]
    os.environ["JUPYTER_PATH"] = os.pathsep.join(dict.fromkeys(paths))
    os.environ.setdefault("PYDEVD_DISABLE_FILE_VALIDATION", "1")
    os.environ.update(book_environment(door))
    use_compiled_templates()
    config = server_config(port=port, debug=debug, folder=folder, door=door, kernel_idle_s=kernel_idle_s)
    threading.Thread(target=_announce, args=(door, port, open_browser), daemon=True).start()
    Lab.launch_instance(argv=[], config=config)


def book_environment(door: Door) -> dict[str, str]:
    """Return what kernels are told about the workshop book: closed where other machines reach the lab."""
    return {BOOK_CLOSED_VARIABLE: "1"} if door.is_shared or door.public else {}


def _claim_port(port: int, ip: str = HOST) -> int:
    """Return a port that can be bound; a sentence instead of the server's own exit when it is taken."""
    with socket.socket(socket.AF_INET6 if ":" in ip else socket.AF_INET) as probe:
        if os.name != "nt":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((ip, port))
        except OSError as error:
            raise ServerError(
                f"port {port} on {ip} cannot be used ({error.strerror}); choose another with --port (0: any)"
            ) from None
        return int(probe.getsockname()[1])


def _announce(door: Door, port: int, open_browser: bool) -> None:
    """Say where the lab is once it answers and who can reach it, and open it."""
    address = door.link(port)
    for _ in range(600):
        with socket.socket(socket.AF_INET6 if ":" in door.ip else socket.AF_INET) as probe:
            if probe.connect_ex((door.ip, port)) == 0:
                break
        time.sleep(0.1)
    opened = False
    if open_browser and not door.public and _has_display():
        try:
            opened = webbrowser.open(address)
        except webbrowser.Error:
            opened = False
    print(f"The lab is open in your browser: {address}" if opened else f"The lab is open at {address}", flush=True)
    for line in door.told(port):
        print(line, flush=True)
    print("Stop it with Ctrl+C.", flush=True)


def _has_display() -> bool:
    """False on a machine without a screen, where a text browser would take over the terminal."""
    if os.name == "nt" or os.uname().sysname == "Darwin":
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY") or os.environ.get("BROWSER"))
