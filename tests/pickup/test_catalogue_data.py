"""The tables of wires, films, metals and strings: every row is sourced, readable and plausible."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from labkit.catalogue import CatalogueItem, catalogue
from labkit.core.errors import SheetError
from labkit.core.sheet import Table
from labkit.core.sourced import SourcedValue
from labkit.pickup.materials.materials import (
    Enamel,
    Metal,
    StringStock,
    enamel,
    metal,
    metal_from_sheet,
    string,
    string_from_sheet,
    string_set,
)
from labkit.pickup.materials.wire import Wire, gauge_law_diameter, wire, wire_from_sheet

GAUGES = tuple(range(33, 47))
BUILDS = ("single build", "heavy build")
METRIC = (40, 43, 45, 48, 50, 53, 56, 60, 63, 67, 71, 75, 80, 85, 90, 95, 100, 112, 125, 140, 160, 180)
GRADES = ("grade 1", "grade 2")
KINDS = ("wire", "enamel", "metal", "string", "string set")


def items(kind: str) -> list[CatalogueItem]:
    return [catalogue().item(kind, name) for name in catalogue().names(kind)]


def sourced_fields(thing: object) -> dict[str, SourcedValue]:
    values = {name: getattr(thing, name) for name in thing.__slots__}  # type: ignore[attr-defined]
    return {name: value for name, value in values.items() if isinstance(value, SourcedValue)}


@pytest.mark.parametrize("kind", KINDS)
def test_every_row_is_read_without_a_left_over_key(kind: str) -> None:
    names = catalogue().names(kind)
    assert len(names) >= 4
    for name in names:
        assert catalogue().load(kind, name).name == name


@pytest.mark.parametrize("kind", KINDS)
def test_every_row_states_source_kind_and_doubt(kind: str) -> None:
    for item in items(kind):
        for key in ("source", "kind", "doubt"):
            assert str(item.data.get(key, "")).strip(), f"{item.name}: {key}"


@pytest.mark.parametrize("kind", ["wire", "enamel", "metal", "string"])
def test_every_number_carries_unit_source_kind_and_doubt(kind: str) -> None:
    for item in items(kind):
        fields = sourced_fields(catalogue().load(kind, item.name))
        assert fields, item.name
        for name, value in fields.items():
            assert value.unit, f"{item.name}: {name}"
            assert len(value.source) > 8, f"{item.name}: {name}"
            assert value.doubt, f"{item.name}: {name}"


def test_spreads_are_stated_for_what_enters_an_interval() -> None:
    for item in items("metal"):
        read: Metal = metal(item.name)
        for value in (read.resistivity, read.temperature_coefficient, read.permeability):
            assert value.spread, item.name
    for item in items("enamel"):
        assert enamel(item.name).permittivity.spread
    for item in items("wire"):
        assert wire(item.name).bare_limits.deviation > 0
        assert wire(item.name).overall_limits.deviation > 0


@pytest.mark.parametrize("build", BUILDS)
def test_every_gauge_is_there_and_diameters_fall_with_it(build: str) -> None:
    wires = [wire(f"AWG {gauge} {build}") for gauge in GAUGES]
    for thick, thin in itertools.pairwise(wires):
        for name in ("bare_min", "bare_nominal", "bare_max", "overall_min", "overall_nominal", "overall_max"):
            assert getattr(thick, name) > getattr(thin, name)
    assert [item.gauge for item in wires] == list(GAUGES)


@pytest.mark.parametrize("grade", GRADES)
def test_every_metric_size_is_there_and_diameters_rise_with_it(grade: str) -> None:
    wires = [wire(f"{size / 1000:.3f} mm {grade}") for size in METRIC]
    for thin, thick in itertools.pairwise(wires):
        for name in ("bare_min", "bare_nominal", "bare_max", "overall_min", "overall_nominal", "overall_max"):
            assert getattr(thick, name) > getattr(thin, name)


def test_thicker_film_is_thicker_and_never_thinner_than_the_copper() -> None:
    pairs = [(f"AWG {gauge} {BUILDS[0]}", f"AWG {gauge} {BUILDS[1]}") for gauge in GAUGES]
    pairs += [(f"{size / 1000:.3f} mm {GRADES[0]}", f"{size / 1000:.3f} mm {GRADES[1]}") for size in METRIC]
    for thin, thick in pairs:
        one, other = wire(thin), wire(thick)
        assert other.bare_nominal == one.bare_nominal
        assert other.overall_nominal > one.overall_nominal
        assert other.overall_min > one.overall_min
        for item in (one, other):
            assert item.overall_min > item.bare_nominal


NEMA_MICROMETRES = {
    # NEMA MW 1000 rounded to the micrometre: bare min/nom/max, single min/nom/max, heavy min/nom/max
    36: (124, 127, 130, 135, 141, 147, 145, 152, 160),
    38: (99, 102, 104, 107, 113, 119, 117, 123, 130),
    40: (76, 79, 81, 81, 88, 94, 91, 97, 102),
    41: (69, 71, 74, 74, 79, 84, 81, 86, 91),
    42: (61, 64, 66, 66, 71, 76, 71, 76, 81),
    43: (53, 56, 58, 58, 62, 66, 64, 69, 74),
    44: (48, 51, 53, 53, 57, 61, 58, 64, 69),
    45: (42.9, 44.7, 46.4, 45.5, 48.8, 52.1, 50.5, 54.5, 58.4),
    46: (38.4, 39.9, 41.7, 40.9, 43.9, 47.0, 46.0, 49.7, 53.3),
}


@pytest.mark.parametrize("gauge", NEMA_MICROMETRES)
def test_gauge_wires_agree_with_the_table_in_micrometres(gauge: int) -> None:
    single, heavy = (wire(f"AWG {gauge} {build}") for build in BUILDS)
    ours = [getattr(single, f"bare_{end}") for end in ("min", "nominal", "max")]
    ours += [getattr(item, f"overall_{end}") for item in (single, heavy) for end in ("min", "nominal", "max")]
    # the catalogue is in thousandths of an inch, the table rounded to the micrometre: within 0.65 µm
    assert np.array(ours) * 1e6 == pytest.approx(np.array(NEMA_MICROMETRES[gauge], dtype=float), abs=0.65)


@pytest.mark.parametrize("gauge", range(33, 47))
def test_every_gauge_from_33_to_46_follows_the_gauge_law(gauge: int) -> None:
    for build in BUILDS:
        item = wire(f"AWG {gauge} {build}")
        # ASTM B258: the law; the standard rounds to 0.1 mil (0.01 mil from 45 on), 1.6 % of the finest so rounded
        assert item.bare_nominal == pytest.approx(float(gauge_law_diameter(gauge)), rel=0.016)


IEC_MAXIMUM_MM = {
    # IS 13730-0-1 (= IEC 60317-0-1), maximum overall diameter, grades 1 and 2, from a maker's chart
    0.040: (0.049, 0.054),
    0.050: (0.060, 0.066),
    0.056: (0.067, 0.074),
    0.063: (0.076, 0.083),
    0.071: (0.084, 0.091),
    0.080: (0.094, 0.101),
    0.100: (0.117, 0.125),
}


@pytest.mark.parametrize("size", IEC_MAXIMUM_MM)
def test_metric_wires_agree_with_the_maximum_overall_diameters(size: float) -> None:
    ours = [wire(f"{size:.3f} mm {grade}").overall_max * 1e3 for grade in GRADES]  # type: ignore[operator]
    assert ours == pytest.approx(IEC_MAXIMUM_MM[size], abs=1e-9)


IEC_RESISTANCE = {
    # IEC 60317-0-1 (from memory): nominal, min, max in Ω/m at 20 °C
    0.050: (8.706, 7.922, 9.489),
    0.063: (5.484, 5.045, 5.922),
    0.071: (4.318, 3.941, 4.747),
    0.080: (3.401, 3.133, 3.703),
    0.100: (2.176, 2.034, 2.333),
}


@pytest.mark.parametrize("size", IEC_RESISTANCE)
def test_metric_wires_agree_with_the_resistance_table(size: float) -> None:
    item = wire(f"{size:.3f} mm grade 1")
    nominal, low, high = IEC_RESISTANCE[size]
    assert item.resistance_per_length("metric standard") == pytest.approx(nominal, abs=5.1e-4)  # printed to 1 mΩ/m
    assert item.standard_resistance is not None
    assert item.standard_resistance.value == pytest.approx(nominal)
    # limits: 59 MS/m at the thickest and 58 MS/m at the thinnest from 0.071 mm (as printed); the percentage below it
    thick, thin = (59e6, 58e6) if size >= 0.071 else (58.5e6, 58.5e6)
    assert 4 / (math.pi * item.bare_max**2 * thick) == pytest.approx(low, rel=1e-3)  # type: ignore[operator]
    assert 4 / (math.pi * item.bare_min**2 * thin) == pytest.approx(high, rel=1e-3)  # type: ignore[operator]


@pytest.mark.parametrize("gauge", GAUGES)
def test_tabulated_gauge_resistance_is_the_rounded_nominal_convention(gauge: int) -> None:
    for build in BUILDS:
        item = wire(f"AWG {gauge} {build}")
        assert item.standard_resistance is not None
        assert item.standard_resistance.value == pytest.approx(item.resistance_per_length(), rel=5e-4)  # four digits


def test_permittivities_lie_in_the_range_of_wire_films() -> None:
    for item in items("enamel"):
        read: Enamel = enamel(item.name)
        assert 3.3 < read.permittivity.interval.low < read.permittivity.interval.high < 4.7


def test_resistivities_agree_with_the_conductivity_printed_for_the_alloy() -> None:
    # alloy data sheets: C77000 5.5 % IACS, C76300 6 %, C26000 28 %; 100 % IACS is 17.241 nΩ·m
    for name, percent in {"nickel silver 55-18": 5.5, "nickel silver 63-18 leaded": 6.0, "brass": 28.0}.items():
        assert metal(name).resistivity.value == pytest.approx(17.241e-9 / (percent / 100), rel=0.01)  # two digits


def resistivity_at(name: str, celsius: float) -> float:
    found = metal(name)
    return found.resistivity.value * (1 + found.temperature_coefficient.value * (celsius - 20.0))


def test_metals_order_as_they_damp() -> None:
    order = ["copper", "brass", "low-carbon steel", "nickel silver", "stainless steel 430", "stainless steel 304"]
    values = [metal(name).resistivity.value for name in order]
    assert values == sorted(values)
    assert resistivity_at("copper", 120.0) == pytest.approx(17.241e-9 * 1.393, rel=1e-9)
    assert metal("low-carbon steel").permeability.kind == "calibrated"


def test_stainless_follows_its_table_over_temperature() -> None:
    # 304/304L: 72 µΩ·cm at 20 °C, 78 at 100, 86 at 200 °C; printed to 1 µΩ·cm, the slope falls off slowly
    for celsius, value in {20: 72, 100: 78, 200: 86}.items():
        assert resistivity_at("stainless steel 304", celsius) == pytest.approx(value * 1e-8, abs=0.6e-8)


def test_string_masses_follow_from_their_geometry() -> None:
    for item in items("string"):
        read: StringStock = string(item.name)
        d, c, mass = read.diameter.value, read.core_diameter.value, read.mass_per_length.value
        solid = math.pi / 4 * 7850 * d**2
        if not read.is_wound:
            assert mass == pytest.approx(solid, rel=1e-3)  # written to four digits
            continue
        # a wound string is lighter than solid steel of its diameter and heavier than its core
        assert 7850 * math.sqrt(3) / 2 * c**2 < mass < solid
        if read.name.startswith("wound steel"):
            wrap = (d - c) / 2
            built = 7850 * (math.sqrt(3) / 2 * c**2 + math.pi**2 / 4 * wrap * (c + wrap))
            assert mass == pytest.approx(built, rel=1e-3)


# unit weights printed by string makers (from memory), lb/in; spread of a few per cent between makers
PRINTED_LB_PER_IN = {
    "plain steel 0.009 in": 0.00001794,
    "plain steel 0.010 in": 0.00002215,
    "plain steel 0.013 in": 0.00003744,
    "plain steel 0.017 in": 0.00006402,
    "wound steel 0.026 in": 0.00012671,
    "wound steel 0.036 in": 0.00023964,
    "wound steel 0.042 in": 0.00032279,
    "wound steel 0.046 in": 0.00038216,
}


@pytest.mark.parametrize("name", PRINTED_LB_PER_IN)
def test_string_masses_hold_printed_unit_weights_in_their_interval(name: str) -> None:
    printed = PRINTED_LB_PER_IN[name] * 0.45359237 / 0.0254
    assert string(name).mass_per_length.interval.holds(printed)


@pytest.mark.parametrize("prefix", ["plain steel", "wound steel", "wound bass"])
def test_thicker_strings_are_heavier(prefix: str) -> None:
    stock = [string(item.name) for item in items("string") if item.name.startswith(prefix)]
    assert len(stock) > 10
    for thin, thick in itertools.pairwise(sorted(stock, key=lambda entry: entry.diameter.value)):
        assert thick.mass_per_length.value > thin.mass_per_length.value


@pytest.mark.parametrize("item", items("string set"), ids=lambda item: item.name)
def test_every_set_names_strings_that_exist_at_playable_tension(item: CatalogueItem) -> None:
    chosen = string_set(item.name)
    semitone = {"C": -9, "D": -7, "E": -5, "F": -4, "G": -2, "A": 0, "B": 2}
    pitches, tensions = [], []
    for name, note in zip(chosen.strings, chosen.notes, strict=True):
        pitch = 440.0 * 2 ** ((semitone[note[0]] + 12 * (int(note[1]) - 4)) / 12)
        pitches.append(pitch)
        tensions.append(string(name).mass_per_length.value * (2 * chosen.scale_length * pitch) ** 2)
    assert pitches == sorted(pitches, reverse=True)
    # common practice, no source: guitar strings pull 45 … 130 N, bass strings 130 … 260 N
    low, high = (130, 260) if "bass" in chosen.name else (45, 130)
    assert all(low < tension < high for tension in tensions), tensions


def test_six_seven_and_four_string_sets_are_there() -> None:
    counts = {len(string_set(name).strings) for name in catalogue().names("string set")}
    assert {4, 6, 7} <= counts


def table(item: CatalogueItem, changes: dict) -> Table:
    data = {key: value for key, value in {**item.data, **changes}.items() if value is not None}
    reader = Table(data, "own.toml")
    for key in ("sheet", "format", "summary"):
        reader.asked.setdefault(key)
    return reader


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bare_nominal": None}, "bare_nominal: is missing"),
        ({"bare_nominal": "63.5"}, "has no unit"),
        ({"bare_nominal": "63.5 pF"}, "is a capacitance"),
        ({"bare_nominal": "99 µm"}, "bare diameters must satisfy"),
        ({"overall_nomnal": "71 µm"}, "Did you mean 'overall_nominal'"),
        ({"source": None}, "source: is missing"),
        ({"kind": "guess"}, "must be one of"),
    ],
)
def test_wire_sheets_with_a_slip_are_refused_by_key(changes: dict, words: str) -> None:
    with pytest.raises(SheetError, match=words) as caught:
        wire_from_sheet(table(catalogue().item("wire", "AWG 42 single build"), changes))
    assert "own.toml" in str(caught.value)


def test_own_wire_reads_like_the_catalogue() -> None:
    item = catalogue().item("wire", "AWG 42 single build")
    read: Wire = wire_from_sheet(table(item, {"name": "my spool", "bare_nominal": "62.8 µm"}))
    assert read.name == "my spool"
    assert read.bare is not None
    assert read.bare.value == pytest.approx(62.8e-6)


def test_material_sheets_with_a_slip_are_refused_by_key() -> None:
    brass = catalogue().item("metal", "brass")
    with pytest.raises(SheetError, match="resistivity: "):
        metal_from_sheet(table(brass, {"resistivity": "61.6 Ω"}))
    with pytest.raises(SheetError, match="core cannot be thicker"):
        string_from_sheet(table(catalogue().item("string", "wound steel 0.046 in"), {"core_diameter": "0.05 in"}))
    with pytest.raises(SheetError, match="Did you mean 'permeability'"):
        metal_from_sheet(table(brass, {"permability": "1.0"}))
