"""The first curve of a page: what the kernel draws then, where it stood, and nothing where that is not sure."""

from __future__ import annotations

import asyncio
import re
import subprocess
import sys
import time
from html import escape
from importlib import import_module

import pytest

from labkit.app.kit.rig.opened import rig_sheet_text
from labkit.app.kit.sheets_read import forget_changed_sheets
from labkit.app.server import first_curve
from labkit.app.server.first_curve import (
    PAGES,
    CurveFrame,
    FirstCurves,
    draw_first,
    first_html,
    read_frame,
)
from labkit.rig.sheet import load_rig

ADDRESSES = {
    "start.ipynb": ("", "v=1&cable.length=7", "v=1&cable.length=15&volume.value=1e6"),
    "rig.ipynb": ("", "v=1&volume=5&tone=3", "v=1&cable.length=7&own.curve=as+the+strings+drive+it"),
    "cable.ipynb": ("", "v=1&cable.length=9"),
    "winding.ipynb": ("", "v=1&cable.length=3"),
    "pots_and_capacitors.ipynb": ("", "v=1&volume=5"),
    "wiring.ipynb": ("", "v=1&tone=2"),
    "listening_test.ipynb": ("", "v=1&cable.length=7"),
}
CLASSES = {"start": "StartPage", "rig": "RigPage", "cable": "CablePage", "winding": "WindingPage"}
CLASSES |= {"pots": "PotsPage", "wiring": "WiringPage", "listening": "ListeningPage"}

HOSTILE = [
    "v=1&rig=%3Cscript%3Ewindow.harm%3D1%3C%2Fscript%3E",
    "v=1&rig=" + "x" * 1500,
    "v=9999&cable.length=1e999",
    "v=1&cable.length=%00%ff&own.curve=%3C%2Fsvg%3E%3Cscript%3E",
    "v=1&pin=" + "&pin=".join("%26%26%26" for _ in range(200)),
    "\ud800&&&===",
]


def kernels_page(page):
    """The page as its kernel makes it."""
    found = PAGES[page]
    state = getattr(import_module(f"labkit.app.pages.{found.module}.state"), found.state)()
    return getattr(import_module(f"labkit.app.pages.{found.module}.page"), CLASSES[found.module])(state)


@pytest.mark.parametrize(("page", "query"), [(page, query) for page, found in ADDRESSES.items() for query in found])
def test_the_first_curve_is_byte_for_byte_what_the_kernel_draws_for_the_address(page, query):
    made = kernels_page(page)
    made.actions._receive(made.actions, {"do": "open", "search": f"?{query}"}, [])
    for width, is_tall in ((790, False), (358, False), (1131, True)):
        made.curve.set_trait("is_tall", is_tall)
        made.curve.width = width
        drawn = draw_first(page, query, width=width, is_tall=is_tall)
        assert drawn == made.curve.svg
        assert drawn.startswith("<svg")


def test_addresses_differ_in_their_curves():
    for page, queries in ADDRESSES.items():
        drawn = [
            re.sub(r"<title>.*?</desc>|aria-label=\"[^\"]*\"", "", draw_first(page, q, width=790)) for q in queries
        ]
        assert len(set(drawn)) == len(queries), page


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("query", HOSTILE)
def test_nothing_of_a_hostile_address_gets_into_the_page(page, query):
    html = asyncio.run(FirstCurves().html(page, query, cookie="<script>"))
    assert "<script" not in html
    assert "harm" not in html


def test_the_name_of_a_rig_is_text(monkeypatch):
    from labkit.app.pages.rig.state import RigPageState

    name = "<script>harm()</script>"
    rig = load_rig("Saltmarsh Lane, narrow single coil").replace(name=name)
    monkeypatch.setattr(
        first_curve, "import_module", lambda _: type("", (), {"RigPageState": lambda: RigPageState(rig)})
    )
    html = first_html(draw_first("rig.ipynb", "", width=790), None)
    assert escape(name) in html
    assert "<script" not in html


