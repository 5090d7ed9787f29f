"""The tables of a workshop book: one SQLite file, its format, and the steps from one format to the next.

A table has the fields of its record in `labkit.book.records`. Nothing is ever deleted: triggers refuse it, and write
every change of a row into ``event``. What was read, checked or done is not changed either, only crossed out.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import fields

from labkit.book.records import RECORDS, BookRecord

APPLICATION_ID = 0x6C6B6274
"""In the header of the file ("lkbt"), by which a workshop book is known from another SQLite file."""

_TABLES = """
create table book(
  id integer primary key check(id = 1), uid text not null, name text not null, made_at text not null
) strict;
create table spool(
  uid text primary key, entered_at text not null, label text not null unique, wire text not null,
  maker text not null default '', bare_m real check(bare_m between 1e-5 and 2e-3), bare_deviation real,
  overall_m real check(overall_m between 1e-5 and 2e-3), overall_deviation real,
  length_m real check(length_m > 0), length_deviation real, opened_on text, emptied_on text
) strict;
create table magnet_lot(
  uid text primary key, entered_at text not null, label text not null unique, grade text not null,
  count integer check(count >= 0), bought_on text
) strict;
create table machine(uid text primary key, entered_at text not null, label text not null unique) strict;
create table bobbin(uid text primary key, entered_at text not null, label text not null unique) strict;
create table meter(
  uid text primary key, entered_at text not null, label text not null unique,
  kind text not null check(kind in ('ohms', 'lcr', 'sweep', 'field', 'thermometer')),
  unit text not null default '', accuracy real check(accuracy > 0)
) strict;
create table wire_reading(
  uid text primary key, entered_at text not null, spool text not null references spool(uid), read_at text not null,
  length_m real not null check(length_m > 0), length_deviation real not null,
  resistance real not null check(resistance > 0), text_as_typed text not null,
  celsius real not null check(celsius between -10 and 60), celsius_deviation real not null,
  meter text references meter(uid), void_reason text
) strict;
create table calibration(
  uid text primary key, entered_at text not null, meter text not null references meter(uid), done_at text not null,
  piece text not null, grade text, known real check(known > 0), known_deviation real,
  shown real not null check(shown > 0), shown_deviation real not null, void_reason text
) strict;
create table design(
  uid text primary key, entered_at text not null, name text not null, version integer not null check(version > 0),
  sheet text not null, sha256 text not null, unique(name, version), unique(name, sha256)
) strict;
create table session(
  uid text primary key, entered_at text not null, started_at text not null, label text not null default '',
  celsius real check(celsius between -10 and 60), celsius_deviation real check(celsius_deviation >= 0)
) strict;
create table coil(
  uid text primary key, entered_at text not null, serial text not null, coil text not null,
  design text not null references design(uid), wound_at text not null, spool text references spool(uid),
  lot text references magnet_lot(uid), machine text references machine(uid), bobbin text references bobbin(uid),
  who text not null default '', turns_counted real check(turns_counted > 0), height_m real check(height_m > 0),
  build_up_m real check(build_up_m > 0), scatter text not null default '',
  state text not null default 'good' check(state in ('good', 'suspect', 'scrapped')), left_on text,
  void_reason text
) strict;
create unique index coil_serial on coil(serial, coil) where void_reason is null;
create index coil_spool on coil(spool);
create table sweep_fit(
  uid text primary key, entered_at text not null, coil text not null references coil(uid),
  session text not null references session(uid), meter text references meter(uid), names text not null,
  "values" text not null, covariance text not null, source text not null default '',
  repairs_before integer not null default 0, void_reason text
) strict;
create index sweep_fit_coil on sweep_fit(coil);
create table reading(
  uid text primary key, entered_at text not null, coil text not null references coil(uid),
  session text not null references session(uid), meter text references meter(uid), quantity text not null,
  value real not null, unit text not null, text_as_typed text not null, hz real check(hz > 0),
  model text check(model in ('series', 'parallel')), load_ohm real check(load_ohm > 0),
  load_farad real check(load_farad > 0), gap_m real check(gap_m >= 0), pole integer,
  repeat_no integer not null default 1 check(repeat_no > 0),
  repairs_before integer not null default 0 check(repairs_before >= 0), void_reason text
) strict;
create index reading_coil on reading(coil);
create index reading_session on reading(session);
create table repair(
  uid text primary key, entered_at text not null, coil text not null references coil(uid), done_at text not null,
  what text not null, void_reason text
) strict;
create table note(
  uid text primary key, entered_at text not null, about text not null, text text not null, void_reason text
) strict;
create index note_about on note(about);
create table event(
  uid text primary key, entered_at text not null, row_table text not null, row_uid text not null,
  before text not null, after text not null
) strict;
create index event_row on event(row_uid);
"""

Migration = Callable[[sqlite3.Connection], None]


def run_script(connection: sqlite3.Connection, script: str) -> None:
    """Run statements inside the transaction that is open (`executescript` would commit it first)."""
    statement = ""
    for line in script.splitlines():
        statement += f"{line}\n"
        if sqlite3.complete_statement(statement):
            connection.execute(statement)
            statement = ""


MIGRATIONS: tuple[Migration, ...] = (lambda connection: run_script(connection, _TABLES),)
"""Step n takes a book from format n to n + 1; an empty file has format 0. A step that shipped is never changed."""

_ONLY_CROSSED_OUT = ("wire_reading", "calibration", "sweep_fit", "reading", "repair", "note", "event")


def columns(kind: type[BookRecord]) -> tuple[str, ...]:
    """Return the names of a record's fields, as the columns of its table."""
    return tuple(each.name for each in fields(kind))


def quoted(name: str) -> str:
    """Return a column's name for a statement."""
    return f'"{name}"'


def drop_triggers(connection: sqlite3.Connection) -> None:
    """Take the guards off, inside a transaction, for a migration or for reading in what another book recorded."""
    for (name,) in connection.execute("select name from sqlite_master where type = 'trigger'").fetchall():
        connection.execute(f"drop trigger {quoted(name)}")


def create_triggers(connection: sqlite3.Connection) -> None:
    """Put the guards on: no row is deleted or renamed, records of what happened stay, changes leave an event."""
    for kind in RECORDS:
        table, names = kind.table, columns(kind)
        fixed = [name for name in names if table in _ONLY_CROSSED_OUT and name != "void_reason"] or [
            "uid",
            "entered_at",
        ]
        moved = " or ".join(f"old.{quoted(name)} is not new.{quoted(name)}" for name in fixed)
        connection.execute(
            f"create trigger {table}_stays before delete on {table} begin "
            f"select raise(abort, 'a {kind.name_of_one} is crossed out, not deleted'); end"
        )
        connection.execute(
            f"create trigger {table}_fixed before update on {table} when {moved} begin "
            f"select raise(abort, 'a {kind.name_of_one} is crossed out and entered again, not changed'); end"
        )
        if table == "event":
            continue
        before, after = (
            ", ".join(f"'{name}', {row}.{quoted(name)}" for name in names if name not in ("uid", "entered_at"))
            for row in ("old", "new")
        )
        connection.execute(
            f"create trigger {table}_changed after update on {table} begin "
            "insert into event(uid, entered_at, row_table, row_uid, before, after) values("
            "lower(hex(randomblob(8))), strftime('%Y-%m-%dT%H:%M:%S+00:00', 'now'), "
            f"'{table}', new.uid, json_object({before}), json_object({after})); end"
        )
