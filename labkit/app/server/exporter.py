"""Pages from templates that are compiled once for the whole server.

The library makes a new template environment for every page and compiles its fifteen templates in it: 0.2 s in which
the server answers nobody. It has no setting for that.
"""

from __future__ import annotations

from typing import Any

import voila.notebook_renderer
from jinja2 import BytecodeCache, Environment
from jinja2.bccache import Bucket
from voila.exporter import VoilaExporter


class CompiledTemplates(BytecodeCache):
    """Compiled templates in memory, by file; a template whose file has changed is compiled again."""

    def __init__(self) -> None:
        self._compiled: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        """Fill a bucket with what is known."""
        if bucket.key in self._compiled:
            bucket.bytecode_from_string(self._compiled[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep what has been compiled."""
        self._compiled[bucket.key] = bucket.bytecode_to_string()


_COMPILED = CompiledTemplates()


class PageExporter(VoilaExporter):
    """Voila's exporter with compiled templates."""

    def _create_environment(self) -> Environment:
        environment: Environment = super()._create_environment()
        environment.bytecode_cache = _COMPILED
        return environment


def use_compiled_templates() -> None:
    """Let every page of this process come from `PageExporter`."""
    found: Any = voila.notebook_renderer
    found.VoilaExporter = PageExporter
