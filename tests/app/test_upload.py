"""Files that a page is given: limits in words, nothing unpacked, nothing taken on trust."""

import pytest

from labkit.app.kit.files import PIECE_BYTES, Intake, plain_name
from labkit.core.errors import InputError


def _intake() -> Intake:
    return Intake(largest=1_000_000, what="a sweep", advice="Export it as CSV text.")


def test_a_file_arrives_whole_piece_by_piece():
    content = bytes(range(256)) * 2000
    intake = _intake()
    intake.begin("bare.csv", len(content))
    for start in range(0, len(content), PIECE_BYTES):
        assert intake.take(content[start : start + PIECE_BYTES]) == min(start + PIECE_BYTES, len(content))
    given = intake.end()
    assert (given.name, given.content) == ("bare.csv", content)
    assert intake.received == 0


def test_a_file_that_is_too_large_is_refused_before_anything_is_sent():
    with pytest.raises(InputError, match=r"huge.csv has 200 MB; a sweep has at most 1.0 MB. Export it as CSV text."):
        _intake().begin("huge.csv", 200_000_000)


@pytest.mark.parametrize("start", [b"PK\x03\x04", b"\x1f\x8b\x08", b"BZh9", b"\xfd7zXZ\x00", b"%PDF-1.7"])
def test_a_packed_file_is_refused_by_its_first_bytes_whatever_its_name(start):
    intake = _intake()
    intake.begin("bare.csv", 40_000)
    with pytest.raises(InputError, match="is not opened here"):
        intake.take(start + bytes(1000))
    with pytest.raises(InputError, match="no file was expected"):
        intake.take(b"more")


def test_a_workbook_goes_through_only_where_a_reader_opens_it_and_under_its_own_name():
    start = b"PK\x03\x04" + bytes(1000)
    for name, workbooks, is_taken in (("a.xlsx", True, True), ("a.xlsx", False, False), ("a.csv", True, False)):
        intake = Intake(largest=1_000_000, what="a sweep", advice="Export it as CSV text.", workbooks=workbooks)
        intake.begin(name, len(start))
        if is_taken:
            assert intake.take(start) == len(start)
        else:
            with pytest.raises(InputError, match="is not opened here"):
                intake.take(start)


def test_more_than_was_said_is_refused():
    intake = _intake()
    intake.begin("bare.csv", 10)
    with pytest.raises(InputError, match="more arrived than"):
        intake.take(b"1" * 11)
    with pytest.raises(InputError, match="did not arrive whole"):
        intake.end()


def test_half_a_file_and_a_cancelled_one_are_no_files():
    intake = _intake()
    intake.begin("bare.csv", 10)
    intake.take(b"12345")
    with pytest.raises(InputError, match="did not arrive whole"):
        intake.end()
    intake.begin("bare.csv", 10)
    intake.cancel()
    with pytest.raises(InputError, match="no file was expected"):
        intake.take(b"12345")


@pytest.mark.parametrize("size", [0, -3])
def test_an_empty_file_is_refused(size):
    with pytest.raises(InputError, match="is empty"):
        _intake().begin("bare.csv", size)


def test_a_name_loses_folders_and_what_cannot_be_shown():
    assert plain_name("../../home/x/\x00\u202ebare.csv") == "bare.csv"
    assert len(plain_name("a" * 500 + ".csv")) == 80
    assert plain_name("a" * 500 + ".csv").endswith(".csv")
