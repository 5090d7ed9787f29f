"""The measure page without widgets: files, fixture, fit, readings, plan, address."""

import datetime

import numpy as np
import pytest

from labkit.app.kit.files import GivenFile
from labkit.app.pages.measure.remake import remake, remake_html
from labkit.app.pages.measure.state import MeasurePageState, calibration_words, readings_sheet
from labkit.app.pages.measure.sweeps import (
    DEMO_COIL,
    DEMO_LOADS,
    Choices,
    demo_files,
    demo_fit,
    demo_text,
    fit_asked,
    read_files,
)
from labkit.app.pages.measure.words import GOOD_FILES
from labkit.app.pages.rig.state import RigPageState
from labkit.bench.diagnose.readings import MeterReference, field_meter_text, readings_from_table
from labkit.bench.read.sweep_reader import parse_sweep
from labkit.core.errors import InputError, SheetError
from labkit.core.sheet import parse_sheet


def _settle(state: MeasurePageState) -> None:
    """Do on the spot what the page has done in a process of its own."""
    files, choices = state.unread, state.choices
    state.take_read(files, choices, read_files(files, choices))
    if state.needs_fit:
        state.take_fit(state.asked, fit_asked(state.asked))


@pytest.mark.parametrize("name", DEMO_LOADS)
def test_the_demo_files_are_what_the_model_makes(name):
    (given,) = [given for given in demo_files() if given.name == name]
    assert given.content.decode() == demo_text(name)


def test_the_demo_opens_fitted_and_its_bounds_hold_the_truth():
    fit = MeasurePageState().fit
    assert fit is not None
    for interval, truth in (
        (fit.resistance, DEMO_COIL.resistance),
        (fit.inductance, DEMO_COIL.inductance),
        (fit.capacitance, DEMO_COIL.capacitance),
    ):
        assert interval.holds(truth)


def test_the_kept_fit_of_the_demo_is_what_a_new_fit_finds():
    state = MeasurePageState()
    kept, made = state.fit, fit_asked(state.asked)
    # the optimiser stops within 1e-8 relative; another build of its library may stop elsewhere within 1e-4
    for key in ("resistance", "inductance", "capacitance"):
        assert getattr(kept, key).value == pytest.approx(getattr(made, key).value, rel=1e-4)
        assert getattr(kept, key).high == pytest.approx(getattr(made, key).high, rel=1e-3)
    for one, other in zip(demo_fit(list(state.asked.measurements)).residuals, made.residuals):
        assert np.max(np.abs(one.level_db - other.level_db)) < 0.01  # a tenth of the noise


def test_a_wrong_load_asks_for_another_fit_and_leaves_a_larger_residual():
    state = MeasurePageState()
    good = state.fit.residual_db
    state.set_index("own.load_r2", 0)
    state.set_index("own.load_c2", 0)
    assert state.fit is None
    assert state.needs_fit
    _settle(state)
    assert state.fit.residual_db > 5 * good
    state.undo()
    state.undo()
    assert state.fit.residual_db == good


def test_the_tolerance_of_a_load_is_a_percentage():
    state = MeasurePageState()
    assert {m.fixture.load.capacitance_tolerance for m in state.asked.measurements} == {0.1}  # nobody said
    state.set_index("own.load_good", 4)  # "5 %"
    tolerances = [measurement.fixture.load.capacitance_tolerance for measurement in state.asked.measurements]
    loads = [measurement.fixture.load.capacitance for measurement in state.asked.measurements]
    assert tolerances == [0.05] * len(loads)
    assert any(loads)


def test_own_files_put_the_demo_and_its_loads_away():
    state = MeasurePageState()
    state.add(GivenFile(name="mine.csv", content=demo_files()[0].content))
    assert not state.is_demo
    assert state.values["own.dcr"] == 0.0
    assert state.values["own.load_r2"] == 0.0
    _settle(state)
    assert state.fit.name == "mine, measured"
    state.remove(1)
    assert state.is_demo
    assert state.fit is not None


