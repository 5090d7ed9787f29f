"""The file of a workshop book: opening it safely, writing records whole or not at all, crossing out, copying.

Several pages and commands may have it open at once: readers never wait, writers wait for each other (SQLite's
write-ahead log). What is committed is on the disk before the call returns (``synchronous = full``).
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import threading
import weakref
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from labkit.book.cells import next_serial
from labkit.book.records import RECORDS, BookRecord, Design, Event, WoundCoil, new_uid, now
from labkit.book.schema import APPLICATION_ID, MIGRATIONS, Migration, columns, create_triggers, drop_triggers, quoted
from labkit.core.errors import InputError, did_you_mean
from labkit.core.files import put_in_place
from labkit.core.sheet import Table, parse_sheet
from labkit.pickup.predict.built import BuiltPickup, read_build

Kind = TypeVar("Kind", bound=BookRecord)

WAIT_SECONDS = 30.0
"""How long a writer waits for another one."""

_OVER_A_NETWORK = (
    "9p afs afpfs ceph cifs coda davfs glusterfs lustre ncpfs nfs nfs3 nfs4 rclone s3fs smb2 smb3 smbfs sshfs webdav"
)
NETWORK_FILE_SYSTEMS = frozenset(_OVER_A_NETWORK.split())
"""File systems over a network, whose locks and shared memory SQLite's log cannot rely on (sqlite.org, "Write-Ahead
Logging", "All processes using a database must be on the same host computer")."""


def file_system_of(folder: Path) -> str:
    """Return the kind of file system that a folder lies on, such as ``ext4`` or ``nfs4``; empty where unknown."""
    import psutil  # only a book that is opened asks

    place = os.path.normcase(os.path.realpath(folder))
    best = ("", "")
    with suppress(OSError, RuntimeError):
        for mounted in psutil.disk_partitions(all=True):
            point = os.path.normcase(os.path.realpath(mounted.mountpoint))
            inside = place == point or place.startswith(point.rstrip(os.sep) + os.sep)
            if inside and len(point) >= len(best[0]):
                kind = "smbfs" if "remote" in mounted.opts.split(",") else mounted.fstype
                best = (point, kind.casefold().removeprefix("fuse."))
    return best[1]


def open_book(
    path: Path,
    *,
    file_system: Callable[[Path], str] | None = None,
    migrations: Sequence[Migration] | None = None,
) -> Book:
    """Open a workshop book that is there already.

    A book of an older format is first copied beside itself, as ``NAME.format-1``, then brought up to date.

    Parameters
    ----------
    path : Path
    file_system : callable, optional
        Says what kind of file system a folder lies on; `file_system_of` unless given.
    migrations : sequence of callable, optional
        Steps from one format to the next; those of this labkit unless given.

    Raises
    ------
    InputError
        If there is no such file, it is no book or a damaged one, it is of a newer format, or lies on a network folder.
    """
    if not path.exists():
        raise InputError(f"{path}: no such workshop book; make one with: labkit book new '{path}'")
    if path.is_dir():
        raise InputError(f"{path}: is a folder; a workshop book is a file")
    _refuse_network(path, file_system)
    connection = _connected(path)
    try:
        if _number(connection, "application_id") != APPLICATION_ID:  # before anything of another program is touched
            raise InputError(f"{path}: is no workshop book (an empty file, or another program's)")
        _set_up(connection, path)
        _brought_up_to_date(connection, path, MIGRATIONS if migrations is None else migrations)
        return Book(path, connection)
    except sqlite3.DatabaseError as problem:
        connection.close()
        raise InputError(f"{path}: cannot be opened as a workshop book ({problem})") from None
    except BaseException:
        connection.close()
        raise


