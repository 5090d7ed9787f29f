"""Pickups as they are built: poles string by string, two rods a string, bars at one row, taps and changes of wire."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from labkit.core.errors import InputError, SheetError
from labkit.core.sheet import Table
from labkit.pickup.magnetics.poles import poles_from_sheet
from labkit.pickup.network import pickup_impedance
from labkit.pickup.predict.bench import meter_reading, string_levels_db
from labkit.pickup.predict.built import BuiltPickup, read_build
from labkit.pickup.winding.inductance import inductance_integral, stacked_mutual_inductance
from tests.pickup.builds import BAR, ROD_COIL, SINGLE, SLUG_COIL, built

ROD: dict[str, Any] = {key: value for key, value in ROD_COIL["poles"].items() if key != "count"}


def with_poles(poles: Any, **keys: Any) -> BuiltPickup:
    coil = {**ROD_COIL, "poles": poles, **keys.pop("coil", {})}
    return read_build(Table({"name": "uneven", "coil": {"main": coil}, **keys}, "uneven"))


def test_a_list_of_equal_poles_is_the_row() -> None:
    row, listed = built(), built(SINGLE | {"coil": {"main": ROD_COIL | {"poles": [ROD, {"count": 5}]}}})
    assert listed.build.coils[0][1].each == ()
    assert listed.total.inductance.interval == row.total.inductance.interval
    assert listed.field_t == row.field_t


def test_what_an_entry_leaves_out_is_as_before() -> None:
    entries = [ROD, {"rise": "1 mm"}, {"grade": "Alnico 2", "count": 2}, {"kind": "slug", "length": "15 mm"}, {}]
    poles = poles_from_sheet(Table({"poles": entries}, "uneven"))
    assert [pole.rise for pole in poles] == [0.0, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3]
    assert [pole.grade for pole in poles] == ["Alnico 5", "Alnico 5", "Alnico 2", "Alnico 2", None, None]
    assert all(pole.count == 1 and pole.pitch == pytest.approx(10.4e-3) for pole in poles)


@pytest.mark.parametrize(
    ("poles", "sentence"),
    [
        ([], "is an empty list"),
        ([ROD, {"pitch": "9 mm"}], r"poles\[2\]\.pitch: is one for the whole row"),
        ([ROD, {"diameter": "25 mm", "length": "50 mm"}], "neighbouring poles need a pitch of 14.9 mm at least"),
        ([ROD, {"gradee": "Alnico 2"}], "gradee: is not a key"),
        ([ROD, {"grade": "Alnico 12"}], "Alnico 12"),
        ([{"kind": "blade", "thickness": "3 mm", "width": "50 mm", "length": "12 mm"}], "give it as one table"),
        (ROD | {"count": 4, "beside": "3 mm"}, "must stand at least that far apart; got 3 mm"),
    ],
)
def test_lists_that_cannot_be_are_refused_in_one_sentence(poles: Any, sentence: str) -> None:
    with pytest.raises(SheetError, match=sentence) as refused:
        with_poles(poles)
    assert "\n" not in str(refused.value)


def test_every_pole_of_a_mixed_row_is_predicted_by_itself() -> None:
    mixed = with_poles([ROD | {"count": 3}, {"grade": "Alnico 2"}, {}, {"charge": "50 %"}])
    even, weak = built(), built(changes={"coil.main.poles.grade": "Alnico 2"})
    fields = [meter_reading(mixed, rod=index).value for index in range(6)]
    assert fields[1] > fields[3] > fields[5]
    assert fields[4] == pytest.approx(meter_reading(weak, rod=4).value, rel=0.1)
    # half of the rods answer the coil more: between both rows, half way
    halves = (even.total.inductance.value + weak.total.inductance.value) / 2
    assert mixed.total.inductance.value == pytest.approx(halves, rel=0.01)
    causes = {item.name for item in mixed.total.inductance.contributions}
    assert {"permeability of Alnico 5", "permeability of Alnico 2"} <= causes
    levels = list(string_levels_db(mixed).values())
    even_levels = list(string_levels_db(even).values())
    assert levels[5] - levels[0] < even_levels[5] - even_levels[0] - 3, "a half charged pole is heard less"


def test_a_taller_pole_is_nearer_to_its_string() -> None:
    stagger = with_poles([ROD, {"rise": "1 mm"}, {"rise": "1 mm"}, {"rise": "0 mm"}, {}, {}])
    change = np.array(list(string_levels_db(stagger).values())) - np.array(list(string_levels_db(built()).values()))
    # all strings lie 3 mm over the taller faces: the others lose field, but not nearness to the winding
    assert min(change[1:3]) > max(change[[0, 3, 4, 5]]) + 1


def test_two_rods_a_string_leave_less_where_it_runs() -> None:
    two = with_poles(ROD | {"count": 4, "pitch": "19 mm", "beside": "9 mm"}, coil={"straight_length": "66 mm"})
    one = with_poles(ROD | {"count": 4, "pitch": "19 mm"}, coil={"straight_length": "66 mm"})
    assert len(two.build.coils[0][1].poles.rods().positions) == 8
    assert two.total.inductance.value > one.total.inductance.value, "eight rods add more than four"
    # between two rods 9 mm apart a string has less than over one; the rods weaken each other by a seventh
    assert two.output_db.value < one.output_db.value
    assert two.field_t[1].value == pytest.approx(0.85 * one.field_t[1].value, rel=0.05)


def test_bars_at_one_row_and_blades_over_a_bar_have_a_field() -> None:
    slugs = SLUG_COIL["poles"]
    flat = {"length": "60 mm", "width": "10 mm", "thickness": "4 mm"}
    under = with_poles(slugs, bar={"grade": "hard ferrite", "place": "under", **flat})
    beside = with_poles(slugs, bar={"grade": "Alnico 5", "place": "beside", "count": 2, **flat})
    blade = {"kind": "blade", "thickness": "3.2 mm", "width": "58 mm", "length": "13 mm"}
    rails = read_build(
        Table(
            {
                "name": "rails",
                "spacing": "18 mm",
                "coil": {side: SLUG_COIL | {"poles": blade} for side in ("one", "other")},
                "bar": BAR,
            },
            "rails",
        )
    )
    for pickup in (under, beside, rails):
        # common practice, no source: such pickups read from 10 to 60 mT at 1 mm
        assert 0.010 < pickup.field_t[1].value < 0.060
        assert pickup.field_t[1].half_width_fraction > 0.3
        assert pickup.output_db is not None
        assert len(pickup.field_t) == 5
    with pytest.raises(SheetError, match="belongs to a single row"):
        read_build(Table({**rails.build.data, "bar": BAR | {"place": "under"}}, "rails"))


def test_a_tap_changes_nothing_at_the_leads() -> None:
    whole, tapped = built(), built(changes={"coil.main.tap": 5600})
    assert list(tapped.coils) == ["to_tap", "from_tap"]
    assert [coil.turns.value for coil in tapped.coils.values()] == [5600, 2400]
    for key in ("resistance", "inductance", "wire_length"):
        now, then = getattr(tapped.total, key), getattr(whole.total, key)
        # exact but for the quadrature over touching sections
        assert now.value == pytest.approx(then.value, rel=2e-3), key
        assert now.half_width_fraction == pytest.approx(then.half_width_fraction, rel=0.2), key
    assert tapped.total.capacitance.value == pytest.approx(whole.total.capacitance.value, rel=0.01)
    assert tapped.loaded_resonance.value == pytest.approx(whole.loaded_resonance.value, rel=2e-3)
    assert tapped.field_t == whole.field_t
    assert tapped.output_db.value == pytest.approx(whole.output_db.value, abs=0.1)
    # the inner part is longer in turns and shorter in each, so it has less of the resistance than of the turns
    assert tapped.coils["to_tap"].resistance.value / whole.total.resistance.value < 0.7
    frequency = np.geomspace(20, 3e3, 40)
    ratio = np.abs(pickup_impedance(tapped.pickup, frequency) / pickup_impedance(whole.pickup, frequency))
    assert np.max(np.abs(20 * np.log10(ratio))) < 0.1


def test_touching_sections_make_the_whole_coil() -> None:
    """L of two windings one over the other, L₁ + L₂ + 2M, against the integral of both as one."""
    shape = {"straight_length": 52e-3, "winding_height": 11e-3}
    inner, outer = {"end_radius": 2.5e-3, "build_up": 3e-3}, {"end_radius": 5.5e-3, "build_up": 1.3e-3}
    own = [
        float(inductance_integral(turns=turns, **shape, **part)) for turns, part in ((3000.0, inner), (1300.0, outer))
    ]
    mutual = float(
        stacked_mutual_inductance(
            turns=(3000.0, 1300.0),
            straight_length=52e-3,
            end_radius=(2.5e-3, 5.5e-3),
            winding_height=(11e-3, 11e-3),
            build_up=(3e-3, 1.3e-3),
            distance=0.0,
        )
    )
    whole = float(inductance_integral(turns=4300.0, **shape, end_radius=2.5e-3, build_up=4.3e-3))
    assert sum(own) + 2 * mutual == pytest.approx(whole, rel=1e-3)


def test_a_change_of_wire_adds_the_two_windings() -> None:
    change = {"coil.main.turns": 4000, "coil.main.then.turns": 4000, "coil.main.then.wire": "AWG 43 single build"}
    joined, tapped = built(changes=change), built(changes=change | {"coil.main.tap": 4000})
    assert list(joined.coils) == ["main"]
    assert joined.total.turns.value == 8000
    assert joined.total.resistance.value == pytest.approx(tapped.total.resistance.value, rel=1e-3)
    assert joined.total.build_up.value == pytest.approx(sum(c.build_up.value for c in tapped.coils.values()), rel=1e-6)
    # the finer turns lie further out than evenly spread: 2 % of inductance, as `joined_winding` says
    assert 0 < tapped.total.inductance.value / joined.total.inductance.value - 1 < 0.025
    with pytest.raises(InputError, match="must stand where the wire changes, at 4000 turns; got 3000"):
        built(changes=change | {"coil.main.tap": 3000})
    with pytest.raises(InputError, match="must lie inside the 8000 turns"):
        built(changes={"coil.main.tap": 8000})


def test_keys_of_a_listed_pole_are_changed_by_its_number() -> None:
    mixed = with_poles([ROD | {"count": 3}, {"grade": "Alnico 2", "count": 3}])
    assert mixed.replace({"coil.main.poles.2.grade": "Alnico 5"}).build.coils[0][1].each == ()
    assert mixed.with_charge(0.5).field_t[1].value == pytest.approx(mixed.field_t[1].value / 2, rel=1e-6)
    assert mixed.with_magnet("Alnico 3").build.magnets[0].name == "Alnico 3"
    with pytest.raises(InputError, match="a list of 2 has no entry '3'"):
        mixed.replace({"coil.main.poles.3.grade": "Alnico 5"})


def test_a_cover_adds_more_beside_a_hot_outer_end() -> None:
    bare = built()
    cover = {"cover.metal": "nickel silver", "cover.thickness": "0.4 mm", "cover.gap": "1.5 mm"}
    outer, inner = built(changes=cover), built(changes=cover | {"hot_end": "inner"})
    added = [pickup.total.capacitance.value - bare.total.capacitance.value for pickup in (outer, inner)]
    # 13.7 and 3.0 pF by finite elements of a coil like this at gaps of 1.5 and 1.6 mm, 25 % for the gaps
    assert added == pytest.approx([13.7e-12, 3.0e-12], rel=0.25)
    assert outer.pickup.lead_capacitance == pytest.approx(20e-12 + added[0])
    assert "cover capacitance" in {item.name for item in outer.total.capacitance.contributions}
