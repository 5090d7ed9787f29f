"""What holds for every page, in both schemes and at every width: quiet, local, without a fault of accessibility."""

from __future__ import annotations

from itertools import product

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser.conftest import found_by_axe, settled, start_server, stop_server

pytestmark = pytest.mark.browser

PAGES = {
    "start": ("?v=1&cable.length=15&pin=cable.length%3D5", "#rendered_cells .lab-who"),
    "rig": (
        "voila/render/rig.ipynb?v=1&cable.length=10&pin=cable.length%3D3&volume=11x",
        "svg.lab-curve polygon.lab-weaker",
    ),
    "wiring": ("voila/render/wiring.ipynb?v=1&cable.length=8&pin=cable.length%3D3", ".lab-card .lab-spark polyline"),
    "winding": (
        "voila/render/winding.ipynb?v=1&bridge=made%3Afrom%3Dnarrow%2Bsingle%2Bcoil%252C%2Bbuilt%26coil.main.poles"
        ".grade%3DAlnico%2B2&pin=bridge%3Dnarrow%2Bsingle%2Bcoil%252C%2Bbuilt",
        "svg.lab-curve polygon.lab-weaker",
    ),
    "cable": ("voila/render/cable.ipynb?v=1&cable.length=10", "svg.lab-curve"),
    "pots": ("voila/render/pots_and_capacitors.ipynb?v=1&volume=7", "svg.lab-curve"),
    "measure": ("voila/render/measure.ipynb", "svg.lab-curve"),
    "workshop book": ("voila/render/book.ipynb", "svg.lab-coil-chart"),
    "tolerances": ("voila/render/tolerance_and_search.ipynb", ".lab-sentence"),
    "blind test": ("voila/render/listening_test.ipynb?v=1&pin=cable.length%3D3", ".lab-desk[data-stage=choose]"),
    "how sure": ("voila/render/how_far_to_trust_it.ipynb", ".lab-board"),
}
"""A state of every page that has something to compare, and what is there when it has come."""

PAPER = {"light": "rgb(250, 246, 238)", "dark": "rgb(22, 19, 15)"}
SIZES = ((1280, 800), (768, 1024), (400, 850))


ZOOMED = {"width": 640, "height": 450}
"""1280 by 900 at 200 %."""
LEAST_OF_CURVE = 120
"""CSS pixels from the top of a drawing down to its zero line and below."""
FIRST_SCREEN = """(words) => {
  const top = (selector) => Math.min(...[...document.querySelectorAll(selector)].filter((each) => each.offsetParent
    || each instanceof SVGElement).map((each) => each.getBoundingClientRect().bottom));
  const controls = ".lab-controls :is(select, input), .lab-word, .lab-filters input, .lab-card";
  const seen = (selector) => document.querySelector(selector)?.getBoundingClientRect();
  return { control: top(controls), curve: seen("svg.lab-curve, svg.lab-coil-chart")?.top,
    words: words && seen(words).bottom, bar: seen(".lab-ear").top };
}"""


WORDS = {"blind test": ".lab-desk-words p", "how sure": ".lab-board .lab-numbers"}
"""Pages whose answer is no curve, and what has to be read whole in its place: what is compared, and the summary."""


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_quiet_local_and_accessible_in_both_schemes_at_every_width(visit, name):
    path, ready = PAGES[name]
    seen = visit(path, ready=ready)
    page = seen.page
    found = []
    for scheme, (width, height) in product(PAPER, SIZES):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": height})
        found += [(scheme, width, *fault) for fault in found_by_axe(page)]
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == PAPER[scheme]
        assert page.evaluate("document.documentElement.scrollWidth") <= width, "nothing is scrolled sideways"
    assert found == []
    page.set_viewport_size(ZOOMED)
    settled(page)
    seen_at = page.evaluate(FIRST_SCREEN, WORDS.get(name))
    assert seen_at["control"] < seen_at["bar"]
    if name in WORDS:
        assert seen_at["words"] < seen_at["bar"]
    else:
        assert seen_at["curve"] + LEAST_OF_CURVE < seen_at["bar"]
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


