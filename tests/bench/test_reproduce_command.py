"""`labkit reproduce`: the original from sheets, the builds as text, data and paper, refusals in one line."""

import json

from labkit.cli.main import main

BOBBIN = "narrow single coil, built"
DEAD = """
sheet = "readings"
format = 1
name = "dead original"
resistance = "open"

[winding]
build_up = "4.33 mm"
wire_weight = "31 g"
wire_diameter = "63.3 µm"
accuracy = "3 %"
"""
STOCK = ["--wire", "AWG 42 single build", "--wire", "AWG 43 single build", "--turns", "6000-9500"]


def test_a_dead_original_is_found_by_size_weight_and_wire(tmp_path, capsys):
    sheet, paper = tmp_path / "dead.toml", tmp_path / "record.html"
    sheet.write_text(DEAD)
    assert main(["reproduce", BOBBIN, "--readings", str(sheet), *STOCK, "--record", str(paper), "--json"]) == 0
    best, other = json.loads(capsys.readouterr().out)["builds"]
    assert best["wire"] == "AWG 42 single build"
    assert best["is_same"]
    assert not other["is_same"]
    assert best["distance_db"] is None
    assert 7500 < best["turns"] < 8500
    assert "none: no electrical values are known" in paper.read_text()


def test_a_measured_original_says_what_is_the_same_and_what_sounds_the_same(tmp_path, capsys):
    sheet = tmp_path / "original.toml"
    sheet.write_text(
        'sheet = "pickup"\nformat = 1\nname = "invented"\n[coil.main]\nresistance = "7.6 kΩ"\ninductance = "2.19 H"\n'
        'capacitance = "120 pF"\n'
    )
    assert main(["reproduce", BOBBIN, "--original", str(sheet), *STOCK]) == 0
    text = capsys.readouterr().out
    first, second = text.split("\n\n")
    assert "AWG 43 single build" in first
    assert "could be the original" in first
    assert "is not the original" in second
    assert "resistance −" in second


def test_bad_input_gets_one_sentence(tmp_path, capsys):
    assert main(["reproduce", BOBBIN, *STOCK]) == 2
    assert "nothing is known of the original" in capsys.readouterr().err
    assert main(["reproduce", BOBBIN, "--original", BOBBIN, *STOCK[:4], "--turns", "many"]) == 2
    assert "--turns takes LOW-HIGH" in capsys.readouterr().err