def test_five_sweeps_are_one_too_many_and_equal_names_are_told_apart():
    state = MeasurePageState()
    for _ in range(4):
        state.add(GivenFile(name="mine.csv", content=b"x"))
    assert len({given.name for given in state.files.values()}) == 4
    with pytest.raises(InputError, match="remove one first"):
        state.add(GivenFile(name="fifth.csv", content=b"x"))


def test_a_question_of_the_reader_shows_the_controls_that_answer_it():
    state = MeasurePageState()
    rows = "".join(f"{100 * 1.12**n:.1f},{2 + n % 30}\n" for n in range(40))
    state.add(GivenFile(name="two ways.csv", content=f"Frequency (Hz),value\n{rows}".encode()))
    assert "own.magnitude_unit" not in state.shown_controls
    _settle(state)
    assert "State the magnitude unit" in state.read_as(1)[1]
    assert "own.magnitude_unit" in state.shown_controls
    state.set_index("own.magnitude_unit", state.controls["own.magnitude_unit"].positions.index("kohm"))
    _settle(state)
    assert state.read_as(1)[0].kind == "impedance"
    assert "own.magnitude_unit" in state.shown_controls


def test_a_sweep_of_unknown_kind_is_asked_about():
    state = MeasurePageState()
    rows = "".join(f"{300 * 1.1**n:.1f},{-20 + n % 7}\n" for n in range(40))
    state.add(GivenFile(name="level.csv", content=f"Frequency (Hz),Level (dB)\n{rows}".encode()))
    _settle(state)
    assert state.asked is None
    assert "say it under 'The sweep is'" in state.problem


def test_the_fitted_pickup_stands_in_the_travelling_rig():
    state = MeasurePageState(query="v=1&cable.length=10")
    (place, query), *_ = state.fitted_in_rig()
    rig = RigPageState(query=query)
    assert rig.problems == ()
    coil = rig.rig.pickups[place.replace(" ", "_")].coils["main"]
    # the sheet keeps four digits
    assert coil.inductance == pytest.approx(state.fit.inductance.value, rel=5e-4)
    assert rig.values["cable.length"] == 10.0


def test_readings_follow_and_travel_in_the_address():
    state = MeasurePageState(query="v=1&own.bench=readings&own.ohms=3100")
    causes = [finding.cause for finding in state.result.verdict.findings]
    assert not state.result.verdict.passes
    assert causes
    assert MeasurePageState(query=state.query).result.verdict.as_dict() == state.result.verdict.as_dict()


def test_an_aged_magnet_is_seen_as_such_with_its_charge():
    state = MeasurePageState(query="v=1&own.bench=readings")
    verdict = state.result.verdict
    assert verdict.findings[0].cause == "weak magnet"
    assert all(charge.charge.high < 1 for charge in verdict.charges)


def test_a_reference_piece_scales_every_field_reading():
    usual = MeasurePageState(query="v=1&own.bench=readings&own.ref_read=0").result.verdict.charges[2].charge.value
    scaled = MeasurePageState(query="v=1&own.bench=readings&own.ref_read=0.04&own.ref_known=0.05")
    assert scaled.result.verdict.charges[2].charge.value == pytest.approx(1.25 * usual, rel=1e-6)  # 50 over 40


def test_what_is_saved_is_what_was_judged():
    judged = MeasurePageState(query="v=1&own.bench=readings").result
    again = readings_from_table(parse_sheet(readings_sheet(judged), "saved", kinds=("readings",)))
    assert again.resistance == pytest.approx(5940.0)
    assert len(again.field) == 6


def test_nothing_read_is_said_not_judged():
    nothing = "&".join(f"own.{key}=0" for key in ("ohms", "henry", "insulation", *(f"pole{n}" for n in range(1, 7))))
    judged = MeasurePageState(query=f"v=1&own.bench=readings&{nothing}").result
    assert judged.verdict is None
    assert judged.problem


