"""The folder of files: pages with their first curve, scripts, the browser's Python, and labkit packed for it.

The pages and their scripts are those of the lab; only the way of their messages differs (`labkit.app.site.widgets`).
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import tomllib
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module, metadata
from pathlib import Path, PurePosixPath
from typing import Any

from jinja2 import Environment, FileSystemLoader

from labkit.app.kit.panels import Panel, notebook_panels
from labkit.app.kit.widgets import LabWidget
from labkit.app.pages.start.questions import asked_tasks, demo_rigs
from labkit.app.server.first_curve import PHONE_WIDTH, USUAL_WIDTH, draw_first
from labkit.app.site.runtime import Runtime
from labkit.app.site.visit import PARSED
from labkit.core.errors import InputError
from labkit.core.files import shipped_folder, write_atomically

PAGES = ("start", "rig", "cable", "pots_and_capacitors", "wiring", "winding", "listening_test")
"""What works by numpy alone; the others need libraries that are too large for a visit."""

LIBRARIES = ("pluggy", "platformdirs", "tomli_w", "traitlets")
"""Python alone, taken from the installation that writes the site."""

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self' blob: 'wasm-unsafe-eval'",  # the worker, and the guard of the sound, arrive in blobs
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self'",
        "media-src 'self' data: blob:",
        "connect-src 'self'",
        "worker-src 'self' blob:",
        "manifest-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
    )
)
"""What a page may load: only files of its own site."""

_NARROW = "@media (min-width:640px){.narrow{display:none}}@media (max-width:639px){.wide{display:none}}"
_NEVER = (1980, 1, 1, 0, 0, 0)  # the same files give the same archive


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePage:
    """A page of the site: file, name of its notebook, title and task as in the lab; `travels` for the menu."""

    file: str
    name: str
    title: str
    task: str
    travels: bool = True


def write_site(folder: Path, runtime: Runtime, *, overwrite: bool = False) -> int:
    """Write the site and return how many bytes it has.

    Parameters
    ----------
    folder : Path
        New, or empty; with ``overwrite`` files of a former site in it are replaced.
    runtime : Runtime
    overwrite : bool

    Raises
    ------
    InputError
        If the folder cannot be used.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: is a file; name a folder for the site")
    if folder.is_dir() and any(folder.iterdir()) and not overwrite:
        raise InputError(f"{folder}: is not empty; name another folder, or give --force to write the site into it")
    files = site_files(runtime)
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        write_atomically(folder / name, content, overwrite=overwrite)
    return sum(map(len, files.values()))


def site_files(runtime: Runtime) -> dict[str, bytes]:
    """Return every file of the site by its name in the folder."""
    data = Path(__file__).parents[2] / "data"
    web, own = data / "voila" / "web", data / "site"
    styles = sorted(path for path in web.glob("*.css") if path.name not in ("tokens.css", "page.css"))
    styles.sort(key=lambda path: path.name != "widgets.css")  # what the others change
    files = {f"runtime/{name}": content for name, content in runtime.files.items()}
    files |= {f"labkit/fonts/{path.name}": path.read_bytes() for path in sorted((data / "fonts").iterdir())}
    files |= {f"labkit/web/{name}": (web / name).read_bytes() for name in _IN_HEAD}
    files["labkit/web/site.css"] = b"\n".join(path.read_bytes() for path in (*styles, own / "site.css"))
    files |= {f"labkit/site/{name}": (own / name).read_bytes() for name in ("site.js", "worker.js")}
    files |= {f"labkit/widgets/{name}.js": script for name, script in _widget_scripts()}
    files["labkit/labkit.zip"] = packed_labkit()
    files["manifest.webmanifest"] = json.dumps(_MANIFEST, indent=1).encode()
    version = hashlib.sha256(
        b"".join(name.encode() + hashlib.sha256(files[name]).digest() for name in files)
    ).hexdigest()[:16]
    files |= _pages(version, {name: _integrity(files[name]) for name in files if name.endswith(".whl")})
    listed = {name: _integrity(content) for name, content in files.items()}
    worker = (own / "service_worker.js").read_text(encoding="utf-8")
    whole = hashlib.sha256(json.dumps(listed).encode()).hexdigest()[:16]
    worker = worker.replace("VERSION", whole).replace("LISTED", json.dumps(listed, indent=1))
    return {**files, "service_worker.js": worker.encode()}


def _integrity(content: bytes) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(content).digest()).decode()}"


_IN_HEAD = ("tokens.css", "page.css", "page.js", "recent.js", "mark.svg")

_MANIFEST = {
    "name": "labkit",
    "short_name": "labkit",
    "description": "How an electric-guitar pickup sounds in a real rig.",
    "start_url": "index.html",
    "scope": "./",
    "display": "standalone",
    "background_color": "#FAF6EE",
    "theme_color": "#FAF6EE",
    "icons": [{"src": "labkit/web/mark.svg", "sizes": "any", "type": "image/svg+xml"}],
}