def test_questions_open_working_pages(visit):
    page = visit("", ready=".lab-who").page
    page.get_by_role("link", name="What does the tone knob really do?").click()
    page.wait_for_selector(".lab-curve-holder svg polyline[data-label='B tone 10']")
    assert "tone=3" in page.url


def test_a_ready_question_on_the_start_page_opens_with_its_answer(visit):
    page = visit("", ready=".lab-who").page
    page.get_by_role("link", name="Which capacitor before a buffer equals a cable?").click()
    page.get_by_text("from the signal to ground before the buffer stand in for 5 m of cable").first.wait_for()
    assert "own.question=cable+equivalent" in page.url


def test_the_state_travels_with_the_menu(visit):
    page = visit("voila/render/rig.ipynb?v=1&tone=3", ready="svg.lab-curve").page
    page.get_by_role("navigation", name="Pages").get_by_role("link", name="Rig").click()
    page.wait_for_selector("svg.lab-curve")
    assert "tone=3" in page.url


def test_a_missing_page_is_told_in_the_labs_own_look(visit):
    page = visit("voila/render/nothing.ipynb", ready="h1").page
    assert "There is no page here" in page.inner_text("h1")
    assert page.get_by_role("link", name="Back to the start").is_visible()


STOCK = """
import ipywidgets as w
w.VBox([
    w.FloatSlider(description="Gap"), w.FloatLogSlider(description="Loss"), w.IntRangeSlider(description="Band"),
    w.SelectionSlider(options=["a", "b"], description="Grade"),
    w.ToggleButtons(options=["one", "two"], description="Side"),
    w.ToggleButton(description="Cover"), w.Button(icon="check"),
    w.RadioButtons(options=["x", "y"], description="Poles"), w.Dropdown(options=["p", "q"], description="Wire"),
    w.Text(description="Name"), w.IntProgress(value=3, max=10, description="Work"),
    w.Checkbox(description="Lead"), w.FloatText(description="Turns"),
])
"""


@pytest.fixture(scope="module")
def stock_server(tmp_path_factory, chromium_path):
    """A lab that serves a page of stock widgets, and one that fails."""
    import nbformat

    folder = tmp_path_factory.mktemp("pages")
    for name, code in (("stock", STOCK), ("broken", "secret = 'kept inside'\nraise ValueError(secret)")):
        book = nbformat.v4.new_notebook(
            metadata={
                "title": name,
                "kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"},
            },
            cells=[nbformat.v4.new_code_cell(code)],
        )
        nbformat.write(book, folder / f"{name}.ipynb")
    server = start_server(
        code="import pathlib, labkit.app.server.server as s;"
        f"s.serve(port=0, open_browser=False, folder=pathlib.Path({str(folder)!r}))"
    )
    yield server
    stop_server(server)


def test_stock_widgets_of_plugin_panels_get_names_and_states(visit, stock_server):
    page = visit("voila/render/stock.ipynb", ready=".noUi-handle[aria-valuetext]", server=stock_server).page
    settled(page)
    handles = page.locator(".noUi-handle")
    assert [handle.get_attribute("aria-label") for handle in handles.all()] == [
        "Gap",
        "Loss",
        "Band, lower end",
        "Band, upper end",
        "Grade",
    ]
    # a log slider at its default of 1.0 must not announce the exponent 0
    assert handles.nth(1).get_attribute("aria-valuetext").startswith("1.0")
    assert page.locator(".widget-toggle-buttons button").first.get_attribute("aria-pressed") == "true"
    faults = [fault for fault in Axe().run(page).response["violations"] if fault["impact"] in ("serious", "critical")]
    assert [(fault["id"], [node["html"][:160] for node in fault["nodes"]]) for fault in faults] == []


def test_a_fault_in_a_page_shows_no_code_and_no_path(visit, stock_server):
    page = visit("voila/render/broken.ipynb", ready="body", server=stock_server).page
    page.wait_for_selector(".lab-fault")
    text = page.inner_text("body")
    assert "labkit open --debug" in text
    assert "secret" not in text
    assert "Traceback" not in text