def new_book(path: Path, *, name: str = "", file_system: Callable[[Path], str] | None = None) -> Book:
    """Make an empty workshop book and open it.

    Raises
    ------
    InputError
        If there is a file of that name, or the folder is missing or over a network.
    """
    if path.exists():
        raise InputError(f"{path}: is there already; a book is never written over")
    if not path.parent.is_dir():
        raise InputError(f"{path}: the folder {path.parent} does not exist")
    _refuse_network(path, file_system)
    # made whole under another name, so that nobody ever opens half a book
    temporary = path.with_name(f".{path.name}.{new_uid()}")
    try:
        connection = _connected(temporary)
        try:
            _set_up(connection, temporary)
            with _transaction(connection):
                connection.execute(f"pragma application_id = {APPLICATION_ID}")
                _step(connection, 0, MIGRATIONS)
                connection.execute("insert into book values(1, ?, ?, ?)", (new_uid(), name or path.stem, now()))
        finally:
            connection.close()
        put_in_place(temporary, path, overwrite=False)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from None
    except sqlite3.Error as error:
        raise InputError(f"{path}: cannot be written ({error})") from None
    finally:
        for end in ("", "-wal", "-shm"):
            temporary.with_name(temporary.name + end).unlink(missing_ok=True)
    return open_book(path, file_system=file_system)


def _refuse_network(path: Path, file_system: Callable[[Path], str] | None) -> None:
    kind = (file_system or file_system_of)(path.parent)
    if kind in NETWORK_FILE_SYSTEMS:
        raise InputError(
            f"{path}: lies on a network folder ({kind}), where two writers cannot lock each other out; keep the book "
            "on a disk of this machine, and copies of it (labkit book copy-to) on the network"
        )


def _connected(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=WAIT_SECONDS, isolation_level=None, check_same_thread=False)


def _set_up(connection: sqlite3.Connection, path: Path) -> None:
    mode = connection.execute("pragma journal_mode = wal").fetchone()[0]
    if mode != "wal":  # the shared memory of the log is refused where locks are not kept
        raise InputError(f"{path}: lies where several writers cannot lock each other out; keep it on a disk of its own")
    for setting in ("synchronous = full", "foreign_keys = on"):
        connection.execute(f"pragma {setting}")


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("begin immediate")
    try:
        yield
    except BaseException:
        connection.execute("rollback")
        raise
    connection.execute("commit")


def _number(connection: sqlite3.Connection, pragma: str) -> int:
    return int(connection.execute(f"pragma {pragma}").fetchone()[0])


def _step(connection: sqlite3.Connection, start: int, migrations: Sequence[Migration]) -> None:
    drop_triggers(connection)
    for migration in migrations[start:]:
        migration(connection)
    create_triggers(connection)
    connection.execute(f"pragma user_version = {len(migrations)}")


def _brought_up_to_date(connection: sqlite3.Connection, path: Path, migrations: Sequence[Migration]) -> None:
    found = _number(connection, "user_version")
    if found > len(migrations):
        raise InputError(
            f"{path}: was written by a newer labkit (format {found}, this one knows {len(migrations)}); update labkit"
        )
    if found == len(migrations):
        return
    copy = path.with_name(f"{path.name}.format-{found}")
    if not copy.exists():
        _copied(connection, copy)
    with _transaction(connection):
        found = _number(connection, "user_version")  # another page may have been faster
        if found < len(migrations):
            _step(connection, found, migrations)


def _copied(connection: sqlite3.Connection, target: Path) -> None:
    temporary = target.with_name(f".{target.name}.{new_uid()}")
    try:
        copy = sqlite3.connect(temporary)
        try:
            connection.backup(copy)
            copy.execute("pragma journal_mode = delete")
        finally:
            copy.close()
        put_in_place(temporary, target, overwrite=False)
    except (OSError, sqlite3.Error) as error:
        raise InputError(f"{target}: cannot be written ({error})") from None
    finally:
        temporary.unlink(missing_ok=True)


