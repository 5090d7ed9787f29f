"""The curve that comes with the page: seen before the kernel answers, replaced by the same, and nothing moves."""

from __future__ import annotations

import re

import pytest

from tests.browser.conftest import settled

pytestmark = pytest.mark.browser

OWN = ".lab-page .lab-curve-holder svg"
PAGES = {
    "start": "v=1&cable.length=7",
    "rig": "v=1&cable.length=7",
    "cable": "v=1&cable.length=9",
    "winding": "v=1&cable.length=3",
    "pots_and_capacitors": "v=1&volume=5",
    "wiring": "v=1&tone=2",
    "listening_test": "",
}

WATCH = """
  window.seen = []; window.first = null;
  const look = () => {
    const picture = document.getElementById("lab-first") ?? document.querySelector(".lab-page .lab-curve-holder svg");
    if (picture?.clientHeight || picture?.tagName === "svg") {
      const { left, top, width, height } = picture.getBoundingClientRect();
      const box = [left + scrollX, top + scrollY, width, height].map(Math.round).join();
      if (window.seen.at(-1) !== box) window.seen.push(box);
      window.first ??= picture.id;
    }
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
"""


def sent(page) -> str:
    """The drawing in the HTML that the server sends now, as the browser writes it."""
    html = page.context.request.get(page.url).text()
    drawing = re.search(r'<div class="lab-widget">(<svg.*?</svg>)</div></template>', html, re.DOTALL)[1]
    return page.evaluate("text => Object.assign(document.createElement('div'), {innerHTML: text}).innerHTML", drawing)


def is_replaced(page) -> None:
    """Wait until the kernel's own curve stands alone, and its place is kept."""
    page.wait_for_selector(OWN)
    page.wait_for_function("() => !document.getElementById('lab-first')")
    page.wait_for_function("() => document.cookie.includes('labkit-curve')")
    settled(page)


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", PAGES)
def test_the_curve_of_the_page_is_there_at_once_stays_where_it_is_and_is_the_kernels(visit, name, width):
    path = f"voila/render/{name}.ipynb?{PAGES[name]}"
    seen = visit(path, ready=OWN, width=width, height=900)
    page = seen.page
    is_replaced(page)
    page.add_init_script(WATCH)
    page.reload(wait_until="commit")
    is_replaced(page)
    assert page.evaluate("window.first") == "lab-first"
    assert len(page.evaluate("window.seen")) == 1, page.evaluate("window.seen")
    assert sent(page) == page.eval_on_selector(OWN, "svg => svg.outerHTML")
    assert seen.errors == []


def test_in_a_window_of_another_width_the_picture_is_not_shown(visit):
    page = visit("voila/render/rig.ipynb", ready=OWN).page
    is_replaced(page)
    for width, height in ((1000, 0), (1280, 320)):
        other = page.context.new_page()
        other.route("**/labkit/scripts/*", lambda route: route.abort())
        other.set_viewport_size({"width": width, "height": 900})
        other.goto(page.url, wait_until="commit")
        other.wait_for_selector("#lab-first", state="attached")
        other.wait_for_load_state("domcontentloaded")
        assert other.eval_on_selector("#lab-first", "first => first.clientHeight") == height
        other.close()


def test_the_picture_stays_where_it_is_until_the_page_has_opened_and_then_lies_over_the_curve(visit):
    page = visit("voila/render/rig.ipynb", ready=OWN).page
    is_replaced(page)
    # the page may come whole, from what the browser keeps: it opens when the test says so
    page.add_init_script(
        "document.addEventListener('lab-opened', (event) => window.opens || event.stopImmediatePropagation(), true)"
    )
    page.reload(wait_until="domcontentloaded")
    first = page.locator("#lab-first")
    before = first.bounding_box()
    curve = "<div class='lab-curve-holder'><svg width='1' height='1'></svg></div>"
    page.evaluate(
        "(curve) => document.body.insertAdjacentHTML('afterbegin', curve)",
        f"<div class='lab-page' style='position: absolute; top: 7px; width: 90px'>{curve}</div>",
    )
    page.evaluate("async () => { for (let frame = 0; frame < 5; frame++) await new Promise(requestAnimationFrame); }")
    assert first.bounding_box() == before
    opened = """async () => {
      const first = document.getElementById("lab-first");
      window.opens = true;
      document.dispatchEvent(new Event("lab-opened"));
      await new Promise(requestAnimationFrame);
      return [first, document.querySelector(".lab-curve-holder svg")].map((each) => each.getBoundingClientRect().top);
    }"""
    top, of_the_curve = page.evaluate(opened)
    assert top == of_the_curve != before["y"]


@pytest.mark.parametrize(
    "query",
    ["v=1&rig=%3Cscript%3Ewindow.harm%3D1%3C%2Fscript%3E", "v=1&cable.length=1e999", "%00%ff&&=", "v=1&" * 900],
)
def test_a_hostile_address_or_cookie_gets_the_page_without_harm(visit, query):
    page = visit("voila/render/rig.ipynb", ready=OWN).page
    is_replaced(page)
    page.evaluate("document.cookie = 'labkit-curve=<script>window.harm=1</script>; path=' + location.pathname")
    answer = page.goto(page.url.partition("?")[0] + "?" + query)
    assert answer.status == 200
    page.wait_for_selector(OWN)
    assert page.evaluate("window.harm") is None
