"""What results look like in a notebook, and what they turn into for other libraries."""

from __future__ import annotations

import sys
from importlib.resources import files
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure

import labkit
from labkit import Fixture, Measurement, Response, load_rig, notebook_html, plot_responses, spice_deck
from labkit.core.errors import InputError
from labkit.core.response import Band

RIG = "Saltmarsh Lane, narrow single coil"


@pytest.fixture(scope="module")
def rig():
    return load_rig(RIG)


@pytest.fixture(scope="module")
def fit():
    sweep = labkit.read_sweep(files("labkit") / "data" / "demo_sweeps" / "bare.csv")
    fixture = Fixture(kind="exciter", meter_resistance=1e6, meter_capacitance=30e-12)
    dc = labkit.Interval(value=6210.0, low=6179.0, high=6241.0)
    return labkit.fit_sweeps([Measurement(sweep=sweep, fixture=fixture)], resistance=dc, name="worn <coil>")


@pytest.fixture(scope="module")
def spread(rig):
    return labkit.run_tolerance(labkit.tolerance_study(rig, count=200))


@pytest.fixture(scope="module")
def found():
    return labkit.run_search(labkit.load_goal("a lower, tamer peak with load trims"))


def drawings(html: str) -> list[ElementTree.Element]:
    """The page's drawings, after a check that the whole is well formed."""
    page = ElementTree.fromstring(f"<div>{html}</div>")
    return list(page.iter("{http://www.w3.org/2000/svg}svg"))


def test_the_short_form_of_each_thing_is_one_line_with_its_name_and_numbers(rig, fit):
    case = labkit.load_cases()[0]
    for thing, words in (
        (rig, ("Saltmarsh Lane", "volume 10", "cable")),
        (rig.response(), ("Saltmarsh Lane", "peak at 3.", "20 Hz to 20 kHz")),
        (rig.pickups["bridge"], ("narrow single coil", "6 kΩ", "2.4 H", "110 pF")),
        (fit, ("worn <coil>", "kΩ", "95 %", "dB rms")),
        (case, (case.id, case.claim)),
    ):
        text = repr(thing)
        assert "\n" not in text
        assert len(text) < 260, text
        assert all(word in text for word in words), text


def test_a_silent_curve_and_a_stack_have_a_short_form_too():
    grid = np.array([100.0, 1000.0])
    assert "silent" in repr(Response(frequency_hz=grid, values=np.zeros(2)))
    stack = Response(frequency_hz=grid, values=np.ones((3, 2)), name="a < b")
    assert "a stack of 3 curves" in repr(stack)
    assert "a &lt; b" in stack._repr_html_()


def test_a_notebook_shows_curves_and_drawings_that_are_well_formed_and_escaped(rig, fit):
    assert drawings(rig.response()._repr_html_())[0].get("class") == "lab-curve"
    assert len({each.get("class") for each in drawings(rig._repr_html_())}) == 2
    assert drawings(rig.pickups["bridge"]._repr_html_())
    shown = fit._repr_html_()
    assert drawings(shown)
    assert "worn <coil>" not in shown
    assert "lowest (95 %)" in shown
    drawings(labkit.load_cases()[0]._repr_html_())
    drawings(notebook_html(object()))


def test_a_ratio_gives_the_difference_of_levels_and_keeps_what_evaluates_it(rig):
    short, long = rig.response(), rig.with_(cable_length="10 m").response()
    ratio = long / short
    # the same two curves subtracted: rounding alone
    assert np.allclose(ratio.gain_db, long.gain_db - short.gain_db, atol=1e-9)
    assert ratio.unit == "1"
    at = np.array([3333.0])
    assert np.allclose(ratio.at(at), long.at(at) / short.at(at), rtol=1e-12)
    assert np.allclose(long.minus(short).values, long.values - short.values)
    with pytest.raises(InputError, match="is in 1 and"):
        ratio.minus(short)
    with pytest.raises(InputError, match="exactly zero"):
        short / Response(frequency_hz=short.frequency_hz, values=np.zeros(short.frequency_hz.size))
    with pytest.raises(TypeError):
        short / 2


