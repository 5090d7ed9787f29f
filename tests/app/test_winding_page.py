"""The winding page's widgets, without a browser."""

from __future__ import annotations

import pytest

from labkit.app.pages.winding.page import WindingPage
from labkit.app.pages.winding.state import WindingPageState
from labkit.report.paper_page import quantity


@pytest.fixture
def page() -> WindingPage:
    return WindingPage(WindingPageState())


def send(widget, **fields):
    widget._receive(widget, fields, [])


def test_a_moved_slider_changes_curve_drawing_table_and_address(page):
    before = page.curve.svg, page.bobbin.svg, page.table.value
    send(page.controls, do="set", key="turns", index=40)
    assert page.state.winding.turns == 3000
    assert page.curve.svg != before[0]
    assert page.bobbin.svg != before[1]
    assert page.table.value != before[2]
    assert "turns" in page.actions.query


def test_a_slider_in_the_hand_is_not_rebuilt(page):
    send(page.controls, do="type", key="turns", text="7777")
    groups = page.controls.groups
    send(page.controls, do="set", key="turns", index=40)
    assert page.controls.groups is groups


def test_a_cover_brings_its_own_controls(page):
    keys = {control["key"] for group in page.controls.groups for control in group["controls"]}
    assert "cover_gap" not in keys
    send(page.controls, do="type", key="cover", text="brass")
    keys = {control["key"] for group in page.controls.groups for control in group["controls"]}
    assert {"cover_gap", "cover_thickness"} <= keys


def test_what_was_kept_is_listed_and_taken_up_again(page):
    send(page.actions, do="keep")
    send(page.controls, do="type", key="grade", text="Alnico 2")
    assert page.listening.bar.sounds[1]["full"] == "Alnico 5, now Alnico 2"
    assert [sound["text"] for sound in page.listening.bar.sounds] == ["Alnico 2", "Alnico 5"]
    assert "Against Alnico 5" in page.change.value
    send(page.listening.bar, do="back", slot=0)
    assert page.state.values["grade"] == "Alnico 5"
    send(page.listening.bar, do="drop", slot=0)
    assert len(page.listening.bar.sounds) == 1


def test_filling_the_bobbin_by_its_button(page):
    page.use_full.click()
    assert "0.0 mm left" in page.fit.value
    assert page.use_full.disabled


def test_an_overflow_is_said_and_not_saved(page):
    send(page.controls, do="type", key="turns", text="12000")
    assert "8688 turns fit" in page.fit.value
    told = []
    page.files.send = lambda content, buffers=None: told.append(content)
    send(page.files, do="make", key="sheet")
    assert "Not saved" in told[0]["failed"]


def give(page, name: str, content: bytes) -> list[dict]:
    """Send a small file as the browser does, and return the answers."""
    told: list[dict] = []
    page.opener.send = lambda content, buffers=None: told.append(content)
    for fields, buffers in (
        ({"do": "file-begin", "name": name, "size": len(content)}, []),
        ({"do": "file-piece"}, [content]),
        ({"do": "file-end"}, []),
    ):
        page.opener._receive(page.opener, {**fields, "number": 1}, buffers)
        if "refused" in told[-1]:
            break
    return told


def test_a_saved_sheet_opens_again_by_the_file_field(page):
    send(page.controls, do="type", key="turns", text="7321")
    made = page.sheet_file()
    other = WindingPage(WindingPageState())
    assert give(other, "mine.toml", made.content)[-1].get("done")
    assert other.state.winding.turns == 7321
    assert other.actions.said == f"Opened: {other.state.made.name}."
    for content, told in ((b"nothing = ", "is not valid TOML"), (b"\xff\xfe", "UTF-8"), (b"#" * 900_000, "at most")):
        assert told in give(other, "mine.toml", content)[-1]["refused"]
    assert other.state.winding.turns == 7321


def test_the_winders_paper_has_the_turns_and_the_resistance_that_the_page_shows(page):
    send(page.controls, do="type", key="turns", text="7321")
    made = page.paper_file()
    text = made.content.decode()
    assert made.is_printed
    assert "7\u202f321" in text
    assert "AWG 42 single build" in text
    assert quantity(page.state.built.total.resistance.value, "Ω") in text


def test_the_link_to_the_rig_page_carries_the_pickup(page):
    send(page.controls, do="type", key="turns", text="7321")
    assert 'href="rig.ipynb?v=1&amp;bridge=made' in page.link.value
    assert "7321" in page.link.value


def test_a_hostile_name_is_text_everywhere(page):
    sheet = page.sheet_file().content.decode().replace('name = "', 'name = "<img src=x onerror=alert(1)>')
    give(page, "<b>.toml", sheet.encode())
    assert "<img" in page.state.made.name
    for html in (
        page.curve.svg,
        page.bobbin.svg,
        page.table.value,
        page.link.value,
        page.fit.value,
        page.numbers.value,
    ):
        assert "<img" not in html


def test_the_fold_of_what_happened_to_the_magnets_says_it_in_words(page):
    fold = "What happened to it since"
    assert page.controls.heads[fold] == "nothing"
    send(page.controls, do="type", key="knocked", text="5 %")
    send(page.controls, do="type", key="extreme", text="80 °C")
    assert page.controls.heads[fold] == "knocked back 5 %, was at 80 °C"
