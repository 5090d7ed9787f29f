"""Pickups in the making as sheets, and in words."""

from __future__ import annotations

import pytest

from labkit.app.kit.pickup.made import (
    built_from,
    catalogue_keys,
    differences,
    flatten,
    made_from,
    nest,
    pickup_text,
    read_text,
    text_in_words,
)
from labkit.app.pages.winding.sheets import open_sheet_text, saved_sheet
from labkit.app.pages.winding.words import cautions, value_rows
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet, sheet_text
from labkit.pickup.predict.built import read_build

SINGLE = "narrow single coil, built"


def changed(**keys: object):
    return made_from(SINGLE, catalogue_keys(SINGLE) | {f"coil.main.{key}": value for key, value in keys.items()})


def test_a_saved_sheet_reads_back_to_the_same_pickup_for_everybody():
    made = changed(turns=8300, flange_radius="7.2 mm")
    text = saved_sheet(made, "rewound")
    direct = read_build(parse_sheet(text, "saved", kinds=["pickup"]))
    assert direct.name == "rewound"
    assert direct.build.coils[0][1].winding.turns == 8300
    assert direct.build.coils[0][1].winding.flange_radius == pytest.approx(7.2e-3)
    again = open_sheet_text(text, "saved.toml")
    keys = again.sheet
    assert {key: keys[key] for key in made.sheet if key != "name"} == {
        key: value for key, value in made.sheet.items() if key != "name"
    }


def test_what_overflows_its_bobbin_is_not_saved():
    with pytest.raises(InputError, match=r"Not saved: .*overflow the bobbin by .*8688 turns fit"):
        saved_sheet(changed(turns=12000, flange_radius="7.2 mm"), "too much")


@pytest.mark.parametrize("name", ["two-coil, built", "narrow single coil, covered, built"])
def test_every_built_pickup_of_the_catalogue_opens_from_its_own_sheet(name):
    made = open_sheet_text(sheet_text("pickup", catalogue().item("pickup", name).data), f"{name}.toml")
    assert pickup_text(made) == name


def test_a_sheet_with_a_measured_wire_opens_and_keeps_it():
    data = nest(catalogue_keys(SINGLE) | {"name": "measured"})
    data["coil"]["main"]["wire"] = {"bare": "62.8 µm", "overall": "70 µm"}
    made = open_sheet_text(sheet_text("pickup", data), "measured.toml")
    assert made.sheet["coil.main.wire.bare"] == "62.8 µm"
    assert read_text(pickup_text(made)) == made


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "sheet"),
        ("turns = ", "x.toml"),
        ('sheet = "rig"\nformat = 1\nname = "r"', "pickup"),
        (
            'sheet = "pickup"\nformat = 1\nname = "m"\n[coil.main]\nresistance = "6 kΩ"\ninductance = "2 H"',
            "by what it measures",
        ),
        ('sheet = "pickup"\nformat = 1\nname = "m"\n[coil."a.b"]\nturns = 8000', "point"),
        (
            'sheet = "pickup"\nformat = 1\nname = "m"\n[coil.main]\nturns = 8000\nwire = "AWG 42 singel build"',
            "Did you mean",
        ),
        ('sheet = "pickup"\nformat = 1\nname = "m"\n[coil.main]\nturns = [8000]', "list"),
    ],
)
def test_a_sheet_that_cannot_be_used_is_refused_in_one_sentence(text, told):
    with pytest.raises(InputError) as refused:
        open_sheet_text(text, "x.toml")
    assert told in str(refused.value)
    assert "\n" not in str(refused.value)


def test_laying_flat_and_nesting_undo_each_other():
    data = dict(catalogue().item("pickup", "two-coil, built").data)
    kept = {key: value for key, value in data.items() if key not in ("sheet", "format", "summary")}
    assert nest(flatten(data)) == kept


def test_the_first_coil_of_a_sheet_stays_the_first():
    data = nest(catalogue_keys("two-coil, built"))
    data["coil"] = {"slug": data["coil"]["slug"], "screw": data["coil"]["screw"]}
    made = open_sheet_text(sheet_text("pickup", data), "turned.toml")
    again = read_text(pickup_text(made))
    assert list(built_from(again).pickup.coils) == ["slug", "screw"]
    assert list(parse_sheet(saved_sheet(again, "turned"), "saved").data["coil"]) == ["slug", "screw"]
    assert text_in_words(pickup_text(again)) == "two-coil, built"


def test_a_made_pickup_is_named_by_what_differs():
    assert text_in_words(SINGLE) == SINGLE
    assert text_in_words(pickup_text(changed(turns=7500))) == f"{SINGLE}: 7500 turns"
    many = changed(turns=7500, wire="AWG 43 single build", packing=0.8, straight_length="50 mm")
    assert text_in_words(pickup_text(many)).endswith("…")


def test_a_cover_that_only_one_has_is_one_difference():
    one = catalogue_keys(SINGLE)
    other = one | {"cover.metal": "brass", "cover.thickness": "0.4 mm", "cover.gap": "1.2 mm"}
    assert [(item.then, item.now) for item in differences(one, other)] == [("no cover", "brass cover")]


def test_rows_name_the_cause_and_hold_the_value_inside_the_bounds():
    rows = {row.label: row for row in value_rows(built_from(read_text(SINGLE)))}
    assert rows["DC resistance at 20 °C"].cause == "mostly the diameter of the copper"
    assert rows["Capacitance with its lead"].cause == "mostly how the layers lie on one another"
    assert all(row.bounds and row.cause for row in rows.values())
    assert {"Field 1 mm over a pole", "Field 3 mm over a pole", "Output against the reference coil"} <= set(rows)


def test_cautions_stand_where_they_apply():
    keys = catalogue_keys(SINGLE)
    assert not any("Wax" in line for line in cautions(keys))
    assert any("double boiler" in line for line in cautions(keys | {"wax": "80 %"}))
    assert any("magnetiser" in line for line in cautions(keys))
    steel = {key: value for key, value in keys.items() if not key.endswith((".grade", ".charge"))}
    assert not any("magnetiser" in line for line in cautions(steel))
