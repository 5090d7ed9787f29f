"""The example package in a fresh environment: installed, used through every hook, uninstalled, and no trace left.

The tests of this module run in their order: `plugged` installs the package, the last test takes it away again.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

import pytest

from tests.browser.conftest import START_S, Server, stop_server
from tests.plugins.samples import EXAMPLE, READER_FILES
from tests.setup.installation import Installation, build_wheel, closure, install, link_into

RIG = "Saltmarsh Lane, light-operated tone"
USUAL_RIG = "Saltmarsh Lane, narrow single coil"
PLUGIN = "saltmarsh-light"


@pytest.fixture(scope="module")
def lab_alone(project_root: Path, tmp_path_factory: pytest.TempPathFactory) -> Installation:
    """An environment with labkit and what it needs."""
    wheel = build_wheel(project_root, tmp_path_factory.mktemp("wheel"))
    return install(wheel, tmp_path_factory.mktemp("example"))


def with_files_of_its_own(lab: Installation) -> None:
    """Put copies where links are: the server refuses to send files that lie outside of its folders."""
    (site,) = lab.environment.glob("lib/python*/site-packages")
    links = [site / "voila", *(path for path in (lab.environment / "share").rglob("*") if path.is_symlink())]
    for link in links:
        target = link.resolve()
        link.unlink()
        if target.is_dir():
            shutil.copytree(target, link)
        else:
            shutil.copyfile(target, link)


@pytest.fixture(scope="module")
def before(lab_alone: Installation) -> dict[str, str]:
    """What the lab says before the package is there."""
    return said_by(lab_alone)


@pytest.fixture(scope="module")
def plugged(lab_alone: Installation, before: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> Installation:
    """The same environment with the package installed."""
    wheel = build_wheel(EXAMPLE, tmp_path_factory.mktemp("plugin"))
    pip(lab_alone, "install", "--quiet", "--no-deps", str(wheel))
    return lab_alone


def pip(lab: Installation, *command: str) -> None:
    """Run pip of the test environment upon another one."""
    python = str(lab.environment / "bin" / "python")
    done = subprocess.run(
        [sys.executable, "-m", "pip", "--python", python, *command], capture_output=True, text=True, timeout=400
    )
    assert done.returncode == 0, done.stdout + done.stderr


def said_by(lab: Installation) -> dict[str, str]:
    """What the lab has and gives, without the times it took."""
    commands = {
        "items": ("catalogue", "--json"),
        "plugins": ("catalogue", "--plugins", "--json"),
        "response": ("response", USUAL_RIG, "--json", "--at", "100,1k,3k"),
        "strange": ("response", RIG),
    }
    found = {}
    for name, command in commands.items():
        done = lab.run("labkit", *command)
        found[name] = done.stdout + done.stderr
    listed = json.loads(found["plugins"])
    for plugin in listed["plugins"]:
        del plugin["seconds"]
    found["plugins"] = json.dumps(listed)
    return found


def answer(lab: Installation, *command: str) -> str:
    """Run labkit and return what it says; it must succeed and say nothing on standard error but what it wrote."""
    done = lab.run("labkit", *command)
    complaints = [line for line in done.stderr.splitlines() if not line.startswith("labkit: wrote ")]
    assert (done.returncode, complaints) == (0, []), done.stderr
    return done.stdout


def test_the_catalogue_shows_what_the_package_brings_and_from_where(plugged):
    listed = json.loads(answer(plugged, "catalogue", "--plugins", "--json"))
    (found,) = [each for each in listed["plugins"] if each["name"] == PLUGIN]
    assert (found["origin"], found["version"], found["problems"]) == (PLUGIN, "1.0.0", [])
    assert found["items"] == 6
    assert found["brings"] == {
        "labkit_sheet_kinds": ["light cell"],
        "labkit_part_kinds": ["light resistor"],
        "labkit_chain_kinds": ["series resistor"],
        "labkit_loss_models": ["conducting sheet"],
        "labkit_sweep_readers": ["bench log"],
        "labkit_takes": ["drone"],
        "labkit_panels": ["light-tone"],
        "labkit_case_checks": ["light cell"],
    }
    assert answer(plugged, "catalogue", "light cell").splitlines()[0] == "small cell"


def test_part_stage_and_harness_make_a_rig_whose_formula_names_the_cell(plugged):
    gains = {
        shade: json.loads(answer(plugged, "response", RIG, "--json", "--at", "3k", "--set", f"shade={shade}"))
        for shade in (0, 10)
    }
    # 22 nF behind 1.8 kΩ of lit cell is a short beside the coil at 3 kHz; behind 0.5 MΩ it is nearly nothing
    assert gains[10]["gain_db"][0] > gains[0]["gain_db"][0] + 10
    netlist = answer(plugged, "netlist", RIG)
    assert "shade" in netlist
    assert "series_resistor" in netlist.replace(" ", "_")


def test_the_loss_model_of_a_build_sheet_is_the_packages(plugged):
    blade = json.loads(answer(plugged, "pickup", "narrow blade coil", "--json"))
    rods = json.loads(
        answer(plugged, "pickup", "narrow blade coil", "--json", "--set", "coil.main.losses=conducting cylinder")
    )
    assert blade["total"]["inductance_h"] == rods["total"]["inductance_h"]
    assert blade["resonance_hz"]["value"] != rods["resonance_hz"]["value"]


def test_the_sweep_reader_reads_a_file_that_labkit_cannot(plugged):
    (plugged.folder / "a.log").write_text(READER_FILES["bench log"][1], encoding="utf-8")
    assert "read by 'bench log' of plugin 'saltmarsh-light'" in answer(plugged, "fit", "a.log", "--load", "none")
    refused = plugged.run("labkit", "fit", "a.log", "--reader", "delimited text")
    assert refused.returncode == 2
    assert len(refused.stderr.splitlines()) == 1


def test_the_take_is_played_and_the_case_is_checked(plugged):
    answer(plugged, "render", USUAL_RIG, "--take", "drone", "--output", "drone.wav", "--force")
    assert (plugged.folder / "drone.wav").stat().st_size > 100_000
    (outcome,) = json.loads(answer(plugged, "cases", "light-cell-exponent", "--json"))
    assert outcome["verdict"] == "within"


def test_the_packages_own_tests_pass_where_it_is_installed(plugged):
    (site,) = plugged.environment.glob("lib/python*/site-packages")
    for name in closure(["pytest"]):
        link_into(metadata.distribution(name), plugged.environment, site)
    done = plugged.run(
        "python", "-B", "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", str(EXAMPLE / "pyproject.toml"),
        "--rootdir", str(EXAMPLE), str(EXAMPLE / "tests"),
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture(scope="module")
def plugged_server(plugged: Installation) -> Iterator[Server]:
    """The lab of that environment, open."""
    with_files_of_its_own(plugged)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    process = subprocess.Popen(
        [str(plugged.environment / "bin" / "labkit"), "open", "--no-browser", "--port", str(port)],
        cwd=plugged.folder,
        env=plugged.variables(),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    lines: list[str] = []
    reader = threading.Thread(target=lambda: lines.extend(process.stdout), daemon=True)
    reader.start()
    server = Server(process=process, address=f"http://127.0.0.1:{port}/", lines=lines, reader=reader)
    give_up = time.monotonic() + START_S
    while time.monotonic() < give_up:
        try:
            urllib.request.urlopen(server.address, timeout=10).close()
            break
        except OSError:
            assert process.poll() is None, "".join(lines)
            time.sleep(0.2)
    yield server
    stop_server(server)


@pytest.mark.browser
def test_the_panel_is_found_from_the_first_page_and_moves(visit, plugged_server, screenshots):
    seen = visit("", ready=".lab-who", server=plugged_server)
    page = seen.page
    page.screenshot(path=str(screenshots / "plugin-start.png"), full_page=True)
    page.get_by_role("navigation", name="Pages").get_by_role("link", name="Light tone").click()
    page.wait_for_selector(".noUi-handle[aria-valuetext]")
    assert page.inner_text("h1") == "Light tone"
    page.get_by_text("the cell has 402 kΩ").wait_for()
    page.locator(".noUi-handle").focus()
    page.keyboard.press("Home")
    page.get_by_text("Shutter at 0 of 10").wait_for()
    page.screenshot(path=str(screenshots / "plugin-panel.png"), full_page=True)
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


@pytest.mark.browser
def test_the_packages_rig_part_take_and_cell_are_offered_on_the_rig_page(visit, plugged_server):
    seen = visit(
        "voila/render/rig.ipynb?v=1&rig=Saltmarsh+Lane%2C+light-operated+tone&shade=3",
        ready="svg.lab-curve",
        server=plugged_server,
    )
    seen.page.get_by_label("Shade knob").first.wait_for()
    assert "drone" in seen.page.inner_text("body")
    assert seen.errors == []


def test_uninstalled_it_leaves_the_lab_as_it_was(plugged, before):
    assert said_by(plugged) != before
    pip(plugged, "uninstall", "--yes", "--quiet", PLUGIN)
    assert said_by(plugged) == before
    assert "neither a file nor a rig" in before["strange"]