def test_an_address_of_which_something_cannot_be_used_is_left_to_the_kernel_which_says_so():
    assert draw_first("rig.ipynb", "v=1&rig=none+of+this+name", width=790) == ""


@pytest.mark.parametrize("text", [None, "", "1.2.3", "1280.376.136.880.2", "1280.376.136.99999.0", "1280.-1.136.880.0"])
@pytest.mark.parametrize("more", ["", ";", "\n", "}</style>"])
def test_a_damaged_cookie_holds_no_frame(text, more):
    assert read_frame((text or "") + more) is None


def test_the_picture_stands_where_the_curve_stood_and_only_in_a_window_of_that_width():
    frame = CurveFrame(window=1280, left=376, top=136, width=880, is_tall=False)
    html = first_html("<svg></svg>", frame)
    assert 'style="left:376px;top:136px"' in html
    assert "@media not (width:1280px)" in html
    assert "@media not" not in first_html("<svg></svg>", None)


def test_pages_without_a_curve_and_endless_addresses_get_none():
    async def ask():
        curves = FirstCurves()
        assert await curves.html("how_far_to_trust_it.ipynb", "", cookie=None) == ""
        assert await curves.html("rig.ipynb", "v=1&" * 1000, cookie=None) == ""

    asyncio.run(ask())


def test_a_drawing_that_takes_too_long_does_not_hold_up_the_page_nor_pile_up(monkeypatch):
    asked = []

    def slow(*_, **__):
        asked.append(1)
        time.sleep(0.3)
        return "<svg></svg>"

    monkeypatch.setattr(first_curve, "draw_first", slow)
    monkeypatch.setattr(first_curve, "PATIENCE_S", 0.01)

    async def ask():
        curves = FirstCurves()
        assert await asyncio.gather(*(curves.html("rig.ipynb", "", cookie=None) for _ in range(20))) == [""] * 20
        curves._worker.shutdown()

    asyncio.run(ask())
    assert len(asked) <= first_curve.MOST_WAITING


def test_a_drawing_that_fails_is_left_to_the_kernel(monkeypatch, caplog):
    def fails(*_, **__):
        raise ZeroDivisionError

    monkeypatch.setattr(first_curve, "draw_first", fails)
    assert asyncio.run(FirstCurves().html("rig.ipynb", "", cookie=None)) == ""
    assert "ZeroDivisionError" in caplog.text


def test_sheets_of_the_users_that_are_new_changed_or_gone_are_drawn_as_a_kernel_would(tmp_path, monkeypatch):
    monkeypatch.setenv("LABKIT_CATALOGUE", str(tmp_path))
    rig = load_rig("Saltmarsh Lane, narrow single coil")
    mine, query = tmp_path / "mine.toml", "v=1&rig=My+own&cable.length=7"

    def saved(name: str, length: str) -> str:
        text = rig_sheet_text(rig.replace(name=name))
        assert text.count('length = "5 m"') == 1
        return text.replace('length = "5 m"', f'length = "{length}"')

    async def drawn(query: str) -> str:
        return await curves.html("rig.ipynb", query, cookie=None)

    async def ask():
        monkeypatch.setattr(first_curve, "PATIENCE_S", 60)  # that of a busy machine
        usual = await drawn("")
        assert "<svg" in usual
        assert await drawn(query) == ""  # no such rig: the kernel says so
        mine.write_text(saved("My own", "3 m"), "utf-8")
        new = await drawn("v=1&rig=My+own")
        mine.write_text(saved("My own", "12 m"), "utf-8")
        changed = await drawn("v=1&rig=My+own")
        assert len({re.findall(r'points="([^"]*)"', html)[0] for html in (new, changed)}) == 2
        assert "<svg" in await drawn(query)
        code = "from labkit.app.server.first_curve import draw_first\n"
        code += f"print(draw_first('rig.ipynb', {query!r}, width=790), end='')"
        kernel = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        assert kernel.stdout in await drawn(query)
        mine.unlink()
        assert await drawn(query) == ""
        assert await drawn("") == usual

    curves = FirstCurves()
    asyncio.run(ask())
    monkeypatch.undo()
    assert forget_changed_sheets()
