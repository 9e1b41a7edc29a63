"""Ledgers of every version that was ever in use are kept here as SQL, and each is opened by this version, twice.

So far there is one version. How an older one would be brought up to date is tried on it with a made-up step to a
version 2 that does not exist.
"""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest

from dosingd.errors import LedgerRefused
from dosingd.ledger import Book
from dosingd.ledger.database import SCHEMA_VERSION
from dosingd.ledger.migrations import STEPS, migrate
from dosingd.records import Stamp
from tests.ledger.ledgers import KEPT_EVENTS, place, reading, reserved, synced_and_placed

_KEPT = Path(__file__).parent / "kept"
_MADE_UP = {1: "ALTER TABLE rows ADD COLUMN remark TEXT; CREATE INDEX rows_by_remark ON rows (remark);"}


def _laid(version: int, directory: Path) -> Path:
    """A kept ledger and its witness, as they were when that version was in use."""
    path, witness = place(directory)
    witness.make_place()
    connection = sqlite3.connect(path)
    connection.executescript((_KEPT / f"v{version}.sql").read_text(encoding="utf-8"))
    connection.close()
    for slot in witness.paths:
        shutil.copy(_KEPT / f"v{version}.{slot.name}", slot)
    return path


def test_every_version_is_kept_and_has_its_step() -> None:
    kept = sorted(int(path.stem.removeprefix("v")) for path in _KEPT.glob("*.sql"))
    assert kept == list(range(1, SCHEMA_VERSION + 1))
    assert sorted(STEPS) == kept[:-1]


@pytest.mark.parametrize("version", range(1, SCHEMA_VERSION + 1))
def test_a_kept_ledger_opens_twice_with_every_row_as_it_was(tmp_path: Path, version: int) -> None:
    path = _laid(version, tmp_path)
    for turn in range(2):
        book = Book.open(*place(tmp_path))
        rows = list(book.rows())
        assert [row.event for row in rows[: len(KEPT_EVENTS)]] == list(KEPT_EVENTS)
        assert [row.reading for row in rows] == [reading(second) for second in range(len(KEPT_EVENTS) + turn)]
        book.append(Stamp(), reading(len(KEPT_EVENTS) + turn))
        book.close()
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    connection.close()


def test_a_step_is_taken_on_a_copy_and_the_ledger_as_it_was_stays_beside_it(tmp_path: Path) -> None:
    path = _laid(1, tmp_path)
    Book.open(*place(tmp_path)).close()  # in use, so in WAL mode
    before = path.read_bytes()
    for leftover in ("ledger.db.migrating", "ledger.db.migrating-journal", "ledger.db.v1"):
        (tmp_path / leftover).write_bytes(b"half, from an attempt that was cut")
    for _ in range(2):
        migrate(path, _MADE_UP, 2)
        connection = sqlite3.connect(path)
        assert connection.execute("PRAGMA user_version").fetchone() == (2,)
        assert connection.execute("SELECT count(*), count(remark) FROM rows").fetchone() == (len(KEPT_EVENTS), 0)
        connection.close()
    # Not in WAL mode: https://www.sqlite.org/fileformat2.html, bytes 18 and 19 of the header.
    assert path.read_bytes()[18:20] == b"\1\1"
    assert sorted(item.name for item in tmp_path.iterdir()) == [
        "ledger.db",
        "ledger.db.lock",
        "ledger.db.v1",
        "witness",
    ]
    kept = tmp_path / "ledger.db.v1"
    assert kept.read_bytes() == before
    with pytest.raises(LedgerRefused, match="written by a newer dosingd"):
        Book.open(*place(tmp_path))
    # Going back to the version before is putting its ledger back, as long as no row was added since.
    shutil.copy(kept, path)
    Book.open(*place(tmp_path)).close()


def test_the_copy_is_on_the_disk_before_it_takes_the_ledgers_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _laid(1, tmp_path)
    done = synced_and_placed(monkeypatch)
    migrate(path, _MADE_UP, 2)
    assert done == [
        "sync ledger.db.migrating",
        "link ledger.db ledger.db.v1",
        "replace ledger.db.migrating ledger.db",
        f"sync {tmp_path.name}",
    ]


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("CREATE TABLE rows (seq INTEGER)", "already exists"),
        ("DROP TRIGGER rows_never_go; DELETE FROM rows WHERE seq = 17", "would change its rows"),
        ("DROP TRIGGER rows_never_change; UPDATE rows SET proven_ms = 0 WHERE seq = 5", "row 5 was changed"),
        ("UPDATE rows SET proven_ms = 0", "a row never changes"),
        ("this is no SQL", "syntax error"),
        (
            "PRAGMA writable_schema = ON;"
            "UPDATE sqlite_schema SET sql = replace(sql, '(kind, channel)', '(channel, kind)') WHERE name LIKE '%kind';"
            "PRAGMA schema_version = 99",
            "would change its rows or damage it",
        ),
    ],
)
def test_a_step_that_fails_or_touches_a_row_leaves_the_ledger_as_it_was(tmp_path: Path, step: str, words: str) -> None:
    path = _laid(1, tmp_path)
    before = path.read_bytes()
    with pytest.raises((LedgerRefused, sqlite3.Error), match=words):
        migrate(path, {1: step}, 2)
    assert path.read_bytes() == before
    Book.open(*place(tmp_path)).close()
    migrate(path, _MADE_UP, 2)


def test_a_missing_step_is_refused(tmp_path: Path) -> None:
    path = _laid(1, tmp_path)
    with pytest.raises(LedgerRefused, match="ledger version 1 is not one that this dosingd can bring up to date"):
        migrate(path, {2: "SELECT 1"}, 3)


@pytest.mark.parametrize("reading_now", [False, True])
def test_a_ledger_that_a_reader_has_open_is_not_replaced(tmp_path: Path, reading_now: bool) -> None:
    path = _laid(1, tmp_path)
    book = Book.open(*place(tmp_path))
    book.append(reserved("alk-9"), reading(99))
    look = Book.read(path)
    rows = look.rows()
    if reading_now:
        next(rows)
    book.close()
    with pytest.raises(LedgerRefused, match="another program is reading it"):
        migrate(path, _MADE_UP, 2)
    assert not list(tmp_path.glob("*.v1"))
    assert [row.seq for row in Book.read(path).rows()] == list(range(1, len(KEPT_EVENTS) + 2))
    rows.close()  # type: ignore[attr-defined]
    look.close()
    migrate(path, _MADE_UP, 2)


def test_opening_an_older_ledger_brings_it_up_under_the_lock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = _laid(1, tmp_path)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 0")  # as if there had been a version before the first
    connection.close()
    monkeypatch.setattr("dosingd.ledger.migrations.migrate.__defaults__", ({0: "SELECT 1;"}, 1))
    book = Book.open(*place(tmp_path))
    assert book.newest.seq == len(KEPT_EVENTS)
    assert (tmp_path / "ledger.db.v0").exists()
    assert [row.event for row in book.rows()] == list(KEPT_EVENTS)
    # The ledger's own lock is on the file that was put in place, too.
    (tmp_path / "ledger.db.lock").unlink()
    with pytest.raises(LedgerRefused, match="another dosingd has this ledger open"):
        Book.open(*place(tmp_path))
    book.close()
