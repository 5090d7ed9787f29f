"""Drawings as SVG and PNG: accessible, with real text in the room reserved for it, and pixels that tell the circuit."""

from __future__ import annotations

import io
import re
from collections import Counter
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree

import matplotlib.image
import numpy as np
import pytest
from PIL import Image, ImageDraw
from scipy.ndimage import label as connected

from labkit.view.palette import INK, MUTED, PAPER
from labkit.view.schematic import Drawing, DrawnCircuit, DrawnPart, crossings, draw, to_svg
from labkit.view.schematic.png import to_png
from labkit.view.schematic.svg import STROKES, TEXTS
from tests.view.contrast import contrast
from tests.view.schematic_wirings import WIRINGS, circuit

SVG = "{http://www.w3.org/2000/svg}"
SAMPLE = "two volumes, two tones"


@pytest.fixture(scope="module")
def sample() -> Drawing:
    return draw(circuit(SAMPLE))


def test_svg_is_an_image_with_title_and_description(sample: Drawing) -> None:
    root = ElementTree.fromstring(to_svg(sample))
    assert root.get("role") == "img"
    named = {element.get("id"): element for element in root.iter() if element.get("id")}
    assert named[root.get("aria-labelledby")].text == SAMPLE
    words = named[root.get("aria-describedby")].text
    assert "Neck volume, potentiometer (250 kΩ audio, at 7): clockwise end to n, wiper to nw" in words
    assert "Selector, switch pole (both): common at tip, closed to nw and closed to bw." in words
    for part in circuit(SAMPLE).parts:
        assert part.lines[0].casefold() in words.casefold()


def test_every_part_is_a_group_with_an_id_of_its_own(sample: Drawing) -> None:
    root = ElementTree.fromstring(to_svg(sample))
    groups = [group.get("data-part") for group in root.iter(f"{SVG}g") if group.get("data-part")]
    assert sorted(groups) == sorted(part.name for part in circuit(SAMPLE).parts)
    ids = Counter(element.get("id") for element in root.iter() if element.get("id"))
    assert max(ids.values()) == 1


def test_ids_stay_apart_for_names_that_differ_only_in_punctuation() -> None:
    parts = tuple(DrawnPart(kind="resistor", name=name, nodes=("a", "ground")) for name in ("r.1", "r-1", "r 1"))
    root = ElementTree.fromstring(to_svg(draw(DrawnCircuit(name="three", parts=parts))))
    ids = [group.get("id") for group in root.iter(f"{SVG}g") if group.get("data-part")]
    assert len(set(ids)) == 3


def test_labels_with_markup_are_escaped() -> None:
    parts = (
        DrawnPart(kind="resistor", name="r", nodes=("a", "ground"), label=('<b> & "c" $x$', "1 kΩ")),
        DrawnPart(kind="coil", name="c", nodes=("a", "ground")),
    )
    drawing = draw(DrawnCircuit(name="<script> & $y$", parts=parts))
    root = ElementTree.fromstring(to_svg(drawing))
    texts = [element.text for element in root.iter(f"{SVG}text")]
    assert '<b> & "c" $x$' in texts
    assert "<script> & $y$" in texts
    assert to_png(drawing, scale=1.0).startswith(b"\x89PNG")


def test_svg_asks_for_nothing_from_outside(sample: Drawing) -> None:
    addresses = re.findall(r"(?:https?:)?//[^\s\"'<]+", to_svg(sample))
    assert set(addresses) == {"http://www.w3.org/2000/svg"}


def test_everything_drawn_lies_inside_the_view_box(sample: Drawing) -> None:
    root = ElementTree.fromstring(to_svg(sample))
    x, y, width, height = map(float, root.get("viewBox").split())
    box = sample.box
    assert x < box.x0
    assert y < box.y0
    assert box.x1 < x + width
    assert box.y1 < y + height


def test_lines_and_text_are_readable_on_paper() -> None:
    # WCAG 2.2: 4.5 to 1 for text, 3 to 1 for graphical objects.
    assert min(contrast(colour) for colour, _ in TEXTS.values()) >= 4.5
    assert min(contrast(colour) for colour, _, _ in STROKES.values()) >= 3.0
    assert contrast(INK) > contrast(MUTED)


