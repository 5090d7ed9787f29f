"""``--csvw``: a table's columns, described as the W3C's CSVW asks, beside the table."""

from __future__ import annotations

import csv
import json

import pytest

from labkit.cli.main import main

RIG = "Saltmarsh Lane, narrow single coil"
UNITS = {"frequency_hz": "Hz", "gain_db": "dB", "phase_deg": "°", "output_impedance_ohm": "Ω", "nominal_db": "dB"}


@pytest.mark.parametrize(
    "arguments",
    [
        ("response", RIG, "--at", "100,1k"),
        ("tolerance", RIG, "--count", "64"),
        ("search", "load resistor", "--rig", RIG, "--pots", "100k"),
    ],
    ids=["response", "tolerance", "search"],
)
def test_the_columns_of_a_table_are_described_beside_it(arguments, tmp_path, capsys):
    table = tmp_path / "my curve.csv"
    assert main([*arguments, "--csv", "--csvw", "--output", str(table)]) == 0
    described = tmp_path / "my curve.csv-metadata.json"
    assert str(described) in capsys.readouterr().err
    data = json.loads(described.read_text(encoding="utf-8"))
    # what the standard requires of a table: context, url (relative to the metadata), a schema whose columns have titles
    assert data["@context"] == "http://www.w3.org/ns/csvw"
    assert data["url"] == "my%20curve.csv"
    columns = data["tableSchema"]["columns"]
    heads, *rows = csv.reader(table.read_text(encoding="utf-8").splitlines())
    assert [column["titles"] for column in columns] == heads
    names = [column["name"] for column in columns if "name" in column]
    assert len(names) == len(set(names))
    for place, column in enumerate(columns):
        cells = [row[place] for row in rows if row[place]]
        if column["datatype"] == "double":
            assert [float(cell) for cell in cells]
        else:
            assert column["datatype"] in ("string", "boolean")
        if column["titles"] in UNITS:
            assert column["schema:unitText"] == UNITS[column["titles"]]


def test_what_a_search_chose_and_reached_has_its_unit_though_its_heading_names_none(tmp_path):
    goal, table = "a lower, tamer peak with load trims", tmp_path / "found.csv"
    assert main(["search", goal, "--csv", "--csvw", "--output", str(table)]) == 0
    data = json.loads((tmp_path / "found.csv-metadata.json").read_text(encoding="utf-8"))
    units = {column["titles"]: column.get("schema:unitText") for column in data["tableSchema"]["columns"]}
    wanted = {"load_capacitor.value": "F", "cable.length": "m", "resonance": "Hz", "height": "dB", "rank": None}
    assert units.items() >= wanted.items()


def test_serial_numbers_of_the_book_keep_their_zeros(tmp_path):
    book, table = str(tmp_path / "demo.book"), tmp_path / "coils.csv"
    main(["book", "new", book, "--demo"])
    assert main(["book", "find", "reel 12", "--book", book, "--csv", "--csvw", "--output", str(table)]) == 0
    data = json.loads((tmp_path / "coils.csv-metadata.json").read_text(encoding="utf-8"))
    kinds = {column["titles"]: column["datatype"] for column in data["tableSchema"]["columns"]}
    assert (kinds["serial"], kinds["resistance_ohm"]) == ("string", "double")


def test_without_a_table_in_a_file_it_is_refused_and_nothing_is_written_over(tmp_path, capsys):
    assert main(["response", RIG, "--csvw"]) == 2
    assert "--output FILE.csv" in capsys.readouterr().err
    table, described = tmp_path / "x.csv", tmp_path / "x.csv-metadata.json"
    described.write_text("mine")
    assert main(["response", RIG, "--csv", "--csvw", "--output", str(table)]) == 2
    assert described.read_text() == "mine"
    assert not table.exists()
    assert main(["response", RIG, "--csv", "--csvw", "--output", str(table), "--force"]) == 0
    assert json.loads(described.read_text())["url"] == "x.csv"
