"""JSON Schemas of what commands print with ``--json`` hold for runs that they were not made from."""

from __future__ import annotations

import copy
import json

import jsonschema
import pytest

from labkit.catalogue import catalogue
from labkit.cli.main import main
from labkit.cli.sheet_schemas import output_schema

RIGS = catalogue().usable_names("rig")
RUNS = {
    "response": [(rig, "--at", "50,5k") for rig in RIGS],
    "pickup": [("two-coil",), ("two-coil, built", "--set", "coil.screw.turns=4000"), ("unequal two-coil, built",)],
    "netlist": [(rig,) for rig in RIGS],
    "hum": [(rig,) for rig in RIGS],
    "wiring": [("two pickups, phase switch",), ("dummy coil in series",)],
    "turns": [("narrow single coil, built", "5.1k")],
    "catalogue": [("wire",), ("magnet",)],
    "cases": [("--model", "loads")],
}


@pytest.mark.parametrize("command", RUNS)
def test_the_schema_takes_other_runs_and_refuses_what_lacks_a_key_or_has_another_kind(command, capsys):
    schema = output_schema(command)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for arguments in RUNS[command]:
        assert main([command, *arguments, "--json"]) == 0
        printed = json.loads(capsys.readouterr().out)
        faults = [f"{arguments}: {fault.json_path} {fault.message[:200]}" for fault in validator.iter_errors(printed)]
        assert not faults, faults
        if isinstance(printed, dict):
            key = schema["required"][0]
            assert not validator.is_valid({name: value for name, value in printed.items() if name != key})
            assert not validator.is_valid(copy.deepcopy(printed) | {key: {"another": "kind"}})


def test_the_command_prints_the_schema_of_an_output_and_says_what_it_needs(capsys):
    assert main(["schema", "--output-of", "response"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown == output_schema("response")
    assert "highest inner maximum" in shown["properties"]["peak"]["description"]
    for wrong, words in (
        (["--output-of", "respons"], "response"),
        ([], "KIND"),
        (["rig", "--output-of", "hum"], "KIND"),
    ):
        assert main(["schema", *wrong]) == 2
        assert words in capsys.readouterr().err
