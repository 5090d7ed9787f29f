"""Every paper as the printer gives it: one page, nothing cut off at its edge or inside its drawing, no word lost."""

from __future__ import annotations

import io
import re
import unicodedata

import pytest

from labkit.app.pages.cable.page import CablePage
from labkit.app.pages.cable.state import CablePageState
from labkit.app.pages.pots.page import PotsPage
from labkit.app.pages.pots.state import PotsPageState
from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.readings import FieldValue, Readings, load_plan
from labkit.catalogue import catalogue, find_sheet
from labkit.cli.main import main
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.sheet import is_build_sheet, with_changes
from labkit.report.paper_page import PaperHead
from labkit.report.papers import bench_record_html
from labkit.report.sheet_paper import pickup_change_html, pickup_paper_html, rig_paper_html
from labkit.rig.sheet import load_rig, set_value
from tests.browser.conftest import profile
from tests.report.test_papers import PAPERS as FIXED

pytestmark = pytest.mark.browser

pypdf = pytest.importorskip("pypdf")

LONG = "The winding room at the far end of Saltmarsh Lane, upstairs"
SINGLE, PAIR = "narrow single coil, built", "two-coil, built"
EVERYTHING = {
    **{f"{plate}.{key}": value for plate in ("cover", "baseplate") for key, value in (
        ("metal", "nickel silver"), ("thickness", "0.4mm"), ("gap", "1mm")
    )},
    "wax": "50 %",
    "coil.screw.flange_radius": "9mm",
    "coil.slug.flange_radius": "9mm",
    "coil.screw.turns": "5400",
}  # fmt: skip
"""Whatever a build of two coils can be given besides what its sheet says."""


def cable_paper() -> str:
    page = CablePage(CablePageState(load_rig("Saltmarsh Lane, three pickups"), query="v=1&cable.length=15"))
    return page.customer_sheet(is_printed=True).content.decode()


def pots_paper() -> str:
    return (
        PotsPage(PotsPageState(load_rig("Saltmarsh Lane, two pickups")))
        .customer_sheet(is_printed=True)
        .content.decode()
    )


def record_paper() -> str:
    values = tuple(FieldValue(value=0.0622, pole=str(number)) for number in range(1, 7))
    readings = Readings(name="worn", resistance=5200.0, field=values)
    verdict = diagnose_readings(load_plan(SINGLE), readings)
    return bench_record_html(verdict, tester="the winder", head=PaperHead(date="2026-11-30"))


def rig_change() -> str:
    rig = load_rig("Saltmarsh Lane, three pickups")
    return rig_paper_html(rig, other=set_value(rig, "cable.length", "10 m"), label="as it is", other_label="10 m")


PAPERS = {
    **{f"build sheet of {name}": (lambda name=name: pickup_paper_html(find_sheet(name, "pickup"), "build"))
       for name in catalogue().names("pickup") if is_build_sheet(find_sheet(name, "pickup"))},
    "build sheet with all there can be": lambda: pickup_paper_html(
        with_changes(find_sheet(PAIR, "pickup"), EVERYTHING),
        temperature_c=25.0, head=PaperHead(number="2026-118", date="2026-11-30", shop=LONG),
    ),
    **{f"customer sheet of {name}": (lambda name=name: pickup_paper_html(find_sheet(name, "pickup"), "customer"))
       for name in ("narrow single coil", PAIR)},
    "fitted values": lambda: pickup_paper_html(find_sheet("two-coil", "pickup"), "fit"),
    **{f"customer sheet of {name}": (lambda name=name: rig_paper_html(load_rig(name), head=PaperHead(shop=LONG)))
       for name in catalogue().names("rig")},
    "change of a rig": rig_change,
    "rig for rig": lambda: rig_paper_html(
        load_rig("Saltmarsh Lane, narrow single coil"), other=load_rig("Saltmarsh Lane, two pickups")
    ),
    "pickup for pickup": lambda: pickup_change_html(
        load_built(SINGLE), load_built(PAIR), head=PaperHead(date="2026-11-30")
    ),
    "stated pickup for built": lambda: pickup_change_html(load_built("narrow single coil"), load_built(PAIR)),
    "cable page": cable_paper,
    "pots page": pots_paper,
    "test record": lambda: FIXED["record"],
    "record of a fit": lambda: FIXED["fit"],
}  # fmt: skip

