"""Strings over poles of any kind: the list of poles and bars as a source, against rows, points and itself mirrored."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from labkit.core.sheet import Table
from labkit.pickup.magnetics.assembly import Magnetised
from labkit.pickup.magnetics.pair import coil_arguments
from labkit.pickup.magnetics.slices import coil_field
from labkit.pickup.predict.built import BuiltPickup, load_built, read_build
from labkit.pickup.predict.output import path_gain, string_outputs, strings_over, transducers
from labkit.pickup.predict.pull import pull_on_strings
from labkit.pickup.predict.standing import standing_source
from labkit.pickup.predict.under_strings import pole_sources
from labkit.pickup.string.fields import node_gaps
from labkit.pickup.string.response import StringResponse, string_response
from labkit.pickup.string.sources import Source, StandingSource
from labkit.pickup.winding.inductance import MU_0
from tests.pickup.builds import ROD_COIL, built

ROD: dict[str, Any] = {key: value for key, value in ROD_COIL["poles"].items() if key != "count"}


def with_poles(poles: Any) -> BuiltPickup:
    return read_build(Table({"name": "uneven", "coil": {"main": {**ROD_COIL, "poles": poles}}}, "uneven"))


def rod_pair(**second: Any) -> BuiltPickup:
    coils = {"north": ROD_COIL, "south": {**ROD_COIL, "poles": {**ROD_COIL["poles"], "facing": "south", **second}}}
    return read_build(Table({"name": "two rows", "spacing": "18 mm", "coil": coils}, "two rows"))


def over(pickup: BuiltPickup, source: Source) -> StringResponse:
    played, places = strings_over(pickup.build)
    gap = np.full(len(played), pickup.build.string_distance)
    return string_response(source.fields(places), tuple(each.wire for each in played), gap=gap, turns=source.turns)


def volts(pickup: BuiltPickup) -> np.ndarray:
    return np.array([output.sensitivity.value for output in string_outputs(pickup.build)])


@pytest.mark.parametrize("pickup", [built(), rod_pair()], ids=["one row", "two opposite rows"])
def test_equal_rows_put_out_what_the_models_of_rows_say(pickup: BuiltPickup) -> None:
    (row,) = pole_sources(pickup.build)
    assert not isinstance(row, StandingSource)
    one, other = over(pickup, row), over(pickup, standing_source(pickup.build))
    # a whole string has a boundary of segments in its middle, half a string has none
    np.testing.assert_allclose(np.abs(other.sensitivity), np.abs(one.sensitivity), rtol=2e-3)
    np.testing.assert_allclose(other.pull, one.pull, rtol=2e-3)
    np.testing.assert_allclose(other.window_width, one.window_width, rtol=5e-3)


@pytest.mark.parametrize("name", ["staggered single coil, built", "slugs over a ferrite bar, built"])
def test_along_a_string_the_fields_are_those_at_points(name: str) -> None:
    """Beside the poles, where no cut for crowded charge is made over a face."""
    build = load_built(name).build
    (source,) = pole_sources(build)
    assert isinstance(source, StandingSource)
    _, places = strings_over(build)
    fields = source.fields(places)
    y = source.grid.centres
    chosen = np.flatnonzero(np.abs(y) > 4e-3)
    for string, height in ((0, 4), (3, 7), (5, 10)):
        level = source.top + node_gaps()[height]
        points = np.column_stack([np.full(chosen.size, places[string]), y[chosen], np.full(chosen.size, level)])
        expected = source.state.field(points) / MU_0
        scale = np.abs(expected).max()
        np.testing.assert_allclose(fields.static[string, height, chosen], expected, rtol=1e-3, atol=1e-4 * scale)
        answer = Magnetised(
            assembly=replace(source.state.assembly, bars=()), poles=source.response.real, bars=np.empty(0)
        )
        (coil,) = source.coils
        upwards = coil_field(x=points[:, 0], y=points[:, 1] - coil.across, z=points[:, 2], **coil_arguments(coil.shape))
        expected = answer.field(points)[:, 2] / MU_0 + coil.weight * upwards
        atol = 1e-4 * np.abs(expected).max()
        np.testing.assert_allclose(fields.coil[string, height, chosen, 2], expected, rtol=1e-3, atol=atol)


def test_a_weak_pole_is_heard_less_and_pulls_less_and_its_neighbours_hardly() -> None:
    even, uneven = with_poles([ROD, {"count": 5}]), with_poles([ROD | {"count": 5}, {"charge": "30 %"}])
    change = 20 * np.log10(volts(uneven) / volts(even))
    assert change[5] < -4
    assert np.all(np.abs(change[:4]) < 0.3)
    one, other = (string_outputs(each.build) for each in (even, uneven))
    assert other[5].pull.value < one[5].pull.value / 4
    assert other[0].pull.value == pytest.approx(one[0].pull.value, rel=0.02)
    cents = [pull_on_strings([(each.build, 0.16)])[5].cents for each in (even, uneven)]
    assert abs(cents[1]) < abs(cents[0]) / 4


def test_a_row_and_its_mirror_image_put_out_the_same() -> None:
    ends = [{"count": 1}, {"grade": "Alnico 2", "count": 2}, {"grade": "Alnico 5", "rise": "-1 mm", "count": 3}]
    there = with_poles([ROD | ends[0], *ends[1:]])
    back = with_poles(
        [ROD | {"rise": "-1 mm", "count": 3}, {"grade": "Alnico 2", "rise": "0 mm", "count": 2}, {"grade": "Alnico 5"}]
    )
    (one,), (other,) = pole_sources(there.build), pole_sources(back.build)
    wires = tuple(played.wire for played in strings_over(there.build)[0][2:3] * 6)
    places = strings_over(there.build)[1]
    found = [
        string_response(each.fields(places), wires, gap=np.full(6, 3e-3), turns=each.turns) for each in (one, other)
    ]
    np.testing.assert_allclose(found[0].sensitivity[0], found[1].sensitivity[0, ::-1], rtol=1e-6)
    np.testing.assert_allclose(found[0].pull[0], found[1].pull[0, ::-1], rtol=1e-6)


def test_two_unlike_rows_are_heard_together_whichever_is_called_first() -> None:
    unlike = rod_pair(grade="Alnico 2", diameter="4 mm")
    turned = read_build(
        Table({**unlike.build.data, "coil": dict(reversed(list(unlike.build.data["coil"].items())))}, "turned")
    )
    np.testing.assert_allclose(volts(unlike), volts(turned), rtol=1e-6)
    alike, weak = rod_pair(), rod_pair(charge="0 %")
    assert np.all(volts(weak) < volts(unlike))
    assert np.all(volts(unlike) < 1.2 * volts(alike))
    assert np.all(volts(weak) < 0.8 * volts(alike))
    assert np.all(volts(weak) > 0.3 * volts(alike)), "the row that is charged is heard by its own coil"


def test_an_unequal_pair_of_rods_counts_both_coils_by_their_turns() -> None:
    sheet = rod_pair().build.data
    coils = {"north": ROD_COIL, "south": sheet["coil"]["south"] | {"turns": 4000}}
    unequal = read_build(Table({**sheet, "coil": coils}, "unequal"))
    (source,) = pole_sources(unequal.build)
    assert isinstance(source, StandingSource)  # another build-up, so not its neighbour's mirror image
    assert source.turns == 6000
    fewer = volts(built(changes={"coil.main.turns": 4000})) / volts(built())
    np.testing.assert_allclose(volts(unequal) / volts(rod_pair()), (1 + fewer) / 2, rtol=5e-3)


def test_eddy_currents_of_an_uneven_row_take_treble_as_those_of_a_row_do() -> None:
    even, nearly = built(), with_poles([ROD | {"count": 5}, {"length": "17.01 mm"}])
    one, other = path_gain(even.build), path_gain(nearly.build)
    assert one is not None
    assert other is not None
    np.testing.assert_allclose(other[1], one[1], rtol=2e-3)
    steel = path_gain(load_built("slugs over a ferrite bar, built").build)
    assert steel is not None
    assert abs(steel[1][-1]) < abs(one[1][-1])


def test_coils_in_parallel_bring_half_each_and_an_uncharged_assembly_is_silent() -> None:
    series = load_built("two blades over a ferrite bar, built")
    parallel = series.replace({"connection": "parallel"})
    np.testing.assert_allclose(volts(parallel), volts(series) / 2, rtol=1e-9)
    silent = series.with_charge(0.0)
    assert string_outputs(silent.build) == ()
    assert silent.output_db is None
    assert transducers(silent.build, tuple(each.wire for each in strings_over(silent.build)[0])) is None