def test_open_and_closed_contacts_differ_in_more_than_hue() -> None:
    whole = "two volumes, two tones"
    solid, dotted = (STROKES[role] for role in ("copper", "dotted"))
    assert solid[2] == ()
    assert dotted[2] != ()
    states = circuit(whole)
    selector = next(part for part in states.parts if part.kind == "pole")
    opened = replace(selector, closed=(True, False))
    other = replace(states, parts=tuple(opened if part is selector else part for part in states.parts))
    assert to_svg(draw(states)) != to_svg(draw(other))


def _wire_pixels(svg: str, scale: int = 4) -> tuple[np.ndarray, tuple[float, float]]:
    """Paint only the wires and dots of an SVG, from its text alone, by another library than the one that wrote it."""
    root = ElementTree.fromstring(svg)
    x, y, width, height = map(float, root.get("viewBox").split())
    image = Image.new("1", (int(width * scale) + 1, int(height * scale) + 1))
    pen = ImageDraw.Draw(image)
    wires = next(group for group in root.iter(f"{SVG}g") if group.get("id", "").endswith("-wires"))
    numbers = [float(text) for text in re.findall(r"-?[\d.]+", wires.find(f"{SVG}path").get("d"))]
    for ax, ay, bx, by in zip(*(numbers[start::4] for start in range(4))):
        ends = [((px - x) * scale, (py - y) * scale) for px, py in ((ax, ay), (bx, by))]
        pen.line(ends, fill=1, width=3)
    return np.asarray(image), (x, y)


@pytest.mark.parametrize("name", WIRINGS)
def test_connected_pixels_of_the_wires_are_the_nets(name: str) -> None:
    drawing, scale = draw(circuit(name)), 4
    if crossings(drawing):
        assert crossings(drawing) <= 3  # wires that cross cannot be told apart by their pixels alone
        return
    pixels, (x0, y0) = _wire_pixels(to_svg(drawing), scale)
    marks, _ = connected(pixels, structure=np.ones((3, 3)))

    def mark(point: tuple[float, float]) -> int:
        column, row = round((point[0] - x0) * scale), round((point[1] - y0) * scale)
        near = marks[row - 2 : row + 3, column - 2 : column + 3]
        return int(near.max())

    nets = {key: net for net in circuit(name).netlist() for key in net}
    by_mark: dict[int, set] = {}
    for symbol in drawing.symbols:
        for pin in symbol.pins:
            assert mark(pin.at) > 0, (symbol.owner, pin)
            by_mark.setdefault(mark(pin.at), set()).add(nets[pin.keys[0]])
    assert all(len(found) == 1 for found in by_mark.values())
    grounds = {mark(end.at) for end in drawing.terminals if end.kind == "ground"}
    for number, found in by_mark.items():
        grounded = ("ground", "") in next(iter(found))
        assert (number in grounds) == grounded
    live = [next(iter(found)) for found in by_mark.values() if ("ground", "") not in next(iter(found))]
    assert len(live) == len(set(live))


def test_png_shows_paper_ink_and_copper(sample: Drawing) -> None:
    picture = matplotlib.image.imread(io.BytesIO(to_png(sample, scale=1.0)))
    colours = {tuple(np.round(pixel[:3] * 255).astype(int)) for pixel in picture.reshape(-1, picture.shape[-1])}
    for wanted in (PAPER, INK, STROKES["copper"][0]):
        rgb = tuple(int(wanted[index : index + 2], 16) for index in (1, 3, 5))
        assert rgb in colours
    box = sample.box
    assert picture.shape[1] > box.x1 - box.x0


def test_png_has_the_asked_scale(sample: Drawing) -> None:
    small, large = (Image.open(io.BytesIO(to_png(sample, scale=scale))).size for scale in (1.0, 2.0))
    assert large[0] == pytest.approx(2 * small[0], abs=2)  # both are rounded down to whole pixels


@pytest.mark.browser
def test_a_browser_keeps_every_text_in_the_room_reserved_for_it(browser: Any) -> None:
    drawing = draw(circuit("three pickups, five-way, one volume and two tones"))
    reserved: dict[str, float] = {}
    for text in drawing.texts():
        reserved[text.text] = max(reserved.get(text.text, 0.0), text.box.x1 - text.box.x0)
    page = browser.new_page()
    page.set_content(to_svg(drawing))
    script = "[...document.querySelectorAll('svg g text')].map(t => [t.textContent, t.getBBox().width])"
    drawn = page.evaluate(script)
    page.close()
    assert len(drawn) == len(list(drawing.texts()))
    for words, width in drawn:
        assert 0 < width <= reserved[words], words