def test_an_opened_sheet_becomes_the_plan_and_a_broken_one_does_not():
    state = MeasurePageState(query="v=1&own.bench=readings")
    text = 'sheet = "pickup"\nformat = 1\nname = "mine"\n[coil.main]\nresistance = "6 kΩ"\ninductance = "2.2 H"\n'
    assert state.open_plan(text, "mine.toml").startswith("mine")
    assert state.result.verdict.plan == "mine"
    with pytest.raises(SheetError):
        state.open_plan(text.replace("6 kΩ", "six"), "x.toml")
    assert state.result.verdict.plan == "mine"


@pytest.mark.parametrize("query", ["v=1&own.ohms=nan", "v=1&own.plan=<script>", "v=1&own.nothing=1", "v=9", "%%%"])
def test_a_damaged_address_opens_the_page_and_says_so(query):
    state = MeasurePageState(query=query)
    assert state.fit is not None
    assert state.problems or query == "%%%"


def test_choices_are_only_what_was_answered():
    assert Choices.of(MeasurePageState().values) == Choices()


def test_the_readings_lead_to_a_build_on_the_plans_bobbin():
    """The demo's aged coil reads 5.94 kΩ and 2.2 H at 24 °C: some 8000 turns of the plan's own wire."""
    state = MeasurePageState()
    state.set_index("own.bench", 1)
    judged = state.result
    found = remake("narrow single coil, built", judged.data, "")
    assert "AWG 42" in found[0].choice.wire
    assert found[0].is_same
    assert not any(item.is_same for item in found[1:])
    assert found[0].distance_db is None
    assert "could be it" in remake_html(found)
    with pytest.raises(InputError, match="known by its values only"):
        remake("narrow single coil", judged.data, "")


def test_marks_are_held_against_charged_pieces():
    """Demo marks of 50 against 55 of a full piece: 0.91 of the plan's own grade, and less by a stronger piece."""
    own = MeasurePageState(query="v=1&own.bench=readings&own.scale=marks&own.marks3=33")
    charges = own.result.verdict.charges
    assert charges[1].charge.value == pytest.approx(50 / 55, rel=0.03)
    assert charges[2].charge.value == pytest.approx(33 / 55, rel=0.05)
    assert own.result.data["field_meter"] == {"reference": [{"grade": "Alnico 5", "reads": 55.0}]}
    other = MeasurePageState(query="v=1&own.bench=readings&own.scale=marks&own.piece1=Alnico+2")
    wide, narrow = (
        np.log(charge.high / charge.low) / 2 for charge in (other.result.verdict.charges[1].charge, charges[1].charge)
    )
    assert np.hypot(narrow, 0.4) == pytest.approx(wide, rel=0.02)  # another grade stands in within 40 %
    kept = readings_from_table(parse_sheet(readings_sheet(own.result), "saved", kinds=("readings",)))
    assert kept.field[2].marks == 33.0
    assert kept.meter.references[0].grade == "Alnico 5"


def test_a_field_meter_is_kept_with_its_name_and_day_and_serves_the_next_pickup():
    own = MeasurePageState(query="v=1&own.bench=readings&own.scale=marks&own.piece2=Alnico+2&own.piece_read2=26")
    kept = field_meter_text(own.meter_to_keep("the grey one"))
    other = MeasurePageState(query="v=1&own.bench=readings&own.pole1=0.05")
    assert other.open_meter(kept, "grey.toml") == "the grey one"
    assert other.field_meter.references == (
        MeterReference(grade="Alnico 5", reads=55.0),
        MeterReference(grade="Alnico 2", reads=26.0),
    )
    assert other.values["own.pole1"] == 0.05  # readings stay
    today = datetime.date.today()
    assert calibration_words(other.values, other.field_meter).startswith(
        f"The meter (the grey one, read {today}) shows"
    )
    saved = readings_from_table(parse_sheet(readings_sheet(other.result, other.field_meter), "saved"))
    assert (saved.meter.name, saved.meter.made) == ("the grey one", today)
    again = MeasurePageState(query=other.query)
    again.open_meter(kept, "grey.toml", is_kept=True)
    assert again.field_meter == other.field_meter
    other.set_text("own.piece_read1", "50")
    assert other.field_meter is None  # another reading of a piece is another calibration
    assert other.meter_to_keep("").references[0].reads == 50.0


