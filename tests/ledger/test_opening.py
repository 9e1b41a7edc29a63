"""Which ledgers are opened, and which are refused, in words and with the next command (R3)."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from dosingd.errors import LedgerRefused
from dosingd.ledger import Book, Mark
from dosingd.ledger.database import connect, schema_text, use_wal
from dosingd.ledger.witness import slot_from_mark
from dosingd.records import Held, Stamp
from tests.ledger.ledgers import (
    MADE,
    OTHER,
    child,
    copied,
    made,
    opens,
    place,
    reading,
    refused,
    reserved,
    settled,
    synced_and_placed,
)


def _edited(path: Path, *statements: str) -> None:
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def test_a_new_ledger_begins_with_its_first_row_and_a_witness_of_it(tmp_path: Path) -> None:
    path, witness = place(tmp_path / "state")
    book = Book.make(path, witness, MADE, reading(5))
    assert [(row.seq, row.event, row.proven_ms) for row in book.rows()] == [(1, MADE, 0)]
    book.close()
    (mark,) = witness.newest()
    assert (mark.ledger_id, mark.seq) == (MADE.ledger_id, 1)
    assert sorted(item.name for item in path.parent.iterdir()) == ["ledger.db", "ledger.db.lock", "witness"]


def test_a_new_ledger_is_on_the_disk_before_it_takes_its_name_and_its_name_before_the_witness(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    state = tmp_path / "state"
    done = synced_and_placed(monkeypatch)
    Book.make(*place(state), MADE, reading()).close()
    assert done == [
        "sync ledger.db.draft",
        "rename ledger.db.draft ledger.db",
        "sync state",
        "sync witness-0",
        "sync witness",
    ]


def test_a_second_ledger_is_never_made_over_a_first(tmp_path: Path) -> None:
    path = made(tmp_path, Stamp())
    before = path.read_bytes()
    with pytest.raises(LedgerRefused, match=r"a ledger is here already.*dosingd history"):
        Book.make(*place(tmp_path), OTHER, reading())
    assert path.read_bytes() == before
    assert opens(tmp_path) == 2


def test_rows_left_in_a_log_alone_are_a_ledger_too(tmp_path: Path) -> None:
    path, witness = place(tmp_path)
    path.with_name("ledger.db-wal").write_bytes(b"frames")
    with pytest.raises(LedgerRefused, match="a ledger is here already"):
        Book.make(path, witness, MADE, reading())


@pytest.mark.parametrize("slot", [0, 1])
@pytest.mark.parametrize("content", ["valid", "torn"])
def test_no_ledger_is_made_where_a_witness_remembers_one(tmp_path: Path, slot: int, content: str) -> None:
    path, witness = place(tmp_path)
    witness.make_place()
    whole = slot_from_mark(Mark("lost", 7, bytes(32)))
    witness.paths[slot].write_bytes(whole if content == "valid" else whole[:100])
    with pytest.raises(LedgerRefused, match=r"witness of an earlier ledger is here.*mv .*witness-.*dosingd init"):
        Book.make(path, witness, MADE, reading())
    assert not path.exists()


def test_the_answer_that_a_refusal_names_works_as_printed(tmp_path: Path) -> None:
    state = tmp_path / "a rig's state"
    made(state, reserved("alk-1"))
    path, witness = place(state)
    path.unlink()
    message = refused(state, "there is no ledger here")
    command = message[message.index("mkdir") : message.index(" && dosingd init")]
    subprocess.run(command, shell=True, check=True)
    Book.make(path, witness, OTHER, reading()).close()
    assert opens(state) == 1
    assert sorted(item.name for item in (state / "ledger.db.aside").iterdir()) == ["witness-0", "witness-1"]


def test_a_missing_ledger_is_refused_and_not_made(tmp_path: Path) -> None:
    refused(tmp_path, "there is no ledger here")
    assert list(tmp_path.iterdir()) == []


def _truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-4096])


def _one_byte(path: Path) -> None:
    content = bytearray(path.read_bytes())
    index = content.index(b"2900")
    content[index] += 1
    path.write_bytes(content)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda path: path.write_bytes(b""), "not a ledger of dosingd"),
        (lambda path: path.write_bytes(b"not a database at all" * 500), "it is not a ledger"),
        (lambda path: path.write_bytes(bytes(8192)), "it is not a ledger"),
        (_truncated, "it is damaged"),
        (_one_byte, "row 3 was changed after it was written"),
        (lambda path: (path.unlink(), path.mkdir()), "cannot be opened|directory"),
    ],
)
def test_a_damaged_file_is_refused(tmp_path: Path, damage: Callable[[Path], object], words: str) -> None:
    damage(made(tmp_path, reserved("alk-1"), settled(2), Stamp()))
    refused(tmp_path, words)


def test_every_page_that_is_lost_is_noticed(tmp_path: Path) -> None:
    whole = made(tmp_path / "whole", *(reserved(f"alk-{index}") for index in range(40))).read_bytes()
    pages = 0
    for offset in range(0, len(whole), 4096):
        state = copied(tmp_path / "whole", tmp_path / str(offset))
        (state / "ledger.db").write_bytes(whole[:offset] + bytes(4096) + whole[offset + 4096 :])
        refused(state, "ledger.db: ")
        pages += 1
    assert pages >= 6


_CHANGES = [
    ("UPDATE rows SET body = replace(body, '2900', '1900') WHERE seq = 3", "row 3 was changed"),
    ("UPDATE rows SET proven_ms = proven_ms + 1000000 WHERE seq = 4", "row 4 was changed"),
    ("UPDATE rows SET wall_at_us = wall_at_us + 1 WHERE seq = 4", "row 4 was changed"),
    ("UPDATE rows SET slot = 'alk-0' WHERE seq = 2", "row 2 was changed"),
    ("UPDATE rows SET hash = zeroblob(32) WHERE seq = 2", "row 2 was changed"),
    ("UPDATE rows SET body = replace(body, 'true', 'false') WHERE seq = 1", "row 1 was changed"),
    ("DELETE FROM rows WHERE seq = 3", "row 3 is gone"),
    ("DELETE FROM rows WHERE seq = 4", "ends at row 3, and its witness has seen row 4"),
    ("DELETE FROM rows WHERE seq = 1", "row 1 is gone"),
    ("DELETE FROM rows", "does not begin as a ledger begins"),
]


@pytest.mark.parametrize(("change", "words"), _CHANGES)
def test_a_row_changed_from_outside_is_noticed(tmp_path: Path, change: str, words: str) -> None:
    path = made(tmp_path, reserved("alk-1"), settled(2), Stamp())
    schema = sqlite3.connect(path)
    triggers = schema.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
    schema.close()
    _edited(path, *(f"DROP TRIGGER {name}" for name, _ in triggers), change, *(sql for _, sql in triggers))
    refused(tmp_path, words)


def test_a_ledger_that_begins_with_something_else_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lax = schema_text().replace("CHECK ((kind = 'ledger_made') = (seq = 1))", "CHECK (true)")
    monkeypatch.setattr("dosingd.ledger.database.schema_text", lambda: lax)
    with pytest.raises(LedgerRefused, match="does not begin as a ledger begins"):
        Book.make(*place(tmp_path), Held("x"), reading())  # type: ignore[arg-type]
    refused(tmp_path, "does not begin as a ledger begins")


def test_a_place_that_cannot_keep_a_log_is_refused() -> None:
    with closing(connect(None, "rwc")) as connection, pytest.raises(LedgerRefused, match="cannot keep a write-ahead"):
        use_wal(connection)


@pytest.mark.parametrize(
    "drop",
    [
        "TRIGGER rows_never_change",
        "TRIGGER rows_never_go",
        "TRIGGER rows_follow",
        "TRIGGER rows_settle_reserved",
        "INDEX rows_by_slot",
        "INDEX rows_by_reservation",
    ],
)
def test_a_ledger_without_one_of_its_guards_is_refused(tmp_path: Path, drop: str) -> None:
    _edited(made(tmp_path, Stamp()), f"DROP {drop}")
    refused(tmp_path, f"its guard {drop.split()[1]} is gone")


def test_a_newer_ledger_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = made(tmp_path, Stamp())
    _edited(path, "PRAGMA user_version = 2")
    before = path.read_bytes()
    refused(tmp_path, r"written by a newer dosingd \(ledger version 2, this one knows 1\)")
    assert path.read_bytes() == before
    with pytest.raises(LedgerRefused, match="written by a newer dosingd"):
        Book.read(path)


def test_a_version_that_never_was_is_refused(tmp_path: Path) -> None:
    _edited(made(tmp_path, Stamp()), "PRAGMA user_version = 0")
    refused(tmp_path, "ledger version 0 is not one")


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    path = made(tmp_path, Stamp())
    _edited(path, "PRAGMA application_id = 7")
    refused(tmp_path, "not a ledger of dosingd")
    with pytest.raises(LedgerRefused, match="not a ledger of dosingd"):
        Book.read(path)


def test_a_row_that_this_version_cannot_understand_is_refused(tmp_path: Path) -> None:
    path, witness = place(tmp_path)
    book = Book.make(path, witness, MADE, reading())
    from dosingd.ledger import rows  # the names on disk, of which one is unknown for a while

    kinds = dict(rows.KINDS)
    book.append(Held("x"), reading(1))
    book.close()
    try:
        del rows.KINDS["held"]  # type: ignore[attr-defined]
        refused(tmp_path, "held")
    finally:
        rows.KINDS.update(kinds)  # type: ignore[attr-defined]


# One at a time


def test_a_second_process_is_refused_while_one_has_the_ledger_open(tmp_path: Path) -> None:
    path, witness = place(tmp_path)
    book = Book.make(path, witness, MADE, reading())

    def second(say: Callable[[str], None]) -> None:
        try:
            Book.open(path, witness)
        except LedgerRefused as refusal:
            say(str(refusal))

    (words,), status = child(second)
    assert status == 0
    assert "another dosingd has this ledger open" in words
    (tmp_path / "ledger.db.lock").unlink()
    (words,), _ = child(second)
    assert "another dosingd has this ledger open" in words
    book.append(Stamp(), reading(1))
    book.close()
    assert child(second) == ([], 0)


def test_a_ledger_moved_away_under_a_daemon_does_not_let_a_second_one_in(tmp_path: Path) -> None:
    path, witness = place(tmp_path)
    made(tmp_path, Stamp())
    book = Book.open(path, witness)
    for name in ("ledger.db", "ledger.db-wal", "ledger.db-shm"):
        (tmp_path / name).rename(tmp_path / f"old-{name}")
    shutil.copy(tmp_path / "old-ledger.db", path)
    with pytest.raises(LedgerRefused, match="another dosingd has this ledger open"):
        Book.open(path, witness)
    with pytest.raises(LedgerRefused, match="another dosingd has this ledger open"):
        Book.make(path, witness, MADE, reading())
    book.close()


def test_trying_again_and_again_uses_up_no_descriptors(tmp_path: Path) -> None:
    book = Book.make(*place(tmp_path), MADE, reading())
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(5):
        with pytest.raises(LedgerRefused, match="another dosingd has this ledger open"):
            Book.open(*place(tmp_path))
    assert len(os.listdir("/proc/self/fd")) == before
    book.close()


def test_a_refused_opening_leaves_no_lock_behind(tmp_path: Path) -> None:
    path = made(tmp_path, Stamp())
    content = path.read_bytes()
    path.write_bytes(b"")
    refused(tmp_path, "not a ledger")
    path.write_bytes(content)
    assert opens(tmp_path) == 2


# Reading beside a daemon


def test_reading_needs_no_lock_and_sees_what_was_committed(tmp_path: Path) -> None:
    path, witness = place(tmp_path)
    book = Book.make(path, witness, MADE, reading())
    book.append(reserved("alk-1"), reading(1))
    look = Book.read(path)
    book.append(settled(2), reading(2))
    assert [row.seq for row in look.rows()] == [1, 2]
    assert [row.seq for row in Book.read(path).rows()] == [1, 2, 3]
    assert (look.ledger_id, look.bench) == (MADE.ledger_id, True)
    book.close()
    assert [row.seq for row in Book.read(path).rows()] == [1, 2, 3]
    assert opens(tmp_path) == 3


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    path = made(tmp_path, Stamp())
    look = Book.read(path)
    with pytest.raises(LedgerRefused, match="opened for reading only"):
        look.append(Stamp(), reading(1))
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        look._connection.execute("PRAGMA user_version = 9")
    before = path.read_bytes()
    look.close()
    assert path.read_bytes() == before


@pytest.mark.parametrize("content", [None, b"", b"x" * 5000])
def test_reading_what_is_no_ledger_is_refused_in_words(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "ledger.db"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(LedgerRefused, match=r"no ledger here|not a ledger"):
        Book.read(path)


def test_an_sqlite_that_is_too_old_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made(tmp_path, Stamp())
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 34, 1))
    refused(tmp_path, r"needs SQLite 3\.37 or newer")