def site_pages() -> tuple[SitePage, ...]:
    """Return the pages in the order of the menu."""
    found = sorted((panel for panel in notebook_panels() if panel.name in PAGES), key=lambda panel: panel.order)
    return tuple(SitePage(file=_file(panel), name=panel.name, title=panel.title, task=panel.task) for panel in found)


def _file(panel: Panel) -> str:
    return "index.html" if panel.name == "start" else f"{panel.name}.html"


def _pages(version: str, wheels: dict[str, str]) -> dict[str, bytes]:
    """The pages with their first curves, those of their usual rig on a wide and a narrow screen."""
    data = Path(__file__).parents[2] / "data"
    environment = Environment(
        loader=FileSystemLoader([data / "site", data / "voila" / "templates" / "labkit"]), keep_trailing_newline=True
    )
    template = environment.get_template("page.html.j2")
    colours = (data / "voila" / "web" / "tokens.css").read_text(encoding="utf-8")
    pages = site_pages()
    there = {f"{page.name}.ipynb": page.file for page in pages}
    asked: list[dict[str, Any]] = asked_tasks()
    groups = [
        {**group, "tasks": [{**task, "file": there[task["file"]]} for task in group["tasks"] if task["file"] in there]}
        for group in asked
    ]
    shown = {"labkitTasks": [group for group in groups if group["tasks"]], "labkitRigs": demo_rigs()}
    files = {}
    for page in pages:
        drawn = "".join(
            f'<div class="lab-widget {kind}">{draw_first(f"{page.name}.ipynb", "", width=width)}</div>'
            for kind, width in (("wide", USUAL_WIDTH), ("narrow", PHONE_WIDTH))
        )
        first = f"<style>{colours}.lab-widget svg{{display:block;max-width:100%}}{_NARROW}</style><slot>{drawn}</slot>"
        scripts = {"version": version, "packed": "labkit/labkit.zip", "wheels": wheels, "policy": POLICY}
        text = template.render(page=page, pages=pages, first=first, shown=shown, **scripts)
        files[page.file] = text.encode()
    return files


def _widget_scripts() -> Iterator[tuple[str, bytes]]:
    """Names of the pages' widgets and their scripts."""
    for panel in notebook_panels():
        if panel.name in PAGES:
            panel.make()  # brings its widgets' classes
    waiting: list[Any] = [LabWidget]
    while waiting:
        found = waiting.pop()
        waiting += found.__subclasses__()
        script = vars(found).get("_esm")
        if found.__module__.startswith("labkit.") and isinstance(script, str):  # else the library's, of one widget
            yield found.__name__, script.encode()


def packed_labkit() -> bytes:
    """Return labkit with its data, and the libraries it needs, as one archive for the folder of packages."""
    packed = io.BytesIO()
    package = Path(__file__).parents[2]
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:

        def add(name: PurePosixPath, path: Path) -> None:
            archive.writestr(zipfile.ZipInfo(str(name), _NEVER), path.read_bytes(), zipfile.ZIP_DEFLATED, 9)

        for path in _files(package):
            inside = PurePosixPath(path.relative_to(package).as_posix())
            if inside.parts[:2] not in _LEFT_OUT:
                add("labkit" / inside, path)
        sheets = [path for path in _files(package / "data" / "catalogue") if path.suffix == ".toml"]
        said = {
            path.relative_to(package).as_posix(): tomllib.loads(path.read_text(encoding="utf-8")) for path in sheets
        }
        written = json.dumps(said, ensure_ascii=False).encode()
        archive.writestr(zipfile.ZipInfo(f"labkit/{PARSED}", _NEVER), written, zipfile.ZIP_DEFLATED, 9)
        for name in ("dashboards", "reference_cases"):
            for path in _files(shipped_folder(name)):
                add(PurePosixPath("labkit", name, path.relative_to(shipped_folder(name)).as_posix()), path)
        for name in LIBRARIES:
            place = Path(import_module(name).__file__ or "").parent
            for path in _files(place):
                add(PurePosixPath(name, path.relative_to(place).as_posix()), path)
        for name in ("labkit", *LIBRARIES):
            for file in metadata.files(name) or ():
                if (".dist-info/" in str(file) and file.name in _KEPT_NOTES) or "licenses/" in str(file):
                    add(PurePosixPath(str(file)), Path(str(file.locate())))
    return packed.getvalue()


_LEFT_OUT = (("data", "fonts"), ("data", "site"), ("data", "demo_book"), ("data", "demo_sweeps"), ("app", "server"))
_KEPT_NOTES = ("METADATA", "entry_points.txt", "LICENSE", "LICENSE.txt")


def _files(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts and path.suffix not in (".pyc", ".so"):
            yield path
