"""Widgets of the measure page: what is shown follows the bench, in a plain notebook too."""

import tomllib

import pytest

from labkit.app.kit.files import GivenFile
from labkit.app.pages.measure.page import MeasurePage
from labkit.app.pages.measure.state import MeasurePageState
from labkit.app.pages.measure.sweeps import demo_files
from labkit.core.errors import InputError


@pytest.fixture
def page() -> MeasurePage:
    return MeasurePage(MeasurePageState())


def test_it_opens_with_points_line_and_residuals(page):
    assert page.curve.svg.count("<circle") > 100
    assert "lab-residual" in page.rest.value
    assert "Use it in my rig" in page.links.value
    assert page.work.words == ""


def test_a_file_is_read_fitted_and_kept_as_a_sheet(page):
    page._file(GivenFile(name="<b>mine</b>.csv", content=demo_files()[0].content))
    made = page._pickup_sheet()
    assert tomllib.loads(made.content.decode())["sheet"] == "pickup"
    assert "<b>" not in page.curve.svg
    assert "<b>" not in page.said.value
    assert b"<b>mine" not in page._record(is_printed=False).content


def test_without_a_fit_nothing_is_kept(page):
    page._file(GivenFile(name="words.csv", content=b"nothing,here\n"))
    assert page.upload.files[0]["error"]
    with pytest.raises(InputError, match="no fit yet"):
        page._pickup_sheet()


def test_each_bench_shows_only_its_own_parts(page):
    page._then_show(page.state.set_index, "own.bench", 1)
    assert "lab-away" in page.curve_box._dom_classes
    assert all("lab-away" not in part._dom_classes for part in page.reading_parts)
    assert page.compared() is None
    assert b"weak magnet" in page._test_record(is_printed=False).content.lower()
    page._then_show(page.state.undo)
    assert "lab-away" not in page.curve_box._dom_classes
    assert page.compared() is not None


def test_a_pickup_sheet_is_opened_as_the_plan_by_the_lab_s_one_file_opener(page):
    page._then_show(page.state.set_index, "own.bench", 1)
    made = page._pickup_sheet().content
    give(page, made)
    assert page.actions.said.endswith("it is the plan now.")
    opened = page.state.values["own.plan"]
    assert "(opened)" in opened
    # the page opened anew by its address: the browser sends what it kept
    anew = MeasurePage(MeasurePageState())
    anew._open(page.state.query)
    assert anew.state.values["own.plan"] != opened
    assert opened in anew.actions.said
    give(anew, made, kept=True)
    assert anew.state.values["own.plan"] == opened
    assert anew.actions.said == ""
    # another plan was chosen meanwhile: the kept one is there to choose and changes nothing
    anew._open("v=1&own.bench=readings")
    before = anew.state.values["own.plan"]
    give(anew, made, kept=True)
    assert before == anew.state.values["own.plan"] != opened


def give(page: MeasurePage, content: bytes, **fields: bool) -> None:
    """Send a pickup sheet to the page in the browser's pieces."""
    sent: list[dict] = []
    page.opener.send = lambda content, buffers=None: sent.append(content)
    for message, buffers in (
        ({"do": "file-begin", "name": "mine.toml", "size": len(content), **fields}, []),
        ({"do": "file-piece"}, [content]),
        ({"do": "file-end"}, []),
    ):
        page.opener._receive(page.opener, {**message, "number": 1}, buffers)
    assert sent[-1].get("done")
