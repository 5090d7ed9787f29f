"""XLSX workbooks as sweep files, whole ones and such as are made to hurt."""

import io
import sys
import zipfile

import numpy as np
import openpyxl
import pytest

from labkit.bench.read.sweep_reader import ReadingChoices, read_sweep
from labkit.core.errors import InputError
from tests.bench.known_coil import FREQUENCY, Z, assert_is


def workbook(path, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(list(row))
    book.save(path)
    return path


def rows_of(z, head=("Frequency (Hz)", "|Z| (ohm)", "Phase (deg)")):
    return [("single coil no. 3",), (), head, *zip(FREQUENCY, np.abs(z), np.degrees(np.angle(z)))]


def test_a_workbook_reads_as_its_only_sheet_with_numbers(tmp_path):
    path = workbook(tmp_path / "sweep.xlsx", notes=[("wound in May",), ("turns", 8000)], sweep=rows_of(Z))
    assert_is(read_sweep(path), FREQUENCY, Z, rtol=1e-12)
    assert read_sweep(path).understood[0] == "worksheet 'sweep'"


def test_a_workbook_under_another_name_is_known_by_how_it_begins(tmp_path):
    path = workbook(tmp_path / "sweep.csv", sweep=rows_of(Z))
    assert_is(read_sweep(path), FREQUENCY, Z, rtol=1e-12)


def test_two_sheets_with_sweeps_are_asked_about(tmp_path):
    path = workbook(tmp_path / "both.xlsx", bare=rows_of(Z), loaded=rows_of(Z / 2))
    with pytest.raises(InputError, match="worksheets 'bare' or 'loaded' could hold the sweep; say which: --worksheet"):
        read_sweep(path)
    assert_is(read_sweep(path, ReadingChoices(worksheet="loaded")), FREQUENCY, Z / 2, rtol=1e-12)
    with pytest.raises(InputError, match=r"no worksheet is named 'laoded'\. Did you mean 'loaded'"):
        read_sweep(path, ReadingChoices(worksheet="laoded"))


def test_text_in_the_cells_of_a_workbook_is_read_as_in_a_text_file(tmp_path):
    rows = [
        ("Frequenz", "Impedanz"),
        *(
            (f"{f:.9g} Hz".replace(".", ","), cell)
            for f, cell in zip(
                FREQUENCY,
                (c.replace(".", ",") for c in [f"{abs(z) / 1e3:.9f} kΩ ∠ {np.degrees(np.angle(z)):.9f}" for z in Z]),
            )
        ),
    ]
    assert_is(read_sweep(workbook(tmp_path / "text.xlsx", sheet=rows)), FREQUENCY, Z)


def repacked(path, **changed):
    """The workbook with parts changed or added, packed anew."""
    raw = io.BytesIO()
    with zipfile.ZipFile(path) as before, zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED) as after:
        for part in before.namelist():
            after.writestr(part, changed.pop(part, None) or before.read(part))
        for part, data in changed.items():
            after.writestr(part, data)
    path.write_bytes(raw.getvalue())
    return path


def test_a_workbook_that_unpacks_to_far_more_than_a_sweep_is_refused(tmp_path):
    path = repacked(workbook(tmp_path / "bomb.xlsx", sweep=rows_of(Z)), **{"xl/big.xml": b" " * 60_000_000})
    assert path.stat().st_size < 100_000
    with pytest.raises(InputError, match=r"unpacks to \d+ parts of 60 MB"):
        read_sweep(path)


def test_a_workbook_that_defines_entities_is_refused(tmp_path):
    strings = b'<?xml version="1.0"?><!DOCTYPE lolz [<!ENTITY lol "lol">]><sst>&lol;</sst>'
    path = repacked(workbook(tmp_path / "lol.xlsx", sweep=rows_of(Z)), **{"xl/sharedStrings.xml": strings})
    with pytest.raises(InputError, match="defines entities; not read"):
        read_sweep(path)


def test_a_worksheet_that_claims_a_million_rows_is_refused(tmp_path):
    sheet = (
        b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
        b'<row r="1048576"><c r="A1048576"><v>1</v></c><c r="XFD1048576"><v>2</v></c></row></sheetData></worksheet>'
    )
    path = repacked(workbook(tmp_path / "tall.xlsx", sweep=rows_of(Z)), **{"xl/worksheets/sheet1.xml": sheet})
    with pytest.raises(InputError, match="more than 20000 rows"):
        read_sweep(path)


HOSTILE = {
    "a picture": b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)) * 4,
    "a packed file that is no workbook": b"PK\x03\x04" + bytes(200),
    "an old workbook": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(range(256)) * 8,
    "an empty workbook": None,
}


@pytest.mark.parametrize("what", HOSTILE)
def test_what_is_no_sweep_gets_one_sentence_with_a_way_out(tmp_path, what):
    path = tmp_path / "sweep.xlsx"
    if HOSTILE[what] is None:
        workbook(path, sheet=[("nothing", "here")])
    else:
        path.write_bytes(HOSTILE[what])
    with pytest.raises(InputError, match=r"export the sheet as CSV|no worksheet holds a table") as caught:
        read_sweep(path)
    assert "\n" not in str(caught.value)


def test_without_the_library_one_sentence_says_what_to_install(tmp_path, monkeypatch):
    path = workbook(tmp_path / "sweep.xlsx", sweep=rows_of(Z))
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(InputError, match="python -m pip install openpyxl, or export the sheet as CSV text"):
        read_sweep(path)
