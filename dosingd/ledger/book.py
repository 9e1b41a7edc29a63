"""The ledger: rows that are only ever added, each durable before `append` returns (R1, R3).

Order of a reservation: the row is committed with synchronous=FULL, the witness's older or invalid slot is overwritten
and synced, and only then does `append` return, so that the pump may start. After any error nothing more is written
until the ledger is opened again, because only the disk knows then how far the row came. A row that was committed and
not acknowledged is an open reservation, which counts as given in full: an error starves a little and never overdoses.

Every row advances the witness, not reservations alone: a copy that has lost a `held` or a refill with a weaker stock
is as wrong as one that has lost a dose.
"""

from __future__ import annotations

import sqlite3
import threading
import weakref
from collections.abc import Collection, Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from dosingd.errors import LedgerFailed, LedgerRefused
from dosingd.ledger import opening
from dosingd.ledger.database import identity, words_for
from dosingd.ledger.opening import INSERT, TROUBLE, AtStep, Opened, no_step, select
from dosingd.ledger.rows import KIND_OF, Columns, as_kept, chained_hash, columns_of, us_from_at
from dosingd.ledger.witness import Mark, MemoryWitness, Witness
from dosingd.records import Event, LedgerMade, Reading, Reserved, Row, Settled, proven_ms_after


