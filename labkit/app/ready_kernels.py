"""A page that is ready before anybody asks: its kernel runs already, and the next one starts when it is taken.

Voila keeps such kernels in a pool. Here is what it leaves open: which page, how many, and that a kernel which has
waited for hours is not taken for an abandoned one in the moment between being handed out and the browser's first word.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from typing import Any

from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager

READY_PAGE = "rig.ipynb"
"""The page that most people open first. One waiting kernel costs about 80 MB; one for each page, most of a gigabyte."""


class PatientKernels(AsyncMappingKernelManager):
    """Closes idle kernels, each no sooner than the idle time after it was first seen outside the pool.

    The library reckons from a kernel's last activity, which for one out of the pool may be hours ago; the browser
    connects a second later.
    """

    def __init__(self, **traits: Any) -> None:
        super().__init__(**traits)
        self._out_since: dict[str, float] = {}

    async def cull_kernel_if_idle(self, kernel_id: str) -> None:
        """Close a kernel that has been idle for long enough; pooled ones never come here."""
        now = time.monotonic()
        if now - self._out_since.setdefault(kernel_id, now) >= self.cull_idle_timeout:
            await super().cull_kernel_if_idle(kernel_id)

    async def shutdown_kernel(self, kernel_id: str, *arguments: Any, **options: Any) -> None:  # type: ignore[override]
        """Close a kernel."""
        self._out_since.pop(kernel_id, None)
        await super().shutdown_kernel(kernel_id, *arguments, **options)


def kept_cold(pages: Iterable[str]) -> list[str]:
    """Return the ends of the paths of pages that are not made ready.

    >>> kept_cold(["rig.ipynb", "measure.ipynb"])
    ['/measure.ipynb']
    """
    return [f"/{page}" for page in pages if page != READY_PAGE]


def kernels_in_use(manager: Any) -> int:
    """Return how many kernels belong to open pages."""
    waiting = sum(manager.get_pool_size(name) for name in getattr(manager, "notebook_data", {}))
    return max(len(manager.list_kernel_ids()) - waiting, 0)