def test_replacement_by_keyword_is_that_of_the_command_line(rig):
    changed = rig.with_(cable_length="10 m", volume=7, tone_capacitor="47n", bridge_main_inductance="3 H", name="new")
    expected = rig
    for name, text in (
        ("cable.length", "10 m"),
        ("volume", "7"),
        ("tone_capacitor", "47n"),
        ("bridge.main.inductance", "3 H"),
    ):
        expected = labkit.set_value(expected, name, text)
    assert changed == expected.replace(name="new")
    assert rig.with_(bridge=expected.pickups["bridge"]).pickups["bridge"].coils["main"].inductance == 3.0
    with pytest.raises(InputError, match=r"Did you mean 'length'"):
        rig.with_(cable_lenght="10 m")
    with pytest.raises(InputError, match="cable"):
        rig.with_(cable_length=10)


def test_a_rig_goes_where_its_circuit_goes(rig):
    assert spice_deck(rig) == spice_deck(rig.circuit)
    assert labkit.formula(rig, method="ring") == labkit.formula(rig.circuit, method="ring")


def test_curves_are_drawn_into_given_axes_with_their_names_and_a_band(rig, spread):
    axes = Figure().add_subplot()
    short, long = rig.with_(name="3 m").response(), rig.with_(cable_length="10 m", name="10 m").response()
    assert plot_responses(short, long, ax=axes, band=spread.band) is axes
    assert [line.get_label() for line in axes.lines if not line.get_label().startswith("_")] == ["3 m", "10 m"]
    assert len(axes.collections) == 1
    with matplotlib.rc_context({"backend": "agg"}):
        assert short.plot().get_xscale() == "log"
    with pytest.raises(InputError, match="one to"):
        plot_responses()
    band = Band(frequency_hz=short.frequency_hz, low_db=short.gain_db, high_db=short.gain_db)
    assert len(short.plot(ax=Figure().add_subplot(), band=band).collections) == 1


def test_results_become_tables_with_their_units(rig, fit, spread, found):
    response = rig.response()
    frame = response.to_dataframe()
    assert np.array_equal(frame["gain_db"], response.gain_db)
    assert frame.attrs["units"]["frequency_hz"] == "Hz"
    rows = fit.to_dataframe().set_index("quantity")
    assert rows.loc["inductance", "low"] == fit.inductance.low
    assert rows.loc["inductance", "unit"] == "H"
    assert list(spread.to_dataframe()["p50"]) == [item.median for item in spread.measures]
    solutions = found.to_dataframe()
    assert list(solutions["cost"]) == [row.cost for row in found.solutions]
    assert list(solutions[found.goal.targets[0].name]) == [row.values[0] for row in found.solutions]


def test_results_become_datasets_with_their_axes(rig, fit, spread, found):
    response = rig.response()
    data = response.to_xarray()
    assert data["gain_db"].dims == ("frequency_hz",)
    assert data["gain_db"].attrs["units"] == "dB"
    assert np.array_equal(data["values"], response.values)
    stack = Response(frequency_hz=response.frequency_hz, values=np.stack([response.values] * 2)).to_xarray()
    assert stack["gain_db"].dims == ("variant", "frequency_hz")
    assert np.array_equal(spread.to_xarray()["level_db"].sel(percentile=95), spread.bands_db[2])
    assert np.array_equal(fit.to_xarray()["level_db"].sel(bound="low"), fit.prediction.low_db)
    first = found.to_xarray()["gain_db"].sel(solution=1)
    assert np.array_equal(first, found.solutions[0].rig.response().gain_db)


@pytest.mark.parametrize(("library", "method"), [("pandas", "to_dataframe"), ("xarray", "to_xarray")])
def test_a_library_that_is_not_there_is_named_in_one_sentence(rig, monkeypatch, library, method):
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(InputError, match=rf"{method}\(\) needs {library}, which is not installed here"):
        getattr(rig.response(), method)()