class Book:
    """One open ledger. Everything the daemon knows of the past is derived from its rows."""

    def __init__(self, opened: Opened, path: Path | None, witness: Witness | None, at_step: AtStep) -> None:
        """For `make`, `open`, `read` and `pretend` alone."""
        self.newest: Row = opened.audit.newest
        self.ledger_id: str = opened.audit.made.ledger_id
        self.bench: bool = opened.audit.made.bench
        self._connection = opened.connection
        self._hash = opened.audit.hash
        self._tally = opened.audit.tally
        self._path = path
        self._witness = witness
        self._at_step = at_step
        self._broken: str | None = None
        self._writer = threading.get_ident()
        self._files = [(item, identity(item)) for item in opened.files]
        # A book that is dropped without a word lets go of its files too.
        self._let_go = weakref.finalize(self, _let_go, opened)

    @classmethod
    def make(
        cls, path: Path, witness: Witness, event: LedgerMade, reading: Reading, *, at_step: AtStep = no_step
    ) -> Book:
        """Makes the first ledger and opens it.

        It is written whole under another name and then put in place; the witness comes last. Cut anywhere, what is
        left is nothing, or a ledger that opens. Raises LedgerRefused when a ledger or any trace of a witness is there
        already, LedgerFailed when the disk refuses.
        """
        return cls(opening.made(path, witness, event, reading, at_step), path, witness, at_step)

    @classmethod
    def open(cls, path: Path, witness: Witness, *, at_step: AtStep = no_step) -> Book:
        """Opens the ledger for writing, after every check of R3.

        Raises LedgerRefused, with the next command, when it is missing, open elsewhere, unreadable, read-only, on a
        full disk, of a newer version, damaged, changed, or not the ledger that its witness knows.
        """
        return cls(opening.opened(path, witness, at_step), path, witness, at_step)

    @classmethod
    def read(cls, path: Path) -> Book:
        """Opens the ledger for reading beside a running daemon: no lock, no witness, no row written.

        Raises LedgerRefused when it is missing, unreadable or of a newer version.
        """
        return cls(opening.opened_for_reading(path), path, None, no_step)

    @classmethod
    def pretend(cls, event: LedgerMade, reading: Reading, *, at_step: AtStep = no_step) -> Book:
        """A ledger in memory, with a witness in memory, for a rehearsal: the same rows by the same code."""
        witness = MemoryWitness()
        book = cls(opening.pretended(event, reading, witness), None, witness, at_step)
        # Nothing is lost with it, so it need not be closed by hand: whoever forgets the book forgets its memory.
        weakref.finalize(book, book._connection.close)
        return book

    def take_over(self) -> None:
        """From now on the thread that calls this writes, and no other: the daemon opens the ledger where a refusal ends
        its start, and hands it to the turn thread for good."""
        self._writer = threading.get_ident()

    def append(self, event: Event, reading: Reading) -> Row:
        """Adds a row and returns when it and its witness are on the disk; the pump may start after that, not before.

        Raises LedgerRefused when the slot is consumed or the reservation is not open: nothing was written, and the
        ledger stays open. Raises LedgerFailed on any other error; then nothing more is written until it is opened
        again.
        """
        if self._witness is None:
            raise LedgerRefused(f"{self._path}: opened for reading only.")
        if threading.get_ident() != self._writer:
            raise self._failed(event, "another thread holds it")
        if self._broken is not None:
            raise self._failed(event, f"it is closed since an earlier error: {self._broken}")
        if isinstance(event, Settled) and not self._tally.is_open(event.reservation, event.channel):
            raise LedgerRefused(
                f"{event.channel}: row {event.reservation} is not an open reservation of this channel, so nothing "
                f"can be settled. To see its rows: dosingd history --channel {event.channel}"
            )
        try:
            self._check_files()
            reading = as_kept(reading)
            row = Row(self.newest.seq + 1, reading, event, proven_ms_after(self.newest, reading))
            self._commit(row)
            self._advance_witness()
        except LedgerRefused:
            raise
        except Exception as error:
            self._broken = words_for(error)
            self._roll_back()
            raise self._failed(event, self._broken) from error
        except BaseException as error:
            self._broken = f"interrupted by {type(error).__name__}"
            self._roll_back()
            raise
        return row

    def rows(
        self,
        since_seq: int = 0,
        *,
        kinds: Collection[type] | None = None,
        channel: str | None = None,
        since_at: datetime | None = None,
        limit: int | None = None,
        newest_first: bool = False,
    ) -> Iterator[Row]:
        """The rows after `since_seq`, up to the newest at the time of asking, oldest first.

        `kinds` are classes of events; `since_at` is by the wall clock as it was then. Raises LedgerRefused when a row
        cannot be read.
        """
        # All of them always, so that the statement is one of a few and nothing is ever spliced into it.
        wanted = ["seq > :since AND seq <= :newest"]
        values: dict[str, int | str] = {"since": since_seq, "newest": self.newest.seq}
        if kinds is not None:
            names = [KIND_OF[kind] for kind in kinds]
            wanted.append(f"kind IN ({', '.join(f':kind{index}' for index in range(len(names)))})")
            values |= {f"kind{index}": name for index, name in enumerate(names)}
        if channel is not None:
            wanted.append("channel = :channel")
            values["channel"] = channel
        if since_at is not None:
            wanted.append("wall_at_us >= :since_at")
            values["since_at"] = us_from_at(since_at)
        order = "DESC" if newest_first else "ASC"
        values["limit"] = -1 if limit is None else limit
        try:
            yield from select(self._connection, f"{' AND '.join(wanted)} ORDER BY seq {order} LIMIT :limit", values)
        except TROUBLE as error:
            raise LedgerRefused(
                f"{self._path}: a row cannot be read: {words_for(error)}. To check the ledger: dosingd run --plan PLAN"
            ) from error

    def open_reservations(self) -> tuple[Row, ...]:
        """The reservations that nothing has settled, oldest first: at a start these are booked by R1."""
        return tuple(
            row
            for seq in self._tally.open_reservations()
            for row in select(self._connection, "seq = :seq", {"seq": seq})
        )

    def close(self) -> None:
        """Ends the use of this ledger and lets another process have it. A second time does nothing."""
        self._broken = self._broken or "it was closed"
        self._let_go()

    def _commit(self, row: Row) -> None:
        columns = columns_of(row)
        chained = chained_hash(self._hash, columns)
        execute = self._connection.execute
        execute("BEGIN IMMEDIATE")
        self._at_step("begun")
        try:
            execute(INSERT, (*columns, chained))
        except sqlite3.IntegrityError as error:
            if columns.slot is None or "rows.slot" not in str(error):
                raise
            execute("ROLLBACK")
            raise self._slot_consumed(columns) from error
        self._at_step("inserted")
        execute("COMMIT")
        self.newest, self._hash = row, chained
        self._tally.add(row.seq, row.event)
        self._at_step("committed")

    def _advance_witness(self) -> None:
        assert self._witness is not None
        self._witness.advance(Mark(self.ledger_id, self.newest.seq, self._hash, self._tally.booked))
        self._at_step("witnessed")

    def _check_files(self) -> None:
        # A ledger whose name was taken away goes on in a file that nobody will find again.
        for path, opened_as in self._files:
            if identity(path) != opened_as:
                raise FileNotFoundError(f"{path} was removed or replaced while it was in use")

    def _roll_back(self) -> None:
        with suppress(sqlite3.Error):
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    def _slot_consumed(self, columns: Columns) -> LedgerRefused:
        earlier = next(select(self._connection, "slot = :slot", {"slot": columns.slot or ""}))
        return LedgerRefused(
            f"{columns.channel}: the dose of slot {columns.slot} is in the ledger already (row {earlier.seq}, "
            f"{KIND_OF[type(earlier.event)]}), and no slot is dosed twice. Nothing was pumped. "
            f"To see it: dosingd history --channel {columns.channel}"
        )

    def _failed(self, event: Event, words: str) -> LedgerFailed:
        if isinstance(event, Reserved):
            what = f"{event.channel}: {event.reserved_ul / 1000:.3f} mL could not be booked"
            then = "Nothing was pumped; if the row reached the disk it counts as given."
        elif isinstance(event, Settled):
            what = f"{event.channel}: what was pumped could not be settled"
            then = "The whole reservation stays booked."
        else:
            what = f"{KIND_OF[type(event)]} could not be written" if type(event) in KIND_OF else "no such event"
            then = "Nothing was pumped."
        return LedgerFailed(
            f"{what} in {self._path or 'memory'}: {words}. {then} No pump runs until the ledger is opened again: "
            "mend that, then: dosingd run --plan PLAN"
        )


def _let_go(opened: Opened) -> None:
    opened.connection.close()
    if opened.lock is not None:
        opened.lock.release()
