"""Widgets of the cable page follow its bench; files hold what the page shows."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest

from labkit.app.kit.files import curves_csv
from labkit.app.kit.text import table_html
from labkit.app.pages.cable.page import CablePage, panel
from labkit.app.pages.cable.state import CablePageState
from labkit.rig.sheet import load_rig


@pytest.fixture
def page() -> CablePage:
    return CablePage(CablePageState())


def send(widget, **content):
    """What a message of the browser does."""
    widget._receive(widget, content, [])


def test_moving_the_cable_changes_curve_sentence_table_and_address(page):
    before = page.curve.svg, page.said.value, page.table.value, page.actions.query
    send(page.controls, do="set", key="cable.length", index=60)
    after = page.curve.svg, page.said.value, page.table.value, page.actions.query
    assert all(one != other for one, other in zip(before, after))


def test_the_present_length_is_marked_in_the_table(page):
    send(page.controls, do="type", key="cable.length", text="7 m")
    assert '<tr class="lab-now" aria-current="true"><th scope="row">7 m</th>' in page.table.value


def test_the_customer_sheet_says_sentence_load_and_cautions_and_asks_for_nothing(page):
    send(page.controls, do="type", key="cable.length", text="10 m")
    made = page.customer_sheet(is_printed=False)
    text = made.content.decode()
    assert made.name == "saltmarsh-lane-narrow-single-coil-customer-sheet.html"
    assert page.state.sentence in text
    assert "cable 10 m at 100 pF/m (1 nF)" in text
    assert "cable 3 m at 100 pF/m (300 pF)" in text
    assert "safety earth" in text
    assert "<script" not in text
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")


def test_the_customer_sheet_carries_the_date_one_unit_and_only_the_cautions_of_a_cable(page, monkeypatch):
    monkeypatch.setattr("labkit.app.pages.cable.page.today", lambda: "2026-11-30")
    send(page.controls, do="type", key="cable.length", text="10m")
    text = page.customer_sheet(is_printed=False).content.decode()
    assert "Date: 2026-11-30" in text
    assert "10m" not in text
    assert "solder" not in text.lower()
    assert "volume down" in text
    assert "is the longest cable that loses no more than 3 dB anywhere from 2 to 5 kHz against 3 m" in text


def test_a_hostile_rig_name_is_text_on_the_sheet():
    rig = load_rig("Saltmarsh Lane, narrow single coil").replace(name="<script>alert(1)</script>")
    made = CablePage(CablePageState(rig)).customer_sheet(is_printed=True)
    assert made.is_printed
    assert b"<script" not in made.content


@pytest.mark.parametrize(
    ("key", "start"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("csv", b"frequency"), ("sheet", b"<!doctype")]
)
def test_every_button_makes_its_file(page, monkeypatch, key, start):
    sent = []
    monkeypatch.setattr(page.files, "send", lambda content, buffers=None: sent.append((content, buffers)))
    send(page.files, do="make", key=key)
    content, buffers = sent[0]
    assert buffers[0].startswith(start)
    assert content["name"].startswith("saltmarsh-lane")


def test_the_table_of_the_curves_reads_back(page):
    curves = page.state.curves()
    rows = list(csv.reader(io.StringIO(curves_csv(curves))))
    assert rows[0] == ["frequency / Hz", *(f"{curve.label} / dB" for curve in curves)]
    numbers = np.array(rows[1:], dtype=float)
    # written with four digits after the point
    assert numbers[:, 1] == pytest.approx(curves[0].gain_db, abs=5.1e-5)


def test_a_is_the_buffered_rig_and_b_the_other(page):
    send(page.controls, do="set", key="own.buffer", index=1)
    hearing = page.hearing()
    assert hearing.rig is page.state.result.rig
    assert hearing.other is page.state.result.other
    assert [sound["text"] for sound in page.listening.bar.sounds[:2]] == ["5 m, buffered", "no buffer"]
    assert page.listening.bar.blind is None  # no pin can hold a buffer put on here


def test_a_kept_length_is_b_in_the_bar_the_curve_the_difference_and_the_words(page):
    send(page.listening.bar, do="keep")
    assert "A and B are the same length, 5 m" in page.answer.value.replace("\xa0", " ")
    send(page.controls, do="type", key="cable.length", text="10 m")
    assert [sound["text"] for sound in page.listening.bar.sounds] == ["10 m", "5 m"]
    assert page.listening.bar.blind.startswith("v=1&cable.length=10&pin=")
    assert 'data-label="B 5 m"' in page.curve.svg
    assert "less than 5 m" in page.answer.value.replace("\xa0", " ")
    send(page.listening.bar, do="undo")
    send(page.listening.bar, do="undo")
    assert [sound["text"] for sound in page.listening.bar.sounds] == ["5 m", "3 m"]


def test_messages_that_mean_nothing_do_nothing(page):
    before = page.curve.svg
    for widget in (page.controls, page.actions, page.listening.bar, page.files):
        for content in ({}, {"do": "nothing"}, "text", None, {"do": "make", "key": "passwd"}):
            widget._receive(widget, content, [])
    assert page.curve.svg == before


def test_cells_are_escaped():
    assert "<b>" not in table_html("<b>", ("<b>",), [("<b>", "<b>")])


def test_a_panel_opens_on_a_sheet_by_name_in_any_notebook():
    assert "lab-page" in panel(sheet="Saltmarsh Lane, two pickups")._dom_classes


def test_with_a_buffer_b_is_the_cable_without_it_and_nothing_is_kept(page):
    def keep():
        return next(action for action in page.actions.actions if action["key"] == "keep")

    assert keep() == {"key": "keep", "label": "Keep as B", "enabled": True, "primary": True}
    send(page.controls, do="set", key="own.buffer", index=1)
    assert not keep()["enabled"]
    send(page.listening.bar, do="keep")
    assert "without the buffer" in page.actions.said
    assert page.listening.bar.sounds[1]["text"] == "no buffer"
    send(page.controls, do="set", key="own.buffer", index=0)
    send(page.controls, do="type", key="cable.length", text="45 m")
    send(page.listening.bar, do="keep")
    assert page.actions.said == "B is at most 40 m long."
