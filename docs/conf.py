"""How Sphinx builds the documentation (`make docs`): warnings are errors, and nothing comes from another host."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from labkit import __version__

project = "labkit"
copyright = "the authors of labkit, MIT licence"
version = release = __version__
language = "en_GB"

extensions = ["myst_parser", "docs.tools.mathml"]
source_suffix = {".md": "markdown"}
root_doc = "index"
exclude_patterns = ["tools", "notebooks"]

nitpicky = True
smartquotes = False  # two hyphens of an option must stay two

myst_enable_extensions = ["dollarmath", "fieldlist"]
myst_dmath_allow_labels = False
myst_heading_anchors = 4

html_title = "labkit"
html_theme = "alabaster"
html_theme_options = {
    "show_powered_by": False,
    "page_width": "1040px",
    "sidebar_width": "230px",
    "fixed_sidebar": False,
    "github_banner": False,
    "show_related": False,
}
html_static_path = ["_static"]
html_css_files = ["docs.css"]
html_js_files = ["live_curve.js"]
html_math_renderer = "mathml"
html_copy_source = False
html_show_sourcelink = False
html_show_sphinx = False


def add_lab(app: Any, problem: Exception | None) -> None:
    """Put the pages without a server beside the documentation, where the browser's Python is named (docs/site.md)."""
    runtime = os.environ.get("LABKIT_BROWSER_RUNTIME")
    if runtime and problem is None and app.builder.name == "html":
        from labkit.app.site.runtime import read_runtime
        from labkit.app.site.site import write_site

        write_site(Path(app.outdir) / "lab", read_runtime(Path(runtime)), overwrite=True)


def setup(app: Any) -> None:
    """Tell Sphinx."""
    app.connect("build-finished", add_lab)
