"""Papers: complete, escaped, one file, no outside request."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.readings import Plan, Readings
from labkit.bench.fit.fit import fit_sweeps
from labkit.bench.fit.fixture import STANDARD_LOAD, Fixture, Measurement
from labkit.bench.fit.model import fixture_reading, fixture_response
from labkit.bench.read.sweep import Sweep
from labkit.catalogue import catalogue, find_sheet
from labkit.core.errors import InputError
from labkit.core.response import Response
from labkit.core.sheet import parse_sheet
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Coil, EddySection, Pickup
from labkit.pickup.predict.built import read_build
from labkit.pickup.predict.sheet import is_build_sheet, with_changes
from labkit.report.build_paper import build_sheet_html
from labkit.report.fit_paper import fit_paper_html
from labkit.report.paper_page import PaperHead, page
from labkit.report.papers import CustomerSheet, bench_record_html, customer_sheet_html

COIL = Coil(resistance=5805.0, inductance=2.4, capacitance=110e-12, eddy=(EddySection(fraction=0.1, corner_hz=3000.0),))
NASTY = "<script>alert('x')</script> & \"more\""

BUILT = """
sheet = "pickup"
format = 1
name = "narrow single coil, built"
[coil.main]
turns = 8000
wire = "AWG 42 single build"
straight_length = "52 mm"
end_radius = "2.5 mm"
winding_height = "11 mm"
wound = "clockwise"
[coil.main.poles]
kind = "rod magnet"
grade = "Alnico 5"
count = 6
diameter = "4.8 mm"
length = "17 mm"
pitch = "10.4 mm"
charge = "100 %"
facing = "north"
"""
BUILD = read_build(parse_sheet(BUILT, "built"))
PLAN = Plan(pickup=Pickup(name="narrow single coil", coils={"main": COIL}))


def record(resistance, **more):
    return bench_record_html(diagnose_readings(PLAN, Readings(name="finished", resistance=resistance)), **more)


RESPONSE = fixture_response(
    COIL,
    Fixture(kind="exciter", load=STANDARD_LOAD, exciter_differentiates=False),
    np.geomspace(20, 20e3, 200),
    name="loaded",
)
CUSTOMER = CustomerSheet(
    name="narrow single coil",
    response=RESPONSE,
    load="200 kΩ parallel to 470 pF",
    resistance=Interval.relative(5805.0, 0.05),
    head=PaperHead(number="14"),
)


class Reader(HTMLParser):
    """Collects text, attributes and unbalanced tags."""

    VOID = {"meta", "link", "br", "img", "line", "path", "polyline", "rect", "circle"}

    def __init__(self):
        super().__init__()
        self.open, self.faults, self.text, self.links = [], [], [], []

    def handle_starttag(self, tag, attributes):
        self.links += [value for name, value in attributes if name in ("src", "href", "srcset", "action", "data")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.links += [value for name, value in attributes if name in ("src", "href")]

    def handle_endtag(self, tag):
        if tag in self.VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data):
        self.text.append(data)


def parsed(html):
    reader = Reader()
    reader.feed(html)
    assert reader.faults == []
    assert reader.open == []
    return reader


def words(html):
    return re.sub(r"[\s\u00a0\u202f]+", " ", " ".join(parsed(html).text))


def fitted():
    fixture = Fixture(kind="impedance", meter_capacitance=None)
    frequency = np.geomspace(50, 15_000, 60)
    wavy = np.abs(fixture_reading(COIL, fixture, frequency)) * (1 + 0.01 * np.sin(5 * np.log(frequency)))
    sweep = Sweep(frequency_hz=frequency, magnitude=wavy, kind="impedance", name="bench <4>.csv")
    measurements = [Measurement(sweep=sweep, fixture=fixture)]
    return fit_sweeps(measurements, sections=1, name="bench 4"), measurements


FIT, MEASUREMENTS = fitted()

PAPERS = {
    "fit": fit_paper_html(FIT, MEASUREMENTS),
    "build": build_sheet_html(BUILD, shop_temperature_c=25.0),
    "record": record(5810.0),
    "customer": customer_sheet_html(CUSTOMER),
}


@pytest.mark.parametrize("paper", PAPERS)
def test_a_paper_is_one_balanced_page_without_outside_requests(paper):
    html = PAPERS[paper]
    reader = parsed(html)
    assert all(link == "data:," for link in reader.links)  # an empty icon keeps a browser from asking for one
    assert "url(" not in html
    assert "@import" not in html
    assert "<script" not in html
    addresses = re.findall(r"https?://[^\"' <]+", html)
    assert set(addresses) <= {"http://www.w3.org/2000/svg"}  # the name of the drawing's vocabulary, not a request
    assert html.startswith("<!doctype html>")
    assert 'lang="en"' in html


def test_build_sheet_states_turns_traverse_target_at_shop_temperature_and_field():
    text = words(PAPERS["build"])
    coil = BUILD.total.resistance.value
    # copper: 0.393 % a kelvin (IEC 60028), from the 20 °C of the prediction to the 25 °C of the room
    for expected in (
        "8 000",
        "10.93 mm",  # 11 mm less one wire of 71.1 µm
        "0.0711 mm",
        "25 °C",
        f"{coil * (1 + 0.00393 * 5) / 1e3:.3f} kΩ",
        f"{coil / 1e3:.3f} kΩ",
        "clockwise",
        "Mean of the row, gap 0.00 mm",
        "glasses",
    ):
        assert expected in text, expected


def test_record_passes_and_fails_by_its_readings():
    assert "✓ pass" in words(PAPERS["record"])
    assert words(PAPERS["record"]).count("✗ fail") == 0
    assert "Not passed" not in words(PAPERS["record"])
    text = words(record(6600.0))
    assert "Not passed" in text
    assert text.count("✗ fail") == 1


def test_record_carries_the_findings_with_their_checks():
    text = words(record(6300.0))
    assert "Findings" in text
    assert "To settle it" in text
    assert "Also explained by" in text


def test_customer_sheet_shows_the_curve_states_the_load_and_claims_nothing_audible():
    text = words(PAPERS["customer"])
    assert "<svg" in PAPERS["customer"]
    assert text.count("200 kΩ parallel to 470 pF") >= 2
    assert "Zero is the level at 100 Hz" in text
    assert "blind test" in text
    assert "Doubt" in text
    peak = RESPONSE.peak
    assert f"{peak.frequency_hz / 1000:.1f} kHz" in text
    assert f"{peak.height_db:.1f} dB above the bass" in text


def test_customer_sheet_of_a_curve_without_a_peak_says_so():
    frequency = np.geomspace(20, 20_000, 100)
    dull = Response(frequency_hz=frequency, values=1 / (1 + 1j * frequency / 2000))
    assert "no peak" in words(customer_sheet_html(replace(CUSTOMER, response=dull)))


@pytest.mark.parametrize(
    "html",
    [
        build_sheet_html(
            read_build(with_changes(parse_sheet(BUILT, "built"), {"name": NASTY})), head=PaperHead(number=NASTY)
        ),
        record(5810.0, notes=(NASTY,), tester=NASTY),
        customer_sheet_html(replace(CUSTOMER, name=NASTY, load=NASTY, facts=((NASTY, NASTY),))),
    ],
    ids=["build", "record", "customer"],
)
def test_whatever_a_user_writes_is_shown_not_run(html):
    parsed(html)
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_fit_paper_shows_values_residuals_and_warnings():
    text = words(PAPERS["fit"])
    for expected in ("Inductance", "95 % bounds", "measured minus fitted", "their sum", "bench <4>.csv"):
        assert expected in text, expected
    # one circle for each measured point; lines of the fit, the residual and the prediction
    assert PAPERS["fit"].count("<circle") == 60
    assert PAPERS["fit"].count("<polyline") == 3
    with pytest.raises(InputError, match="other sweeps"):
        fit_paper_html(FIT, [])


def test_build_sheet_of_a_predicted_build_holds_its_numbers():
    winding, values = BUILD.build.coils[0][1].winding, BUILD.coils["main"]
    text = words(build_sheet_html(BUILD, shop_temperature_c=25.0))
    # worked by hand: d_o 71.1 µm on 11 mm gives about 155 turns a layer and 4.33 mm of depth
    assert f"Turns per layer {winding.turns_per_layer:.0f}" in text
    assert winding.turns_per_layer == pytest.approx(11e-3 / 71.1e-6, rel=0.02)
    assert f"Winding depth {winding.build_up * 1e3:.2f} mm" in text
    assert winding.build_up == pytest.approx(4.33e-3, rel=0.03)
    assert values.resistance.low < 5805 < values.resistance.high
    # resistivity of copper at 20 °C, 17.241 nΩ·m (IEC 60028): what is off the spool has what the coil reads, within
    # the stretch, and the copper weighs 8890 kg/m³ of it
    said = re.search(r"Wire off the spool ([\d ]+) m \(([\d ]+) m to ([\d ]+) m\); (\d+) g of copper", text)
    spool, low, high, grams = (float(number.replace(" ", "")) for number in said.groups())
    assert low < spool < high
    area = 17.241e-9 * spool / values.resistance.value
    assert grams == pytest.approx(8890e3 * area * spool, rel=0.05)
    # model of six such rods, fully charged: 101 mT where the Hall element is, 1 mm off
    low, high = re.search(r"Mean of the row, gap 0.00 mm [\d.]+ mT \(([\d.]+) mT to ([\d.]+) mT\)", text).groups()
    assert float(low) < 101 < float(high)
    assert "north" in text
    assert "25 °C" in text
    given = read_build(
        parse_sheet(
            'sheet = "pickup"\nformat = 1\nname = "g"\n[coil.main]\nresistance = "6 kΩ"\ninductance = "2.4 H"\n', "g"
        )
    )
    with pytest.raises(InputError, match="nothing to wind"):
        build_sheet_html(given)


BUILDS = [name for name in catalogue().names("pickup") if is_build_sheet(find_sheet(name, "pickup"))]


def texts_of(data):
    """Every value of a sheet that somebody wrote, but its name and what is said about it."""
    for key, value in data.items():
        if isinstance(value, dict):
            yield from texts_of(value)
        elif isinstance(value, list):
            for entry in value:
                yield from texts_of(entry)
        elif key not in ("sheet", "format", "name", "summary") and not isinstance(value, bool):
            yield f"{value:,}".replace(",", " ") if key == "turns" else str(value)


@pytest.mark.parametrize("name", BUILDS)
def test_a_build_sheet_says_everything_its_sheet_says_and_names_what_it_does_not(name):
    table = find_sheet(name, "pickup")
    said = words(build_sheet_html(read_build(table)))
    for value in texts_of(table.data):
        assert value in said, value
    assert "Flange, radius of its ends not stated" in said
    assert "film not stated" in said
    assert ("Wax not stated (dry taken)" in said) == ("wax" not in table.data)
    assert ("Cover not stated" in said) == ("cover" not in table.data)
    assert ("Magnetisers" in said) == bool(read_build(table).build.magnets)


def test_what_is_stated_is_not_called_unstated_and_a_unit_has_its_space():
    table = with_changes(
        find_sheet(BUILDS[0], "pickup"), {"coil.main.flange_radius": "8mm", "wax": "0 %", "coil.main.poles.rise": "1mm"}
    )
    said = words(build_sheet_html(read_build(table)))
    for stated in ("Flange, radius of its ends 8 mm", "Wax 0 %", "Rise of the poles 1 mm"):
        assert stated in said
    # the sheet says that it stays dry
    assert "double boiler" not in said


def test_date_and_shop_are_printed_or_left_to_fill_in():
    filled = page("t", PaperHead(number="1", date="2026-11-30", shop="Saltmarsh Lane"), ())
    assert "Date: 2026-11-30" in words(filled)
    assert "Shop: Saltmarsh Lane" in words(filled)
    assert 'class="blank"' not in filled
    assert page("t", PaperHead(number="1"), ()).count('class="blank"') == 2


def test_a_resistance_is_printed_with_its_bounds_and_no_more_digits_than_they_are_worth():
    said = words(customer_sheet_html(replace(CUSTOMER, resistance_basis="as read")))
    assert "DC resistance at 20 °C 5.8 kΩ (5.5 kΩ to 6.1 kΩ), as read" in said
    sharp = words(customer_sheet_html(replace(CUSTOMER, resistance=Interval(value=5805.0, low=5800.0, high=5810.0))))
    assert "5.805 kΩ (5.800 kΩ to 5.810 kΩ)" in sharp


def test_a_long_name_is_not_cut_at_the_end_of_its_curve():
    html = customer_sheet_html(replace(CUSTOMER, name="a pickup with a name that no curve's end has room for"))
    assert "…" not in html
    assert ">this one</text>" in html
