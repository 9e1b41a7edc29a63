"""The ledger while no daemon runs, for the verbs that only book: under the daemon's lock, so that none starts then.

It is opened as the daemon opens it, with its witness and every check (R3), and each row advances both.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from attrs import frozen

from dosingd.books import Books
from dosingd.cli.planfile import sound_plan
from dosingd.cli.statedir import ledger_path, witness_directory
from dosingd.cli.wishes import wishes
from dosingd.clock import SystemClock
from dosingd.daemon.early import take_lock
from dosingd.errors import LedgerRefused
from dosingd.ledger import Book, Witness
from dosingd.ledger.account import Account
from dosingd.plan import Plan
from dosingd.records import Event, Row


@frozen
class Unmanned:
    """A rig without its daemon: the plan in the file, the books, and the way to write a row."""

    plan: Plan
    account: Account
    clock: SystemClock
    messages: Sequence[str]

    @property
    def books(self) -> Books:
        """What the ledger says; whatever is written is in it at once."""
        return self.account.books

    def write(self, event: Event) -> Row:
        """One row, durable when this returns."""
        return self.account.write(event, self.clock.now())


@contextmanager
def unmanned(witness: Path | None = None) -> Iterator[Unmanned]:
    """The rig of the state directory and plan that were asked for. Raises a Refusal when a daemon runs after all, when
    the plan has faults, and when the ledger cannot be trusted or has a run that nobody settled."""
    state = wishes().state_directory()
    plan, messages = sound_plan(wishes().plan_file(None))
    lock = take_lock(state)
    try:
        book = Book.open(ledger_path(state), Witness(witness or witness_directory(state)))
        try:
            account = Account(book)
            if account.books.open:
                # Only a start knows since when the lines are low; what that run gave is missing from every level.
                raise LedgerRefused(
                    "The last run was not settled: the daemon was cut off in its midst. Nothing was booked. Start it,"
                    " so that it books what may have gone in, then do this again."
                )
            yield Unmanned(plan, account, SystemClock(), messages)
        finally:
            book.close()
    finally:
        os.close(lock)
