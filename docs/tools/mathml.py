"""Sphinx extension: formulas as MathML, which every browser draws by itself, so that a page loads nothing for them.

docutils brings the converter. A formula it does not understand stops the build through a warning.
"""

from __future__ import annotations

from typing import Any

from docutils import nodes
from docutils.utils.math import MathError
from docutils.utils.math.latex2mathml import tex2mathml
from sphinx.application import Sphinx
from sphinx.util import logging

_LOG = logging.getLogger(__name__)


def _formula(writer: Any, node: nodes.math | nodes.math_block, *, as_block: bool) -> None:
    text = node.astext().strip()
    try:
        markup = tex2mathml(text, as_block=as_block)
    except MathError as error:
        _LOG.warning("a formula cannot be written as MathML (%s): %s", error, text, location=node)
        markup = f"<code>{writer.encode(text)}</code>"
    writer.body.append(f'<div class="formula">\n{markup}\n</div>\n' if as_block else markup)
    raise nodes.SkipNode


def _inline(writer: Any, node: nodes.math) -> None:
    _formula(writer, node, as_block=False)


def _block(writer: Any, node: nodes.math_block) -> None:
    _formula(writer, node, as_block=True)


def setup(app: Sphinx) -> dict[str, bool]:
    """Register the renderer under the name that ``html_math_renderer`` asks for."""
    app.add_html_math_renderer("mathml", inline_renderers=(_inline, None), block_renderers=(_block, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}
