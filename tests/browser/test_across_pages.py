"""What holds across pages: visitors apart, kernels that end, damage from outside that does no harm, a shared room."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import time
import tomllib
from urllib.parse import quote

import psutil
import pytest
from playwright.sync_api import expect

from labkit.app.server.server import server_config
from tests.browser.conftest import kernels_of, leave, profile, settled, start_server, stop_server
from tests.conftest import BROWSER_FLAGS

pytestmark = pytest.mark.browser

RIG = "voila/render/rig.ipynb"
CURVE = "svg.lab-curve"


def kernels(server) -> int:
    """How many kernels a server has."""
    return len(kernels_of(server))


def test_two_browsers_at_once_stay_independent(visit):
    one = visit(RIG, ready=CURVE).page
    other = visit(RIG, ready=CURVE).page
    settled(other)
    before = other.get_attribute("svg.lab-curve polyline[data-label^='A ']", "points")
    numbers = other.inner_text(".lab-numbers")
    one.get_by_label("Cable length", exact=True).fill("79")
    one.wait_for_function("() => location.search.includes('cable.length')")
    one.get_by_role("button", name="Keep as B").click()
    one.wait_for_selector(".lab-ticket[data-letter=B]:not(.lab-empty)")
    settled(other)
    assert other.get_attribute("svg.lab-curve polyline[data-label^='A ']", "points") == before
    assert other.inner_text(".lab-numbers") == numbers
    assert other.locator(".lab-ticket[data-letter=B]:not(.lab-empty)").count() == 0
    assert "cable.length" not in other.url
    # and the second one still works by itself
    other.get_by_label("Tone knob", exact=True).fill("30")
    other.wait_for_function("() => location.search.includes('tone=3')")
    assert "tone=" not in one.url


@pytest.fixture(scope="module")
def short_lived(chromium_path):
    """A lab that closes a kernel six seconds after its browser is gone."""
    server = start_server(
        code="import labkit.app.server.server as s; s.serve(port=0, open_browser=False, kernel_idle_s=6)"
    )
    yield server
    stop_server(server)


def test_the_kernel_of_a_killed_browser_is_gone_after_the_cull_time(short_lived, chromium_path, tmp_path):
    # where kernels wait for visitors, they outlive the cull time, and one that is taken is replaced
    before = server_config(port=1).ReadyKernels.waiting
    if before:
        assert _until(lambda: kernels(short_lived) == before, 60)
        time.sleep(9)
        assert kernels(short_lived) == before
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [chromium_path, *BROWSER_FLAGS, f"--user-data-dir={tmp_path}", f"--remote-debugging-port={port}"]
    # a group of its own, so that killing it takes the browser's helpers along and nothing else
    browser = subprocess.Popen(
        [*command, short_lived.address + RIG],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        assert _until(lambda: kernels(short_lived) == before + 1, 60), "the page has started its kernel"
        # while somebody looks, the kernel stays beyond the cull time
        time.sleep(12)
        assert kernels(short_lived) == before + 1
    finally:
        os.killpg(browser.pid, signal.SIGKILL)
        browser.wait(10)
    # the cull time of 6 s, a look every 2 s, and a busy machine
    assert _until(lambda: kernels(short_lived) == before, 30)


def _until(claim, seconds: float) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if claim():
            return True
        time.sleep(0.2)
    return claim()


DAMAGED = {
    "script": "?v=1&rig="
    + quote("<script>window.harm=1</script>")
    + "&volume="
    + quote("<img src=x onerror=window.harm=1>"),
    "wild": "?v=1&volume=1e999&tone=nan&cable.length=-5&pin=%ff%fe&pin=" + quote("rig=<svg/onload=window.harm=1>"),
    "long": "?v=1&" + "&".join(f"x{number}=1" for number in range(150)),
    "version": "?v=" + quote("'\"><script>window.harm=1</script>"),
}


@pytest.mark.parametrize(
    ("page_name", "ready"),
    [("rig", CURVE), ("listening_test", ".lab-desk[data-stage=choose]"), ("how_far_to_trust_it", ".lab-board")],
)
def test_damage_in_the_address_does_no_harm(visit, page_name, ready):
    seen = visit("", ready=".lab-who")
    for name, damage in DAMAGED.items():
        seen.open(f"{seen.host}voila/render/{page_name}.ipynb{damage}", ready)
        settled(seen.page)
        assert seen.page.evaluate("window.harm") is None, name
        assert seen.page.locator(ready).first.is_visible(), name
        assert (seen.errors, seen.outside) == ([], []), name


def test_a_script_that_gets_into_a_page_does_not_run(visit):
    seen = visit(RIG, ready=CURVE)
    seen.page.evaluate(
        """() => {
            const script = document.createElement("script");
            script.textContent = "window.harm = 'script'";
            document.body.append(script);
            const box = document.createElement("div");
            box.innerHTML = `<img src='data:,' onerror='window.harm = 1'>`;
            document.body.append(box);
            // outside of this function, which the driver lets do more than a page may
            setTimeout(() => { try { eval("window.harm = 'text'"); } catch { window.refused = true; } });
        }"""
    )
    seen.page.wait_for_function("() => window.refused || window.harm")
    while len([said for said in seen.errors if "Content Security Policy" in said]) < 2:
        settled(seen.page)
    assert seen.page.evaluate("window.harm") is None


def test_script_tags_in_a_rigs_name_do_no_harm(browser, project_root, tmp_path):
    evil = '"><script>window.harm=1</script><img src=x onerror="window.harm=1">'
    source = sorted((project_root / "labkit" / "data" / "catalogue" / "rigs").glob("*.toml"))[0].read_text("utf-8")
    name = tomllib.loads(source)["name"]
    folder = tmp_path / "sheets"
    folder.mkdir()
    (folder / "evil.toml").write_text(source.replace(json.dumps(name, ensure_ascii=False), f"'{evil}'"), "utf-8")
    code = f"import os; os.environ['LABKIT_CATALOGUE'] = {str(folder)!r};"
    server = start_server(code=code + "import labkit.app.server.server as s; s.serve(port=0, open_browser=False)")
    context = profile(browser)
    try:
        page = context.new_page()
        for path, ready in (
            ("", ".lab-who"),
            (f"{RIG}?v=1&rig={quote(evil)}&volume=5", CURVE),
            (f"voila/render/listening_test.ipynb?v=1&rig={quote(evil)}", ".lab-desk[data-stage=choose]"),
            ("", ".lab-who"),
        ):
            page.goto(server.address + path)
            page.wait_for_selector(ready)
            settled(page)
            assert page.evaluate("window.harm") is None, path
            assert "<script>" in page.inner_text("body") or page.locator("option", has_text="<script>").count()
    finally:
        leave(context)
        stop_server(server)


def test_recent_rigs_are_kept_in_the_browser_and_lead_back(visit):
    page = visit(f"{RIG}?v=1&cable.length=7", ready=CURVE).page
    page.wait_for_function(
        "() => document.querySelector('.lab-row[data-key=\"cable.length\"] .lab-readout').value === '7 m'"
    )
    home = page.url.split("voila/")[0]
    page.goto(home)
    link = page.locator(".lab-recent a")
    assert link.count() == 1
    expect(link).to_contain_text("Cable length 7 m")
    link.click()
    page.wait_for_selector(CURVE)
    assert "cable.length=7" in page.url
    page.goto(home)
    page.get_by_role("button", name="Forget these").click()
    assert page.locator(".lab-recent").is_hidden()
    assert page.evaluate("localStorage.getItem('labkit.recent-rigs')") is None


DAMAGED_KEEPING = (
    "{",
    "null",
    '[{"query": "v=1&x=javascript:alert(1)", "name": "a", "note": ""}]',
    '[{"query": "//evil.example/", "name": "a", "note": ""}]',
    '[{"query": "v=1&a=1", "name": 5, "note": ""}, 7, null]',
    '[{"query": "v=1&a=\\"><script>window.harm=1</script>", "name": "a", "note": ""}]',
)


def test_damage_in_what_the_browser_kept_is_not_shown(visit):
    seen = visit("", ready=".lab-who")
    for kept in DAMAGED_KEEPING:
        seen.page.evaluate("(text) => localStorage.setItem('labkit.recent-rigs', text)", kept)
        seen.page.wait_for_selector(".lab-word")
        settled(seen.page)  # a page that is left while it opens complains of a closed line
        seen.page.reload()
        seen.page.wait_for_selector(".lab-who")
        assert seen.page.locator(".lab-recent").is_hidden(), kept
        assert seen.page.evaluate("window.harm") is None, kept
        assert seen.errors == [], kept


def test_names_of_recent_rigs_are_text(visit):
    seen = visit("", ready=".lab-who")
    entry = [{"query": "v=1&tone=3", "name": "<img src=x onerror=window.harm=1>", "note": "<b>x</b>"}]
    seen.page.evaluate("(text) => localStorage.setItem('labkit.recent-rigs', text)", json.dumps(entry))
    seen.page.reload()
    seen.page.wait_for_selector(".lab-recent a")
    assert "<img" in seen.page.inner_text(".lab-recent a")
    assert seen.page.evaluate("window.harm") is None


@pytest.fixture(scope="module")
def room(chromium_path):
    """A lab shared with a room that takes one page."""
    server = start_server("--share", "--address", "127.0.0.1", "--most-pages", "1", "--port", "0", "--no-browser")
    yield server
    stop_server(server)


@pytest.fixture
def token(room) -> str:
    return re.search(r"token=([0-9a-f]{32})", "".join(room.lines))[1]


class TestSharedRoom:
    def test_nobody_comes_in_without_the_token(self, visit, room):
        page = visit(RIG, ready="h1", server=room).page
        assert page.inner_text("h1") == "The token, please"
        page.get_by_label("Token").fill("0" * 32)
        page.get_by_role("button", name="Come in").click()
        page.wait_for_selector("[role=alert]:not(.lab-banner)")
        assert "not the token" in page.inner_text(".lab-door")

    def test_the_form_lets_in_who_has_it(self, visit, room, token):
        seen = visit("", ready=".lab-door", server=room)
        assert (seen.errors, seen.outside) == ([], [])
        seen.page.get_by_label("Token").fill(token)
        seen.page.get_by_role("button", name="Come in").click()
        seen.page.wait_for_selector(".lab-who")

    def test_the_link_lets_in_and_the_token_leaves_the_address(self, visit, room, token):
        page = visit(f"{RIG}?token={token}", ready=CURVE, server=room).page
        assert "token" not in page.url
        # a second page is one too many for this room
        other = page.context.new_page()
        answer = other.goto(room.address + RIG)
        assert answer.status == 503
        assert other.inner_text("h1") == "The room is full"
        other.close()

    def test_a_page_that_is_left_makes_room_for_the_next_one(self, visit, room, token):
        page = visit(f"?token={token}", ready=CURVE, server=room).page
        page.get_by_role("navigation", name="Pages").get_by_role("link", name="Rig", exact=True).click()
        page.wait_for_selector(".lab-path")
        page.wait_for_selector(CURVE)
        # left before the browser has its widgets, whose library says so from then on
        page.route("**/labkit/scripts/*", lambda route: route.abort())
        page.goto(room.address + RIG, wait_until="commit")
        page.wait_for_selector("#jupyter-config-data", state="attached")
        page.unroute("**/labkit/scripts/*")
        page.goto(room.address + RIG, wait_until="commit")
        page.wait_for_selector(CURVE)

    def test_the_bound_address_is_stated(self, room):
        told = "".join(room.lines)
        port = room.address.rsplit(":", 1)[1].strip("/")
        assert f"bound to 127.0.0.1, port {port}" in told
        listening = {
            (entry.laddr.ip, entry.laddr.port)
            for entry in psutil.Process(room.process.pid).net_connections("tcp")
            if entry.status == psutil.CONN_LISTEN
        }
        assert ("127.0.0.1", int(port)) in listening
        assert {ip for ip, _ in listening} == {"127.0.0.1"}, "no other address of this machine answers"
