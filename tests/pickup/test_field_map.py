"""The field over an area, and what the magnets do to the strings under it."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.pickup.predict.built import load_built
from labkit.pickup.predict.field import field_predictions
from labkit.pickup.predict.field_map import field_map
from labkit.pickup.predict.pull import (
    MOST_BEATS,
    MOST_SPREAD_CENTS,
    StringPull,
    neck_pull_in_words,
    pull_on_strings,
    too_close_in_words,
)

SINGLE = load_built("narrow single coil, built")
PAIR = load_built("two-coil, built")
SCALE = 25.5 * 25.4e-3


@pytest.mark.parametrize("built", [SINGLE, PAIR], ids=["rods", "bar"])
def test_over_every_pole_the_map_reads_what_the_field_over_it_is_said_to_be(built: object) -> None:
    for height in (1e-3, 3e-3):
        found = field_map(built.build, height=height)  # type: ignore[attr-defined]
        for pole in range(6):
            over = field_predictions(built.build, [height], pole if built is SINGLE else None)[0].value  # type: ignore[attr-defined]
            reading = abs(found.readings[pole]) if built is SINGLE else np.abs(found.readings[:6]).mean()
            # there the neighbours are points on their axes, here discs and rings
            assert reading == pytest.approx(over, rel=0.012)


def test_poles_that_differ_are_read_each_over_its_own_face() -> None:
    for name in ("mixed-grade single coil, built", "staggered single coil, built"):
        uneven = load_built(name).build
        found = field_map(uneven, height=1e-3)
        for pole, reading in enumerate(found.readings):
            assert abs(reading) == pytest.approx(field_predictions(uneven, [1e-3], pole)[0].value, rel=1e-9)
        assert np.ptp(np.abs(found.readings)) > 0.003
        middle = found.along_strings.size // 2
        over = [found.field[np.argmin(np.abs(found.across_strings - x)), middle, 2] for x, _ in found.poles]
        assert np.all(np.abs(over) < 1.01 * np.abs(found.readings)), "the map lies over the highest face"


def test_the_field_has_neither_sources_nor_curls_over_the_poles() -> None:
    """Far enough from the faces that no cut for crowded charge is left between neighbouring places."""
    step = 0.25e-3
    heights = (5.9e-3, 6.0e-3, 6.1e-3)
    low, middle, high = (field_map(SINGLE.build, height=height, step=step).field for height in heights)
    upward = (high - low) / (heights[2] - heights[0])
    across, along = np.gradient(middle, step, axis=0), np.gradient(middle, step, axis=1)
    scale = np.abs(upward[..., 2]).max()
    inner = (slice(2, -2), slice(2, -2))
    assert np.abs(across[..., 0] + along[..., 1] + upward[..., 2])[inner].max() < 0.02 * scale
    assert np.abs(along[..., 0] - across[..., 1])[inner].max() < 0.02 * scale


def test_rows_over_a_bar_have_opposite_signs_and_the_field_runs_from_one_to_the_other() -> None:
    found = field_map(PAIR.build, height=3e-3)
    np.testing.assert_allclose(found.readings[:6], -found.readings[6:], rtol=1e-9)
    middle = found.field[found.across_strings.size // 2, found.along_strings.size // 2]
    assert abs(middle[1]) > 10 * abs(middle[2])


def test_the_table_gives_every_place_in_millimetres_and_millitesla() -> None:
    found = field_map(SINGLE.build, height=2e-3, step=2e-3)
    rows = list(csv.DictReader(io.StringIO(found.csv())))
    assert len(rows) == found.across_strings.size * found.along_strings.size
    strongest = max(rows, key=lambda row: float(row["b_up_mt"]))
    assert float(strongest["b_up_mt"]) == pytest.approx(1e3 * found.field[..., 2].max(), abs=1e-3)
    assert abs(float(strongest["along_strings_mm"])) < 1e-9


def test_a_map_without_a_magnet_or_too_fine_is_refused_in_words() -> None:
    with pytest.raises(InputError, match="is not modelled"):
        field_map(load_built("two-coil").build, height=3e-3)
    with pytest.raises(InputError, match=r"step of a field map must be 0\.1 to 10 mm"):
        field_map(SINGLE.build, height=3e-3, step=1e-6)
    with pytest.raises(InputError, match="distance"):
        field_map(SINGLE.build, height=0.0)


def at(millimetres: float) -> object:
    return SINGLE.replace({"string_distance": f"{millimetres:g} mm"}).build


def test_the_pull_moves_the_low_strings_most_and_fades_with_height_and_towards_the_bridge() -> None:
    near, far = (pull_on_strings([(at(height), SCALE / 4)]) for height in (2.0, 4.0))  # type: ignore[list-item]
    assert [pull.string for pull in near] == ["E4", "B3", "G3", "D3", "A2", "E2"]
    assert min(near, key=lambda pull: pull.cents).string == "E2"
    assert -45 < near[5].cents < -20
    assert all(one.cents < other.cents < 0 for one, other in zip(near, far))
    assert all(abs(pull.third_cents) < abs(pull.cents) for pull in near)
    bridge = pull_on_strings([(at(2.0), 0.041)])  # type: ignore[list-item]
    assert all(abs(one.cents) < 0.25 * abs(other.cents) for one, other in zip(bridge, near))


def test_two_pickups_pull_together_and_a_fretted_string_leaves_a_neck_pickup_behind() -> None:
    alone, other = (pull_on_strings([(at(3.0), place)]) for place in (SCALE / 4, 0.041))  # type: ignore[list-item]
    both = pull_on_strings([(at(3.0), SCALE / 4), (at(3.0), 0.041)])  # type: ignore[list-item]
    assert both[0].cents == pytest.approx(alone[0].cents + other[0].cents, rel=1e-9)
    assert both[0].splitting_hz == pytest.approx(alone[0].splitting_hz + other[0].splitting_hz, rel=1e-9)
    assert pull_on_strings([(at(3.0), SCALE / 4)], fret=24)[0].cents == pytest.approx(0.0, abs=1e-9)  # type: ignore[list-item]
    with pytest.raises(InputError, match="a fret must be 0 to 36; got 40"):
        pull_on_strings([(at(3.0), 0.1)], fret=40)  # type: ignore[list-item]


def test_too_close_is_said_with_its_numbers_and_that_no_listening_data_stand_behind_it() -> None:
    said = neck_pull_in_words(at(1.5))  # type: ignore[arg-type]
    assert "the limit is 6 beats or 20 cents between the partials, a judgement" in said
    assert "E2" in said
    assert "cents" in said
    assert "no listening data stand behind this limit" in said
    calm = StringPull(string="E4", cents=-1.0, third_cents=-0.1, splitting_hz=0.1, beats=0.2)
    assert too_close_in_words([calm]) == ""
    for changes in ({"beats": MOST_BEATS + 0.1}, {"cents": -MOST_SPREAD_CENTS - 0.2}):
        keys = {"string": "E4", "cents": -1.0, "third_cents": -0.1, "splitting_hz": 0.1, "beats": 0.2} | changes
        assert "E4" in too_close_in_words([StringPull(**keys)])  # type: ignore[arg-type]
    assert neck_pull_in_words(load_built("two-coil").build) == ""


@pytest.mark.parametrize(
    "name", ["narrow single coil, built", "narrow single coil, alnico 2, built", "two-coil, built"]
)
def test_usual_heights_are_not_called_too_close_and_half_of_them_under_the_neck_are(name: str) -> None:
    def said(height: str, place: float) -> str:
        return too_close_in_words(pull_on_strings([(load_built(name, {"string_distance": height}).build, place)]))

    assert said("2 mm", 0.041) == "", "under the bridge"
    assert said("3 mm", SCALE / 4) == "", "under the neck"
    assert "E2" in said("1.5 mm", SCALE / 4)
