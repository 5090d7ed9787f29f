"""JSON Schemas of sheets take what the readers take, and refuse what is plainly no such sheet."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest

from labkit.bench.diagnose.readings import readings_from_table
from labkit.catalogue import catalogue
from labkit.cli.main import main
from labkit.cli.sheet_schemas import schema_kinds, sheet_schema
from labkit.core.errors import SheetError
from labkit.core.files import shipped_sheet_folders
from labkit.core.sheet import parse_sheet, sheet_text
from labkit.rig.sheet import load_rig, rig_data

READERS = catalogue().readers


@pytest.fixture(scope="module")
def validators():
    made = {}
    for kind in schema_kinds():
        jsonschema.Draft202012Validator.check_schema(sheet_schema(kind))
        made[kind] = jsonschema.Draft202012Validator(sheet_schema(kind))
    return made


def test_every_kind_of_sheet_that_the_lab_reads_has_a_schema():
    assert {*READERS, "readings"} <= set(schema_kinds())


@pytest.mark.parametrize("kind", [kind for kind in READERS if catalogue().names(kind)])
def test_every_sheet_of_the_catalogue_is_valid(kind, validators):
    for name in catalogue().names(kind):
        data = {"sheet": kind, "format": 1, **catalogue().item(kind, name).data}
        faults = [f"{name}: {fault.json_path} {fault.message[:200]}" for fault in validators[kind].iter_errors(data)]
        assert not faults, faults


def test_every_file_of_the_catalogue_and_of_the_cases_is_valid_as_it_stands_and_not_with_a_misspelt_key(validators):
    files = [path for folder in shipped_sheet_folders() for path in sorted(folder.rglob("*.toml"))]
    assert len(files) > 100
    for path in files:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        faults = [
            f"{path.name}: {fault.json_path} {fault.message[:200]}"
            for fault in validators[data["sheet"]].iter_errors(data)
        ]
        assert not faults, faults
        assert not validators[data["sheet"]].is_valid(data | {"lenght": "3 m"}), path.name


def test_a_rig_written_with_everything_inside_is_valid(validators):
    for name in catalogue().usable_names("rig"):
        data = tomllib.loads(sheet_text("rig", rig_data(load_rig(name))))
        validators["rig"].validate(data)
        validators["harness"].validate({"sheet": "harness", "format": 1, **data["harness"]})
        for pickup in data["pickups"].values():
            validators["pickup"].validate({"sheet": "pickup", "format": 1, **pickup})


def test_every_sheet_printed_in_the_documentation_is_valid(validators):
    found = []
    for page in sorted((Path(__file__).parents[2] / "docs").rglob("*.md")):
        for block in re.findall(r"^```toml\n(.*?)^```$", page.read_text(encoding="utf-8"), re.S | re.M):
            data = tomllib.loads(block)
            if "sheet" in data:
                found.append(data["sheet"])
                faults = [
                    f"{page.name}: {f.json_path} {f.message[:200]}" for f in validators[data["sheet"]].iter_errors(data)
                ]
                assert not faults, faults
    assert {"pickup", "harness", "rig", "readings"} <= set(found)


COIL = '[coil.main]\nresistance = "6 kΩ"\ninductance = "2.4 H"\n'
RIG = 'harness = "one volume, one tone"\n[pickups]\nbridge = "narrow single coil"\n'
HARNESS = 'pickups = ["bridge"]\noutput = "bridge.hot"\n'


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("pickup", COIL + 'inductence = "2 H"'),
        ("pickup", COIL + "facing = 3"),
        ("pickup", COIL + 'facing = "up"'),
        ("pickup", COIL + "eddy = [{ fraction = 1.5, corner = '6 kHz' }]"),
        ("pickup", COIL + "eddy = [{ fraction = 0.1 }]"),
        ("pickup", '[coil.main]\ninductance = "2.4 H"'),
        ("pickup", '[coil.main]\nresistance = 6000\ninductance = "2.4 H"'),
        ("pickup", ""),
        ("rig", RIG + '[[chain]]\nkind = "cabel"'),
        ("rig", RIG + '[[chain]]\nkind = "cable"\nlenght = "5 m"'),
        ("rig", RIG + "[settings]\nvolume = true"),
        ("rig", RIG.replace("harness", "harnes")),
        ("harness", HARNESS + '[parts.r]\nkind = "resistor"\nnodes = ["bridge.hot"]\nvalue = "1k"'),
        ("harness", HARNESS + '[parts.r]\nkind = "resistor"\nnodes = ["bridge.hot", "ground"]'),
        ("harness", HARNESS + '[parts.s]\nkind = "switch"\npositions = { on = [["bridge.hot"]] }'),
        ("harness", HARNESS.replace('["bridge"]', '"bridge"')),
        ("readings", 'resistence = "6 kΩ"'),
        ("take", 'strings = "six strings 10-46"\nnotes = [{ at = "0 s", string = 1, fret = 40 }]'),
        ("take", "notes = []"),
        ("goal", 'rig = "Saltmarsh Lane, narrow single coil"\n[target]\nresonance = "3 kHz"'),
        ("metal", 'resistivity = "0.3 µΩ·m"'),
        ("device", 'kind = "swich"\nsource = "x"'),
        ("case", 'claim = "x"'),
    ],
)
def test_what_the_reader_refuses_the_schema_refuses(kind, text, validators):
    text = f'sheet = "{kind}"\nformat = 1\nname = "x"\n{text}\n'
    with pytest.raises(SheetError):
        (READERS | {"readings": readings_from_table})[kind](parse_sheet(text, "x"))
    assert not validators[kind].is_valid(tomllib.loads(text))


@pytest.mark.parametrize(("kind", "text"), [("pickup", COIL), ("rig", RIG), ("harness", HARNESS)])
def test_what_they_were_made_of_is_taken_by_both(kind, text, validators):
    text = f'sheet = "{kind}"\nformat = 1\nname = "x"\n{text}\n'
    READERS[kind](parse_sheet(text, "x"))
    validators[kind].validate(tomllib.loads(text))


def test_the_command_prints_the_schema_with_meanings_and_refuses_another_kind(capsys):
    assert main(["schema", "pickup"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown == sheet_schema("pickup")
    assert "DC resistance" in json.dumps(shown)
    assert main(["schema", "pickups"]) == 2
    assert "pickups" in capsys.readouterr().err
