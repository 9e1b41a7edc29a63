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
from dosingd.checking import raised_since
from dosingd.cli.planfile import sound_plan
from dosingd.cli.statedir import ledger_path, witness_directory
from dosingd.cli.wishes import wishes
from dosingd.clock import SystemClock
from dosingd.daemon.early import take_lock
from dosingd.errors import LedgerRefused, PlanRefused
from dosingd.flows import head_of
from dosingd.ledger import Book, Witness
from dosingd.ledger.account import Account
from dosingd.plan import Plan
from dosingd.records import Event, Row
from dosingd.words import ml


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


def _refuse_another(plan: Plan, books: Books) -> None:
    """What is booked is booked by the plan in force: another rig's file, or one that nobody has brought into force yet
    and that a reload would ask about, would say heads, stocks and reservoirs that are not there."""
    force, file = books.plan, wishes().plan_file(None)
    if force is None:
        return  # nothing was ever brought into force, so nothing contradicts it
    if force.rig != plan.rig:
        raise PlanRefused(
            f"{file} is the plan of the rig {plan.rig}, and this ledger is of {force.rig}. Nothing was booked. Name its"
            " own plan: --plan FILE, or the other rig's ledger: --state DIR",
        )
    differs = list(raised_since(force, plan))
    for name, item in plan.channels.items():
        holds_ul = item.reservoir.holds_ul
        if name in force.heads and force.heads[name] != head_of(item):
            differs.append(f"{name}: another gpio, speed, nominal_flow or line")
        if name in force.holds_ul and force.holds_ul[name] != holds_ul:
            differs.append(f"{name}: its reservoir holds {ml(holds_ul)}, not {ml(force.holds_ul[name])}")
    if differs:
        raise PlanRefused(
            f"{file} is not the plan in force by the ledger:\n"
            + "\n".join(f"  {line}" for line in differs)
            + "\nNothing was booked. Start the daemon, and it brings this plan into force, or holds and asks: then"
            " dosingd reload --yes. After that do this again. Or name the plan in force: --plan FILE"
        )


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
            _refuse_another(plan, account.books)
            yield Unmanned(plan, account, SystemClock(), messages)
        finally:
            book.close()
    finally:
        os.close(lock)
