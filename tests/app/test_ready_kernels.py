"""The page that waits ready, and what the pages' kernels do without until somebody asks for it."""

from __future__ import annotations

import asyncio
import subprocess
import sys

import pytest
from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager

from labkit.app import ready_kernels
from labkit.app.ready_kernels import READY_PAGE, PatientKernels, kept_cold, kernels_in_use
from labkit.app.server import dashboard_folder, server_config

HEAVY = ("scipy", "matplotlib", "sympy", "lcapy", "lmfit", "skrf", "SALib", "soundfile", "pyloudnorm", "pandas")


def test_the_rig_page_opens_without_any_heavy_library():
    code = "import sys, labkit.app.rig_page as page; page.panel(); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "labkit.app.rig_page" in loaded
    assert loaded & set(HEAVY) == set()


def test_one_page_is_made_ready_and_no_other():
    config = server_config(port=1)
    assert config.VoilaConfiguration.preheat_kernel is True
    pages = [path.name for path in dashboard_folder().glob("*.ipynb")]
    cold = config.VoilaKernelManager.preheat_denylist
    ready = [name for name in pages if not any(pattern in f"{dashboard_folder()}/{name}" for pattern in cold)]
    assert ready == [READY_PAGE]


def test_notebooks_of_somebody_else_are_not_run_before_they_are_opened(tmp_path):
    assert server_config(port=1, folder=tmp_path).VoilaConfiguration.preheat_kernel is False


def test_pages_that_stay_cold_are_told_from_one_whose_name_ends_alike():
    assert kept_cold([READY_PAGE, "no_rig.ipynb"]) == ["/no_rig.ipynb"]


@pytest.mark.parametrize(("waiting", "used"), [(0, 3), (1, 2), (4, 0)])
def test_a_kernel_that_waits_is_no_open_page(waiting, used):
    class Manager:
        notebook_data = {READY_PAGE: {}}

        def list_kernel_ids(self):
            return ["a", "b", "c"]

        def get_pool_size(self, name):
            return waiting

    assert kernels_in_use(Manager()) == used


def test_a_kernel_handed_out_after_hours_gets_the_whole_idle_time(monkeypatch):
    culled, now = [], [0.0]

    async def cull(self, kernel_id):
        culled.append((kernel_id, now[0]))

    monkeypatch.setattr(AsyncMappingKernelManager, "cull_kernel_if_idle", cull)
    monkeypatch.setattr(ready_kernels.time, "monotonic", lambda: now[0])
    kernels = PatientKernels(cull_idle_timeout=120)
    for seconds in (1000.0, 1015.0, 1119.0, 1120.0):
        now[0] = seconds
        asyncio.run(kernels.cull_kernel_if_idle("one"))
    assert culled == [("one", 1120.0)]
