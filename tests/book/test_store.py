"""The file of a workshop book: whole, never losing a word, never harming what is no book."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from labkit.book.records import RECORDS, CoilReading, Design, Meter, Spool, WoundCoil
from labkit.book.schema import MIGRATIONS, columns, run_script
from labkit.book.store import file_system_of, new_book, open_book
from labkit.core.errors import InputError
from tests.book.books import DESIGN, design_text, full_book, read, small_book, wound


def test_every_record_has_the_columns_of_its_table(tmp_path):
    book = small_book(tmp_path)
    for kind in RECORDS:
        held = {row[1] for row in book.query(f"pragma table_info({kind.table})")}
        assert held == set(columns(kind)), kind


def test_a_record_comes_back_as_it_was_entered(tmp_path):
    book = small_book(tmp_path)
    coil = wound(book, "0114", turns_counted=8000.0, who="M", scatter="wild")
    reading = read(book, coil, "resistance", float("inf"), "Ω", text_as_typed="open")
    book.add(coil, reading)
    book.close()
    with open_book(tmp_path / "workshop.book") as again:
        assert again.coil("0114") == coil
        assert again.records(CoilReading) == [reading]
        assert again.check() == ()


def test_no_record_is_ever_deleted(tmp_path):
    book = full_book(tmp_path)
    for kind in RECORDS:
        assert book.records(kind), kind
        with pytest.raises(sqlite3.IntegrityError, match="crossed out, not deleted"):
            book.query(f"delete from {kind.table}")


def test_a_reading_is_crossed_out_and_stays_visible_but_is_never_changed(tmp_path):
    book = small_book(tmp_path)
    coil = wound(book, "1")
    reading = read(book, coil, "resistance", 5900.0, "Ω")
    book.add(coil, reading)
    with pytest.raises(InputError, match="crossed out and entered again, not changed"):
        book.change(replace(reading, value=6000.0))
    with pytest.raises(InputError, match="say why"):
        book.cross_out(reading, " ")
    book.cross_out(reading, "clip slipped")
    assert book.records(CoilReading) == [replace(reading, void_reason="clip slipped")]
    book.restore(reading)
    assert book.records(CoilReading) == [reading]
    changes = [json.loads(event.after)["void_reason"] for event in book.trail(reading)]
    assert changes == ["clip slipped", None]


def test_a_change_leaves_what_was_there_in_the_trail(tmp_path):
    book = small_book(tmp_path)
    spool = book.labelled(Spool, "reel 12")
    book.change(replace(spool, emptied_on="2026-04-01"))
    assert book.labelled(Spool, "reel 12").emptied_on == "2026-04-01"
    (event,) = book.trail(spool)
    assert json.loads(event.before)["emptied_on"] is None
    with pytest.raises(InputError, match="no spool has the uid"):
        book.change(replace(spool, uid="unheard of"))


def test_what_belongs_together_is_written_whole_or_not_at_all(tmp_path):
    book = small_book(tmp_path)
    coil = wound(book, "1")
    with pytest.raises(InputError, match="not in the book"):
        book.add(coil, read(book, coil, "resistance", 5900.0, "Ω", meter="no such meter"))
    assert book.records(WoundCoil) == []

    def interrupted():
        with book.writing():
            book.add(coil)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert book.records(WoundCoil) == []


def test_a_serial_number_is_given_once_unless_the_entry_was_crossed_out(tmp_path):
    book = small_book(tmp_path)
    first = wound(book, "0114")
    book.add(first)
    with pytest.raises(InputError, match="another coil has the same serial and coil"):
        book.add(wound(book, "0114"))
    book.cross_out(first, "typed twice")
    second = wound(book, "0114")
    book.add(second, wound(book, "0114", coil="main"))
    assert book.coil("0114", "leads") == second
    with pytest.raises(InputError, match="several coils: leads, main"):
        book.coil("0114")
    with pytest.raises(InputError, match="Did you mean '0114'"):
        book.coil("0115")


def test_an_impossible_value_is_refused_by_the_record_and_by_the_database(tmp_path):
    book = small_book(tmp_path)
    coil = wound(book, "1")
    with pytest.raises(InputError, match="must be above 0"):
        read(book, coil, "resistance", -5.0, "Ω")
    with pytest.raises(InputError, match="Did you mean 'resistance'"):
        read(book, coil, "resistence", 5.0, "Ω")
    with pytest.raises(InputError, match="one of ohms, lcr"):
        Meter(label="x", kind="ohm")  # type: ignore[arg-type]
    with pytest.raises(sqlite3.IntegrityError):
        book.query("insert into session values('u', 'now', '2026-01-01', '', 72, 1)")


def test_a_changed_sheet_is_a_new_version_of_its_design(tmp_path):
    book = small_book(tmp_path)
    assert book.enter_design(design_text()) == book.design(DESIGN)
    assert book.enter_design(design_text(temperature="25 °C")).title == f"{DESIGN}, version 2"
    assert [each.version for each in book.records(Design)] == [1, 2]
    assert book.design(DESIGN, 1).sheet == design_text()
    with pytest.raises(InputError, match="Did you mean"):
        book.design("narrow single coil")


def test_a_book_is_refused_on_a_network_folder(tmp_path):
    with pytest.raises(InputError, match=r"network folder \(nfs4\)"):
        new_book(tmp_path / "w.book", file_system=lambda folder: "nfs4")
    assert list(tmp_path.iterdir()) == []
    new_book(tmp_path / "w.book").close()
    with pytest.raises(InputError, match="copies of it"):
        open_book(tmp_path / "w.book", file_system=lambda folder: "cifs")
    assert file_system_of(tmp_path) not in ("", "nfs4")


@pytest.mark.parametrize(("mounted", "kind"), [("/a", "nfs"), ("/a/b", "sshfs"), ("/", "ext4")])
def test_the_file_system_is_that_of_the_nearest_mount(monkeypatch, mounted, kind):
    from collections import namedtuple

    import psutil

    part = namedtuple("part", "mountpoint fstype opts")
    found = [part("/", "ext4", "rw"), part("/a", "nfs", "rw"), part("/a/b", "fuse.sshfs", "rw")]
    monkeypatch.setattr(psutil, "disk_partitions", lambda all: found)
    assert file_system_of(Path(mounted) / "shop") == kind


def test_a_file_of_another_kind_is_refused_and_left_as_it_was(tmp_path):
    text, other, empty = tmp_path / "notes.txt", tmp_path / "other.sqlite", tmp_path / "empty.book"
    text.write_text("no book at all, but a text that is long enough to be looked at " * 20)
    with sqlite3.connect(other) as connection:
        connection.execute("create table song(title text)")
    empty.touch()
    before = {path: path.read_bytes() for path in (text, other, empty)}
    for path in before:
        with pytest.raises(InputError, match="workshop book"):
            open_book(path)
    with pytest.raises(InputError, match="never written over"):
        new_book(text)
    with pytest.raises(InputError, match="no such workshop book"):
        open_book(tmp_path / "lost.book")
    assert {path: path.read_bytes() for path in sorted(tmp_path.iterdir())} == before


def test_an_older_book_is_copied_before_it_is_brought_up_to_date(tmp_path):
    path = tmp_path / "workshop.book"
    book = small_book(tmp_path)
    book.add(wound(book, "1"))
    book.close()

    def weighed(connection):
        run_script(connection, "alter table coil add column weight_kg real;")

    newer = (*MIGRATIONS, weighed)
    with open_book(path, migrations=newer) as book:
        assert book.query("select serial, weight_kg from coil") == [("1", None)]
    copy = tmp_path / f"workshop.book.format-{len(MIGRATIONS)}"
    with open_book(copy) as old:
        assert old.coil("1").serial == "1"
    with pytest.raises(InputError, match="newer labkit"):
        open_book(path)


def test_a_step_that_fails_leaves_the_book_as_it_was(tmp_path):
    path = tmp_path / "workshop.book"
    small_book(tmp_path).close()

    def broken(connection):
        run_script(connection, "alter table coil add column weight_kg real;\nalter table absent add column x real;")

    with pytest.raises(InputError, match="no such table: absent"):
        open_book(path, migrations=(*MIGRATIONS, broken))
    with open_book(path) as book:
        book.add(wound(book, "1"))
        assert "weight_kg" not in {row[1] for row in book.query("pragma table_info(coil)")}


def test_a_copy_is_whole_while_the_book_is_written(tmp_path):
    book = small_book(tmp_path)
    book.add(wound(book, "1"))
    other = open_book(book.path)
    with other.writing():
        other.add(wound(other, "2"))
        book.copy_to(tmp_path / "copy.book")
    with open_book(tmp_path / "copy.book") as copy:
        assert [coil.serial for coil in copy.records(WoundCoil)] == ["1"]
        assert copy.uid == book.uid
    with pytest.raises(InputError, match="exists already"):
        book.copy_to(tmp_path / "copy.book")


def test_a_full_disk_leaves_the_book_as_it_was_and_says_so(tmp_path):
    import resource

    book = small_book(tmp_path)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (16, before[1]))
    try:
        with pytest.raises(InputError, match=r"cannot be written .* nothing was entered"):
            book.add(wound(book, "1"))
        with pytest.raises(InputError, match="cannot be written"):
            book.copy_to(tmp_path / "copy.book")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert book.records(WoundCoil) == []
    assert book.check() == ()
    assert [path.name for path in tmp_path.iterdir() if "copy" in path.name] == []
    book.add(wound(book, "1"))
    book.close()
    with pytest.raises(InputError, match="cannot be read"):
        book.query("select 1")
