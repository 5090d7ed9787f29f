"""Plots as files: right kind, same look as the pages, refusals in words."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.core.grid import frequency_grid
from labkit.core.response import Response
from labkit.view.curve.curve import Curve
from labkit.view.curve.plot import level_window, write_plot
from labkit.view.palette import COPPER, PINS


def falling(factor: float = 1.0) -> Response:
    grid = frequency_grid()
    return Response(frequency_hz=grid, values=1 / (1 + 1j * grid / (3000 * factor)))


@pytest.mark.parametrize(("ending", "start"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")])
def test_a_plot_is_written_in_the_kind_its_name_asks_for(tmp_path, ending, start):
    path = tmp_path / f"curve.{ending}"
    write_plot({"now": falling()}, path)
    assert path.read_bytes().startswith(start)


def test_a_plot_has_the_colours_of_the_pages(tmp_path):
    write_plot({"now": falling(), "cable 3 m": falling(2)}, tmp_path / "two.svg")
    text = (tmp_path / "two.svg").read_text().lower()
    assert COPPER.lower() in text
    assert PINS[0].colour.lower() in text
    assert "cable 3 m" in text


def test_the_same_curves_give_the_same_file(tmp_path):
    for name in ("one.svg", "other.svg"):
        write_plot({"now": falling()}, tmp_path / name)
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "other.svg").read_bytes()


def test_an_unknown_ending_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(InputError, match="svg, png or pdf"):
        write_plot({"now": falling()}, tmp_path / "curve.jpg")
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_is_kept_unless_overwriting_is_asked_for(tmp_path):
    path = tmp_path / "curve.svg"
    path.write_text("mine")
    with pytest.raises(InputError):
        write_plot({"now": falling()}, path)
    assert path.read_text() == "mine"
    write_plot({"now": falling()}, path, overwrite=True)
    assert path.read_text() != "mine"


@pytest.mark.parametrize("count", [0, 5])
def test_as_many_curves_as_a_reader_can_tell_apart(tmp_path, count):
    with pytest.raises(InputError, match="one to 4 curves"):
        write_plot({f"curve {index}": falling(index + 1) for index in range(count)}, tmp_path / "x.svg")


def test_silence_can_be_plotted(tmp_path):
    grid = frequency_grid()
    write_plot({"now": Response(frequency_hz=grid, values=np.zeros(grid.size))}, tmp_path / "x.svg")
    assert (tmp_path / "x.svg").stat().st_size > 1000


def _flat(level_db):
    return Curve(frequency_hz=np.array([50.0, 20e3]), gain_db=np.full(2, level_db), label="")


def test_a_file_widens_the_axis_only_where_a_curve_lies_outside():
    assert {level_window([_flat(level)]) for level in np.arange(-14.0, 15.0, 0.5)} == {(-30.0, 15.0)}
    assert level_window([_flat(24.0)])[1] == 30.0
    low, high = level_window([_flat(0.0), _flat(-40.0)])
    assert low <= -50.0
    assert high == 15.0
