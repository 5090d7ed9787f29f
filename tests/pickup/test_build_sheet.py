"""Build sheets: what is refused and how, what is warned about, and changes in the sheet's own words."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest

from labkit.core.errors import InputError, SheetError
from labkit.core.sheet import Table, parse_sheet, sheet_text
from labkit.pickup.predict.built import read_build
from labkit.pickup.predict.sheet import is_build_sheet, read_pickup_build, with_changes
from labkit.pickup.sheet import pickup_data, read_pickup
from tests.pickup.builds import COVER, PAIR, ROD_COIL, SINGLE, built, table


@pytest.mark.parametrize(
    ("data", "changes", "words"),
    [
        (
            SINGLE,
            {"coil.main.flange_radius": "5 mm"},
            ["coil.main", "overflow the bobbin by 1.83 mm", "4621 turns fit"],
        ),
        (SINGLE, {"coil.main.wire": "AWG 42 sinlge build"}, ["coil.main.wire", "AWG 42 single build"]),
        (SINGLE, {"coil.main.wire": "AWG 99"}, ["coil.main.wire", "no wire is named"]),
        (SINGLE, {"coil.main.poles.grade": "Alnico 9"}, ["coil.main.poles.grade", "no magnet is named 'Alnico 9'"]),
        (SINGLE, {"coil.main.poles.charge": "140 %"}, ["coil.main.poles", "0 % and 100 %", "140 %"]),
        (SINGLE, {"coil.main.poles.count": 0}, ["coil.main.poles", "at least 1", "got 0"]),
        (SINGLE, {"coil.main.poles.kind": "rod magnets"}, ["coil.main.poles.kind", "Did you mean 'rod magnet'"]),
        (SINGLE, {"coil.main.poles.pitch": "4 mm"}, ["coil.main.poles", "do not fit a pitch"]),
        (SINGLE, {"coil.main.turns": 0}, ["coil.main.turns", "from 1", "got 0"]),
        (SINGLE, {"coil.main.trns": 5}, ["coil.main.trns", "Did you mean 'turns'"]),
        (SINGLE, {"coil.main.winding_height": "22 nF"}, ["coil.main.winding_height", "22 nF"]),
        (SINGLE, {"coil.main.facing": "south"}, ["facing", "south", "north"]),
        (SINGLE, {"spacing": "18 mm"}, ["spacing", "two coils"]),
        (SINGLE, {"cover.metal": "nickel silver"}, ["cover.thickness", "is missing"]),
        (SINGLE, COVER | {"cover.metal": "nikel silver"}, ["cover.metal", "Did you mean 'nickel silver'"]),
        (SINGLE, COVER | {"cover.metal": "low-carbon steel"}, ["cover.metal", "magnetic"]),
        (SINGLE, {"wax": "120 %"}, ["wax", "at most 100 %"]),
        (SINGLE, {"lead.kind": "braided"}, ["lead.kind", "leave one of them out"]),
        (PAIR, {"lead.kind": "clothpair"}, ["lead.kind", "Did you mean 'cloth pair'"]),
        (SINGLE, {"temperature": "400 °C"}, ["temperature", "at most"]),
        (PAIR, {"spacing": "10 mm"}, ["must not overlap", "10 mm"]),
        (PAIR, {"coil.slug.poles.facing": "south"}, ["bar", "opposite", "both say south"]),
        (PAIR, {"bar.grade": "Alnico"}, ["bar.grade", "no magnet is named"]),
        (PAIR, {"bar.charge": "140 %"}, ["bar", "0 % and 100 %"]),
        (PAIR, {"connection": "serial"}, ["connection", "Did you mean 'series'"]),
        (PAIR, {"coupling": 2}, ["coupling"]),
    ],
)
def test_bad_builds_are_refused_in_one_sentence_with_sheet_and_key(
    data: dict[str, Any], changes: dict[str, Any], words: list[str]
) -> None:
    with pytest.raises(SheetError) as caught:
        built(data, changes)
    message = str(caught.value)
    assert message.startswith("build.toml")
    assert "\n" not in message
    for word in words:
        assert word in message


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"coil.mian.turns": 4}, "there is no coil 'mian'. Did you mean 'main'?"),
        ({"coil.main.poles": 4}, "'coil.main.poles' is a table; name one of its keys: coil.main.poles.kind"),
        ({"coil.main.turns.x": 4}, "leads through 'turns', which is not a table"),
        ({"coil": 4}, "'coil' is a table"),
    ],
)
def test_changes_that_lead_nowhere_are_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError) as caught:
        with_changes(table(SINGLE), changes)
    assert words in str(caught.value)


def test_spacing_is_asked_for_where_two_coils_have_no_coupling() -> None:
    with pytest.raises(SheetError, match="spacing: is missing"):
        built(PAIR, without="spacing")


@pytest.mark.parametrize(
    ("data", "changes", "words"),
    [
        (SINGLE, {"coil.main.poles.length": "30 mm"}, "9 mm more than"),
        (SINGLE, {"coil.main.poles.diameter": "6 mm"}, "cut into the winding"),
        (SINGLE, {"coil.main.packing": 0.6}, "packing 0.6 is below 0.7"),
        (SINGLE, {"coil.main.poles.charge": "0 %"}, "0 % charge"),
        (SINGLE, COVER, "±40 %"),
        (PAIR, {}, "±20 % on what they add"),
        (PAIR, COVER, "no measurement backs"),
    ],
)
def test_builds_at_the_edge_of_the_models_are_warned_about(
    data: dict[str, Any], changes: dict[str, Any], words: str
) -> None:
    pickup = built(data, changes)
    assert any(words in sentence for sentence in pickup.warnings)
    assert pickup.pickup.warnings == pickup.warnings, "warnings travel with the electrical values"


def test_a_coil_too_damped_to_peak_is_said_to_be() -> None:
    flat = built(changes={"coil.main.turns": 5, "coil.main.wire": "0.040 mm grade 1"})
    assert flat.resonance is None
    assert flat.loaded_resonance is None
    assert any("no peak below 1 MHz stands out" in sentence for sentence in flat.warnings)


def test_a_good_single_coil_has_nothing_to_warn_about() -> None:
    assert built().warnings == ()


def test_a_pickup_sheet_with_turns_alone_is_a_build() -> None:
    assert is_build_sheet(table(SINGLE))
    values = {"name": "x", "coil": {"main": {"resistance": "6k", "inductance": "2 H", "turns": 8000}}}
    assert not is_build_sheet(Table(values, "x"))
    assert read_pickup(table(SINGLE)) == built().pickup


def test_built_values_survive_saving_as_an_electrical_sheet() -> None:
    for data in (SINGLE, PAIR):
        pickup = built(data).pickup
        again = read_pickup(parse_sheet(sheet_text("pickup", pickup_data(pickup)), "saved"))
        assert again == pickup


def test_changes_take_numbers_as_the_sheet_writes_them() -> None:
    changed = with_changes(
        table(PAIR), {"coil.slug.turns": "5200", "coil.slug.packing": "0.9", "bar.keeper": "false", "name": "7"}
    )
    build = read_pickup_build(changed)
    slug = dict(build.coils)["slug"]
    assert (slug.winding.turns, slug.winding.packing, build.bar.keeper, build.name) == (5200, 0.9, False, "7")
    assert dict(read_pickup_build(table(PAIR)).coils)["slug"].winding.turns == 5000, "the old sheet is untouched"


def test_rows_over_a_bar_become_opposite_poles_where_the_sheet_is_silent() -> None:
    coil = {**PAIR["coil"]["slug"], "poles": {k: v for k, v in PAIR["coil"]["slug"]["poles"].items() if k != "facing"}}
    build = read_pickup_build(table(PAIR | {"coil": {"a": coil, "b": {**coil, "wound": "counter-clockwise"}}}))
    assert [made.facing for _, made in build.coils] == ["north", "south"]


def test_a_lead_may_be_named_or_measured() -> None:
    named = built(changes={"lead.kind": "braided"}, without="lead.capacitance")
    assert named.pickup.lead_capacitance == pytest.approx(60e-12)
    measured = built(changes={"lead.capacitance": "35 pF", "lead.capacitance_spread": "1 pF"})
    assert measured.pickup.lead_capacitance == pytest.approx(35e-12)
    assert measured.total.capacitance.value == pytest.approx(measured.coils["main"].capacitance.value + 35e-12)


def test_the_first_look_into_the_catalogue_needs_no_scipy() -> None:
    """It costs half a second, which a response or a page that shows measured pickups need not wait for."""
    look = "import sys; from labkit.catalogue import catalogue; catalogue().load('pickup', 'two-coil'); "
    look += "raise SystemExit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", look], check=False).returncode == 0


def test_unusual_but_possible_builds_are_computed() -> None:
    blade = {"kind": "blade", "thickness": "3 mm", "width": "55 mm", "length": "14 mm"}
    lone = ROD_COIL | {"poles": blade}
    over_bar = built({"name": "blade", "coil": {"a": lone}, "bar": PAIR["bar"]})
    assert over_bar.field_t[1].half_width_fraction > 0.3
    assert any("with blades" in sentence for sentence in over_bar.warnings)
    no_bar = built({"name": "blade", "coil": {"a": lone}})
    # a bar beside a blade was not calculated: it adds doubt, not inductance
    assert over_bar.total.inductance.value == no_bar.total.inductance.value
    assert over_bar.total.inductance.half_width_fraction > no_bar.total.inductance.half_width_fraction
    one_rod = built(changes={"coil.main.poles.count": 1})
    assert one_rod.field_t[1].value > built().field_t[1].value, "a lone rod is stronger than one of six"
    round_coil = ROD_COIL | {
        "straight_length": "0 mm",
        "end_radius": "10 mm",
        "poles": {**ROD_COIL["poles"], "count": 1},
    }
    assert read_build(table({"name": "round", "coil": {"a": round_coil}})).total.inductance.value > 1