def test_a_field_meter_in_tesla_is_kept_by_its_reference_piece():
    own = MeasurePageState(query="v=1&own.bench=readings&own.ref_read=0.048&own.ref_known=0.05")
    kept = field_meter_text(own.meter_to_keep("box"))
    other = MeasurePageState(query="v=1&own.bench=readings&own.scale=marks")
    other.open_meter(kept, "box.toml")
    assert (other.values["own.scale"], other.values["own.ref_read"]) == ("field", 0.048)
    none = MeasurePageState(query="v=1&own.bench=readings&own.ref_read=0")
    with pytest.raises(InputError, match="read one first"):
        none.meter_to_keep("box")
    piece = '[[reference]]\ngrade = "Alnico 5"\nreads = 50\n'
    with pytest.raises(InputError, match="this page takes 3"):
        other.open_meter('sheet = "field meter"\nformat = 1\n' + 4 * piece, "box.toml")
    with pytest.raises(InputError, match="no such grade: 'Alnico 55'"):
        other.open_meter('sheet = "field meter"\nformat = 1\n' + piece.replace("5", "55", 1), "box.toml")
    assert other.values["own.scale"] == "field"


def test_only_the_controls_of_the_chosen_field_meter_are_shown():
    def shown(scale):
        state = MeasurePageState(query=f"v=1&own.bench=readings&own.scale={scale}")
        return {control.key for control in state.shown_controls}

    assert "own.pole1" in shown("field")
    assert "own.marks1" not in shown("field")
    assert {"own.marks1", "own.piece3", "own.gap", "own.scale"} <= shown("marks")
    assert "own.ref_read" not in shown("marks")


def test_marks_and_q_are_plain_numbers():
    state = MeasurePageState(query="v=1&own.bench=readings&own.scale=marks&own.marks1=46.5&own.quality=2.5")
    by_key = {control.key: control for control in state.shown_controls}
    assert by_key["own.marks1"].text(46.5) == "46.5"
    assert by_key["own.marks1"].read("61,25") == 61.25
    assert by_key["own.quality"].text(2.5) == "2.5"
    assert by_key["own.quality"].read("3.3") == 3.3
    with pytest.raises(InputError, match="a number from 0 to 100"):
        by_key["own.quality"].read("250 %")


def test_marks_without_a_charged_piece_are_asked_for():
    state = MeasurePageState(query="v=1&own.bench=readings&own.scale=marks&own.piece1=none")
    assert state.result.verdict is None
    assert "needs a reference piece" in state.result.problem


@pytest.mark.parametrize(("title", "text"), GOOD_FILES, ids=[title for title, _ in GOOD_FILES])
def test_files_that_are_shown_as_good_are_read_without_a_question(title, text):
    """The shown rows, gone on with the values of a coil to 19 kHz under the same headings."""
    head, *shown = text.splitlines()
    frequency = np.geomspace(float(shown[-1].split(",")[0]) * 1.05, 19e3, 60)
    s = 2j * np.pi * frequency
    branch = 5900 + s * 2.4
    z, v = branch / (1 + branch * s * 110e-12), s / (1 + branch * (s * 580e-12 + 5e-6)) / 6.3
    columns = {
        "Impedance (ohm)": np.abs(z),
        "Phase (deg)": np.degrees(np.angle(z)),
        "Level (dB)": 20 * np.log10(np.abs(v)),
        "Ls (H)": (z / s).real,
        "Rs (ohm)": z.real,
    }
    chosen = [frequency, *(columns[name] for name in head.split(",")[1:])]
    rows = [",".join(f"{number:.6g}" for number in row) for row in zip(*chosen)]
    sweep = parse_sweep("\n".join([head, *shown, *rows]) + "\n")
    assert sweep.kind == ("exciter" if "Level" in head else "impedance")
    assert sweep.frequency_hz.size == 63
    assert not sweep.warnings
