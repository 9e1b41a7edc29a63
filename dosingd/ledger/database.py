"""The ledger's file: how it is connected to, made, locked and checked, and what its errors are called.

Settings that safety rests on: WAL with synchronous=FULL, so that a commit that returned outlives a power cut; one
connection, used from one thread; a lock held as long as the ledger is open, so that two daemons never share one.
"""

from __future__ import annotations

import errno
import fcntl
import os
import shlex
import sqlite3
from contextlib import suppress
from importlib.resources import files
from pathlib import Path

from dosingd.errors import LedgerRefused

#: Set in the header of every ledger, so that another program's database is never taken for one.
APPLICATION_ID = 1685025639
SCHEMA_VERSION = 1

#: STRICT tables need it.
_OLDEST_SQLITE = (3, 37, 0)
#: The least free space that a ledger is opened with: the index of its log (32 KiB) and a few commits.
_ROOM_BYTES = 64 * 1024
#: How long another program's lock is waited for; then there is no dose.
_BUSY_S = 2.0

_SQLITE_WORDS = {
    "SQLITE_FULL": "the disk is full",
    "SQLITE_READONLY": "it can only be read",
    "SQLITE_CANTOPEN": "it cannot be opened, or the files beside it cannot be made",
    "SQLITE_BUSY": "another program holds it",
    "SQLITE_IOERR": "the disk reported an error",
    "SQLITE_CORRUPT": "it is damaged",
    "SQLITE_NOTADB": "it is not a ledger",
    "SQLITE_PERM": "this user may not use it",
}
_ERRNO_WORDS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk is full for this user",
    errno.EFBIG: "the file may not grow",
    errno.EROFS: "the disk can only be read",
    errno.EACCES: "this user may not use it",
    errno.EPERM: "this user may not use it",
    errno.ENOENT: "it is missing",
    errno.ENOTDIR: "it is missing",
    errno.EIO: "the disk reported an error",
}


def words_for(error: BaseException) -> str:
    """What went wrong with a file, as a keeper would say it."""
    if isinstance(error, sqlite3.Error):
        name = getattr(error, "sqlite_errorname", "")
        for prefix, words in _SQLITE_WORDS.items():
            if name.startswith(prefix):
                return f"{words} ({error})"
    if isinstance(error, OSError):
        words = _ERRNO_WORDS.get(error.errno or 0, error.strerror or str(error))
        return f"{words} ({error.filename})" if error.filename else words
    return str(error) or type(error).__name__


def beside(path: Path, ending: str) -> Path:
    """A file that lies beside the ledger and is named after it."""
    return path.with_name(path.name + ending)


def wal_path(path: Path) -> Path:
    """The write-ahead log of a ledger: rows that are durable and not yet in the file itself."""
    return beside(path, "-wal")


def is_there(path: Path) -> bool:
    """Whether a ledger, or what an ended one left in its log, lies here."""
    return path.exists() or (wal_path(path).exists() and wal_path(path).stat().st_size > 0)