CUT = """() => {
  const found = [], page = document.documentElement.clientWidth;
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode, holder = node.parentElement;
    if (!node.data.trim() || holder.closest("title, desc, style")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const drawing = holder.closest("svg.lab-curve, figure > svg");
    const room = drawing ? drawing.getBoundingClientRect() : { left: 0, right: page, top: -1e9, bottom: 1e9 };
    for (const box of range.getClientRects())
      if (box.left < room.left - 0.5 || box.right > Math.min(room.right, page) + 0.5
          || box.top < room.top - 2 || box.bottom > room.bottom + 2)
        found.push(`${node.data.trim()} ${JSON.stringify([box.left, box.right, room.left, room.right])}`);
  }
  return found;
}"""
"""Texts of a page whose boxes leave the paper's width or their drawing (by more than half a pixel; 2 for accents)."""

A4_MM = 210.0


@pytest.fixture(scope="module")
def printer(browser):
    """``printer(html)`` returns the PDF, and the texts that are cut on it."""
    context = profile(browser)
    page = context.new_page()

    def printed(html: str) -> tuple[object, list[str], str]:
        page.set_content(html)
        page.emulate_media(media="print")
        margin = float(re.findall(r"@page \{ [^}]*margin: (\d+)mm", html)[-1])
        page.set_viewport_size({"width": round((A4_MM - 2 * margin) / 25.4 * 96), "height": 1000})
        cut = page.evaluate(CUT)
        words = page.evaluate("document.body.innerText")
        return pypdf.PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))), cut, words

    yield printed
    context.close()


@pytest.mark.parametrize("name", PAPERS)
def test_a_paper_fits_one_page_and_nothing_on_it_is_cut(printer, name):
    pdf, cut, words = printer(PAPERS[name]())
    assert len(pdf.pages) == 1
    assert cut == []
    # a font's ligatures come out as one sign, which NFKC takes apart
    printed = re.sub(r"\s", "", unicodedata.normalize("NFKC", "".join(page.extract_text() for page in pdf.pages)))
    lost = [word for word in re.findall(r"[A-Za-z]{4,}", words) if word not in printed]
    assert lost == []


@pytest.mark.parametrize(
    ("name", "pages"),
    [
        ("two pickups, two volumes, two tones, coupled", 2),
        ("two two-coil pickups, five-way with splits", 2),
        ("three pickups, five-way, one volume, two tones", 2),
        ("one volume, rotary tone", 2),
        ("buffer after the volume", 2),
        ("three pickups, a switch for each", 5),  # 27 positions; a browser may need one page less
    ],
)
def test_a_wirings_paper_takes_two_pages_and_more_only_for_many_positions(printer, name, pages, capsys):
    assert main(["wiring", name, "--paper"]) == 0
    pdf, cut, _ = printer(capsys.readouterr().out)
    assert 2 <= len(pdf.pages) <= pages
    assert cut == []


def test_a_verdict_with_many_findings_takes_more_pages_and_cuts_nothing(printer):
    pdf, cut, _ = printer(record_paper())
    assert 1 <= len(pdf.pages) <= 3
    assert cut == []


def test_the_check_sees_a_text_that_is_cut(printer):
    html = PAPERS["change of a rig"]()
    _, cut, _ = printer(html.replace(">A 10 m</text>", ">a label that runs out of its drawing by far</text>"))
    assert any("runs out of its drawing" in text for text in cut)
    _, cut, _ = printer(html.replace("<main>", '<main><p style="white-space:nowrap">' + "wide " * 60 + "</p>"))
    assert any("wide wide" in text for text in cut)
