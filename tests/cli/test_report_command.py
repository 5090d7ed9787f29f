"""``labkit report``: each sheet gives its paper, complete and in one file."""

import json
import re

import pytest

from labkit.report.sheet_paper import rig_paper_html
from labkit.rig.sheet import load_rig, set_value

RIG = "Saltmarsh Lane, narrow single coil"


def _words(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<style>.*?</style>|<svg.*?</svg>|<[^>]*>", " ", html, flags=re.DOTALL))


@pytest.mark.parametrize(
    ("arguments", "heading"),
    [
        ((RIG,), RIG),
        ((RIG, "--set", "cable.length=10m"), f"{RIG}: before and after"),
        (("narrow single coil, built",), "Build sheet: narrow single coil, built"),
        (("narrow single coil, built", "--paper", "customer"), "narrow single coil, built"),
        (("narrow single coil", "--paper", "fit"), "Fitted values: narrow single coil"),
    ],
)
def test_every_sheet_gives_a_page_that_asks_for_nothing_outside(labkit, arguments, heading):
    outcome = labkit("report", *arguments)
    assert outcome.code == 0
    assert f"<h1>{heading}</h1>" in outcome.out
    assert not re.search(r"(?:src|href)=\"(?!data:,)", outcome.out)
    assert "<script" not in outcome.out
    assert "licensed practice" in outcome.out


def test_a_change_is_said_in_one_sentence_with_both_loads(labkit):
    words = _words(labkit("report", RIG, "--set", "cable.length=10m").out)
    moved = re.search(r"The peak moves down, from ([\d.]+) kHz to ([\d.]+) kHz", words)
    assert moved
    assert float(moved[2]) < float(moved[1])
    # 100 pF/m (the sheet's cable): 5 m and 10 m
    assert "cable 5 m at 100 pF/m (500 pF)" in words
    assert "cable 10 m at 100 pF/m (1 nF)" in words


def test_a_cable_paper_writes_one_length_in_one_way_and_warns_of_no_solder(labkit):
    words = _words(labkit("report", RIG, "--set", "cable.length=10m").out)
    assert "After: cable length 10 m" in words
    assert "10m" not in words
    assert "solder" not in words
    assert "volume down" in words
    assert "solder" in _words(labkit("report", RIG, "--set", "volume.value=500k").out)


def test_date_and_shop_are_printed_or_left_to_fill_in(labkit):
    blank = labkit("report", RIG).out
    assert blank.count('<span class="blank">') == 2
    words = _words(labkit("report", RIG, "--date", "2026-11-30", "--shop", "Saltmarsh Lane").out)
    assert "Date: 2026-11-30 · Shop: Saltmarsh Lane" in words


def test_the_resistance_of_a_pickup_has_bounds(labkit):
    words = _words(labkit("report", "narrow single coil").out).replace("\u00a0", " ")
    assert "6.0 kΩ (5.7 kΩ to 6.3 kΩ), bounds of ±5 % as usual for windings" in words


def test_another_rig_is_the_after_of_the_first(labkit):
    words = _words(labkit("report", RIG, "--against", "Saltmarsh Lane, two pickups").out)
    assert f"Before: {RIG}" in words
    assert "After: Saltmarsh Lane, two pickups" in words


def test_target_resistance_follows_the_room(labkit):
    def target(celsius: str) -> float:
        words = _words(labkit("report", "narrow single coil, built", "--temperature", celsius).out)
        found = re.search(rf"Target resistance at {celsius} °C ([\d.]+)\D*kΩ", words)
        assert found
        return float(found[1])

    # IEC 60028: annealed copper gains 0.393 % per kelvin at 20 °C; four printed digits leave 0.0002
    assert target("30") / target("20") == pytest.approx(1.0393, abs=4e-4)


def test_a_change_of_the_build_reaches_its_paper(labkit):
    assert "7 500" in _words(
        labkit("report", "narrow single coil, built", "--set", "coil.main.turns=7500").out
    ).replace("\u202f", " ")


def test_a_fitted_sheet_prints_its_source_and_bounds(labkit, tmp_path):
    sheet = tmp_path / "fitted.toml"
    sheet.write_text(
        'sheet = "pickup"\nformat = 1\nname = "worn <b>one</b>"\nsource = "fitted to two sweeps."\n'
        'note = "95 % bounds: inductance 2.3 H to 2.5 H. Warning: capacitance leans on the meter."\n'
        '[coil.main]\nresistance = "6 kΩ"\ninductance = "2.4 H"\ncapacitance = "110 pF"\n',
        encoding="utf-8",
    )
    html = labkit("report", str(sheet), "--paper", "fit").out
    assert "worn &lt;b&gt;one&lt;/b&gt;" in html
    assert "<b>one" not in html
    words = _words(html)
    assert "fitted to two sweeps" in words
    assert "inductance 2.3 H to 2.5 H" in words
    # by hand: 6 kΩ and 2.4 H at 100 Hz have Q = 2π·100·2.4/6000 = 0.251
    assert re.search(r"Q at 100 Hz 0\.251", words)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("narow single coil",), "Did you mean 'narrow single coil'?"),
        (("narrow single coil, built", "--paper", "fit"), "needs a sheet of measured or fitted values"),
        (("narrow single coil", "--paper", "build"), "needs a sheet of a build"),
        ((RIG, "--paper", "build"), "needs a pickup sheet"),
        ((RIG, "--set", "cable.length"), "--set takes NAME=VALUE"),
        (
            ("narrow single coil", "--against", RIG),
            "--against compares two rigs or two pickups; 'narrow single coil' is a pickup",
        ),
        (("narrow single coil", "--temperature", "200"), "between -20 and 60"),
    ],
)
def test_what_cannot_be_printed_is_refused_in_one_sentence(labkit, arguments, sentence):
    outcome = labkit("report", *arguments)
    assert outcome.code == 2
    assert sentence in outcome.err
    assert outcome.err.count("\n") == 1


