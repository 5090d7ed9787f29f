"""How the rig and the winding page look: schemes, widths, paper, forced colours, and what moves under a hand."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import settled
from tests.browser.test_every_page import PAPER

pytestmark = pytest.mark.browser

RIG = "voila/render/rig.ipynb?v=1&cable.length=10&pin=cable.length%3D3"
MADE = "made%3Afrom%3Dnarrow%2Bsingle%2Bcoil%252C%2Bbuilt%26coil.main.poles.grade%3DAlnico%2B2"
WINDING = f"voila/render/winding.ipynb?v=1&bridge={MADE}&pin=bridge%3Dnarrow%2Bsingle%2Bcoil%252C%2Bbuilt"
STRIP = "svg.lab-curve polygon.lab-weaker"


@pytest.fixture
def page(visit):
    return visit(RIG, ready=STRIP).page


def paper(page) -> str:
    return page.evaluate("getComputedStyle(document.body).backgroundColor")


def line(page) -> str:
    return page.get_attribute("svg.lab-curve polyline[data-label^='A ']", "points")


def test_a_chosen_scheme_is_kept_for_the_next_page(page):
    assert paper(page) == PAPER["light"]
    page.get_by_role("button", name="Dark", exact=True).click()
    assert paper(page) == PAPER["dark"]
    page.goto(page.url.partition("?")[0].replace("rig.ipynb", "winding.ipynb"))
    page.wait_for_selector("svg.lab-curve")
    assert paper(page) == PAPER["dark"]
    curve = "getComputedStyle(document.querySelector('svg.lab-curve polyline:last-child')).stroke"
    assert page.evaluate(curve) == "rgb(240, 160, 98)"
    page.get_by_role("button", name="Light", exact=True).click()
    assert paper(page) == PAPER["light"]


def test_controls_stand_beside_the_curve_from_a_tablet_on_and_the_answer_from_a_wide_desk(page):
    def left(selector):
        return page.locator(selector).first.bounding_box()["x"]

    for width, beside in ((1920, True), (1280, False), (768, False)):
        page.set_viewport_size({"width": width, "height": 900})
        settled(page)
        assert left(".lab-results") > left(".lab-controls") + 200
        assert (left(".lab-answer") > left(".lab-results") + 600) is beside
    page.set_viewport_size({"width": 400, "height": 850})
    settled(page)
    assert left(".lab-results") < 30
    assert page.locator(".lab-controls").bounding_box()["y"] < page.locator(".lab-answer").bounding_box()["y"]


def test_the_curve_stays_while_what_is_beneath_is_read_unless_the_window_is_low(page):
    for height, stays in ((900, True), (500, False)):
        page.set_viewport_size({"width": 1280, "height": height})
        settled(page)
        page.evaluate("scrollTo(0, 400)")
        assert (page.locator(".lab-results").bounding_box()["y"] >= 0) is stays


def test_while_a_slider_is_held_its_start_stays_and_nothing_else_moves(page):
    slider = page.get_by_label("Cable length", exact=True)
    slider.scroll_into_view_if_needed()
    settled(page)
    before, frame = line(page), page.get_attribute("svg.lab-curve", "data-frame")
    box = slider.bounding_box()
    x, y = box["x"] + box["width"] * 0.5, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + box["width"] * 0.3, y, steps=5)
    page.wait_for_selector("svg.lab-curve polyline.lab-ghost", state="attached")
    settled(page)
    assert page.get_attribute("polyline.lab-ghost", "points") == before != line(page)
    assert page.get_attribute("svg.lab-curve", "data-frame") == frame
    assert page.get_attribute("svg.lab-curve", "data-range") == "50 20000 -30 15"
    page.mouse.up()
    expect(page.locator("polyline.lab-ghost")).to_have_count(0)


def test_a_folded_heading_carries_its_values_and_follows_them(page):
    fold = page.locator(".lab-fold", has=page.get_by_text("Parts inside", exact=True))
    expect(fold.locator(".lab-head")).to_have_text("250 kΩ, 250 kΩ, 22 nF")
    fold.locator("summary").click()
    page.get_by_label("Tone capacitor", exact=True).select_option("47 nF")
    expect(fold.locator(".lab-head")).to_have_text("250 kΩ, 250 kΩ, 47 nF")
    assert fold.get_attribute("open") is not None, "it stays open while its values change"


def test_a_stage_says_what_it_costs(page):
    cable = page.locator("section", has=page.get_by_text("Cable", exact=True)).locator(".lab-head")
    expect(cable).to_have_text("1 nF; without: peak 5.2 kHz")


def test_intervals_are_drawn_with_those_of_b(visit):
    page = visit(WINDING, ready=STRIP).page
    rows, drawn = page.locator(".lab-doubt tbody tr"), page.locator("svg.lab-iv")
    assert drawn.count() > 6
    bare = rows.filter(has_not=drawn).locator("th").all_inner_texts()  # of all strings, without one interval
    assert bare == ["Output of E4 to E2, mV per m/s", "Pull on the strings", "Length of string heard"]
    assert page.locator("svg.lab-iv line[stroke-dasharray]").count() == drawn.count()


def test_paper_has_the_settings_and_not_the_buttons(page, screenshots):
    page.emulate_media(media="print")
    settled(page)
    assert page.get_by_text("250 kΩ, 250 kΩ, 22 nF").is_visible()
    assert page.get_by_label("Cable length, type a value", exact=True).is_visible()
    assert page.locator(".lab-answer").is_visible()
    for gone in (".lab-listen", ".lab-title .lab-buttons", ".lab-header nav", "input[type=range]"):
        assert not page.locator(gone).first.is_visible()
    page.screenshot(path=str(screenshots / "rig-print.png"), full_page=True)


def test_in_forced_colours_curves_and_choices_are_still_told_apart(visit, screenshots):
    seen = visit(RIG, ready=STRIP, forced_colors="active")
    settled(seen.page)
    ink = seen.page.evaluate("getComputedStyle(document.querySelector('svg.lab-curve polyline')).stroke")
    assert ink == seen.page.evaluate("getComputedStyle(document.body).color")
    play = "getComputedStyle(document.querySelector('.lab-play'))"
    assert seen.page.evaluate(f"{play}.forcedColorAdjust") == "none", "no plate hides its word"
    assert seen.page.evaluate(f"{play}.color") != seen.page.evaluate(f"{play}.backgroundColor")
    dashes = {item.get_attribute("stroke-dasharray") for item in seen.page.locator("polyline[data-label]").all()}
    assert len(dashes) == 2
    seen.page.screenshot(path=str(screenshots / "rig-forced-colours.png"))


def test_fingers_get_targets_of_44_px_at_any_width(visit):
    page = visit(RIG, ready=STRIP, width=1024, height=800, has_touch=True, is_mobile=True).page
    settled(page)
    targets = page.locator(".lab-controls select:visible, .lab-controls input[type=range]:visible, summary:visible")
    for target in targets.all():
        # borders are drawn to a fraction of a pixel
        assert target.bounding_box()["height"] >= 43.9
