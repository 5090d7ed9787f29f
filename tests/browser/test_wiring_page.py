"""The wiring page in a real browser: filters, cards by mouse and keyboard, small curves, an own wiring."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser

WIRING = "voila/render/wiring.ipynb"
CARD = ".lab-card"
PHASE = "two pickups, phase switch"


def test_filters_narrow_the_cards_and_say_what_to_let_go_of(visit):
    seen = visit(WIRING, ready=f"{CARD} .lab-spark polyline")
    page = seen.page
    every = page.locator(CARD).count()
    assert page.inner_text(".lab-wirings [role=status]") == f"{every} wirings"
    page.get_by_role("group", name="Pickups").get_by_role("radio", name="2", exact=True).check(force=True)
    page.get_by_role("button", name="cancels hum").click()
    expect(page.locator(CARD)).not_to_have_count(every)
    expect(page.locator(".lab-wirings [role=status]")).to_have_text(f"{page.locator(CARD).count()} of {every} fit")
    expect(page.locator(f'{CARD}[data-name="one volume"]')).to_have_count(0)
    page.get_by_role("button", name="has a battery").click()
    page.get_by_role("group", name="Kind of switch").get_by_role("radio", name="rotary").check(force=True)
    expect(page.locator(CARD)).to_have_count(0)
    page.get_by_role("button", name="all filters").click()
    expect(page.locator(CARD)).to_have_count(every)
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


def test_a_card_is_chosen_by_keyboard_and_the_one_before_becomes_b(visit):
    page = visit(WIRING, ready=f"{CARD} .lab-spark polyline").page
    present = page.locator(f"{CARD}[aria-pressed=true]")
    expect(present).to_have_attribute("data-name", "one volume, one tone")
    assert page.locator(f"{CARD}[tabindex='0']").count() == 1
    present.focus()
    page.keyboard.press("End")
    last = page.locator(CARD).last
    expect(last).to_be_focused()
    page.keyboard.press("Enter")
    expect(last).to_have_attribute("aria-pressed", "true")
    expect(last).to_be_focused()
    expect(page.locator(".lab-results h2")).to_have_text(last.get_attribute("data-name"))
    expect(page.locator("svg.lab-curve polyline[data-label^='B ']")).to_have_count(1)
    page.wait_for_function("() => location.search.includes('wiring')")


def test_small_curves_come_for_what_is_scrolled_into_view(visit):
    page = visit(WIRING, ready=f"{CARD} .lab-spark polyline").page
    last = page.locator(CARD).last
    expect(last.locator(".lab-spark")).to_have_count(0)
    last.scroll_into_view_if_needed()
    expect(last.locator(".lab-spark polyline").first).to_be_visible()


def test_an_own_wiring_comes_from_a_netlist_and_what_is_wrong_with_it_is_said(visit, tmp_path):
    page = visit(WIRING, ready=f"{CARD} .lab-spark polyline").page
    netlist = tmp_path / "half.cir"
    netlist.write_text("half way\nVbridge hot 0 AC 1\nR1 hot out 1M\nR2 out 0 25k\n.end")
    with page.expect_file_chooser() as choosing:
        page.get_by_role("button", name="Own wiring").click()
    choosing.value.set_files(netlist)
    expect(page.get_by_text("1M", exact=False).first).to_be_visible()
    expect(page.locator(f"{CARD}[aria-pressed=true]")).to_have_attribute("data-name", "one volume, one tone")
    netlist.write_text("half way\nVbridge hot 0 AC 1\nR1 hot out 225k\nR2 out 0 25k\n.end")
    with page.expect_file_chooser() as choosing:
        page.get_by_role("button", name="Own wiring").click()
    choosing.value.set_files(netlist)
    expect(page.locator(f"{CARD}[aria-pressed=true]")).to_have_attribute("data-name", "half way")


def test_a_wire_of_the_soldering_drawing_and_its_line_in_the_list_point_at_each_other(visit, screenshots):
    seen = visit(WIRING, ready=f"{CARD} .lab-spark polyline")
    page = seen.page
    page.get_by_text("Soldering drawing: lugs, wires and switches").click()
    wire = page.get_by_role("img", name="1: link from volume lug 1 to the back of the volume pot")
    expect(wire).to_have_count(1)
    line = page.get_by_role("listitem").filter(has_text="link from volume lug 1")
    run = page.locator('.lab-solder [data-step="1"] .lab-run')
    expect(run).not_to_have_css("stroke-width", "5px")
    line.focus()
    expect(run).to_have_css("stroke-width", "5px")
    wire.focus()
    expect(line).to_have_css("text-decoration-line", "underline")
    page.screenshot(path=str(screenshots / "soldering-1280.png"), full_page=True)
    assert page.locator("svg.lab-solder").bounding_box()["width"] > 1100
    page.set_viewport_size({"width": 400, "height": 900})
    expect(wire).to_be_attached()
    page.screenshot(path=str(screenshots / "soldering-400.png"), full_page=True)
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


def test_the_bench_names_a_fault_and_an_own_wiring_is_made_from_words(visit, screenshots):
    seen = visit(WIRING, ready=f"{CARD} .lab-spark polyline")
    page = seen.page
    page.get_by_label("Positions", exact=True).fill("neck: neck\nfat: neck + bridge in series\noff: off")
    page.get_by_role("button", name="Find the switch").click()
    expect(page.get_by_role("status").filter(has_text="It is in your rig now")).to_be_visible()
    expect(page.locator(".lab-results h2")).to_have_text("own wiring")
    readings = page.get_by_label("What the meter shows", exact=True)
    expect(readings).to_have_value("neck: \nfat: \noff: ")
    readings.fill("neck: silent\nfat: silent")
    page.get_by_role("button", name="Name the fault").click()
    expect(page.locator(".lab-causes > li").first).to_be_visible()
    page.get_by_text("What to buy, and the steps").click()
    expect(page.get_by_role("region", name="To buy", exact=True)).to_be_visible()
    page.get_by_text("Checks with a meter").click()
    expect(page.get_by_role("region", name="Before the strings go on, knobs at 10", exact=True)).to_be_visible()
    page.screenshot(path=str(screenshots / "bench-1280.png"), full_page=True)
    page.set_viewport_size({"width": 400, "height": 900})
    page.screenshot(path=str(screenshots / "bench-400.png"), full_page=True)
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])
