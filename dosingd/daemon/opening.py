"""What a start begins with: a plan that may be run, and the ledger that belongs to this kind of pins."""

from __future__ import annotations

from pathlib import Path

from dosingd import __version__
from dosingd.books import Books
from dosingd.checking import asked_of, look, not_acted_on
from dosingd.errors import LedgerRefused
from dosingd.ledger import Book, Witness
from dosingd.ledger.places import ledger_path
from dosingd.plan import read_plan
from dosingd.plan.model import Plan
from dosingd.plan.reading import refused_plan


def runnable_plan(text: bytes, name: str, books: Books | None = None) -> Plan:
    """The plan, when it may be run. Raises PlanRefused with every fault, and with each setting that nothing acts on:
    a keeper who wrote it relies on it.

    Laying a year's worst days takes longer than everything else at a start, and each second counts after a crash. A
    plan that is in force by the books to the byte was tried on these days before it came into force, by `init` or by
    a reload of this same version; at a start it need only be read.
    """
    plan, marks = read_plan(text, name)
    faults = list(not_acted_on(plan, marks))
    if not _tried(plan, books):
        faults += look(plan, marks).faults
    if faults:
        raise refused_plan(sorted(faults, key=lambda fault: (fault.line, fault.column)), name)
    return plan


def unconfirmed(plan: Plan, books: Books) -> tuple[str, ...]:
    """What a reload would ask about of the plan that a start finds, against the one that is in force by the ledger: a
    file that was changed while no daemon ran must not come into force by a power cut. Nothing before the first start:
    nothing was dosed by the plan of `init` yet."""
    if books.plan is None or books.version is None or books.newest is None:
        return ()
    return asked_of(plan, books, books.newest.proven_ms)


def _tried(plan: Plan, books: Books | None) -> bool:
    if books is None or books.plan is None or books.version not in (None, __version__):
        return False
    return books.plan.sha256 == plan.sha256


def open_ledger(state: Path, witness: Path, *, bench: bool) -> Book:
    """The ledger, after every check of R3. Raises LedgerRefused, for a real rig's on a bench and the reverse too."""
    path = ledger_path(state)
    book = Book.open(path, Witness(witness))
    if book.bench != bench:
        book.close()
        if bench:
            raise LedgerRefused(
                f"{path}: this is a real rig's ledger, and pretend pumps would book doses that no tank got. Nothing"
                " was pumped. For a bench of its own: dosingd init --bench --plan PLAN --state DIR"
            )
        raise LedgerRefused(
            f"{path}: this is a bench's ledger: its reservoirs and its calibration are made up, so no real pump"
            " runs by it. For pretend pumps: dosingd run --bench. For a rig: dosingd init --plan PLAN --state DIR"
        )
    return book