class Book:
    """A workshop book that is open.

    Used as a context manager it is closed at the end. One book may be used from several threads.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self._lock = threading.RLock()
        self._is_writing = False
        weakref.finalize(self, connection.close)

    def __enter__(self) -> Book:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._connection.close()

    @property
    def uid(self) -> str:
        """The book's own name for good."""
        return str(self.query("select uid from book")[0][0])

    @property
    def name(self) -> str:
        """What the workshop calls it."""
        return str(self.query("select name from book")[0][0])

    def query(self, statement: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Return all rows of a question to the database."""
        with self._lock:
            try:
                return self._connection.execute(statement, values).fetchall()
            except (sqlite3.OperationalError, sqlite3.ProgrammingError) as error:
                raise InputError(f"{self.path}: cannot be read ({error})") from None

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Hold everything written inside together: on the disk at the end, or not at all.

        Raises
        ------
        InputError
            If the database refuses it, with its reason; nothing is written then.
        """
        with self._lock:
            if self._is_writing:
                yield
                return
            self._is_writing = True
            try:
                with _transaction(self._connection):
                    yield
            except sqlite3.IntegrityError as error:
                raise InputError(f"{self.path.name}: {_refusal(error)}") from None
            except sqlite3.Error as error:
                raise InputError(f"{self.path}: cannot be written ({error}); nothing was entered") from None
            finally:
                self._is_writing = False

    @contextmanager
    def reading(self) -> Iterator[None]:
        """See the book as of one moment, whatever others write meanwhile."""
        with self._lock:
            if self._is_writing:
                yield
                return
            self._connection.execute("begin")
            try:
                yield
            finally:
                self._connection.execute("rollback")

    def rename(self, uid: str, name: str, made_at: str) -> None:
        """Make this the book of another uid, name and day, as a book that is read in from text is."""
        with self.writing():
            self._connection.execute("update book set uid = ?, name = ?, made_at = ?", (uid, name, made_at))

    def add(self, *records: BookRecord) -> None:
        """Enter records, all or none, in an order in which each refers to earlier ones."""
        with self.writing():
            for record in records:
                names = columns(type(record))
                self._connection.execute(
                    f"insert into {record.table}({', '.join(map(quoted, names))}) "
                    f"values({', '.join('?' * len(names))})",
                    [getattr(record, name) for name in names],
                )

    def change(self, record: BookRecord) -> None:
        """Write a record with changed fields over the one of its uid; the old fields stay in the event trail."""
        names = [name for name in columns(type(record)) if name not in ("uid", "entered_at")]
        with self.writing():
            done = self._connection.execute(
                f"update {record.table} set {', '.join(f'{quoted(name)} = ?' for name in names)} where uid = ?",
                [*(getattr(record, name) for name in names), record.uid],
            )
            if done.rowcount != 1:
                raise InputError(f"{self.path.name}: no {record.name_of_one} has the uid {record.uid}")

    def records(self, kind: type[Kind], where: str = "", values: Sequence[Any] = ()) -> list[Kind]:
        """Return records of a kind in the order of their entry, all or those that a condition holds for."""
        names = columns(kind)
        condition = f" where {where}" if where else ""
        rows = self.query(f"select {', '.join(map(quoted, names))} from {kind.table}{condition} order by rowid", values)
        return [kind(**dict(zip(names, row))) for row in rows]

    def record(self, uid: str) -> BookRecord:
        """Return the record of a uid, of whatever kind.

        Raises
        ------
        InputError
            If there is none.
        """
        for kind in RECORDS:
            for record in self.records(kind, "uid = ?", [uid]):
                return record
        raise InputError(f"{self.path.name}: no record has the uid {uid}")

    def labelled(self, kind: type[Kind], label: str) -> Kind:
        """Return the spool, lot, machine, bobbin or meter that the workshop calls so.

        Raises
        ------
        InputError
            If there is none; says the nearest.
        """
        found = self.records(kind, "label = ?", [label])
        if not found:
            known = [str(row[0]) for row in self.query(f"select label from {kind.table}")]
            hint = did_you_mean(label, known) or " None is entered yet."
            raise InputError(f"{self.path.name}: no {kind.name_of_one} is called '{label}'.{hint}")
        return found[0]

    def cross_out(self, record: BookRecord, why: str) -> None:
        """Cross a record out: it stays visible with the reason, and counts no more.

        Raises
        ------
        InputError
            If it cannot be crossed out, or no reason is given.
        """
        if "void_reason" not in columns(type(record)):
            raise InputError(f"a {record.name_of_one} is not crossed out; cross out what was read with it")
        if not why.strip():
            raise InputError("say why it is crossed out; the reason stays beside it")
        self._mark(record, why.strip())

    def restore(self, record: BookRecord) -> None:
        """Let a record that was crossed out count again."""
        self._mark(record, None)

    def _mark(self, record: BookRecord, reason: str | None) -> None:
        with self.writing():
            self._connection.execute(f"update {record.table} set void_reason = ? where uid = ?", (reason, record.uid))

    def design(self, name: str, version: int | None = None) -> Design:
        """Return a design of the book by name, its newest version unless another is asked for."""
        found = self.records(Design, "name = ?", [name])
        found = [each for each in found if version in (None, each.version)]
        if not found:
            known = [str(row[0]) for row in self.query("select distinct name from design")]
            asked = name if version is None else f"{name}, version {version}"
            raise InputError(f"{self.path.name}: no design is called '{asked}'.{did_you_mean(name, known)}")
        return max(found, key=lambda each: each.version)

    def enter_design(self, sheet: str, where: str = "design") -> Design:
        """Enter a pickup sheet as a design, or return it where the book has just this text already.

        Parameters
        ----------
        sheet : str
            TOML text; it must stand alone, without other files of the user's.
        where : str
            What to call it in messages.
        """
        built = read_design(sheet, where)
        digest = hashlib.sha256(sheet.encode()).hexdigest()
        with self.writing():
            same = self.records(Design, "name = ?", [built.name])
            for each in same:
                if each.sha256 == digest:
                    return each
            design = Design(name=built.name, version=len(same) + 1, sheet=sheet, sha256=digest)
            self.add(design)
        return design

    def coil(self, serial: str, coil: str | None = None) -> WoundCoil:
        """Return a coil by its serial number, and by which coil of the pickup it is where there are several.

        Raises
        ------
        InputError
            If there is none, or several and none is named.
        """
        found = self.records(WoundCoil, "serial = ? and void_reason is null", [serial])
        found = found or self.records(WoundCoil, "serial = ?", [serial])
        if coil is not None:
            found = [each for each in found if each.coil == coil]
        if not found:
            known = [str(row[0]) for row in self.query("select distinct serial from coil")]
            raise InputError(
                f"{self.path.name}: no coil has the serial number '{serial}'.{did_you_mean(serial, known)}"
            )
        if len({each.coil for each in found}) > 1:
            parts = ", ".join(sorted({each.coil for each in found}))
            raise InputError(f"{self.path.name}: pickup '{serial}' has several coils: {parts}; name one of them")
        return found[-1]

    def next_serial(self) -> str:
        """Return the serial number after that of the coil entered last; empty in an empty book."""
        coils = self.query("select serial from coil order by rowid desc limit 1")
        return next_serial(str(coils[0][0])) if coils else ""

    def copy_to(self, target: Path) -> None:
        """Write a whole copy of the book into a new file, also while others write into the book."""
        if target.exists():
            raise InputError(f"{target}: exists already; choose another name")
        with self._lock:
            _copied(self._connection, target)

    def scratch(self) -> Book:
        """Return a copy in memory, to try an entry on: what is written into it is gone when it is closed."""
        connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        with self._lock:
            self._connection.backup(connection)
        connection.execute("pragma foreign_keys = on")
        return Book(self.path, connection)

    @property
    def moment(self) -> tuple[int, int]:
        """Numbers that change whenever the book does, whoever writes into it."""
        with self._lock:
            return _number(self._connection, "data_version"), self._connection.total_changes

    def check(self) -> tuple[str, ...]:
        """Return what is wrong with the file by the database's own check; empty when it is sound."""
        wrong = [str(row[0]) for row in self.query("pragma integrity_check") if row[0] != "ok"]
        wrong += [f"{row[0]} refers to a missing {row[2]}" for row in self.query("pragma foreign_key_check")]
        return tuple(wrong)

    def trail(self, record: BookRecord) -> list[Event]:
        """Return every change of a record, the oldest first."""
        return self.records(Event, "row_uid = ?", [record.uid])


def read_design(sheet: str, where: str = "design") -> BuiltPickup:
    """Return the pickup of a design's sheet."""
    return read_build(_design_table(sheet, where))


def _design_table(sheet: str, where: str) -> Table:
    return parse_sheet(sheet, where, kinds=("pickup",))


def _refusal(error: sqlite3.IntegrityError) -> str:
    said = str(error)
    if said.startswith("UNIQUE constraint failed: "):
        names = said.removeprefix("UNIQUE constraint failed: ")
        table = names.partition(".")[0]
        fields = names.replace(f"{table}.", "")
        if fields == "uid":
            return f"this {table} is in the book already"
        return f"another {table.replace('_', ' ')} has the same {fields.replace(', ', ' and ')}"
    if said.startswith("FOREIGN KEY"):
        return "a record refers to one that is not in the book"
    if said.startswith("CHECK"):
        return f"a value is outside what can be ({said.removeprefix('CHECK constraint failed: ')})"
    return said
