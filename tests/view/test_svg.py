"""The pieces of SVG that every drawing is made of."""

from __future__ import annotations

from xml.etree import ElementTree as Xml

import pytest

from labkit.view import svg
from labkit.view.palette import PINS

NASTY = "\"><script>alert('x')</script>&"


@pytest.mark.parametrize(
    "drawn",
    [
        svg.text(1, 2, NASTY),
        svg.label(1, 2, NASTY, "#000000", tip=NASTY),
        svg.polyline([0, 1], [2, 3], PINS[0], data_label=NASTY),
        svg.document(NASTY, 10, 20, [], title=NASTY, description=NASTY),
    ],
)
def test_whatever_is_written_stays_text(drawn: str) -> None:
    root = Xml.fromstring(drawn)
    assert not [node for node in root.iter() if node.tag.endswith("script")]
    said = [
        *root.attrib.values(),
        *(node.text or "" for node in root.iter()),
        *(node.tail or "" for node in root.iter()),
    ]
    assert any(NASTY in words for words in said)


def test_a_style_is_what_a_line_looks_like_unless_attributes_say_otherwise() -> None:
    line = Xml.fromstring(svg.polyline([0, 10], [5, 7.26], PINS[0], stroke="none"))
    assert line.attrib == {
        "fill": "none",
        "stroke": "none",
        "stroke-width": "2.25",
        "stroke-dasharray": "9 4",
        "points": "0.0,5.0 10.0,7.3",
    }
    assert Xml.fromstring(svg.polyline([0], [5], PINS[0], stroke_dasharray=None)).get("stroke-dasharray") is None


def test_a_document_says_its_size_and_its_text_alternative() -> None:
    root = Xml.fromstring(
        svg.document("plot", 300.5, 20, [svg.line(0, 0, 1, 1, "#000000")], title="a", description="b")
    )
    assert (root.get("viewBox"), root.get("aria-label")) == ("0 0 300.5 20", "a. b")
    assert [node.tag.split("}")[1] for node in root] == ["title", "desc", "line"]