def identity(path: Path) -> tuple[int, int] | None:
    """Which file bears this name now; None when there is none."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino


def remove_draft(draft: Path) -> None:
    """Removes what an attempt that was cut left behind."""
    for ending in ("", "-wal", "-shm", "-journal"):
        beside(draft, ending).unlink(missing_ok=True)


def connect(path: Path | None, mode: str) -> sqlite3.Connection:
    """A connection with every setting that safety rests on; `mode` is ro, rw or rwc, None as path is memory.

    Raises LedgerRefused when this SQLite cannot do it, sqlite3.Error when the file cannot be opened.
    """
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        raise LedgerRefused(f"The ledger needs SQLite 3.37 or newer, and this Python has {sqlite3.sqlite_version}.")
    target = ":memory:" if path is None else f"{path.absolute().as_uri()}?mode={mode}"
    # SQLite's own check knows only the thread that opened, and the daemon hands the ledger on: the Book checks instead.
    connection = sqlite3.connect(
        target, uri=path is not None, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
    )
    try:
        for setting in ("trusted_schema = OFF", "recursive_triggers = ON", "cell_size_check = ON"):
            connection.execute(f"PRAGMA {setting}")
        if mode != "ro":
            for setting in ("synchronous = FULL", "fullfsync = ON", "checkpoint_fullfsync = ON"):
                connection.execute(f"PRAGMA {setting}")
    except BaseException:
        connection.close()
        raise
    return connection


def number(connection: sqlite3.Connection, pragma: str) -> int:
    """A whole number from the header."""
    return int(connection.execute(f"PRAGMA {pragma}").fetchone()[0])


def schema_text() -> str:
    """The newest schema."""
    return files("dosingd.ledger").joinpath(f"schema_v{SCHEMA_VERSION}.sql").read_text(encoding="utf-8")


def lay_schema(connection: sqlite3.Connection) -> None:
    """Makes the empty tables of a new ledger."""
    connection.executescript(schema_text())


def use_wal(connection: sqlite3.Connection) -> None:
    """Keeps commits in a write-ahead log. Raises LedgerRefused where the file system cannot."""
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise LedgerRefused(f"The file system under the ledger cannot keep a write-ahead log (it offers {mode!r}).")


def check_version(connection: sqlite3.Connection, path: Path) -> int:
    """The version of the ledger's schema. Raises LedgerRefused when this is none of ours, or a newer one."""
    if number(connection, "application_id") != APPLICATION_ID:
        raise LedgerRefused(f"{path}: this is not a ledger of dosingd.")
    version = number(connection, "user_version")
    if version > SCHEMA_VERSION:
        raise LedgerRefused(
            f"{path}: written by a newer dosingd (ledger version {version}, this one knows {SCHEMA_VERSION}). "
            "Nothing was changed. Install that version again, or a later one."
        )
    return version


def check_integrity(connection: sqlite3.Connection, path: Path) -> None:
    """Raises LedgerRefused when a page, an index or a guard of the schema is damaged or gone."""
    found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if found != "ok":
        raise LedgerRefused(f"{path}: it is damaged ({found}).")
    fresh = connect(None, "rwc")
    try:
        lay_schema(fresh)
        missing = _guards(fresh) - _guards(connection)
    finally:
        fresh.close()
    if missing:
        raise LedgerRefused(f"{path}: its guard {sorted(missing)[0]} is gone.")


def _guards(connection: sqlite3.Connection) -> set[str]:
    return {name for (name,) in connection.execute("SELECT name FROM sqlite_schema")}


MAKE_ROOM = "No pump runs. Make room, then start dosingd again."


class DiskFull(LedgerRefused):
    """There is no room on the disk under the ledger, so no pump runs until there is."""


def check_room(path: Path) -> None:
    """Raises LedgerRefused when the disk under the ledger is all but full, OSError when it cannot be asked."""
    disk = os.statvfs(path.parent)
    free_bytes = disk.f_bavail * disk.f_frsize
    if free_bytes < _ROOM_BYTES:
        raise DiskFull(
            f"{path}: the disk is full ({free_bytes // 1024} KiB free, {_ROOM_BYTES // 1024} KiB needed). {MAKE_ROOM}"
        )


def prove_writable(connection: sqlite3.Connection) -> None:
    """Commits a page to the disk without changing a row. Raises sqlite3.Error when the disk is full or read-only."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        connection.execute(f"PRAGMA user_version = {number(connection, 'user_version')}")
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


def sync(path: Path) -> None:
    """Returns when this file or directory is on the disk."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class Lock:
    """Keeps a second process off a ledger: by a file beside it, and by the ledger's own file.

    Both, because people remove lock files that look left over, and move ledgers that are in use.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._descriptors: list[int] = []

    def take(self) -> None:
        """Locks the place. Raises LedgerRefused when another process has it, OSError when the disk refuses."""
        self._hold(beside(self._path, ".lock"), os.O_RDWR | os.O_CREAT)

    def take_file(self) -> None:
        """Locks the ledger itself; it must be there."""
        self._hold(self._path, os.O_RDONLY)

    def release(self) -> None:
        """Only after the connection is closed: closing a file drops the locks that SQLite holds on it."""
        while self._descriptors:
            os.close(self._descriptors.pop())

    def _hold(self, path: Path, flags: int) -> None:
        descriptor = os.open(path, flags | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            raise LedgerRefused(
                f"{self._path}: another dosingd has this ledger open, and one ledger serves one daemon. "
                f"To see which process it is: fuser -v {shlex.quote(str(path))}"
            ) from None
        except BaseException:
            os.close(descriptor)
            raise
        self._descriptors.append(descriptor)
