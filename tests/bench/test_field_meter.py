"""Field meters in the shop's own terms: marks, reference pieces per grade, and softer grades that read half."""

import datetime

import pytest

from labkit.bench.diagnose.diagnose import diagnose_readings
from labkit.bench.diagnose.readings import load_field_meter, load_plan, load_readings
from labkit.cli.main import main
from labkit.core.errors import InputError

SOFT = """
sheet = "pickup"
format = 1
name = "softer rods"
[coil.main]
turns = 8000
wire = "AWG 42 single build"
straight_length = "52 mm"
end_radius = "2.5 mm"
winding_height = "11 mm"
[coil.main.poles]
kind = "rod magnet"
grade = "Alnico 2"
count = 6
diameter = "4.8 mm"
length = "17 mm"
pitch = "10.4 mm"
"""


def verdict(tmp_path, *, marks=None, tesla=None, references=(), resistance="5.806 kΩ"):
    plan, sheet = tmp_path / "soft.toml", tmp_path / "readings.toml"
    plan.write_text(SOFT)
    reading = f"marks = {marks}" if marks is not None else f'value = "{tesla}"'
    pieces = "".join(f'[[field_meter.reference]]\ngrade = "{grade}"\nreads = {reads}\n' for grade, reads in references)
    meter = f'[field_meter]\nname = "the grey one"\n{pieces}' if references else ""
    sheet.write_text(
        f'sheet = "readings"\nformat = 1\nname = "bench"\nresistance = "{resistance}"\ntemperature = "20 °C"\n'
        f"{meter}\n[[field]]\n{reading}\n"
    )
    return diagnose_readings(load_plan(str(plan)), load_readings(sheet))


def causes(found):
    return [finding.cause for finding in found.findings]


def test_a_softer_set_that_reads_half_of_the_stronger_is_not_called_weak(tmp_path):
    """25 marks against 50 of the stronger grade (common practice, no source): the model's ratio is 0.7, in doubt."""
    found = verdict(tmp_path, marks=25, references=[("Alnico 5", 50)])
    assert "weak magnet" not in causes(found)
    assert found.passes
    plan_of_stronger = load_plan("narrow single coil, built")
    half = plan_of_stronger.planned_field(0.0) / 2
    assert "weak magnet" not in causes(verdict(tmp_path, tesla=f"{1000 * half:.1f} mT"))


def test_pieces_of_its_own_grade_say_that_a_set_is_weak(tmp_path):
    own = [("Alnico 2", 25), ("Alnico 2", 26), ("Alnico 5", 50)]
    assert "weak magnet" in causes(verdict(tmp_path, marks=18, references=own))
    assert verdict(tmp_path, marks=25, references=own).passes
    charge = verdict(tmp_path, marks=18, references=own).charges[0].charge
    assert charge.value == pytest.approx(18 / 25.5, rel=0.03)
    assert charge.low > 0.5


def test_a_set_at_a_quarter_is_weak_by_another_grades_piece_too(tmp_path):
    assert "weak magnet" in causes(verdict(tmp_path, marks=9, references=[("Alnico 5", 50)]))


def test_marks_without_a_piece_are_refused(tmp_path):
    with pytest.raises(InputError, match="needs a reference piece"):
        verdict(tmp_path, marks=25)
    with pytest.raises(InputError, match="Alnico 5"):
        verdict(tmp_path, marks=25, references=[("Alnico 55", 50)])


def test_a_meter_kept_by_itself_serves_readings_that_name_none(tmp_path, capsys):
    plan, readings, meter = (tmp_path / name for name in ("soft.toml", "readings.toml", "meter.toml"))
    plan.write_text(SOFT)
    head = 'format = 1\nname = "bench"\n'
    readings.write_text(f'sheet = "readings"\n{head}resistance = "5.806 kΩ"\n\n[[field]]\nmarks = 18\n')
    meter.write_text(f'sheet = "field meter"\n{head}made = 2026-11-30\n[[reference]]\ngrade = "Alnico 2"\nreads = 25\n')
    assert main(["diagnose", str(plan), str(readings), "--field-meter", str(meter)]) == 1
    assert "weak magnet" in capsys.readouterr().out
    assert main(["diagnose", str(plan), str(readings)]) == 2
    assert "needs a reference piece" in capsys.readouterr().err
    assert load_field_meter(meter).age_in_words(datetime.date(2026, 12, 2)) == "read 2026-11-30, 2 days ago"
    for wrong, words in (('made = "monday"', "must be a day"), ('reference_reading = "48 mT"', "needs both")):
        meter.write_text(f'sheet = "field meter"\nformat = 1\n{wrong}\n')
        with pytest.raises(InputError, match=words):
            load_field_meter(meter)
