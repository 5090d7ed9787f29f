"""Tables are described as W3C's "Metadata Vocabulary for Tabular Data" (2015) asks, and are read with that alone."""

from __future__ import annotations

import csv
import json
import re

import pytest

from labkit.cli.options import csv_metadata

SINGLE = "Saltmarsh Lane, narrow single coil"
COMMANDS = [
    (("response", SINGLE), {"frequency_hz": "Hz", "phase_deg": "°", "output_impedance_ohm": "Ω"}),
    (("tolerance", SINGLE, "--count", "128"), {"p5_db": "dB"}),
    (("search", "hump", "--rig", SINGLE, "--at", "700"), {"capacitance_f": "F"}),
    (
        ("search", "a lower, tamer peak with load trims"),
        {"rank": None, "fits": None, "load_capacitor.value": "F", "cable.length": "m", "resonance": "Hz"},
    ),
]
VARNAME = re.compile(r"(?:[A-Za-z0-9_]|%[0-9A-F]{2})(?:\.?(?:[A-Za-z0-9_]|%[0-9A-F]{2}))*")  # RFC 6570, section 2.3


def read_with_metadata(path):
    """Return rows by name with values of the stated datatypes, after checks of what the standard requires."""
    data = json.loads(path.with_name(f"{path.name}-metadata.json").read_text(encoding="utf-8"))
    assert data["@context"] == "http://www.w3.org/ns/csvw"  # section 5.2
    assert data["url"] == path.name  # 5.4.2: relative to the metadata
    columns = data["tableSchema"]["columns"]
    names = [column["name"] for column in columns]
    assert len({*names}) == len(names)
    assert all(VARNAME.fullmatch(name) and not name.startswith("_") for name in names)  # 5.6
    kinds = {"number": float, "boolean": {"true": True, "false": False}.__getitem__, "string": str}
    with path.open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file)
    assert head == [column["titles"] for column in columns]
    read = [
        {c["name"]: kinds[c["datatype"]](cell) if cell else None for c, cell in zip(columns, row, strict=True)}
        for row in rows
    ]
    return {column["name"]: column for column in columns}, read


@pytest.mark.parametrize(("arguments", "units"), COMMANDS, ids=lambda given: given[0] if type(given) is tuple else "")
def test_a_table_is_read_with_its_metadata_alone(labkit, tmp_path, arguments, units):
    path = tmp_path / "table.csv"
    outcome = labkit(*arguments, "--csv", "--csvw", "--output", path)
    assert outcome.code == 0, outcome.err
    assert f"wrote {path}-metadata.json" in outcome.err
    columns, rows = read_with_metadata(path)
    assert {name: columns[name].get("schema:unitText") for name in units} == units
    assert rows
    assert all(not isinstance(row[name], str) for row in rows for name in units)


def test_coils_of_the_book_keep_the_zeros_of_their_serial_numbers(labkit, tmp_path):
    book, path = tmp_path / "demo.book", tmp_path / "coils.csv"
    labkit("book", "new", book, "--demo")
    assert labkit("book", "find", "reel 12", "--book", book, "--csv", "--csvw", "--output", path).code == 0
    columns, rows = read_with_metadata(path)
    assert rows[0]["serial"] == "0113"
    assert rows[0]["resistance_ohm"] == 5774.0
    assert (columns["inductance_h"]["schema:unitText"], columns["wound_at"]["datatype"]) == ("H", "string")


def test_a_name_of_a_column_is_one_that_the_standard_takes():
    column = json.loads(csv_metadata("tone of neck,ohm\n3,1\n", "t.csv", {}))["tableSchema"]["columns"][0]
    assert (column["name"], column["titles"]) == ("tone%20of%20neck", "tone of neck")


def test_metadata_needs_a_table_in_a_file_and_nothing_is_half_written(labkit, tmp_path):
    path = tmp_path / "table.csv"
    for given in (("--csvw",), ("--csvw", "--csv"), ("--csvw", "--output", path), ("--csvw", "--json", "--csv")):
        outcome = labkit("response", SINGLE, *given)
        assert (outcome.code, outcome.out, path.exists()) == (2, "", False)
    described = tmp_path / "table.csv-metadata.json"
    described.write_text("kept", encoding="utf-8")
    outcome = labkit("response", SINGLE, "--csv", "--csvw", "--output", path)
    assert (outcome.code, described.read_text(encoding="utf-8"), path.exists()) == (2, "kept", False)
    assert "table.csv-metadata.json" in outcome.err
    assert labkit("response", SINGLE, "--csv", "--csvw", "--output", path, "--force").code == 0
    read_with_metadata(path)
