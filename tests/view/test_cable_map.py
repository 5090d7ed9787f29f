"""The map of all lengths shows the numbers that it is given, and nothing where there is nothing."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.view.drawings.cable_map import HIGH_HZ, LOW_HZ, LengthMap, draw_lengths

LENGTH = np.linspace(0.0, 30.0, 61)
NOTHING = np.full(61, np.nan)
DULL = np.where(LENGTH > 4.75, 20_000.0 / np.maximum(LENGTH, 1.0), np.nan)


def found(**changed: np.ndarray) -> LengthMap:
    parts = {"length": LENGTH, "dull_hz": DULL, "louder_hz": np.stack([NOTHING, NOTHING], axis=1), "peak_hz": NOTHING}
    return LengthMap(**{**parts, **changed})


def drawing(given: LengthMap, *, present: float = 10.0, dull_hz: float | None = 2000.0, width: int = 790) -> str:
    return draw_lengths(
        given, present=present, compared=3.0, dull_hz=dull_hz, title="lengths", description="words", width=width
    )


@pytest.mark.parametrize("width", [240, 400, 790, 1600])
def test_the_ring_of_a_lies_on_the_edge_of_what_is_lost(width):
    root = ElementTree.fromstring(drawing(found(), width=width))
    ring = next(root.iter("{http://www.w3.org/2000/svg}circle"))
    edge = next(root.iter("{http://www.w3.org/2000/svg}polyline")).get("points").split()
    places = np.array([[float(number) for number in pair.split(",")] for pair in edge[1:-1]])
    across, down = float(ring.get("cx")), float(ring.get("cy"))
    # the edge is written with one decimal of a pixel
    assert np.interp(across, places[:, 0], places[:, 1]) == pytest.approx(down, abs=0.1)
    assert 0 < across < width


def test_higher_frequencies_lie_higher_and_what_leaves_the_axis_is_cut():
    heights = []
    for peak in (50_000.0, HIGH_HZ, 2000.0, LOW_HZ, 20.0):
        root = ElementTree.fromstring(drawing(found(peak_hz=np.full(61, peak), dull_hz=NOTHING)))
        line = next(root.iter("{http://www.w3.org/2000/svg}polyline")).get("points")
        heights.append(float(line.split()[0].split(",")[1]))
    assert heights == sorted(heights)
    assert heights[0] == heights[1] < heights[2] < heights[3] == heights[4]


def test_nothing_is_hatched_or_filled_where_nothing_is_dull_or_louder():
    drawn = drawing(found(dull_hz=NOTHING), dull_hz=None)
    assert "dull from" not in drawn
    assert "<polygon" not in drawn
    assert "<path" not in drawn
    loud = np.stack([np.full(61, 1000.0), np.full(61, 3000.0)], axis=1)
    assert drawing(found(louder_hz=loud)).count("<polygon") == 1


def test_a_gap_in_what_is_louder_stays_a_gap():
    loud = np.stack([np.full(61, 1000.0), np.full(61, 3000.0)], axis=1)
    loud[30:33] = np.nan
    assert drawing(found(louder_hz=loud)).count("<polygon") == 2


def test_a_length_beyond_the_map_is_named_at_its_edge():
    assert "A, 45 m" in drawing(found(), present=45.0)


def test_arrays_of_other_lengths_are_refused():
    with pytest.raises(InputError, match="two lengths at least"):
        found(dull_hz=DULL[:-1])
    with pytest.raises(InputError, match="two ends"):
        found(louder_hz=NOTHING)
