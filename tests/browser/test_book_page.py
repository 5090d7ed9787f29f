"""The workshop book's page in a real browser: a batch typed by keys alone, pasted, asked about, and entered."""

from __future__ import annotations

import pytest

from tests.browser.conftest import settled

pytestmark = pytest.mark.browser

MOST_KEYS_A_ROW = 16
PASTED = "serial\tohms\thenries\tloss\n0201\t5,74\t2,13\t5961\n0202\t5740000\t2,12\t5950\n"


def test_a_batch_is_typed_with_sixteen_keys_a_row_and_pasted_and_a_slip_is_asked_about(visit):
    from playwright.sync_api import expect

    seen = visit(
        "voila/render/book.ipynb?v=1&own.view=batch",
        ready='role=table[name="Today\'s batch"]',
        permissions=["clipboard-read", "clipboard-write"],
    )
    page = seen.page
    enter = page.get_by_role("button", name="Enter into the book")

    def cell(column: str, row: int) -> object:
        return page.get_by_role("textbox", name=f"{column}, row {row}", exact=True)

    expect(cell("serial", 1)).to_have_value("0161")
    cell("ohms, kΩ", 1).focus()
    for number, row in enumerate((("5.73", "2.12", "5950"), ("5.74", "2.13", "5961")), start=1):
        expect(cell("ohms, kΩ", number)).to_be_focused()
        keys = [*"\t".join(row), "\n"]
        assert len(keys) <= MOST_KEYS_A_ROW
        for key in keys:
            page.keyboard.press({"\t": "Tab", "\n": "Enter"}.get(key, key))
    expect(cell("serial", 3)).to_have_value("0163")
    verdicts = page.locator(".lab-verdict")
    expect(verdicts.nth(0)).to_contain_text("In its batch: good")
    expect(verdicts.nth(1)).to_contain_text("In its batch: good")
    expect(enter).to_be_enabled()

    page.evaluate("text => navigator.clipboard.writeText(text)", PASTED)
    page.keyboard.press("Control+V")
    expect(cell("serial", 4)).to_have_value("0202")
    expect(cell("ohms, kΩ", 3)).to_have_value("5,74")
    expect(verdicts.nth(3)).to_contain_text("Type it anew, or '5740000!' to keep it")
    expect(cell("ohms, kΩ", 4)).to_have_attribute("aria-invalid", "")
    expect(enter).to_be_disabled()

    cell("ohms, kΩ", 4).fill("5,74")
    expect(verdicts.nth(3)).to_contain_text("In its batch: good")
    enter.click()
    expect(page.get_by_role("status").filter(has_text="entered into the demo book")).to_be_visible()
    expect(cell("serial", 1)).to_have_value("0203")
    settled(page)
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])
