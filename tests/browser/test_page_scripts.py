"""What a page asks the server for: one script in place of its pieces, and the kernel that waited."""

from __future__ import annotations

import re

import pytest

from labkit.app.server.forked import CAN_FORK
from labkit.app.server.scripts import read_pieces
from labkit.app.server.server import data_folder
from tests.browser.conftest import kernel_of, leave, profile, start_server, stop_server

pytestmark = pytest.mark.browser

PAGES = ("rig", "winding", "how_far_to_trust_it")
SCRIPT = "**/labkit/scripts/*"
READY = ".lab-page"
_PIECE = re.compile(r"/voila/(?:static|labextensions/(.+?)/static)/(\d+)\.[^/?]*js")


@pytest.fixture
def asked(browser, lab):
    """``asked(name, blocked)`` opens a page and returns the pieces it asks for one by one, by package."""
    contexts = []

    def opened(name: str, *, blocked: bool = False) -> dict[str, list[int]]:
        context = profile(browser)
        contexts.append(context)
        page = context.new_page()
        addresses: list[str] = []
        page.on("request", lambda request: addresses.append(request.url))
        if blocked:
            page.route(SCRIPT, lambda route: route.abort())
        page.goto(f"{lab.address}voila/render/{name}.ipynb")
        page.wait_for_selector(READY)
        page.wait_for_load_state("networkidle")
        pieces: dict[str, list[int]] = {}
        for found in filter(None, map(_PIECE.search, addresses)):
            pieces.setdefault(found[1] or "voila", []).append(int(found[2]))
        return {package: sorted(numbers) for package, numbers in pieces.items()}

    yield opened
    for context in contexts:
        leave(context)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_asks_for_no_piece_by_itself(asked, name):
    assert asked(name) == {}


def test_the_list_of_pieces_is_what_a_page_asks_for_where_the_script_does_not_arrive(asked):
    listed = {
        package: sorted(numbers) for package, numbers in read_pieces(data_folder() / "voila" / "pieces.toml").items()
    }
    assert asked(PAGES[0], blocked=True) == listed


def test_the_browser_keeps_the_labs_own_files_by_their_digest_and_fetches_fonts_ahead(visit, lab):
    page = visit("voila/render/how_far_to_trust_it.ipynb", ready=READY).page
    found = page.eval_on_selector_all(
        "script[src*='/web/'], link[href*='/web/']", "all => all.map(e => e.src ?? e.href)"
    )
    assert len(found) >= 5
    for address in found:
        answer = page.context.request.get(address)
        assert answer.ok
        assert "immutable" in answer.headers["cache-control"], address
    fonts = page.eval_on_selector_all("link[as=font]", "all => all.map(e => e.href)")
    assert fonts
    assert all(page.context.request.get(font).headers["cache-control"] == "public, max-age=604800" for font in fonts)
    bare = page.context.request.get(f"{lab.address}labkit/web/page.js")
    assert "immutable" not in bare.headers.get("cache-control", "")


def test_the_browser_keeps_the_script_for_good(visit):
    page = visit("voila/render/rig.ipynb", ready=READY).page
    address = page.locator("script[src*='labkit/scripts/']").get_attribute("src")
    sent = page.request.get(f"http://{page.evaluate('location.host')}{address}")
    assert sent.status == 200
    assert "immutable" in sent.headers["cache-control"]
    assert sent.headers["content-type"].startswith("text/javascript")
    other = page.request.get(f"http://{page.evaluate('location.host')}/labkit/scripts/pieces.0000000000000000.js")
    assert other.status == 404


HEARD = """async () => {
    const manager = jupyterapp.widgetManager;
    const module = { _model_module: "@jupyter-widgets/base", _model_module_version: "2.0.0" };
    const state = { _model_name: "LayoutModel", ...module };
    const heard = async (comm_id) => {
        let isLetGo = false;
        const jsServicesComm = { dispose: () => { isLetGo = true; } };
        const comm = { comm_id, jsServicesComm, on_msg: () => {}, on_close: () => {} };
        await manager.handle_comm_open(comm, { metadata: { version: "2.1.0" }, content: { data: { state } } });
        return [isLetGo, manager.has_model(comm_id)];
    };
    const loaded = [manager._restoredStatus, manager._hasStates];
    [manager._restoredStatus, manager._hasStates] = [false, undefined];
    const before = await heard("before");
    manager._hasStates = true;
    const between = await heard("between");
    manager._restoredStatus = true;
    return [loaded, before, between, await heard("after")];
}"""


def test_a_widget_that_is_heard_of_before_the_states_of_all_is_passed_over(visit):
    page = visit("voila/render/how_far_to_trust_it.ipynb", ready=READY).page
    assert page.evaluate(HEARD) == [[True, True], [True, False], [False, True], [False, True]]


PARTING = """() => {
    const isTaken = (words) => {
        const event = new PromiseRejectionEvent("unhandledrejection", {
            cancelable: true, promise: Promise.resolve(), reason: new Error(words),
        });
        window.dispatchEvent(event);
        return event.defaultPrevented;
    };
    const words = ["Cannot send", "Kernel connection is disposed", "anything else"];
    const here = words.map(isTaken);
    window.dispatchEvent(new Event("pagehide"));
    return [here, words.map(isTaken)];
}"""


def test_what_the_widget_library_says_on_leaving_a_page_is_no_fault_and_before_that_it_is(visit):
    seen = visit("voila/render/how_far_to_trust_it.ipynb", ready=READY)
    say = "for (const words of ['Cannot send', 'other']) console.error('Could not send', new Error(words))"
    seen.page.evaluate(say)
    assert ["Cannot send" in said for said in seen.errors] == [True, False]
    assert seen.page.evaluate(PARTING) == [[False, False, False], [True, True, False]]
    seen.page.evaluate(say)
    assert ["Cannot send" in said for said in seen.errors] == [True, False, False]


def test_a_sheet_that_came_after_the_lab_was_ready_is_on_the_page(browser, project_root, tmp_path):
    source = sorted((project_root / "labkit" / "data" / "catalogue" / "rigs").glob("*.toml"))[0].read_text("utf-8")
    code = f"import os; os.environ['LABKIT_CATALOGUE'] = {str(tmp_path)!r};"
    server = start_server(code=code + "import labkit.app.server.server as s; s.serve(port=0, open_browser=False)")
    context = profile(browser)
    try:
        first, second = context.new_page(), context.new_page()
        first.goto(server.address + "voila/render/rig.ipynb")
        first.wait_for_selector("svg.lab-curve")
        (tmp_path / "late.toml").write_text(re.sub(r"(?m)^name = .*$", 'name = "Late comer"', source, count=1), "utf-8")
        second.goto(server.address + "voila/render/rig.ipynb")
        second.wait_for_selector("svg.lab-curve")
        options = [page.get_by_label("Rig", exact=True).locator("option").all_inner_texts() for page in (first, second)]
        assert "Late comer" not in options[0]
        assert "Late comer" in options[1]
        assert not CAN_FORK or kernel_of(first, server).ppid() == kernel_of(second, server).ppid() != server.process.pid
    finally:
        leave(context)
        stop_server(server)
