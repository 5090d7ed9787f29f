"""JSON Schemas of sheets take what the readers take, and refuse what is plainly no such sheet."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest

import labkit
from labkit.catalogue import catalogue
from labkit.cli.main import main
from labkit.core.errors import SheetError
from labkit.core.sheet import parse_sheet, sheet_text
from labkit.rig.schema import SCHEMAS, sheet_schema
from labkit.rig.sheet import chain_kinds, load_rig, rig_data

READERS = catalogue().readers
CATALOGUE = Path(labkit.__file__).parent / "data" / "catalogue"


@pytest.fixture(scope="module")
def validators():
    made = {}
    for kind in SCHEMAS:
        jsonschema.Draft202012Validator.check_schema(sheet_schema(kind))
        made[kind] = jsonschema.Draft202012Validator(sheet_schema(kind))
    return made


@pytest.mark.parametrize("kind", SCHEMAS)
def test_every_sheet_of_the_catalogue_is_valid(kind, validators):
    names = catalogue().names(kind)
    assert len(names) > 3
    for name in names:
        data = {"sheet": kind, "format": 1, **catalogue().item(kind, name).data}
        faults = [f"{name}: {fault.json_path} {fault.message[:200]}" for fault in validators[kind].iter_errors(data)]
        assert not faults, faults


def test_a_rig_written_with_everything_inside_is_valid(validators):
    for name in catalogue().usable_names("rig"):
        data = tomllib.loads(sheet_text("rig", rig_data(load_rig(name))))
        validators["rig"].validate(data)
        validators["harness"].validate({"sheet": "harness", "format": 1, **data["harness"]})
        for pickup in data["pickups"].values():
            validators["pickup"].validate({"sheet": "pickup", "format": 1, **pickup})


@pytest.mark.parametrize("kind", [kind for kind in chain_kinds() if kind in READERS and catalogue().names(kind)])
def test_stages_are_valid_one_by_one_and_as_the_files_that_hold_many(kind):
    schema = sheet_schema(kind)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for name in catalogue().names(kind):
        validator.validate({"sheet": kind, "format": 1, **catalogue().item(kind, name).data})
    files = sorted(CATALOGUE.glob(f"{kind.replace(' ', '_').replace('-', '_')}s/*.toml"))
    assert files
    for path in files:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        validator.validate(data)
        for spoilt in (data | {"lenght": "3 m"}, {key: data[key] for key in ("sheet", "format")}):
            assert not validator.is_valid(spoilt)


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
    ],
)
def test_what_the_reader_refuses_the_schema_refuses(kind, text, validators):
    text = f'sheet = "{kind}"\nformat = 1\nname = "x"\n{text}\n'
    with pytest.raises(SheetError):
        READERS[kind](parse_sheet(text, "x"))
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
