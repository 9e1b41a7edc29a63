"""Making, opening and reading a ledger, with every check that R3 asks for before a pump may run."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from attrs import frozen

from dosingd.errors import LedgerFailed, LedgerRefused
from dosingd.ledger import database, migrations
from dosingd.ledger.audit import COLUMNS, Audited, Tally, audited, check_against_witness, no_pump_runs
from dosingd.ledger.database import Lock, beside, wal_path, words_for
from dosingd.ledger.rows import NO_HASH, Columns, as_kept, chained_hash, columns_of, row_from_columns
from dosingd.ledger.witness import Mark, Witness
from dosingd.records import LedgerMade, Reading, Row, proven_ms_after

#: Told the name of each step of making a ledger and of adding a row, as the step ends.
AtStep = Callable[[str], None]

#: What files, SQLite and rows that do not decode raise.
TROUBLE = (sqlite3.Error, OSError, ValueError, KeyError, TypeError, OverflowError)

INSERT = f"INSERT INTO rows VALUES ({', '.join('?' * (len(Columns._fields) + 1))})"  # noqa: S608 - only marks


@frozen
class Opened:
    """What a book works on."""

    connection: sqlite3.Connection
    audit: Audited
    lock: Lock | None = None
    files: tuple[Path, ...] = ()  #: that must stay the files they are


def no_step(_: str) -> None:
    """Does nothing."""


def select(connection: sqlite3.Connection, where: str, values: Mapping[str, int | str] | None = None) -> Iterator[Row]:
    """The rows that a condition of our own holds for; values go in by name alone."""
    for found in connection.execute(f"SELECT {COLUMNS} FROM rows WHERE {where}", values or {}):  # noqa: S608
        yield row_from_columns(Columns._make(found))


def made(path: Path, witness: Witness, event: LedgerMade, reading: Reading, at_step: AtStep) -> Opened:
    """Makes the first ledger: whole under another name, then put in place, then the witness."""
    lock = Lock(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        witness.make_place()
        lock.take()
        at_step("locked")
        _refuse_second(path, witness)
        draft = beside(path, ".draft")
        database.remove_draft(draft)
        connection = database.connect(draft, "rwc")
        try:
            _lay_first(connection, event, reading)
        finally:
            connection.close()
        at_step("written")
        database.sync(draft)
        os.rename(draft, path)
        at_step("placed")
        database.sync(path.parent)
        return _checked(path, witness, lock, at_step)
    except TROUBLE as error:
        lock.release()
        raise LedgerFailed(
            f"{path}: no ledger could be made: {words_for(error)}. Mend that, then: dosingd init --plan PLAN"
        ) from error
    except BaseException:
        lock.release()
        raise


def opened(path: Path, witness: Witness, at_step: AtStep) -> Opened:
    """Opens a ledger for writing. Raises LedgerRefused."""
    lock = Lock(path)
    try:
        if not path.exists():
            raise no_pump_runs(f"{path}: there is no ledger here. If there was one, put it back.", path, witness)
        lock.take()
        return _checked(path, witness, lock, at_step)
    except TROUBLE as error:
        lock.release()
        words = words_for(error)
        if words.startswith("the disk is full"):  # nobody should think of a new ledger
            raise database.DiskFull(f"{path}: {words}. {database.MAKE_ROOM}") from error
        raise no_pump_runs(f"{path}: {words}.", path, witness) from error
    except BaseException:
        lock.release()
        raise


def opened_for_reading(path: Path) -> Opened:
    """Opens a ledger without a lock, for one that only reads. Raises LedgerRefused."""
    if not path.exists():
        raise LedgerRefused(f"{path}: there is no ledger here. To make the first: dosingd init --plan PLAN")
    try:
        connection = database.connect(path, "ro")
        try:
            database.check_version(connection, path)
            first = next(select(connection, "seq = 1"), None)
            newest = next(select(connection, "TRUE ORDER BY seq DESC LIMIT 1"), None)
            if first is None or newest is None or not isinstance(first.event, LedgerMade):
                raise LedgerRefused(f"{path}: it does not begin as a ledger begins.")
            return Opened(connection, Audited(first.event, newest, NO_HASH, Tally()))
        except BaseException:
            connection.close()
            raise
    except TROUBLE as error:
        raise LedgerRefused(
            f"{path}: {words_for(error)}. Read it as the user that the daemon runs as, or as root."
        ) from error


def pretended(event: LedgerMade, reading: Reading, witness: Witness) -> Opened:
    """Makes a ledger in memory."""
    connection = database.connect(None, "rwc")
    try:
        audit = _lay_first(connection, event, reading)
        witness.advance(_mark(audit))
    except BaseException:
        connection.close()
        raise
    return Opened(connection, audit)


def _checked(path: Path, witness: Witness, lock: Lock, at_step: AtStep) -> Opened:
    lock.take_file()
    try:
        database.check_room(path)
        if _brought_up(path):
            lock.take_file()  # another file bears the name now
        connection = database.connect(path, "rw")
        try:
            database.use_wal(connection)
            database.check_integrity(connection, path)
            audit = audited(connection, path)
            check_against_witness(connection, path, audit, witness)
            database.prove_writable(connection)
            at_step("checked")
            # Mends a slot that was cut, and shows that the witness can be written before a dose depends on it.
            witness.advance(_mark(audit))
            at_step("witnessed")
        except BaseException:
            connection.close()
            raise
    except database.DiskFull:
        raise  # the ledger is sound: nobody should think of a new one
    except LedgerRefused as refusal:
        raise no_pump_runs(str(refusal), path, witness) from refusal
    return Opened(connection, audit, lock, (path, wal_path(path)))


def _brought_up(path: Path) -> bool:
    """Whether the ledger was of an older version and is of the newest now."""
    connection = database.connect(path, "rw")
    try:
        version = database.check_version(connection, path)
    finally:
        connection.close()
    if version == database.SCHEMA_VERSION:
        return False
    migrations.migrate(path)
    return True


def _mark(audit: Audited) -> Mark:
    return Mark(audit.made.ledger_id, audit.newest.seq, audit.hash, audit.tally.booked)


def _refuse_second(path: Path, witness: Witness) -> None:
    if database.is_there(path):
        raise LedgerRefused(
            f"{path}: a ledger is here already, and init makes the first one only. Nothing was changed. "
            "To see it: dosingd history"
        )
    traces = witness.traces()
    if traces:
        raise no_pump_runs(
            f"{traces[0]}: the witness of an earlier ledger is here, and that ledger is not at {path}. Put it back.",
            path,
            witness,
        )


def _lay_first(connection: sqlite3.Connection, event: LedgerMade, reading: Reading) -> Audited:
    database.lay_schema(connection)
    row = Row(1, as_kept(reading), event, proven_ms_after(None, reading))
    columns = columns_of(row)
    chained = chained_hash(NO_HASH, columns)
    connection.execute(INSERT, (*columns, chained))
    return Audited(event, row, chained, Tally())
