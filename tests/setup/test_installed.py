"""An installed labkit works without its checkout: sheets, pages and fonts travel in the wheel."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
import time
import urllib.request
import zipfile
from pathlib import Path

import pytest

from labkit.rig.sheet import load_rig
from tests.setup.installation import Installation, build_wheel, install
from tests.setup.pythons import SOLVER, install_on, interpreters

RIG = "Saltmarsh Lane, narrow single coil"


@pytest.fixture(scope="module")
def wheel(project_root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_wheel(project_root, tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def installation(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Installation:
    return install(wheel, tmp_path_factory.mktemp("installation"))


def test_wheel_holds_code_and_data_and_no_tests(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    assert "labkit/py.typed" in names
    for ending in (".toml", ".ipynb"):
        assert [name for name in names if name.endswith(ending)], f"no {ending} in the wheel"
    assert not [name for name in names if name.startswith(("tests/", "docs/")) or "__pycache__" in name]
    assert any(name.endswith("licenses/LICENSE") for name in names)


def test_installed_package_is_not_the_checkout(installation: Installation, project_root: Path) -> None:
    done = installation.run("python", "-c", "import labkit; print(labkit.__file__)")
    assert done.returncode == 0, done.stderr
    assert Path(done.stdout.strip()).is_relative_to(installation.environment)
    assert not Path(done.stdout.strip()).resolve().is_relative_to(project_root / "labkit")


def test_installed_labkit_finds_its_demo_data_and_gives_the_same_numbers(installation: Installation) -> None:
    done = installation.run("labkit", "response", RIG, "--json", "--at", "100,1k,3k")
    assert (done.returncode, done.stderr) == (0, "")
    found = json.loads(done.stdout)
    expected = load_rig(RIG).response()
    assert found["frequency_hz"] == [100, 1000, 3000]
    # The same code on the same machine: only the printing of digits lies between.
    assert found["gain_db"] == pytest.approx([expected.gain_db_at(hertz) for hertz in (100, 1000, 3000)], abs=1e-6)


def test_installed_labkit_lists_its_catalogue(installation: Installation) -> None:
    done = installation.run("labkit", "catalogue", "rig")
    assert (done.returncode, done.stderr) == (0, "")
    assert RIG in done.stdout


def test_every_module_imports_from_declared_dependencies_alone(installation: Installation) -> None:
    code = (
        "import importlib, pkgutil, labkit\n"
        "found = pkgutil.walk_packages(labkit.__path__, 'labkit.')\n"
        "names = [module.name for module in found if not module.name.endswith('__main__')]\n"
        "for name in names: importlib.import_module(name)\n"
        "print(len(names))"
    )
    done = installation.run("python", "-c", code)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 20


def test_bad_input_is_one_line_and_code_2_without_the_checkout(installation: Installation) -> None:
    done = installation.run("labkit", "response", "no such rig")
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert "Traceback" not in done.stderr


def test_installed_lab_serves_its_start_page_and_a_page_with_controls(installation: Installation) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    log = installation.folder / "server.log"
    with log.open("w", encoding="utf-8") as stream:
        server = subprocess.Popen(
            [str(installation.environment / "bin" / "labkit"), "open", "--no-browser", "--port", str(port)],
            cwd=installation.folder,
            env=installation.variables(),
            stdout=stream,
            stderr=subprocess.STDOUT,
        )
    try:
        start_page = _fetch(f"http://127.0.0.1:{port}/", server, log)
        page = _fetch(f"http://127.0.0.1:{port}/voila/render/rig.ipynb", server, log)
    finally:
        server.terminate()
        server.wait(timeout=20)
    assert re.search(r"<title>[^<]*labkit", start_page, re.IGNORECASE), start_page[:500]
    # A cell that failed leaves no widget behind.
    assert "application/vnd.jupyter.widget-view+json" in page, page[-2000:]


def _fetch(address: str, server: subprocess.Popen[bytes], log: Path) -> str:
    """Ask until the server answers; a page takes a few seconds, since it starts a kernel."""
    give_up = time.monotonic() + 60
    while time.monotonic() < give_up:
        assert server.poll() is None, f"the server ended: {log.read_text(encoding='utf-8')[-2000:]}"
        try:
            with urllib.request.urlopen(address, timeout=50) as answer:
                return str(answer.read().decode("utf-8"))
        except OSError:
            time.sleep(0.2)
    pytest.fail(f"no answer from {address} within 60 s: {log.read_text(encoding='utf-8')[-2000:]}")


def test_another_python_gives_the_same_numbers(wheel: Path, tmp_path: Path) -> None:
    others = {minor: path for minor, path in interpreters().items() if minor != sys.version_info[1]}
    if not others:
        pytest.skip("no other Python from 3.11 to 3.14 is here")
    newest = max(others)
    try:
        programs = install_on(others[newest], wheel, tmp_path, SOLVER)
    except subprocess.SubprocessError as problem:
        pytest.skip(f"what the solver needs could not be fetched for Python 3.{newest}: {problem}")
    command = [str(programs / "labkit"), "response", RIG, "--json", "--at", "100,1k,3k"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    expected = load_rig(RIG).response()
    # the same formulas by other builds of the same libraries
    found = json.loads(done.stdout)["gain_db"]
    assert found == pytest.approx([expected.gain_db_at(hertz) for hertz in (100, 1000, 3000)], abs=1e-9)
