"""``labkit schematic`` as a user runs it."""

from __future__ import annotations

import json
from xml.etree import ElementTree

RIG = "Saltmarsh Lane, two pickups"


def test_schematic_prints_svg_of_the_rig(labkit):
    result = labkit("schematic", RIG)
    assert result.code == 0
    root = ElementTree.fromstring(result.out)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "bridge" in result.out


def test_set_moves_the_switch_in_the_drawing(labkit):
    neck, both = (labkit("schematic", RIG, "--set", f"selector={where}").out for where in ("neck", "both"))
    assert "selector neck" in neck
    assert "selector both" in both
    assert neck.count('stroke-dasharray="1.4 3.6"') == both.count('stroke-dasharray="1.4 3.6"') + 1


def test_output_is_written_by_its_suffix(labkit, tmp_path):
    for name, start in (("drawing.svg", b"<svg"), ("drawing.png", b"\x89PNG")):
        target = tmp_path / name
        assert labkit("schematic", RIG, "--output", target).code == 0
        assert target.read_bytes().startswith(start)
        again = labkit("schematic", RIG, "--output", target)
        assert again.code == 2
        assert "--force" in again.err
        assert labkit("schematic", RIG, "--output", target, "--force").code == 0


def test_json_holds_the_drawing_and_its_words(labkit):
    data = json.loads(labkit("schematic", RIG, "--json").out)
    assert set(data) == {"name", "description", "svg"}
    assert data["svg"] == labkit("schematic", RIG).out
    assert "Tone capacitor" in data["description"]


def test_another_suffix_is_refused_in_one_line(labkit, tmp_path):
    result = labkit("schematic", RIG, "--output", tmp_path / "drawing.sgv")
    assert result.code == 2
    assert "written as .svg or .png; got the suffix '.sgv'" in result.err
    assert "Did you mean '.svg'?" in result.err
    assert result.err.count("\n") == 1
    assert not (tmp_path / "drawing.sgv").exists()


def test_an_unknown_rig_is_refused_in_one_line(labkit):
    result = labkit("schematic", "Saltmarsh Lane, two pickup")
    assert result.code == 2
    assert result.err.count("\n") == 1
