"""Rows are added, never changed; a slot is consumed once; an error closes the book."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import attrs
import pytest

from dosingd.errors import LedgerFailed, LedgerRefused
from dosingd.ledger import Book, Booked, MemoryWitness, Witness
from dosingd.ledger.rows import Columns
from dosingd.records import Event, Held, LedgerMade, NotGiven, Outcome, Released, Reserved, Row, Stamp, Started
from tests.ledger.failing import RecordingDisk
from tests.ledger.ledgers import EVERY_EVENT, MADE, NOON_AT, made, place, reading, reserved, settled


def _pretended(*events: Event) -> Book:
    book = Book.pretend(MADE, reading())
    for second, event in enumerate(events, start=1):
        book.append(event, reading(second))
    return book


def test_rows_come_back_as_they_were_added_in_memory_and_from_disk(tmp_path: Path) -> None:
    assert isinstance(EVERY_EVENT[0], LedgerMade)
    path, witness = place(tmp_path)
    on_disk, in_memory = Book.make(path, witness, EVERY_EVENT[0], reading()), Book.pretend(EVERY_EVENT[0], reading())
    added = [on_disk.newest, *(on_disk.append(event, reading(5.25 * i)) for i, event in enumerate(EVERY_EVENT[1:]))]
    for i, event in enumerate(EVERY_EVENT[1:]):
        in_memory.append(event, reading(5.25 * i))
    assert [row.event for row in added] == list(EVERY_EVENT)
    assert list(on_disk.rows()) == list(in_memory.rows()) == added
    on_disk.close()
    again = Book.open(path, witness)
    assert list(again.rows()) == added
    assert (again.newest, again.ledger_id, again.bench) == (added[-1], MADE.ledger_id, True)
    again.close()


def test_rows_are_numbered_from_one_without_a_gap() -> None:
    book = _pretended(Stamp(), Stamp(), Stamp())
    assert [row.seq for row in book.rows()] == [1, 2, 3, 4]


def test_proven_time_is_elapsed_time_of_this_boot_and_since_the_next() -> None:
    book = _pretended()
    looks = [(10.0, "boot-1"), (70.5, "boot-1"), (40.0, "boot-1"), (45.0, "boot-1"), (3.0, "boot-2"), (4.0, "boot-2")]
    proven = [book.append(Stamp(), reading(mono_s, boot)).proven_ms for mono_s, boot in looks]
    assert proven == [10_000, 70_500, 70_500, 75_500, 78_500, 79_500]
    assert [row.proven_ms for row in book.rows()] == [0, *proven]


def test_a_reading_finer_than_the_ledger_keeps_is_the_same_row_in_memory_and_when_read_again() -> None:
    # CLOCK_BOOTTIME comes in nanoseconds. What is reckoned now must be what is reckoned from the rows later.
    book = _pretended()
    added = [book.append(Stamp(), reading(mono_s)) for mono_s in (0.0009994, 0.0019996, 86_400.123456789)]
    assert list(book.rows(1)) == added


def test_rows_can_be_asked_for_by_number_kind_channel_time_and_count() -> None:
    ca = reserved("ca-1", "ca")
    book = _pretended(Started("1"), reserved("alk-1"), settled(3), ca, Held("x"), reserved(None))

    def seqs(rows: object) -> list[int]:
        return [row.seq for row in rows if isinstance(row, Row)]  # type: ignore[attr-defined]

    assert seqs(book.rows(4)) == [5, 6, 7]
    assert seqs(book.rows(kinds=[Reserved])) == [3, 5, 7]
    assert seqs(book.rows(kinds=[Reserved, Held])) == [3, 5, 6, 7]
    assert seqs(book.rows(kinds=[])) == []
    assert seqs(book.rows(channel="alk")) == [3, 4, 7]
    assert seqs(book.rows(3, kinds=[Reserved], channel="alk")) == [7]
    assert seqs(book.rows(limit=2)) == [1, 2]
    assert seqs(book.rows(limit=2, newest_first=True)) == [7, 6]
    assert seqs(book.rows(since_at=reading(5).wall_at)) == [6, 7]


def test_rows_added_while_reading_wait_for_the_next_reading() -> None:
    book = _pretended(Stamp(), Stamp())
    seen = []
    for row in book.rows():
        seen.append(row.seq)
        book.append(Stamp(), reading(9))
    assert seen == [1, 2, 3]
    assert book.newest.seq == 6


_MISSED = NotGiven("alk", Outcome.MISSED, 3_000, "the power was off", slot="alk-1", due_at=NOON_AT)


@pytest.mark.parametrize("first", [reserved("alk-1"), _MISSED])
@pytest.mark.parametrize("second", [reserved("alk-1"), _MISSED])
@pytest.mark.parametrize("again", [False, True], ids=["at once", "after opening again"])
def test_a_slot_is_consumed_once_and_the_second_try_breaks_nothing(
    tmp_path: Path, first: Event, second: Event, again: bool
) -> None:
    path, witness = place(tmp_path)
    book = Book.make(path, witness, MADE, reading())
    book.append(first, reading(1))
    if again:
        book.close()
        book = Book.open(path, witness)
    with pytest.raises(LedgerRefused, match=r"slot alk-1 is in the ledger already \(row 2, .*Nothing was pumped"):
        book.append(second, reading(2))
    assert book.newest.seq == 2
    assert book.append(reserved("alk-2"), reading(3)).seq == 3
    book.close()
    Book.open(path, witness).close()


def test_doses_without_a_slot_do_not_stand_in_each_others_way() -> None:
    assert _pretended(reserved(None), reserved(None)).newest.seq == 3


def test_a_reservation_is_settled_once_by_its_own_channel() -> None:
    book = _pretended(reserved("alk-1"), Held("x"))
    for wrong in (settled(3), settled(4), settled(2, "ca"), settled(0)):
        with pytest.raises(LedgerRefused, match="not an open reservation of this channel"):
            book.append(wrong, reading(9))
    book.append(settled(2), reading(9))
    with pytest.raises(LedgerRefused, match="not an open reservation"):
        book.append(settled(2), reading(10))
    assert book.newest.seq == 4


def test_open_reservations_are_found_again(tmp_path: Path) -> None:
    made(tmp_path, reserved("alk-1"), reserved("ca-1", "ca"), settled(2), reserved("alk-2"))
    path, witness = place(tmp_path)
    book = Book.open(path, witness)
    assert [row.seq for row in book.open_reservations()] == [3, 5]
    book.append(settled(5), reading(9))
    assert [row.event for row in book.open_reservations()] == [reserved("ca-1", "ca")]
    book.close()


def test_a_second_first_row_cannot_be_added() -> None:
    with pytest.raises(LedgerFailed):
        _pretended().append(MADE, reading(1))


def test_the_witness_knows_what_was_booked_with_open_reservations_in_full(tmp_path: Path) -> None:
    path, witness = place(tmp_path)
    book = Book.make(path, witness, MADE, reading())

    def booked() -> object:
        (mark,) = Witness(witness.directory).newest()
        assert mark.seq == book.newest.seq
        return mark.booked

    book.append(reserved("alk-1"), reading(1))
    assert booked() == {"alk": Booked(3_250, 13_000)}
    book.append(settled(2), reading(2))
    assert booked() == {"alk": Booked(2_900, 11_600)}
    book.append(reserved("ca-1", "ca"), reading(3))
    book.append(reserved("alk-2"), reading(4))
    expected = {"alk": Booked(6_150, 24_600), "ca": Booked(3_250, 13_000)}
    assert booked() == expected
    book.close()
    book = Book.open(path, witness)
    book.append(Held("x"), reading(5))
    assert booked() == expected
    book.close()


def test_a_reservation_is_committed_then_witnessed_and_synced_before_append_returns(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    order: list[str] = []

    def at(step: str) -> None:
        if step == "committed":
            look = Book.read(path)
            order.append(f"rows {look.newest.seq}")
            look.close()
        order.append(step)

    witness = Witness(tmp_path / "witness", RecordingDisk(order.append))
    book = Book.make(path, witness, MADE, reading(), at_step=at)
    book.append(Stamp(), reading(1))
    order.clear()
    book.append(reserved(), reading(2))
    written = [f"{verb} witness-0" for verb in ("open", "write", "fsync", "close")]
    assert order == ["begun", "inserted", "rows 3", "committed", *written, "witnessed"]
    book.close()


def _insert(**columns: str) -> str:
    """SQL that adds row 5 as a copy of row 2, with these columns instead."""
    names = [*Columns._fields, "hash"]
    values = [columns.get(name, "5" if name == "seq" else name) for name in names]
    return f"INTO rows SELECT {', '.join(values)} FROM rows WHERE seq = 2"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE rows SET proven_ms = proven_ms + 1 WHERE seq = 2",
        "DELETE FROM rows WHERE seq = 2",
        "DELETE FROM rows",
        "INSERT OR REPLACE INTO rows SELECT * FROM rows WHERE seq = 2",
        "INSERT " + _insert(seq="9", slot="NULL"),
        "INSERT OR REPLACE " + _insert(),
        "INSERT " + _insert(),
        "INSERT " + _insert(kind="'settled'", slot="NULL", reservation="2"),
        "INSERT " + _insert(kind="'settled'", slot="NULL", reservation="4"),
        "INSERT " + _insert(kind="'settled'", slot="NULL", reservation="3"),
        "INSERT " + _insert(kind="'settled'", slot="NULL", reservation="6"),
        "INSERT " + _insert(kind="'ledger_made'", slot="NULL"),
        "INSERT " + _insert(slot="''"),
        "INSERT " + _insert(slot="'two' || char(10) || 'lines'"),
        "INSERT " + _insert(slot="NULL", channel="''"),
        "INSERT " + _insert(slot="NULL", channel="'two' || char(10) || 'lines'"),
        "INSERT " + _insert(slot="NULL", boot_id="'two' || char(10) || 'lines'"),
        "INSERT " + _insert(slot="NULL", wall_at_us="1.5"),
        "INSERT " + _insert(slot="NULL", proven_ms="-1"),
        "INSERT " + _insert(slot="NULL", synchronised="2"),
        "INSERT " + _insert(slot="NULL", hash="x'00'"),
    ],
)
def test_the_table_itself_refuses_what_would_change_the_past(statement: str) -> None:
    book = _pretended(reserved("alk-1"), settled(2), reserved("ca-1", "ca"))
    before = list(book.rows())
    with pytest.raises(sqlite3.IntegrityError):
        book._connection.execute(statement)
    assert list(book.rows()) == before


@pytest.mark.parametrize(
    "statement", [_insert(slot="NULL"), _insert(kind="'settled'", slot="NULL", reservation="4", channel="'ca'")]
)
def test_the_statements_that_these_faults_are_made_from_are_good_ones(statement: str) -> None:
    book = _pretended(reserved("alk-1"), settled(2), reserved("ca-1", "ca"))
    book._connection.execute("INSERT " + statement)
    assert book._connection.execute("SELECT count(*) FROM rows").fetchone() == (5,)


@pytest.mark.parametrize(
    ("setting", "careless", "wanted"),
    [
        ("synchronous", "OFF", 2),  # 2 is FULL: https://www.sqlite.org/pragma.html#pragma_synchronous
        ("fullfsync", "OFF", 1),
        ("checkpoint_fullfsync", "OFF", 1),
        ("recursive_triggers", "OFF", 1),
        ("cell_size_check", "OFF", 1),
        ("trusted_schema", "ON", 0),
    ],
)
def test_what_safety_rests_on_is_set_whatever_this_sqlite_was_built_for(
    tmp_path: Path, setting: str, careless: str, wanted: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect = sqlite3.connect

    def otherwise(*arguments: object, **named: object) -> sqlite3.Connection:
        connection: sqlite3.Connection = connect(*arguments, **named)  # type: ignore[call-overload]
        connection.execute(f"PRAGMA {setting} = {careless}")
        return connection

    monkeypatch.setattr(sqlite3, "connect", otherwise)
    book = Book.make(*place(tmp_path), MADE, reading())
    assert book._connection.execute(f"PRAGMA {setting}").fetchone() == (wanted,)
    assert book._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    book.close()


@pytest.mark.parametrize("event", [reserved("alk-2"), settled(2), Held("x")])
def test_after_an_error_nothing_is_written_until_the_ledger_is_opened_again(tmp_path: Path, event: Event) -> None:
    path, witness = place(tmp_path)
    book = Book.make(path, witness, MADE, reading())
    book.append(reserved("alk-1"), reading(1))
    slow = attrs.evolve(reserved("alk-3"), nominal_ul_per_s="slow")  # type: ignore[arg-type]
    with pytest.raises(LedgerFailed, match="'slow' is not a number"):
        book.append(slow, reading(2))
    with pytest.raises(LedgerFailed, match=r"closed since an earlier error: .*'slow'.*dosingd run --plan PLAN"):
        book.append(event, reading(3))
    assert [row.seq for row in book.rows()] == [1, 2]
    book.close()
    book = Book.open(path, witness)
    assert book.append(event, reading(3)).seq == 3
    book.close()


class _Interrupted(BaseException):
    """Like KeyboardInterrupt: no error, and no reason to go on."""


@pytest.mark.parametrize("step", ["begun", "inserted"])
@pytest.mark.parametrize(
    ("stopped", "raised", "words"),
    [
        (_Interrupted, _Interrupted, "interrupted by _Interrupted"),
        (RuntimeError("no more"), LedgerFailed, "no more"),
    ],
)
def test_a_row_that_was_stopped_halfway_is_taken_back_and_the_book_is_closed(
    step: str, stopped: BaseException | type[BaseException], raised: type[BaseException], words: str
) -> None:
    def at(name: str) -> None:
        if name == step:
            raise stopped

    book = Book.pretend(MADE, reading(), at_step=at)
    with pytest.raises(raised):
        book.append(Stamp(), reading(1))
    assert not book._connection.in_transaction
    assert book._connection.execute("SELECT count(*) FROM rows").fetchone() == (1,)
    with pytest.raises(LedgerFailed, match=words):
        book.append(Stamp(), reading(1))


@pytest.mark.parametrize("name", ["ledger.db", "ledger.db-wal"])
@pytest.mark.parametrize("replaced", [False, True])
def test_a_ledger_whose_file_went_away_is_not_written_to(tmp_path: Path, name: str, replaced: bool) -> None:
    path, witness = place(tmp_path)
    book = Book.make(path, witness, MADE, reading())
    book.append(reserved("alk-1"), reading(1))
    (tmp_path / name).rename(tmp_path / "moved")
    if replaced:
        (tmp_path / name).write_bytes((tmp_path / "moved").read_bytes())
    with pytest.raises(LedgerFailed, match=rf"{name} was removed or replaced while it was in use.*Nothing was pumped"):
        book.append(reserved("alk-2"), reading(2))
    assert Witness(witness.directory).newest()[0].seq == 2


def test_another_thread_cannot_write() -> None:
    book = _pretended()
    caught: list[BaseException] = []

    def other() -> None:
        try:
            book.append(Stamp(), reading(1))
        except LedgerFailed as error:
            caught.append(error)

    thread = threading.Thread(target=other)
    thread.start()
    thread.join()
    assert len(caught) == 1
    assert [row.seq for row in book.rows()] == [1]
    assert book.append(Stamp(), reading(2)).seq == 2, "the thread that has it goes on"


def test_a_book_is_handed_to_another_thread_for_good() -> None:
    book = _pretended()

    def other() -> None:
        book.take_over()
        book.append(Stamp(), reading(1))

    thread = threading.Thread(target=other)
    thread.start()
    thread.join()
    with pytest.raises(LedgerFailed, match="another thread holds it"):
        book.append(Stamp(), reading(2))
    assert [row.seq for row in book.rows()] == [1, 2]


def test_a_closed_book_takes_no_row_and_closing_twice_is_allowed(tmp_path: Path) -> None:
    book = Book.make(*place(tmp_path), MADE, reading())
    book.close()
    book.close()
    with pytest.raises(LedgerFailed, match="it was closed"):
        book.append(Released("me"), reading(1))
    with pytest.raises(LedgerRefused, match="cannot be read"):
        list(book.rows())


def test_the_words_of_a_failure_say_what_was_pumped(tmp_path: Path) -> None:
    book = Book.make(*place(tmp_path), MADE, reading())
    book.append(reserved("alk-1"), reading(1))
    book.close()
    words: list[tuple[Event, str]] = [
        (reserved("alk-2", volume_ul=4_000), "alk: 4.250 mL could not be booked .* Nothing was pumped; if the row"),
        (settled(2), "alk: what was pumped could not be settled .* The whole reservation stays booked"),
        (Held("x"), "held could not be written .* Nothing was pumped"),
    ]
    for event, expected in words:
        with pytest.raises(LedgerFailed, match=expected):
            book.append(event, reading(2))


def test_a_pretended_ledger_touches_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    book = _pretended(reserved("alk-1"), settled(2))
    assert isinstance(book._witness, MemoryWitness)
    (mark,) = book._witness.newest()
    assert (mark.seq, mark.booked) == (3, {"alk": Booked(2_900, 11_600)})
    assert list(tmp_path.iterdir()) == []