def test_an_existing_file_is_kept(labkit, tmp_path):
    target = tmp_path / "paper.html"
    assert labkit("report", RIG, "--output", target).code == 0
    before = target.read_bytes()
    assert labkit("report", RIG, "--output", target, "--number", "7").code == 2
    assert target.read_bytes() == before
    assert labkit("report", RIG, "--output", target, "--number", "7", "--force").code == 0
    assert "No. 7" in target.read_text(encoding="utf-8")


def test_a_paper_of_a_change_says_how_loud_it_is_after_it(labkit):
    built = ("--set", "bridge=narrow single coil, built")
    half = (*built, "--set", "bridge.main.poles.charge=50 %")
    full = set_value(load_rig(RIG), "bridge", "narrow single coil, built")
    softer = _words(rig_paper_html(full, other=set_value(full, "bridge.main.poles.charge", "50 %")))
    assert re.search(r"It is 3\.\d dB softer than before", softer)
    assert re.search(r"Level after the change 3\.\d dB softer \(95 of 100", softer)
    other = set_value(full, "bridge", "narrow single coil, alnico 2, built")
    assert re.search(
        r"Level after the change as loud \(best guess \+0\.\d dB, 95 of 100 between −\d\.\d and \+\d\.\d dB\)",
        _words(rig_paper_html(full, other=other)),
    )
    unknown = _words(labkit("report", RIG, *half).out)
    assert "at equal EMF: the output of" in unknown
    assert "output = &quot;-2 dB&quot;" in unknown


def test_the_customer_sheet_of_a_rig_or_a_build_states_the_output(labkit):
    assert "Output not known, so levels are at equal EMF" in _words(labkit("report", RIG).out)
    words = _words(labkit("report", "narrow single coil, built", "--paper", "customer").out)
    assert "Output 0.0 dB, ± 0.7 dB over the reference coil" in words


BUILT, OTHER = "narrow single coil, built", "narrow single coil, alnico 2, built"


def test_two_pickups_give_what_changes_with_the_bounds_of_the_change(labkit):
    words = _words(labkit("report", OTHER, "--against", BUILT).out).replace("\u00a0", " ")
    change = json.loads(labkit("pickup", BUILT, "--against", OTHER, "--json").out)["against"]

    def percent(ratio: float) -> str:
        return f"{100 * (ratio - 1):+.1f} %".replace("-", "−")

    for key in ("inductance_ratio", "loaded_resonance_ratio"):
        ends = [percent(change[key][end]) for end in ("value", "low", "high")]
        assert f"{ends[0]} ({ends[1]} to {ends[2]})" in words
    for name in (
        "DC resistance",
        "Inductance",
        "Capacitance",
        "Peak, nothing connected",
        "Peak into the load",
        "Field",
    ):
        assert re.search(rf"{name}\D*[\d.]+ \S+ \([\d.]+ \S+ to [\d.]+ \S+\)", words), name
    # a magnet of another grade on the same coil: the wire's resistance stays, and its doubt cancels
    assert "DC resistance 5.8 kΩ (5.5 kΩ to 6.2 kΩ) 5.8 kΩ (5.5 kΩ to 6.2 kΩ) 0.0 %" in words
    assert f"{change['output_db']['value']:+.1f} dB".replace("-", "−") in words


def test_a_key_changed_on_the_way_is_the_after_of_its_own_pickup(labkit):
    words = _words(labkit("report", BUILT, "--against", BUILT, "--set", "coil.main.turns=4000").out)
    # a fourth of the inductance at half the turns, the poles' share included
    assert re.search(r"Inductance .* −7[4-6]\.\d\s%", words)


def test_pickups_of_stated_values_are_compared_without_bounds_and_without_what_is_not_stated(labkit):
    words = _words(labkit("report", "narrow single coil", "--against", "two-coil").out).replace("\u00a0", " ")
    # by hand: 8.0 kΩ for 6.0 kΩ
    assert "DC resistance 6.00 kΩ, as stated 8.00 kΩ, as stated +33.3 %" in words
    assert "Field, probe on the pole not stated not stated not known" in words


def test_two_pickups_give_no_build_sheet(labkit):
    outcome = labkit("report", BUILT, "--against", OTHER, "--paper", "build")
    assert outcome.code == 2
    assert "customer paper only" in outcome.err
